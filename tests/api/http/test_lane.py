"""The helm process's listener: the same helm, nothing else, for the service's own page."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from pathlib import Path

import httpx
import pytest
from fastapi import FastAPI
from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from api.http.answers.problems import Problem
from api.http.audit import tail, verify
from api.http.entry.access import Access, Caller
from api.http.entry.budgets import Budgets, Shares
from api.http.entry.tokens import Role, TokenBook
from api.http.entry.turnstile import REFUSED_AFTER_S, Turnstile
from api.http.lane import create_lane
from api.runtime.channel import SOCKET_NAME
from api.runtime.channel_client import ChannelClient
from api.settings import ServiceSection, Settings, StoreSection
from control.core.commands import EaseOff, KeepHelm, TakeHelm
from tests.api.fake_loop import RIG_FILE, FakeLoop, telemetry, until
from tests.api.harness import CLIENT, StartService

PAGE = "http://rig.shop.lan:8440"
LANE = "http://rig.shop.lan:8441"
SECTION = ServiceSection(port=8440, helm_port=8441, hosts=("rig.shop.lan",))


@pytest.fixture
async def lane(data: Path, fake_loop: FakeLoop) -> AsyncIterator[FastAPI]:
    settings = Settings(RIG_FILE, data, SECTION, None, StoreSection(min_free_mb=0))
    client = ChannelClient(data / SOCKET_NAME)
    app = create_lane(settings, client)
    async with app.router.lifespan_context(app):
        await client.wait_connected(30.0)
        fake_loop.publish(telemetry())
        await until(lambda: client.latest is not None)
        yield app


def page(app: FastAPI, token: str = "", peer: str = "127.0.0.1") -> httpx.AsyncClient:
    """The service's page, asking the lane as a browser does."""
    headers = {**CLIENT, "Origin": PAGE}
    if token:
        headers["Authorization"] = f"Bearer {token}"
    return httpx.AsyncClient(
        transport=httpx.ASGITransport(app, client=(peer, 50000)), base_url=LANE, headers=headers
    )


async def test_the_page_commands_and_may_read_the_answer(
    lane: FastAPI, fake_loop: FakeLoop
) -> None:
    async with page(lane) as browser:
        taken = await browser.post("/api/helm/take", json={"name": "Ada"})
        kept = await browser.post("/api/helm/keep", json={})
        eased = await browser.post("/api/ease-off", json={})
        seen = await browser.get("/api/state")
    assert [each.status_code for each in (taken, kept, eased, seen)] == [200] * 4
    assert [type(each) for each in fake_loop.commands] == [TakeHelm, KeepHelm, EaseOff]
    for each in (taken, kept, eased, seen):
        assert each.headers["access-control-allow-origin"] == PAGE
        assert each.headers["access-control-allow-credentials"] == "true"


async def test_a_browser_asks_first_and_is_told_what_its_page_may_send(lane: FastAPI) -> None:
    async with page(lane) as browser:
        allowed = await browser.options("/api/ease-off")
    assert allowed.status_code == 204
    assert "drumlin-client" in allowed.headers["access-control-allow-headers"]
    assert allowed.headers["access-control-allow-origin"] == PAGE


@pytest.mark.parametrize(
    "origin",
    ["https://elsewhere.example", LANE, "http://rig.shop.lan", "http://rig.shop.lan:84400"],
)
async def test_no_other_page_may_ask_or_command(
    lane: FastAPI, fake_loop: FakeLoop, origin: str
) -> None:
    async with page(lane) as browser:
        for asked in (
            browser.post("/api/ease-off", json={}, headers={"Origin": origin}),
            browser.get("/api/state", headers={"Origin": origin}),
            browser.options("/api/ease-off", headers={"Origin": origin}),
        ):
            answer = await asked
            assert answer.status_code == 403
            assert "access-control-allow-origin" not in answer.headers
    assert fake_loop.commands == []


async def test_nothing_heavy_is_there(lane: FastAPI) -> None:
    async with page(lane) as browser:
        for path in ("/api/openapi.json", "/api/runs", "/api/heat/endurance", "/api/rig", "/"):
            assert (await browser.get(path)).status_code == 404


async def test_roles_hold_as_in_the_service(lane: FastAPI, data: Path) -> None:
    _, watch = TokenBook(data).add("wall", Role.WATCH)
    _, operate = TokenBook(data).add("tablet", Role.OPERATE)
    async with page(lane) as nobody, page(lane, watch) as wall, page(lane, operate) as tablet:
        assert (await nobody.post("/api/ease-off")).status_code == 401
        assert (await wall.post("/api/ease-off")).status_code == 200
        assert (await wall.post("/api/helm/take", json={})).status_code == 403
        assert (await tablet.post("/api/helm/take", json={})).status_code == 200


async def test_the_service_tells_its_page_and_lets_it_reach_the_lane(
    start_service: StartService,
) -> None:
    service = await start_service(service=SECTION)
    async with service.browser(host="rig.shop.lan:8440") as browser:
        assert (await browser.get("/api/self")).json()["helm_port"] == 8441
        policy = (await browser.get("/")).headers["content-security-policy"]
    assert "connect-src 'self' http://rig.shop.lan:8441 ws://rig.shop.lan:8441;" in policy


async def test_both_write_one_audit_log_whose_chain_holds(
    start_service: StartService, lane: FastAPI, data: Path
) -> None:
    service = await start_service(service=SECTION)
    async with page(lane) as by_lane, service.browser() as by_service:
        for _ in range(3):
            await by_lane.post("/api/helm/take", json={})
            await by_service.post("/api/park", json={})
    await lane.state.context.tasks.end()
    assert verify(data) == 6
    assert {entry.what for entry in tail(data, 10)} == {"take-helm", "park"}


async def test_easing_off_again_and_again_does_not_fill_the_log(
    lane: FastAPI, fake_loop: FakeLoop, data: Path
) -> None:
    now_s = [0.0]
    lane.state.context.audit._now = lambda: now_s[0]
    async with page(lane) as browser:
        for _ in range(40):
            assert (await browser.post("/api/ease-off")).status_code == 200
            await lane.state.context.tasks.end()
        now_s[0] += 60.0
        await browser.post("/api/ease-off")
    await lane.state.context.tasks.end()
    assert len(fake_loop.commands) == 41, "each one is carried out"
    entries = tail(data, 100)
    assert len(entries) == 11
    assert entries[-1].detail == {"not_written": 30}
    assert verify(data) == 11


async def test_over_budget_watchers_are_refused_and_operators_ease_off_all_the_same(
    start_service: StartService, data: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("api.http.entry.turnstile.REFUSED_AFTER_S", 0.0)
    _, watch = TokenBook(data).add("wall", Role.WATCH)
    _, operate = TokenBook(data).add("tablet", Role.OPERATE)
    service = await start_service()
    service.context.budgets._shares = Shares((0.0,) * 3, (2.0,) * 3, (9,) * 3, (9,) * 3)
    async with service.browser(token=watch) as wall, service.browser(token=operate) as tablet:
        assert [(await wall.get("/api/rig")).status_code for _ in range(4)] == [200, 200, 429, 429]
        told = await wall.get("/api/rig")
        assert told.json()["code"] == "too-many"
        assert told.headers["retry-after"] == "1"
        assert [(await tablet.get("/api/rig")).status_code for _ in range(3)] == [200, 200, 429]
        for path in ("/api/ease-off", "/api/helm/keep"):
            assert (await tablet.post(path, json={})).status_code == 200
    assert isinstance(service.context.budgets, Budgets)


async def test_a_line_that_is_refused_is_not_read_meanwhile(data: Path) -> None:
    """Else a watcher's refusals, as fast as asked for, keep the operator waiting."""
    book = TokenBook(data)
    watch, operate = (book.add(role.value, role)[1] for role in (Role.WATCH, Role.OPERATE))
    held: list[float] = []

    async def hold(seconds: float) -> None:
        held.append(seconds)

    async def served(scope: Scope, receive: Receive, send: Send) -> None:
        await Response("served")(scope, receive, send)

    budgets = Budgets(Shares((0.0,) * 3, (1.0,) * 3, (9,) * 3, (9,) * 3), lambda: 0.0)
    app = Turnstile(served, Access(book, lambda: 0.0), budgets, hold)

    async def asked(token: str, path: str) -> list[int]:
        headers = {"Authorization": f"Bearer {token}"} if token else {}
        transport = httpx.ASGITransport(app, client=("192.0.2.7", 50000))
        async with httpx.AsyncClient(
            transport=transport, base_url=LANE, headers=headers
        ) as browser:
            return [(await browser.get(path)).status_code for _ in range(3)]

    assert await asked(watch, "/api/state") == [200, 429, 429]
    assert held == [REFUSED_AFTER_S] * 2
    assert await asked(operate, "/api/ease-off") == [200] * 3
    assert await asked("", "/") == [200, 429, 429]
    assert len(held) == 2, "easing off waits for nothing, and a stranger's connection is closed"


async def test_watchers_live_lines_are_few_and_slow_at_the_helm(lane: FastAPI) -> None:
    hub = lane.state.context.hub
    for number in range(40):
        caller = Caller("wall", Role.WATCH, f"192.0.2.{number}", "", "t1")
        with contextlib.suppress(Problem):
            hub.viewer(caller, 50.0, False)
    assert hub.viewers <= 8
    operator = Caller("tablet", Role.OPERATE, "192.0.2.99", "page-0001", "t2")
    hub.viewer(operator, 50.0, False)
    now_s = asyncio.get_running_loop().time()
    times = [now_s + number / 50 for number in range(500)]
    sent = [sum(each.is_due(at, 0.01) for at in times) for each in hub._viewers]
    assert max(sent[:-1]) < 0.25 * sent[-1]


async def test_without_a_token_nothing_is_looked_at(
    start_service: StartService, data: Path
) -> None:
    TokenBook(data).add("tablet", Role.OPERATE)
    service = await start_service()
    async with service.browser() as nobody:
        for path in ("/api/runs?limit=x", "/api/heat/endurance?speeds=x", "/api/runs/x/samples"):
            assert (await nobody.get(path)).status_code == 401


async def test_the_description_is_encoded_once_and_revalidated(
    start_service: StartService,
) -> None:
    service = await start_service()
    async with service.browser() as browser:
        for path in ("/api/openapi.json", "/api/rig"):
            first = await browser.get(path)
            again = await browser.get(path, headers={"If-None-Match": first.headers["etag"]})
            assert (first.status_code, again.status_code) == (200, 304)
            assert first.headers["content-encoding"] == "gzip"
            assert again.content == b""
