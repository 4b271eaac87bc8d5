"""The loop's end of the channel: readers come and go, and none is ever waited for.

A slow reader misses telemetry, a stuck one loses its oldest events and is told how many.
"""

from __future__ import annotations

import asyncio
import collections
import contextlib
import itertools
import os
import socket
from collections.abc import Callable
from pathlib import Path

import msgspec

from api.runtime.channel import (
    EVENTS_KEPT,
    MAX_COMMAND_BYTES,
    AnswerMessage,
    EventMessage,
    LoopHello,
    Splitter,
    TelemetryMessage,
    check_path,
    decode_to_loop,
    pack,
)
from control.core.commands import Answer, AnyCommand
from control.telemetry import Event, Telemetry
from daq.errors import LinkError
from daq.texts.message import say

COMMANDS_WAITING = 64  # of one client; beyond it the loop stops reading from that one
_HIGH_WATER_BYTES = 128 * 1024


class _Client(asyncio.Protocol):
    """One connected reader, as the loop process sees it."""

    def __init__(self, server: ChannelServer) -> None:
        self._server = server
        self._splitter = Splitter(MAX_COMMAND_BYTES)
        self._transport: asyncio.Transport | None = None
        self._paused = False
        self._telemetry: bytes | None = None
        self._queue: collections.deque[Event | Answer] = collections.deque()
        self._missed = 0
        self.waiting = 0  # its commands that no step has taken yet
        self.number = next(server.numbers)

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)  # noqa: S101 (asyncio promises it)
        self._transport = transport
        transport.set_write_buffer_limits(high=_HIGH_WATER_BYTES)
        self._server.joined(self)
        transport.write(pack(self._server.hello))

    def connection_lost(self, exc: Exception | None) -> None:
        self._transport = None
        self._server.left(self)

    def data_received(self, data: bytes) -> None:
        try:
            bodies = self._splitter.feed(data)
        except ValueError:
            self.close()
            return
        for body in bodies:
            self._server.received(self, body)

    def pause_writing(self) -> None:
        self._paused = True

    def resume_writing(self) -> None:
        self._paused = False
        self._flush()

    def offer_telemetry(self, packed: bytes) -> None:
        if self._paused:
            self._telemetry = packed  # the older one is worthless now
        elif self._transport is not None:
            self._transport.write(packed)

    def offer(self, item: Event | Answer) -> None:
        if len(self._queue) >= EVENTS_KEPT:
            self._queue.popleft()
            self._missed += 1
        self._queue.append(item)
        self._flush()

    def hold_reading(self, hold: bool) -> None:
        if self._transport is not None and not self._transport.is_closing():
            if hold:
                self._transport.pause_reading()
            else:
                self._transport.resume_reading()

    def close(self) -> None:
        if self._transport is not None:
            self._transport.abort()

    def _flush(self) -> None:
        while self._queue and not self._paused and self._transport is not None:
            item = self._queue.popleft()
            if isinstance(item, Answer):
                self._transport.write(pack(AnswerMessage(item)))
            else:
                self._transport.write(pack(EventMessage(item, self._missed)))
                self._missed = 0
        if self._telemetry is not None and not self._paused and self._transport is not None:
            packed, self._telemetry = self._telemetry, None
            self._transport.write(packed)


class ChannelServer:
    """The loop's side. Every method returns at once; nothing here waits for a client."""

    def __init__(self, hello: LoopHello, on_command: Callable[[], None] | None = None) -> None:
        """`on_command` is called when commands wait: the loop may step before the next frame."""
        self.hello = hello
        self.numbers = itertools.count(1)
        self.malformed = 0
        self._on_command = on_command
        self._clients: set[_Client] = set()
        self._server: asyncio.Server | None = None
        self._path: Path | None = None
        self._waiting: collections.deque[AnyCommand] = collections.deque()
        self._origin: dict[int, tuple[_Client, int]] = {}
        self._ids = itertools.count(1)

    @property
    def clients(self) -> int:
        """Readers connected now."""
        return len(self._clients)

    async def start(self, path: Path) -> None:
        """Serve at `path`. Raises LinkError when another loop already serves there."""
        check_path(path)
        if _answers(path):
            raise LinkError(
                say("another-loop-process-already-serves", path=path),
                say("end-first-or-use-another-data"),
            )
        path.unlink(missing_ok=True)  # noqa: ASYNC240 (one call, before anything runs)
        loop = asyncio.get_running_loop()
        mask = os.umask(0o177)  # the owner only: whoever opens it may command load
        try:
            self._server = await loop.create_unix_server(lambda: _Client(self), str(path))
        finally:
            os.umask(mask)
        self._path = path

    async def stop(self) -> None:
        """Close all clients and remove the socket."""
        if self._server is None:
            return
        self._server.close()
        for client in list(self._clients):
            client.close()
        await asyncio.sleep(0)  # lets connection_lost run
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._server.wait_closed(), 1.0)
        if self._path is not None:
            self._path.unlink(missing_ok=True)
        self._server = None

    def take_commands(self) -> tuple[AnyCommand, ...]:
        """Commands that arrived since the last call, oldest first, with ids of our own."""
        if not self._waiting:
            return ()
        commands = tuple(self._waiting)
        self._waiting.clear()
        for client in self._clients:
            if client.waiting >= COMMANDS_WAITING:
                client.hold_reading(False)
            client.waiting = 0
        return commands

    def answer(self, answer: Answer) -> None:
        """Hand the core's answer to whoever asked; an asker who left is forgotten."""
        origin = self._origin.pop(answer.id, None)
        if origin is not None:
            client, their_id = origin
            client.offer(msgspec.structs.replace(answer, id=their_id))

    def publish_event(self, event: Event) -> None:
        """Queue an event for every reader."""
        for client in self._clients:
            client.offer(event)

    def publish_telemetry(self, telemetry: Telemetry) -> None:
        """Offer a snapshot to every reader; the newest replaces one not yet sent."""
        if self._clients:
            packed = pack(TelemetryMessage(telemetry))
            for client in self._clients:
                client.offer_telemetry(packed)

    def joined(self, client: _Client) -> None:
        self._clients.add(client)

    def left(self, client: _Client) -> None:
        self._clients.discard(client)
        for ours in [ours for ours, (asker, _) in self._origin.items() if asker is client]:
            del self._origin[ours]

    def received(self, client: _Client, body: bytes) -> None:
        try:
            command = decode_to_loop(body).command
        except msgspec.DecodeError as error:
            self._refuse(client, body, error)
            return
        ours = next(self._ids)
        self._origin[ours] = (client, command.id)
        self._waiting.append(msgspec.structs.replace(command, id=ours))
        # Only who asks too much is held up: the helm process does not wait for the service.
        client.waiting += 1
        if client.waiting == COMMANDS_WAITING:
            client.hold_reading(True)
        if self._on_command is not None:
            self._on_command()

    def _refuse(self, client: _Client, body: bytes, error: msgspec.DecodeError) -> None:
        """Refuse a command that does not decode by its id; without an id drop the client."""
        self.malformed += 1
        try:
            number = msgspec.msgpack.decode(body)["command"]["id"]
        except (msgspec.DecodeError, KeyError, TypeError):
            client.close()
            return
        if not isinstance(number, int):
            client.close()
            return
        client.offer(
            Answer(number, False, "malformed", f"{error}.", say("correct-command-send-again"))
        )


def _answers(path: Path) -> bool:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.settimeout(0.5)
        try:
            probe.connect(str(path))
        except OSError:
            return False
        return True
