"""The live line over a real port: pace, newest wins, slow viewers, barred viewers, shutdown."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator
from pathlib import Path

import httpx
import msgspec
import pytest
import websockets
from websockets.asyncio.client import ClientConnection

from api.http import live
from api.http.context import Context
from api.http.entry.tokens import Role, TokenBook
from api.http.live import Viewer
from api.settings import ServiceSection, Settings, StoreSection
from control.telemetry import FaultView
from tests.api.fake_loop import RIG_FILE, FakeLoop, telemetry, until
from tests.api.harness import listening

pytestmark = pytest.mark.live


class Running:
    def __init__(self, loop: FakeLoop, context: Context, port: int) -> None:
        self.loop = loop
        self.context = context
        self.port = port

    def url(self, query: str = "hz=50") -> str:
        return f"ws://127.0.0.1:{self.port}/api/live?{query}"

    async def publish(self, number: int) -> None:
        """One snapshot, and the service has taken it."""
        before = self.context.loop.count
        self.loop.publish(telemetry(float(number)))
        await until(lambda: self.context.loop.count > before)


@pytest.fixture
async def running(data: Path, fake_loop: FakeLoop) -> AsyncIterator[Running]:
    settings = Settings(RIG_FILE, data, ServiceSection(), None, StoreSection(min_free_mb=0))
    async with listening(settings) as (server, port):
        context: Context = server.config.app.state.context  # type: ignore[union-attr]
        await context.loop.wait_connected(30.0)
        service = Running(fake_loop, context, port)
        await service.publish(1)
        yield service


async def told(line: ClientConnection) -> dict[str, object]:
    async with asyncio.timeout(90.0):
        message = await line.recv()
    assert isinstance(message, str)
    return msgspec.json.decode(message, type=dict[str, object])


async def end_of(line: ClientConnection, within_s: float = 90.0) -> int:
    """Reads to the end of the line and returns its close code."""
    async with asyncio.timeout(within_s):
        try:
            while True:
                await line.recv()
        except websockets.ConnectionClosed as closed:
            return closed.rcvd.code if closed.rcvd is not None else 1006


async def test_a_viewer_gets_the_present_state_at_once_and_then_each_newer_one(
    running: Running,
) -> None:
    async with websockets.connect(running.url()) as line:
        assert (await told(line))["time_s"] == 1.0
        for number in (2, 3):
            await asyncio.sleep(0.03)
            await running.publish(number)
            while (newest := (await told(line))["time_s"]) != float(number):
                assert newest == number - 1.0, "only what it has may be said again"


async def test_all_viewers_share_one_encoding(running: Running) -> None:
    async with contextlib.AsyncExitStack() as stack:
        lines = [
            await stack.enter_async_context(websockets.connect(running.url())) for _ in range(8)
        ]
        for line in lines:
            await told(line)
        await asyncio.sleep(0.05)
        before = running.context.hub.encoded
        await running.publish(2)
        for line in lines:
            while (await told(line))["time_s"] != 2.0:  # the state before may be said again
                pass
        assert 1 <= running.context.hub.encoded - before < len(lines)


async def test_when_the_loop_dies_viewers_are_told(running: Running) -> None:
    async with websockets.connect(running.url()) as line:
        assert (await told(line))["loop_up"] is True
        await running.loop.stop()
        while (last := await told(line))["loop_up"]:
            pass
        assert last["stale"] is True


async def test_events_come_to_viewers_that_want_them(running: Running) -> None:
    async with (
        websockets.connect(running.url("hz=1&events=true")) as listener,
        websockets.connect(running.url("hz=1")) as other,
    ):
        await told(listener)
        await told(other)
        running.loop.event("notice", "Fan on")
        while "event" not in (said := await told(listener)):
            pass  # the state may be said again
        event = said["event"]
        assert isinstance(event, dict)
        assert event["text"] == "Fan on"
        assert "event" not in await told(other)


async def test_a_viewer_that_never_reads_costs_nobody_anything(running: Running) -> None:
    silent = [open_silently(running.port) for _ in range(5)]
    try:
        await until(lambda: running.context.hub.viewers == 5)
        async with websockets.connect(running.url()) as line:
            await told(line)
            await fill(running.loop, running.context, [line])
            await asyncio.sleep(0.03)
            await running.publish(1000)
            async with asyncio.timeout(90.0):
                while (await told(line))["time_s"] != 1000.0:
                    pass
            # Each silent one holds at most one snapshot, however many were published.
            for viewer in running.context.hub._viewers:
                assert len(viewer._events) == 0
    finally:
        for each in silent:
            each.close()
    await until(lambda: running.context.hub.viewers == 0)


def open_silently(port: int) -> socket.socket:
    """A WebSocket that shakes hands with a tiny window and then never reads again."""
    raw = socket.socket()
    raw.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
    raw.connect(("127.0.0.1", port))
    raw.sendall(
        b"GET /api/live?hz=50 HTTP/1.1\r\nHost: 127.0.0.1\r\nUpgrade: websocket\r\n"
        b"Connection: Upgrade\r\nSec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n"
        b"Sec-WebSocket-Version: 13\r\n\r\n"
    )
    return raw


async def fill(fake: FakeLoop, context: Context, lines: list[ClientConnection]) -> None:
    """Publish until every silent viewer is truly stuck: a snapshot of it was replaced."""
    readers = [asyncio.create_task(end_of(line, within_s=120.0)) for line in lines]
    bulk = (FaultView("bulk", "hold", "x" * 500_000, "", 0.0, True),)
    hub = context.hub
    async with asyncio.timeout(90.0):
        while sum(viewer.skipped > 2 for viewer in hub._viewers) < hub.viewers - len(lines):
            fake.publish(telemetry(2.0, faults=bulk))
            await asyncio.sleep(0.01)
    for reader in readers:
        reader.cancel()
    await asyncio.gather(*readers, return_exceptions=True)


async def test_the_shutdown_does_not_wait_for_open_lines(
    data: Path, fake_loop: FakeLoop, caplog: pytest.LogCaptureFixture
) -> None:
    settings = Settings(RIG_FILE, data, ServiceSection(), None, StoreSection(min_free_mb=0))
    silent: list[socket.socket] = []
    async with contextlib.AsyncExitStack() as stack:
        async with listening(settings) as (server, port):
            context: Context = server.config.app.state.context  # type: ignore[union-attr]
            await context.loop.wait_connected(30.0)
            silent = [open_silently(port) for _ in range(3)]
            lines = [
                await stack.enter_async_context(
                    websockets.connect(f"ws://127.0.0.1:{port}/api/live")
                )
                for _ in range(3)
            ]
            await until(lambda: context.hub.viewers == 6)
            await fill(fake_loop, context, lines)
            server.should_exit = True
        assert "graceful shutdown exceeded" not in caplog.text
        for line in lines:
            assert await end_of(line) in (1001, 1012)
    for each in silent:
        each.close()


async def test_a_viewer_that_does_not_answer_pings_is_dropped(
    running: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    raw = open_silently(running.port)
    try:
        await until(lambda: running.context.hub.viewers == 1)
        protocol = next(iter(await connections(running)))
        await fill(running.loop, running.context, [])
        protocol.keepalive_timeout()  # what uvicorn calls when the pong is overdue
        await until(lambda: running.context.hub.viewers == 0)
    finally:
        raw.close()


async def connections(running: Running):  # type: ignore[no-untyped-def]
    import gc

    from api.http.server import ViewerProtocol

    return [each for each in gc.get_objects() if type(each) is ViewerProtocol and each.transport]


async def test_what_a_viewer_says_is_ignored_and_bounded(running: Running) -> None:
    async with websockets.connect(running.url()) as line:
        await told(line)
        await line.send('{"command":"take-helm","holder":"me","name":"x","id":1}')
        await running.publish(2)
        await told(line)
        assert running.loop.commands == []
        await line.send("x" * 10_000)
        assert await end_of(line) == 1009


@pytest.mark.parametrize("query", ["hz=0", "hz=51", "hz=nan", "hz=fast"])
async def test_an_impossible_rate_is_refused(running: Running, query: str) -> None:
    with pytest.raises(websockets.InvalidStatus):
        async with websockets.connect(running.url(query)):
            pass


async def test_another_page_cannot_watch_through_the_browser(running: Running) -> None:
    with pytest.raises(websockets.InvalidStatus) as refused:
        async with websockets.connect(running.url(), origin="http://attacker.example"):  # type: ignore[arg-type]
            pass
    response = refused.value.response
    assert response.status_code == 403
    assert response.headers["content-type"] == "application/problem+json"
    assert b'"code":"origin"' in response.body
    own = f"http://127.0.0.1:{running.port}"
    async with websockets.connect(running.url(), origin=own) as line:  # type: ignore[arg-type]
        await told(line)


async def test_watching_needs_a_token_and_ends_with_it(
    running: Running, data: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(live, "CHECK_PERIOD_S", 0.05)
    _, secret = TokenBook(data).add("wall", Role.WATCH)
    with pytest.raises(websockets.InvalidStatus) as refused:
        async with websockets.connect(running.url()):
            pass
    assert refused.value.response.status_code == 401
    header = {"Authorization": f"Bearer {secret}"}
    async with websockets.connect(running.url(), additional_headers=header) as line:
        await told(line)
    cookie = {"Cookie": f"drumlin_token={secret}"}
    async with websockets.connect(running.url(), additional_headers=cookie) as line:
        await told(line)
        TokenBook(data).revoke("wall")
        assert await end_of(line) == 1008


async def test_viewers_are_bounded(running: Running) -> None:
    running.context.hub._places = live.Places(in_all=1)
    async with websockets.connect(running.url()) as line:
        await told(line)
        with pytest.raises(websockets.InvalidStatus) as refused:
            async with websockets.connect(running.url()):
                pass
        assert refused.value.response.status_code == 503


async def test_http_over_the_real_port_answers_too(running: Running) -> None:
    async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{running.port}") as browser:
        assert (await browser.get("/api/state")).json()["time_s"] == 1.0
        assert "server" not in (await browser.get("/api/rig")).headers


def test_a_viewer_keeps_its_pace_and_never_catches_up() -> None:
    viewer = Viewer(10.0, False, 0.0)
    due = [viewer.is_due(number / 50, 0.01) for number in range(51)]
    assert sum(due) == 11  # ten a second and the first
    viewer.is_due(10.0, 0.01)
    assert not viewer.is_due(10.02, 0.01)  # nine missed seconds are not made up for


async def test_the_newest_snapshot_wins_and_events_are_bounded() -> None:
    viewer = Viewer(50.0, True, 0.0)
    for number in range(5):
        viewer.offer(str(number))
    for number in range(1000):
        viewer.offer_event(f"e{number}")
    got = [await viewer.next() for _ in range(live.VIEWER_EVENTS + 1)]
    assert got[0] == f"e{1000 - live.VIEWER_EVENTS}"
    assert got[-1] == "4"
    assert viewer.skipped == 4
