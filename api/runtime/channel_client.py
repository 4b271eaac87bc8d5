"""The service's end of the channel: stays connected, asks the loop, hears its telemetry and events.

Reconnects for ever; what was asked when the loop goes is answered with LoopGone.
"""

from __future__ import annotations

import asyncio
import collections
import contextlib
import itertools
from collections.abc import AsyncIterator
from pathlib import Path

import msgspec

from api.runtime.channel import (
    CHANNEL_VERSION,
    EVENTS_KEPT,
    MAX_MESSAGE_BYTES,
    AnswerMessage,
    CommandMessage,
    EventMessage,
    FromLoop,
    LoopGone,
    LoopHello,
    Splitter,
    TelemetryMessage,
    check_path,
    decode_from_loop,
    pack,
)
from control.core.commands import Answer, AnyCommand
from control.telemetry import Event, Telemetry
from daq.tasks import Tasks
from daq.texts.message import say


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
        check_path(path)
        self._path = path
        self._back_off_s = back_off_s
        self._back_off_cap_s = back_off_cap_s
        self._tasks = Tasks()
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
        self._tasks.keep("channel client", self._run)
        return self

    async def __aexit__(self, *_: object) -> None:
        await self._tasks.stop()

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
                    say("loop-process-did-not-answer-at", path=self._path, limit=timeout_s),
                    say("see-whether-runs-what-last-reported"),
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
            raise LoopGone(say("loop-process-not-connected"), say("wait-for-come-back-then-try"))
        number = next(self._ids)
        future: asyncio.Future[Answer] = asyncio.get_running_loop().create_future()
        self._pending[number] = future
        try:
            self._writer.write(pack(CommandMessage(msgspec.structs.replace(command, id=number))))
            async with asyncio.timeout(timeout_s):
                return await future
        except TimeoutError:
            raise LoopGone(
                say("loop-process-did-not-answer-command", limit=timeout_s),
                say("look-at-rig-load-eases-off"),
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
                self._take(decode_from_loop(body))

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
                        say("loop-process-went-away-before-answered"),
                        say("look-at-rig-load-eases-off"),
                    )
                )
