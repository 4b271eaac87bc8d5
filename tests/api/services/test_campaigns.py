"""Campaigns over HTTP: begun, asked, refused, judged, recorded as sets, kept over a restart."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import httpx
import msgspec
import pytest

from api.http.audit import tail
from api.services.campaigns import CampaignService
from api.store import vehicle_records
from api.store.closing.closed import Closed
from control.campaigns.sequence import Stage
from control.core.commands import EaseOff, StartTest
from control.telemetry import Telemetry
from control.test_kinds.plans import PowerSweep
from daq.errors import StoreError
from daq.readings import Quality, Reading, Unit
from tests.api.fake_loop import telemetry, until
from tests.api.harness import Service, StartService

SWEEP = {"kind": "power-sweep", "from_rpm": 1500, "to_rpm": 3000, "rpm_per_s": 150}
A_B = {
    "kind": "campaign",
    "plan": SWEEP,
    "setups": ["A", "B"],
    "repeats": 2,
    "alike": {"pause_s": 0.0},
}
BEGIN = {"campaign": A_B, "name": "Tune 7", "vehicle": "Green pickup", "note": "cold tyres"}


class Shop:
    """A service, a caller and runs that end as the test says."""

    def __init__(self, service: Service, browser: httpx.AsyncClient, data: Path) -> None:
        self.service = service
        self.browser = browser
        self.data = data
        self.valid = True
        self.id = ""

    async def close(self, folder: Path) -> Closed:
        result = {"valid": self.valid, "void": [] if self.valid else ["The driver lifted."]}
        return Closed(complete=True, result=result)

    async def begin(self, **over: object) -> dict[str, Any]:
        response = await self.browser.post("/api/campaigns", json=BEGIN | over)
        assert response.status_code == 201, response.text
        told: dict[str, Any] = response.json()
        self.id = told["id"]
        assert response.headers["location"] == f"/api/campaigns/{self.id}"
        return told

    async def post(self, what: str, **body: object) -> httpx.Response:
        return await self.browser.post(f"/api/campaigns/{self.id}/{what}", json=body)

    async def view(self) -> dict[str, Any]:
        told: dict[str, Any] = (await self.browser.get(f"/api/campaigns/{self.id}")).json()
        return told

    async def see(self, snapshot: Telemetry | None = None) -> None:
        """The loop says something new and it has arrived."""
        client = self.service.context.loop
        count = client.count
        self.service.loop.publish(snapshot or telemetry())
        await until(lambda: client.count > count)

    async def run(self, number: int, valid: bool = True) -> str:
        """Start a run and let it end; gives its id."""
        self.valid = valid
        await self.see()
        response = await self.post("run", number=number, checked=True)
        assert response.status_code == 201, response.text
        run_id: str = response.json()["run_id"]
        await self.end(run_id)
        return run_id

    async def end(self, run_id: str) -> None:
        self.service.loop.event("run-ended", "The test is complete.", run_id=run_id)
        campaigns = self.service.context.campaigns
        async with asyncio.timeout(90.0):
            while campaigns.current and campaigns.current.sequence.running == run_id:
                await self.see()
                await campaigns.look()

    @property
    def starts(self) -> list[StartTest]:
        return [each for each in self.service.loop.commands if isinstance(each, StartTest)]


@pytest.fixture
async def shop(start_service: StartService, data: Path) -> AsyncIterator[Shop]:
    box: list[Shop] = []

    async def close(folder: Path) -> Closed:
        return await box[0].close(folder)

    service = await start_service(close=close)
    async with service.browser() as browser:
        box.append(Shop(service, browser, data))
        yield box[0]


async def test_beginning_a_campaign_commands_nothing(shop: Shop) -> None:
    told = await shop.begin()
    assert (told["stage"], told["setup"], told["number"], told["of"]) == ("ask", "A", 1, 4)
    assert told["order"] == ["A", "B", "A", "B"]
    for _ in range(3):
        await shop.see()
        await shop.service.context.campaigns.look()
    assert not shop.service.loop.commands
    listed = (await shop.browser.get("/api/campaigns")).json()
    assert listed["in_hand"] == shop.id
    assert [each["name"] for each in listed["campaigns"]] == ["Tune 7"]


async def test_a_whole_campaign_ends_as_sets_of_runs(shop: Shop) -> None:
    await shop.begin()
    ids = []
    for number, setup in enumerate(("A", "B", "A", "B"), start=1):
        if number > 1:
            assert (await shop.view())["stage"] == "change"
            response = await shop.post("fitted", setup=setup)
            assert response.status_code == 200, response.text
        ids.append(await shop.run(number))
    told = await shop.view()
    assert told["stage"] == "done"
    assert told["complete"] is True
    assert [(ran["run_id"], ran["setup"]) for ran in told["runs"]] == list(
        zip(ids, ("A", "B", "A", "B"), strict=True)
    )
    assert told["sets"] == {"": "Tune 7", "A": "Tune 7 / A", "B": "Tune 7 / B"}
    sets = {each["name"]: each for each in (await shop.browser.get("/api/sets")).json()["sets"]}
    assert sorted(sets["Tune 7"]["runs"]) == sorted(ids)
    assert sorted(sets["Tune 7 / B"]["runs"]) == sorted(ids[1::2])
    run = (await shop.browser.get(f"/api/runs/{ids[1]}")).json()
    assert run["vehicle"] == "Green pickup"
    assert "run 2 of 4, set-up B. cold tyres" in run["notes"][0]["text"]
    said = [entry.what for entry in tail(shop.data, 50)]
    assert said.count("start-test") == 4
    assert said.count("campaign-fitted") == 3


async def test_each_start_is_a_persons_own_and_takes_the_loops_refusal(shop: Shop) -> None:
    await shop.begin()
    await shop.see()
    shop.service.loop.refuse("not-acknowledged", "The cautions are not acknowledged.", "Do so.")
    response = await shop.post("run", number=1, checked=True)
    assert response.status_code == 409
    assert response.json()["code"] == "not-acknowledged"
    assert (await shop.view())["stage"] == "ask"
    assert not (await shop.browser.get("/api/runs")).json()["runs"]
    (start,) = shop.starts
    assert start.holder == "local:page-0001"
    assert start.vehicle == "Green pickup"
    assert start.plan == msgspec.convert(SWEEP, PowerSweep, strict=False)


@pytest.mark.parametrize(
    "body", [{"number": 1}, {"number": 1, "checked": False}, {"checked": True}]
)
async def test_a_start_without_the_look_at_the_truck_is_refused(
    shop: Shop, body: dict[str, object]
) -> None:
    await shop.begin()
    await shop.see()
    assert (await shop.post("run", **body)).status_code == 422
    assert not shop.starts


async def test_a_start_out_of_turn_is_refused(shop: Shop) -> None:
    await shop.begin()
    await shop.see()
    wrong = await shop.post("run", number=2, checked=True)
    assert (wrong.status_code, wrong.json()["code"]) == (409, "campaign-number")
    response = await shop.post("run", number=1, checked=True)
    run_id = response.json()["run_id"]
    twice = await shop.post("run", number=1, checked=True)
    assert (twice.status_code, twice.json()["code"]) == (409, "campaign-stage")
    await shop.end(run_id)
    early = await shop.post("run", number=2, checked=True)  # B is not fitted yet
    assert (early.status_code, early.json()["code"]) == (409, "campaign-stage")
    other = await shop.post("fitted", setup="A")
    assert (other.status_code, other.json()["code"]) == (409, "campaign-set-up")
    assert len(shop.starts) == 1


async def test_unlike_conditions_are_told_and_refused(shop: Shop) -> None:
    one = {"kind": "campaign", "plan": SWEEP, "repeats": 2, "alike": {"pause_s": 0.0}}
    await shop.begin(campaign=one)
    await shop.run(1)
    await shop.see(with_oil(380.0))
    told = await shop.view()
    assert told["stage"] == "waiting"
    assert "oil" in told["why"][0]
    assert told["first"]["oil_k"] == pytest.approx(361.0)
    assert told["now"]["oil_k"] == pytest.approx(380.0)
    refused = await shop.post("run", number=2, checked=True)
    assert refused.status_code == 409
    assert "oil" in refused.json()["detail"]
    await shop.see(with_oil(363.0))
    assert (await shop.view())["stage"] == "ask"


async def test_a_void_run_is_asked_for_again_and_stays_out_of_the_set(shop: Shop) -> None:
    await shop.begin()
    void = await shop.run(1, valid=False)
    told = await shop.view()
    assert (told["stage"], told["number"], told["setup"]) == ("ask", 1, "A")
    assert told["runs"][0]["why"] == "The driver lifted."
    good = await shop.run(1)
    sets = (await shop.browser.get("/api/sets")).json()["sets"]
    assert {each["name"]: each["runs"] for each in sets}["Tune 7"] == [good]
    assert void != good


async def test_a_restarted_service_finds_the_campaign_paused(shop: Shop) -> None:
    await shop.begin()
    first = await shop.run(1)
    context = shop.service.context
    again = CampaignService(shop.data, context.rig, context.loop, context.keeper, time.monotonic)
    commands = len(shop.service.loop.commands)
    view = await again.view(shop.id)
    assert view.stage is Stage.PAUSED
    assert [str(one) for one in view.why] == ["The service was restarted."]
    assert [ran.run_id for ran in view.runs] == [first]
    await again.look()
    context.campaigns.current = again.current
    await shop.see()
    assert (await shop.post("fitted", setup="B")).status_code == 409
    told = (await shop.post("resume")).json()
    assert (told["stage"], told["setup"]) == ("change", "B")
    assert len(shop.service.loop.commands) == commands


async def test_a_run_that_was_on_when_the_service_died_is_judged_by_the_next(shop: Shop) -> None:
    await shop.begin()
    await shop.see()
    run_id = (await shop.post("run", number=1, checked=True)).json()["run_id"]
    context = shop.service.context
    again = CampaignService(shop.data, context.rig, context.loop, context.keeper, time.monotonic)
    assert again.current is not None
    assert again.current.sequence.running == run_id
    context.campaigns = again
    await shop.end(run_id)
    told = await shop.view()
    assert told["stage"] == "paused"
    assert told["runs"][0]["valid"] is True


async def test_a_start_that_the_loop_never_got_is_forgotten_in_the_end(shop: Shop) -> None:
    await shop.begin()
    await shop.see()
    hand = shop.service.context.campaigns.current
    assert hand is not None
    await shop.service.loop.stop()
    await until(lambda: not shop.service.context.loop.connected)
    response = await shop.post("run", number=1, checked=True)
    assert response.status_code in (409, 503)  # unanswered, or conditions unknown by now
    hand.sequence.begin("20260314-150926-0000", 1, _asking(hand), {})
    await shop.service.loop.start()
    await shop.service.context.loop.wait_connected(30.0)
    await shop.see()
    await shop.service.context.campaigns.look()
    assert hand.sequence.running  # it may still turn up
    hand.begun_s -= 60.0
    await shop.see()
    await shop.service.context.campaigns.look()
    assert not hand.sequence.running


async def test_stopping_eases_a_run_of_the_campaign_off_and_ends_it(shop: Shop) -> None:
    await shop.begin()
    await shop.see()
    run_id = (await shop.post("run", number=1, checked=True)).json()["run_id"]
    await shop.see(telemetry(run_id=run_id))
    response = await shop.post("stop")
    assert response.status_code == 200, response.text
    assert response.json()["stage"] == "done"
    assert isinstance(shop.service.loop.commands[-1], EaseOff)
    late = await shop.post("resume")
    assert (late.status_code, late.json()["code"]) == (409, "campaign-ended")
    assert (await shop.browser.get("/api/campaigns")).json()["in_hand"] == ""


async def test_stopping_leaves_another_run_alone(shop: Shop) -> None:
    await shop.begin()
    await shop.see(telemetry(run_id="20260314-150926-aaaa"))
    assert (await shop.view())["stage"] == "waiting"
    await shop.post("stop")
    assert not shop.service.loop.commands


async def test_one_campaign_at_a_time_and_no_name_twice(shop: Shop) -> None:
    await shop.begin()
    second = await shop.browser.post("/api/campaigns", json=BEGIN | {"name": "Other"})
    assert (second.status_code, second.json()["code"]) == (409, "campaign-in-hand")
    await shop.run(1)
    await shop.post("stop")
    same = await shop.browser.post("/api/campaigns", json=BEGIN)
    assert (same.status_code, same.json()["code"]) == (409, "campaign-name")
    assert (await shop.browser.post("/api/campaigns", json=BEGIN | {"name": ""})).status_code == 201


async def test_an_impossible_plan_and_a_nameless_vehicle_are_refused_at_once(shop: Shop) -> None:
    fast = {"kind": "steady-hold", "speed_mps": 79.0, "seconds": 60}
    beyond = await shop.browser.post(
        "/api/campaigns", json=BEGIN | {"campaign": A_B | {"plan": fast}}
    )
    assert (beyond.status_code, beyond.json()["code"]) == (409, "set-point-beyond-rig")
    climb = {
        "kind": "grade-climb",
        "vehicle": {"a_n": 300, "mass_kg": 3600},
        "grade": {"percent": 4},
        "target_mps": 18,
        "seconds": 60,
    }
    nobody = await shop.browser.post(
        "/api/campaigns", json=BEGIN | {"campaign": A_B | {"plan": climb}, "vehicle": ""}
    )
    assert (nobody.status_code, nobody.json()["code"]) == (409, "vehicle-missing")


async def test_watchers_may_look_and_no_more(shop: Shop) -> None:
    await shop.begin()
    service = shop.service
    admin = await shop.browser.post("/api/tokens", json={"name": "boss", "role": "maintain"})
    token = admin.json()["token"]
    async with service.browser(token=token) as boss:
        made = await boss.post("/api/tokens", json={"name": "wall", "role": "watch"})
    async with service.browser(token=made.json()["token"]) as wall:
        assert (await wall.get(f"/api/campaigns/{shop.id}")).status_code == 200
        for what in ("fitted", "run", "pause", "resume", "stop"):
            refused = await wall.post(f"/api/campaigns/{shop.id}/{what}", json={})
            assert refused.status_code == 403, what


async def test_gain_asks_for_two_set_ups_of_the_campaign(shop: Shop) -> None:
    await shop.begin()
    path = f"/api/campaigns/{shop.id}/gain"
    wrong = await shop.browser.get(path, params={"before": "A", "after": "C"})
    assert (wrong.status_code, wrong.json()["code"]) == (409, "campaign-sides")
    few = await shop.browser.get(path)
    assert (few.status_code, few.json()["code"]) == (409, "too-few-repeats")
    lost = await shop.browser.get("/api/campaigns/20200101-000000-0000/gain")
    assert lost.status_code == 404


async def test_a_disk_that_cannot_keep_the_campaign_starts_nothing(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    await shop.begin()
    await shop.see()

    def full(*_: object) -> None:
        raise StoreError("The disk is full.", "Make room.")

    monkeypatch.setattr("api.services.campaigns.write_campaign", full)
    response = await shop.post("run", number=1, checked=True)
    assert response.status_code == 503
    assert not shop.starts
    assert (await shop.view())["stage"] == "ask"


async def test_sets_that_could_not_be_kept_are_kept_at_the_next_look(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    await shop.begin()

    def broken(*_: object) -> None:
        raise StoreError("The catalogue is busy.", "Wait.")

    with monkeypatch.context() as patch:
        patch.setattr(vehicle_records, "put_set", broken)
        run_id = await shop.run(1)
    assert not (await shop.browser.get("/api/sets")).json()["sets"]
    await shop.service.context.campaigns.look()
    sets = (await shop.browser.get("/api/sets")).json()["sets"]
    assert {each["name"]: each["runs"] for each in sets} == {
        "Tune 7": [run_id],
        "Tune 7 / A": [run_id],
    }


def with_oil(kelvin: float) -> Telemetry:
    """Telemetry with the oil at this temperature."""
    plain = telemetry()
    assert plain.measured is not None
    oil = Reading(kelvin, Unit.KELVIN, 10.0, Quality.GOOD, 0.5)
    measured = msgspec.structs.replace(plain.measured, slow={"oil-temperature": oil})
    return msgspec.structs.replace(plain, measured=measured)


def _asking(hand: Any) -> Any:
    from control.campaigns.sequence import CampaignPosition

    return CampaignPosition(Stage.ASK, "A", 1)
