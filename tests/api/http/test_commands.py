"""Commands over HTTP: each reaches the loop, is answered, and enters the audit log."""

from __future__ import annotations

import json
import os
import re

import httpx
import pytest
from typer.testing import CliRunner

from api.cli.main import app
from api.http.audit import tail, verify
from control.core.commands import (
    Acknowledge,
    Adjust,
    AskHelm,
    EaseOff,
    KeepHelm,
    LearnRatio,
    MakeReady,
    OfferHelm,
    Park,
    ReleaseHelm,
    ResetTrip,
    StartTest,
    TakeHelm,
    ZeroCells,
)
from control.telemetry import HelmView
from control.test_kinds.plans import SteadyHold
from daq.errors import StoreError
from tests.api.fake_loop import telemetry, until
from tests.api.harness import Service

PLAN = {"kind": "steady-hold", "rpm": 1900, "seconds": 60}
HOLDER = "local:page-0001"

SIMPLE = [
    ("/api/helm/take", {"name": "Ann"}, TakeHelm(0, HOLDER, "Ann")),
    ("/api/helm/take", {}, TakeHelm(0, HOLDER, "local")),
    ("/api/helm/keep", {}, KeepHelm(0, HOLDER)),
    ("/api/helm/release", {}, ReleaseHelm(0, HOLDER)),
    ("/api/helm/ask", {"name": "Ben"}, AskHelm(0, HOLDER, "Ben")),
    ("/api/helm/offer", {"to": "Ben"}, OfferHelm(0, HOLDER, "Ben")),
    ("/api/acknowledge", {}, Acknowledge(0, HOLDER)),
    ("/api/zero", {}, ZeroCells(0, HOLDER)),
    ("/api/ready", {}, MakeReady(0, HOLDER)),
    ("/api/park", {}, Park(0, HOLDER)),
    ("/api/learn-ratio", {}, LearnRatio(0, HOLDER)),
    ("/api/reset", {}, ResetTrip(0, HOLDER)),
    ("/api/ease-off", {}, EaseOff(0, HOLDER, "local")),
    ("/api/test/adjust", {"set_point": 210.5}, Adjust(0, HOLDER, 210.5)),
]


def same(got: object, wanted: object) -> bool:
    """Equal but for the id, which the channel gives."""
    return re.sub(r"id=\d+", "", repr(got)) == re.sub(r"id=\d+", "", repr(wanted))


@pytest.mark.parametrize(("path", "body", "command"), SIMPLE)
async def test_a_command_reaches_the_loop_as_the_caller(
    service: Service, browser: httpx.AsyncClient, path: str, body: object, command: object
) -> None:
    response = await browser.post(path, json=body)
    assert response.status_code == 200, response.text
    assert response.json() == {"accepted": True, "holder": HOLDER}
    assert same(service.loop.commands[-1], command)


@pytest.mark.parametrize(("path", "body", "command"), SIMPLE)
async def test_a_refusal_is_a_problem_with_the_loops_reason_and_remedy(
    service: Service, browser: httpx.AsyncClient, path: str, body: object, command: object
) -> None:
    service.loop.refuse("helm-held", "Ann is at the helm.", "Ask for the helm.")
    response = await browser.post(path, json=body)
    assert response.status_code == 409
    assert response.headers["content-type"] == "application/problem+json"
    assert response.json() == {
        "type": "urn:drumlin:problem:helm-held",
        "title": "Conflict",
        "status": 409,
        "detail": "Ann is at the helm.",
        "code": "helm-held",
        "remedy": "Ask for the helm.",
    }


@pytest.mark.parametrize(("path", "body", "command"), SIMPLE)
async def test_without_the_loop_every_command_says_so(
    service: Service, browser: httpx.AsyncClient, path: str, body: object, command: object
) -> None:
    await service.loop.stop()
    await until(lambda: not service.context.loop.connected)
    response = await browser.post(path, json=body)
    assert response.status_code == 503
    assert response.json()["code"] == "loop-gone"
    assert response.headers["retry-after"] == "1"


async def test_the_loop_hears_what_the_engine_of_a_known_vehicle_can(
    service: Service, browser: httpx.AsyncClient
) -> None:
    known = {"name": "Semi", "idle_rpm": 600, "max_rpm": 2300}
    assert (await browser.put("/api/vehicles", json=known)).status_code == 200
    assert (await browser.post("/api/acknowledge", json={"vehicle": "Semi"})).status_code == 200
    assert same(service.loop.commands[-1], Acknowledge(0, HOLDER, "Semi", 600.0, 2300.0))
    assert (await browser.post("/api/acknowledge", json={"vehicle": "Van"})).status_code == 200
    assert same(service.loop.commands[-1], Acknowledge(0, HOLDER, "Van"))
    wrong = await browser.put("/api/vehicles", json=known | {"max_rpm": 550})
    assert (wrong.status_code, wrong.json()["code"]) == (409, "engine-speeds")
    listed = (await browser.get("/api/vehicles")).json()["vehicles"]
    assert [(one["idle_rpm"], one["max_rpm"]) for one in listed] == [(600.0, 2300.0)]


async def test_a_test_starts_and_its_run_is_named(
    service: Service, browser: httpx.AsyncClient
) -> None:
    response = await browser.post(
        "/api/test/start", json={"plan": PLAN, "vehicle": "Green pickup", "note": "cold tyres"}
    )
    assert response.status_code == 201, response.text
    run_id = response.json()["run_id"]
    assert re.fullmatch(r"\d{8}-\d{6}-[0-9a-f]{4}", run_id)
    command = service.loop.commands[-1]
    assert isinstance(command, StartTest)
    assert command.run_id == run_id
    assert command.plan == SteadyHold(seconds=60, rpm=1900)
    run = (await browser.get(response.headers["location"])).json()
    assert run["state"] == "recording"
    assert run["vehicle"] == "Green pickup"
    assert run["kind"] == "steady-hold"
    assert run["plan"]["rpm"] == 1900
    assert [note["text"] for note in run["notes"]] == ["cold tyres"]


async def test_a_refused_start_leaves_no_run(service: Service, browser: httpx.AsyncClient) -> None:
    service.loop.refuse("not-ready", "The rig is parked.", "Make it ready.")
    assert (await browser.post("/api/test/start", json={"plan": PLAN})).status_code == 409
    assert (await browser.get("/api/runs")).json()["runs"] == []


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"plan": {**PLAN, "rpm": -5}},
        {"plan": {**PLAN, "rpm": 1e9}},
        {"plan": {**PLAN, "seconds": 0}},
        {"plan": {**PLAN, "kind": "joyride"}},
        {"plan": {**PLAN, "rmp": 1900}},
        {"plan": PLAN, "vehicle": "x" * 81},
        {"plan": PLAN, "speed": 3},
    ],
)
async def test_an_impossible_plan_never_reaches_the_loop(
    service: Service, browser: httpx.AsyncClient, body: object
) -> None:
    response = await browser.post("/api/test/start", json=body)
    assert response.status_code == 422
    assert response.json()["code"] == "invalid"
    assert response.json()["remedy"]
    assert service.loop.commands == []


async def test_offering_the_helm_without_a_name_offers_it_to_whoever_asked(
    service: Service, browser: httpx.AsyncClient
) -> None:
    before = service.context.loop.count
    service.loop.publish(telemetry(11.0, helm=HelmView(HOLDER, "Ann", 2.0, "Ben", "tablet:7")))
    await until(lambda: service.context.loop.count > before)
    await browser.post("/api/helm/offer")
    assert same(service.loop.commands[-1], OfferHelm(0, HOLDER, "tablet:7"))


async def test_easing_off_needs_no_client_id_and_no_readable_body(
    service: Service, browser: httpx.AsyncClient
) -> None:
    del browser.headers["Drumlin-Client"]
    response = await browser.post("/api/ease-off", content=b"{{{")
    assert response.status_code == 200
    assert same(service.loop.commands[-1], EaseOff(0, "local", "local"))


async def test_commands_of_the_helm_need_a_client_id(
    service: Service, browser: httpx.AsyncClient
) -> None:
    del browser.headers["Drumlin-Client"]
    response = await browser.post("/api/helm/take", json={})
    assert (response.status_code, response.json()["code"]) == (400, "client-id")
    response = await browser.post("/api/helm/take", headers={"Drumlin-Client": "a b;c"})
    assert (response.status_code, response.json()["code"]) == (400, "client-id")
    assert service.loop.commands == []


async def test_every_command_is_in_the_audit_log_and_heartbeats_only_when_refused(
    service: Service, browser: httpx.AsyncClient
) -> None:
    await browser.post("/api/helm/take", json={"name": "Ann"})
    await browser.post("/api/helm/keep")
    service.loop.refuse("helm-held", "Ben is at the helm.", "Ask.")
    await browser.post("/api/helm/keep")
    await browser.post("/api/test/adjust", json={"set_point": 200})
    service.loop.answer = lambda command: None
    await service.loop.stop()
    await until(lambda: not service.context.loop.connected)
    await browser.post("/api/ease-off")
    entries = tail(service.context.settings.data, 10)
    assert [(entry.what, entry.outcome) for entry in entries] == [
        ("take-helm", "accepted"),
        ("keep-helm", "refused"),
        ("adjust", "refused"),
        ("ease-off", "unanswered"),
    ]
    assert {entry.who for entry in entries} == {HOLDER}
    assert entries[0].detail == {"name": "Ann"}
    assert entries[2].detail == {"set_point": 200.0}
    assert entries[1].reason == "Ben is at the helm."
    assert all(entry.at.endswith("+00:00") for entry in entries)
    assert entries == (await audit_of(browser))
    assert verify(service.context.settings.data) == 4


async def audit_of(browser: httpx.AsyncClient) -> list[object]:
    import msgspec

    from api.http.routes.access import AuditTail

    response = await browser.get("/api/audit")
    return list(msgspec.json.decode(response.content, type=AuditTail).entries)


async def test_a_changed_audit_line_is_found(service: Service, browser: httpx.AsyncClient) -> None:
    await browser.post("/api/park")
    await browser.post("/api/ready")
    path = service.context.settings.data / "audit.jsonl"
    text = path.read_text()
    path.write_text(text.replace('"what":"park"', '"what":"zero"'))
    with pytest.raises(StoreError, match="line 1"):
        verify(path.parent)
    lines = text.splitlines(keepends=True)
    path.write_text(lines[1])
    with pytest.raises(StoreError, match="line 1"):
        verify(path.parent)
    with pytest.raises(StoreError, match="line 1"):  # main prints it and ends with status 1
        CliRunner().invoke(app, ["audit", "--data", str(path.parent)], catch_exceptions=False)
    path.write_text(text)
    assert verify(path.parent) == 2
    told = CliRunner().invoke(app, ["audit", "--data", str(path.parent), "--json"])
    assert json.loads(told.stdout) == {"entries": 2, "whole": True}


async def test_half_a_line_on_a_full_disk_leaves_the_audit_log_whole(
    service: Service, browser: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    await browser.post("/api/park")
    whole = os.write
    with monkeypatch.context() as full:
        full.setattr("api.http.audit.os.write", lambda to, line: whole(to, line[:40]))
        assert (await browser.post("/api/ready")).status_code == 200, "no command waits for a log"
    await browser.post("/api/park")
    folder = service.context.settings.data
    assert verify(folder) == 2
    assert [entry.what for entry in tail(folder, 5)] == ["park", "park"]
    assert (await browser.get("/api/health")).json()["audit_failures"] == 1


@pytest.mark.parametrize(
    "hidden", ["\n", "\x1b[2J", "\x7f", "\x9b2J", "\u2028", "\u202e", "\u2066"]
)
async def test_a_name_shown_to_all_is_one_line_that_reads_as_written(
    service: Service, browser: httpx.AsyncClient, hidden: str
) -> None:
    for name in (f"Ada{hidden}", f"{hidden}Ada"):
        answer = await browser.post("/api/helm/take", json={"name": name})
        assert (answer.status_code, answer.json()["code"]) == (422, "invalid")
    assert service.loop.commands == []
    for name in ("Ada Ö. \u5361\u8f66", "\u0645\u0631\u062d\u0628\u0627"):
        assert (await browser.post("/api/helm/take", json={"name": name})).status_code == 200
