"""The narrow local channel between the loop process and the service process.

Data flows: loop -> service: one LoopHello, then telemetry (newest wins), events and answers;
service -> loop: commands. It is a Unix stream socket in the data directory; each message is a
32-bit little-endian length and one msgpack object. The loop serves and never waits for a reader:
a slow reader misses telemetry, a stuck one loses its oldest events and is told how many.
"""

from __future__ import annotations

import asyncio
import collections
import contextlib
import itertools
import os
import socket
import struct
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import msgspec

from control.commands import Answer, AnyCommand
from control.telemetry import Event, Telemetry
from daq.errors import DrumlinError, LinkError

CHANNEL_VERSION = 1
SOCKET_NAME = "loop.sock"
MAX_MESSAGE_BYTES = 1 << 20
MAX_COMMAND_BYTES = 1 << 16
EVENTS_KEPT = 1000  # per reader that does not keep up
COMMANDS_WAITING = 256  # beyond it the loop stops reading from its clients
_HIGH_WATER_BYTES = 128 * 1024
_PATH_LIMIT = 107  # bytes of a Unix socket's path
_LENGTH = struct.Struct("<I")


class LoopGone(LinkError):
    """The loop process does not answer: nothing can be commanded now."""


class LoopHello(msgspec.Struct, frozen=True, tag_field="message", tag="hello"):
    """First message on every connection: who serves, and which rig."""

    version: int
    pid: int
    rig_name: str
    rig_fingerprint: str


class TelemetryMessage(msgspec.Struct, frozen=True, tag_field="message", tag="telemetry"):
    telemetry: Telemetry


class EventMessage(msgspec.Struct, frozen=True, tag_field="message", tag="event"):
    event: Event
    missed_before: int = 0  # events this reader lost just before, because it did not keep up


class AnswerMessage(msgspec.Struct, frozen=True, tag_field="message", tag="answer"):
    answer: Answer


class CommandMessage(msgspec.Struct, frozen=True, tag_field="message", tag="command"):
    command: AnyCommand


FromLoop = LoopHello | TelemetryMessage | EventMessage | AnswerMessage

_encoder = msgspec.msgpack.Encoder()
_from_loop = msgspec.msgpack.Decoder(FromLoop)
_to_loop = msgspec.msgpack.Decoder(CommandMessage)


def pack(message: FromLoop | CommandMessage) -> bytes:
    """One message as it goes over the socket."""
    body = _encoder.encode(message)
    return _LENGTH.pack(len(body)) + body


class Splitter:
    """Cuts the byte stream into message bodies. Raises ValueError when a length is absurd."""

    def __init__(self, limit: int) -> None:
        self._buffer = bytearray()
        self._limit = limit

    def feed(self, data: bytes) -> list[bytes]:
        """Bodies completed by `data`, in order."""
        self._buffer += data
        bodies: list[bytes] = []
        start = 0
        while len(self._buffer) - start >= _LENGTH.size:
            (length,) = _LENGTH.unpack_from(self._buffer, start)
            if length > self._limit:
                raise ValueError(f"message of {length} bytes, at most {self._limit} allowed")
            end = start + _LENGTH.size + length
            if len(self._buffer) < end:
                break
            bodies.append(bytes(self._buffer[start + _LENGTH.size : end]))
            start = end
        del self._buffer[:start]
        return bodies


class ReceivedCommand(msgspec.Struct, frozen=True):
    """A command as the core sees it: its id is unique among all clients of the channel."""

    command: AnyCommand
    client: int


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
        self._holding = False

    @property
    def clients(self) -> int:
        """Readers connected now."""
        return len(self._clients)

    async def start(self, path: Path) -> None:
        """Serve at `path`. Raises LinkError when another loop already serves there."""
        _check_path(path)
        if _answers(path):
            raise LinkError(
                f"Another loop process already serves {path}.",
                "End it first, or use another --data directory.",
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
        if self._holding:
            self._holding = False
            for client in self._clients:
                client.hold_reading(False)
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
            command = _to_loop.decode(body).command
        except msgspec.DecodeError as error:
            self._refuse(client, body, error)
            return
        ours = next(self._ids)
        self._origin[ours] = (client, command.id)
        self._waiting.append(msgspec.structs.replace(command, id=ours))
        if len(self._waiting) >= COMMANDS_WAITING and not self._holding:
            self._holding = True
            for each in self._clients:
                each.hold_reading(True)
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
            Answer(
                number, False, "malformed", f"{error}.", "Correct the command and send it again."
            )
        )


class EventStream:
    """Events for one subscriber, bounded: the oldest go first when it does not keep up."""

    def __init__(self) -> None:
        self._queue: collections.deque[Event] = collections.deque()
        self._arrived = asyncio.Event()
        self.missed = 0

    def put(self, event: Event, missed_before: int) -> None:
        self.missed += missed_before
        if len(self._queue) >= EVENTS_KEPT:
            self._queue.popleft()
            self.missed += 1
        self._queue.append(event)
        self._arrived.set()

    async def get(self) -> Event:
        """The next event; waits for one."""
        while not self._queue:
            self._arrived.clear()
            await self._arrived.wait()
        return self._queue.popleft()

    async def __aiter__(self) -> AsyncIterator[Event]:
        while True:
            yield await self.get()


class ChannelClient:
    """The service's side: `async with ChannelClient(path) as loop: ...`; reconnects for ever.

    `latest` is the newest telemetry (None before the first, kept when the loop is gone; look at
    `connected` and `age_s`), `changed(after)` waits for a newer one, `events()` subscribes,
    `request(command)` sends a command and returns its answer.
    """

    def __init__(self, path: Path, back_off_s: float = 0.05, back_off_cap_s: float = 1.0) -> None:
        _check_path(path)
        self._path = path
        self._back_off_s = back_off_s
        self._back_off_cap_s = back_off_cap_s
        self._task: asyncio.Task[None] | None = None
        self._writer: asyncio.StreamWriter | None = None
        self._ids = itertools.count(1)
        self._pending: dict[int, asyncio.Future[Answer]] = {}
        self._streams: set[EventStream] = set()
        self._newer: asyncio.Event = asyncio.Event()
        self._received_at = float("-inf")
        self.hello: LoopHello | None = None
        self.latest: Telemetry | None = None
        self.count = 0  # telemetry messages received so far
        self.connections = 0

    async def __aenter__(self) -> ChannelClient:
        self._task = asyncio.create_task(self._run(), name="channel client")
        return self

    async def __aexit__(self, *_: object) -> None:
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task
            self._task = None

    @property
    def connected(self) -> bool:
        """True between the loop's hello and the end of the connection."""
        return self._writer is not None and self.hello is not None

    @property
    def age_s(self) -> float:
        """Seconds since the newest telemetry arrived; inf before the first."""
        return asyncio.get_running_loop().time() - self._received_at

    async def wait_connected(self, timeout_s: float) -> None:
        """Wait for the loop. Raises LoopGone after `timeout_s`."""
        deadline = asyncio.get_running_loop().time() + timeout_s
        while not self.connected:
            if asyncio.get_running_loop().time() > deadline:
                raise LoopGone(
                    f"The loop process did not answer at {self._path} for {timeout_s:g} s.",
                    "See whether it runs, and what it last reported.",
                )
            await asyncio.sleep(0.01)  # the state has two sides; polling it is simplest

    async def changed(self, after: int) -> int:
        """Wait until more than `after` telemetry messages have come; returns their number."""
        while self.count <= after:
            await self._newer.wait()
        return self.count

    @contextlib.contextmanager
    def events(self) -> collections.abc.Iterator[EventStream]:
        """Subscribe to events for the length of a with block."""
        stream = EventStream()
        self._streams.add(stream)
        try:
            yield stream
        finally:
            self._streams.discard(stream)

    async def request(self, command: AnyCommand, timeout_s: float = 2.0) -> Answer:
        """Send a command (its id is replaced) and return the core's answer.

        Raises LoopGone when the loop is not connected, goes away or stays silent for `timeout_s`.
        """
        if self._writer is None or not self.connected:
            raise LoopGone(
                "The loop process is not connected.", "Wait for it to come back, then try again."
            )
        number = next(self._ids)
        future: asyncio.Future[Answer] = asyncio.get_running_loop().create_future()
        self._pending[number] = future
        try:
            self._writer.write(pack(CommandMessage(msgspec.structs.replace(command, id=number))))
            async with asyncio.timeout(timeout_s):
                return await future
        except TimeoutError:
            raise LoopGone(
                f"The loop process did not answer a command for {timeout_s:g} s.",
                "Look at the rig; the load eases off by itself when the loop is gone.",
            ) from None
        finally:
            self._pending.pop(number, None)

    async def _run(self) -> None:
        wait_s = self._back_off_s
        while True:
            # Whatever ends a connection, the next attempt follows: the service outlives the loop.
            try:
                reader, writer = await asyncio.open_unix_connection(str(self._path))
            except OSError:
                await asyncio.sleep(wait_s)
                wait_s = min(wait_s * 2, self._back_off_cap_s)
                continue
            self._writer = writer
            self.connections += 1
            wait_s = self._back_off_s
            try:
                await self._read(reader)
            except (OSError, ValueError, msgspec.DecodeError):
                pass
            finally:
                self._dropped(writer)
            await asyncio.sleep(wait_s)

    async def _read(self, reader: asyncio.StreamReader) -> None:
        splitter = Splitter(MAX_MESSAGE_BYTES)
        while data := await reader.read(1 << 16):
            for body in splitter.feed(data):
                self._take(_from_loop.decode(body))

    def _take(self, message: FromLoop) -> None:
        if isinstance(message, TelemetryMessage):
            self.latest = message.telemetry
            self.count += 1
            self._received_at = asyncio.get_running_loop().time()
            self._newer.set()
            self._newer = asyncio.Event()
        elif isinstance(message, EventMessage):
            for stream in self._streams:
                stream.put(message.event, message.missed_before)
        elif isinstance(message, AnswerMessage):
            future = self._pending.get(message.answer.id)
            if future is not None and not future.done():
                future.set_result(message.answer)
        elif message.version != CHANNEL_VERSION:
            raise ValueError("the loop process speaks another version of the channel")
        else:
            self.hello = message

    def _dropped(self, writer: asyncio.StreamWriter) -> None:
        self._writer = None
        self.hello = None
        writer.transport.abort()
        for future in self._pending.values():
            if not future.done():
                future.set_exception(
                    LoopGone(
                        "The loop process went away before it answered.",
                        "Look at the rig; the load eases off by itself when the loop is gone.",
                    )
                )


def _check_path(path: Path) -> None:
    if len(os.fsencode(path)) > _PATH_LIMIT:
        raise DrumlinError(
            f"The path {path} is longer than a local socket allows ({_PATH_LIMIT} bytes).",
            "Choose a shorter --data directory.",
        )


def _answers(path: Path) -> bool:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.settimeout(0.5)
        try:
            probe.connect(str(path))
        except OSError:
            return False
        return True
