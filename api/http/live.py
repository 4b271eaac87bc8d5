"""Live telemetry to any number of viewers: encoded once, newest wins, nobody waits for anybody.

Data flows: ChannelClient -> Hub.run (one task) -> one text per snapshot -> Viewer slots ->
a sender task per WebSocket. A viewer that does not read keeps one blocked task and one slot; it
misses snapshots and is closed by the server's pings. The hub never awaits a viewer.
"""

from __future__ import annotations

import asyncio
import collections
import contextlib
import logging
from collections.abc import Callable

import msgspec
from starlette.websockets import WebSocket, WebSocketDisconnect

from api.http.answers.problems import Problem
from api.http.entry.access import Caller
from api.http.entry.admission import Standing, standing_of
from api.runtime.channel_client import ChannelClient
from api.services.telemetry_json import encode
from control.telemetry import Event
from daq.tasks import Tasks
from daq.texts.message import say
from daq.texts.published import published_json

log = logging.getLogger("drumlin.service")

MAX_HZ = 50.0
EVENTS_KEPT = 500
VIEWER_EVENTS = 64
SILENT_PERIOD_S = 0.5  # how often viewers are told that nothing comes from the loop
CHECK_PERIOD_S = 2.0  # how often a viewer's token is looked at again


class Places(msgspec.Struct, frozen=True):
    """Live lines of one listener."""

    in_all: int = 200
    watchers: int = 140  # of them; the others are kept for people who may operate
    each: tuple[int, int, int] = (0, 24, 64)  # of one token from one address, by standing
    hz: tuple[float, float, float] = (0.0, MAX_HZ, MAX_HZ)  # at most, by standing


class Viewer:
    """What one WebSocket is to be sent next."""

    def __init__(
        self,
        hz: float,
        events: bool,
        now: float,
        owner: str = "",
        standing: Standing = Standing.WATCH,
    ) -> None:
        self.owner = owner  # token and address
        self.standing = standing
        self.displaced = asyncio.Event()  # a more proven one, or one with fewer, took its place
        self._period_s = 1.0 / hz
        self._due = now
        self._wants_events = events
        self._snapshot: str | None = None
        self._events: collections.deque[str] = collections.deque(maxlen=VIEWER_EVENTS)
        self._arrived = asyncio.Event()
        self.sent = 0
        self.skipped = 0

    def is_due(self, now: float, slack_s: float) -> bool:
        """True when a snapshot that came now should go to this viewer."""
        if now + slack_s < self._due:
            return False
        # Keep the pace over the long run, but never try to catch up on what was missed.
        following = self._due + self._period_s
        self._due = following if following > now else now + self._period_s
        return True

    def offer(self, text: str) -> None:
        """The newest snapshot; one not yet sent is dropped."""
        if self._snapshot is not None:
            self.skipped += 1
        self._snapshot = text
        self._arrived.set()

    def offer_event(self, text: str) -> None:
        """An event, for viewers that asked for them; the oldest go first."""
        if self._wants_events:
            self._events.append(text)
            self._arrived.set()

    async def next(self) -> str:
        """Wait for the next thing to send: events before the snapshot."""
        while True:
            if self._events:
                return self._events.popleft()
            if self._snapshot is not None:
                text, self._snapshot = self._snapshot, None
                return text
            self._arrived.clear()
            await self._arrived.wait()


class Hub:
    """All viewers of one service."""

    def __init__(self, loop_client: ChannelClient, places: Places | None = None) -> None:
        self._client = loop_client
        self._places = places or Places()
        self._viewers: dict[Viewer, None] = {}  # oldest first
        self._closing = asyncio.Event()
        self.recent: collections.deque[Event] = collections.deque(maxlen=EVENTS_KEPT)
        self.encoded = 0
        self.events_missed = 0

    @property
    def viewers(self) -> int:
        """Viewers connected now."""
        return len(self._viewers)

    def close(self) -> None:
        """Let every viewer go; called before the server shuts down."""
        self._closing.set()

    async def run(self) -> None:
        """Forward snapshots until cancelled."""
        now = asyncio.get_running_loop().time
        seen = self._client.count
        before = now()
        period_s = 1.0 / MAX_HZ
        while True:
            try:
                async with asyncio.timeout(SILENT_PERIOD_S):
                    seen = await self._client.changed(seen)
            except TimeoutError:
                self._forward(now(), SILENT_PERIOD_S)
                before = now()
                continue
            at = now()
            period_s += 0.1 * (min(at - before, SILENT_PERIOD_S) - period_s)
            before = at
            self._forward(at, 0.5 * period_s)

    async def run_events(self) -> None:
        """Forward events until cancelled."""
        with self._client.events() as stream:
            async for event in stream:
                self.events_missed = stream.missed
                self.recent.append(event)
                if self._viewers:
                    text = published_json({"event": event}).decode()
                    for viewer in self._viewers:
                        viewer.offer_event(text)

    def viewer(self, caller: Caller, hz: float, events: bool) -> Viewer:
        """A place for one more live line. Raises Problem when there is none; `leave` gives it back.

        When all are taken the least proven loses one, and of equals the one who has most.
        """
        standing = standing_of(caller.role)
        owner = f"{caller.token_id}@{caller.peer}"
        owned = sum(each.owner == owner for each in self._viewers)
        if caller.token_id and owned >= self._places.each[standing]:
            raise Problem(
                503,
                "viewers",
                say("live-lines-token-are-open-here", count=owned),
                say("close-some-them"),
                {"Retry-After": "10"},
            )
        watchers = [each for each in self._viewers if each.standing is Standing.WATCH]
        if standing is Standing.WATCH and len(watchers) >= self._places.watchers:
            self._displace(watchers, owned)
        elif len(self._viewers) >= self._places.in_all:
            self._displace(watchers or list(self._viewers), 0 if watchers else owned)
        hz = min(hz, self._places.hz[standing])
        viewer = Viewer(hz, events, asyncio.get_running_loop().time(), owner, standing)
        self._viewers[viewer] = None
        return viewer

    def leave(self, viewer: Viewer) -> None:
        """Give a place back; harmless when it is given back already."""
        self._viewers.pop(viewer, None)

    def _displace(self, viewers: list[Viewer], owned: int) -> None:
        owner, most = collections.Counter(each.owner for each in viewers).most_common(1)[0]
        if most <= owned + 1:
            raise Problem(
                503,
                "viewers",
                say("viewers-are-connected", count=len(self._viewers)),
                say("close-some-them"),
                {"Retry-After": "10"},
            )
        victim = next(each for each in viewers if each.owner == owner)
        self.leave(victim)
        victim.displaced.set()

    async def serve(self, socket: WebSocket, viewer: Viewer, may_watch: Callable[[], bool]) -> None:
        """Serve one accepted WebSocket until either side ends it."""
        viewer.offer(self._text())
        tasks = Tasks()
        access = tasks.start("live access", _until_barred(may_watch))
        ends = [
            access,
            tasks.start("live sender", _send(socket, viewer), _gone),
            tasks.start("live reader", _drain(socket), _gone),
            tasks.start("live closing", self._closing.wait()),
            tasks.start("live place", viewer.displaced.wait()),
        ]
        try:
            await asyncio.wait(ends, return_when=asyncio.FIRST_COMPLETED)
        finally:
            self.leave(viewer)
            barred = access.done()
            await tasks.stop()
        code, reason = (1008, "access ended") if barred else (1001, "the service ends")
        with contextlib.suppress(RuntimeError, WebSocketDisconnect, TimeoutError):
            async with asyncio.timeout(1.0):
                await socket.close(code, reason)

    def _forward(self, now: float, slack_s: float) -> None:
        text: str | None = None
        for viewer in self._viewers:
            if viewer.is_due(now, slack_s):
                if text is None:
                    text = self._text()
                viewer.offer(text)

    def _text(self) -> str:
        self.encoded += 1
        client = self._client
        return encode(client.latest, client.age_s, client.connected).decode()


def _gone(error: BaseException) -> None:
    """A viewer went while it was written to or heard: its end, and no failure of ours."""
    if not isinstance(error, RuntimeError | WebSocketDisconnect | OSError):
        log.error("A live line failed.", exc_info=error)


async def _send(socket: WebSocket, viewer: Viewer) -> None:
    while True:
        await socket.send_text(await viewer.next())
        viewer.sent += 1


async def _drain(socket: WebSocket) -> None:
    """Take what the viewer says and forget it: commands come by HTTP, where they are answered."""
    while (await socket.receive())["type"] != "websocket.disconnect":
        pass


async def _until_barred(may_watch: Callable[[], bool]) -> None:
    # Revocation happens in a file, perhaps by another process: there is no event to wait for.
    while may_watch():  # noqa: ASYNC110
        await asyncio.sleep(CHECK_PERIOD_S)
