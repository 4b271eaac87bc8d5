"""What the rig is and how it is; nothing stale is ever shown as fresh."""

from __future__ import annotations

import asyncio
import math
import shutil
from pathlib import Path

import httpx
import msgspec
import pytest

from api.services.telemetry_json import STALE_S, encode, view
from control.telemetry import FaultView, State, Telemetry
from daq.measure.measured import AbsorberReadings, Measured, RollSetReadings
from daq.readings import Reading
from tests.api.fake_loop import ABSORBERS, decode, telemetry, until
from tests.api.harness import Service, StartService


async def test_the_rig_is_told_as_its_file_describes_it(browser: httpx.AsyncClient) -> None:
    rig = (await browser.get("/api/rig")).json()
    assert rig["name"] == "Tarnhow demo rig"
    assert [roll_set["name"] for roll_set in rig["roll_sets"]] == ["front", "rear"]
    assert rig["limits"]["max_force_n"] == 24000.0
    assert len(rig["fingerprint"]) == 64


async def test_the_state_carries_every_reading_with_value_unit_quality_and_age(
    browser: httpx.AsyncClient,
) -> None:
    response = await browser.get("/api/state")
    assert response.headers["content-type"] == "application/json"
    state = response.json()
    assert state["state"] == "parked"
    assert state["loop_up"] is True
    speed = state["measured"]["roll_sets"][0]["speed"]
    assert set(speed) == {"value", "unit", "time_s", "quality", "sigma", "age_s"}
    assert (speed["value"], speed["unit"], speed["quality"]) == (20.0, "m/s", "good")
    assert speed["age_s"] >= 0.010
    slow = state["measured"]["slow"]["oil-temperature"]
    assert slow["age_s"] >= 0.8


def test_nothing_the_loop_tells_is_left_out() -> None:
    shown = decode(encode(telemetry(), 0.0, True))
    assert set(Telemetry.__struct_fields__) < set(shown)
    measured = shown["measured"]
    assert isinstance(measured, dict)
    assert set(measured) == set(Measured.__struct_fields__)
    assert set(measured["roll_sets"][0]) == set(RollSetReadings.__struct_fields__)
    assert set(measured["absorbers"][0]) == set(AbsorberReadings.__struct_fields__)
    assert set(measured["engine_speed"]) == {*Reading.__struct_fields__, "age_s"}


def test_numbers_that_are_not_finite_are_null() -> None:
    text = encode(telemetry(run_id="20260101-000000-abcd"), 0.0, True)
    assert b"NaN" not in text
    assert b"Infinity" not in text
    shown = msgspec.json.decode(text)
    assert shown["measured"]["absorbers"][0]["current"]["value"] is None
    assert shown["measured"]["absorbers"][0]["current"]["quality"] == "missing"
    assert shown["absorbers"][0]["headroom_s"] is None
    assert shown["test"]["total_s"] is None


def test_each_snapshot_tells_when_it_was_sent_by_a_clock_of_the_service() -> None:
    """By it the page tells a backlog from what is new; the front end's clock may stand still."""
    same = telemetry()
    first, second = (msgspec.json.decode(encode(same, 0.0, True)) for _ in range(2))
    assert first["sent_s"] < second["sent_s"]


@pytest.mark.parametrize(("age_s", "loop_up"), [(STALE_S + 0.01, True), (0.0, False)])
def test_a_stale_snapshot_has_no_values_only_ages(age_s: float, loop_up: bool) -> None:
    shown = msgspec.json.decode(encode(telemetry(), age_s, loop_up))
    readings = [each["speed"] for each in shown["measured"]["roll_sets"]] + [
        shown["measured"]["engine_speed"],
        *shown["measured"]["slow"].values(),
    ]
    assert shown["stale"] is True
    for reading in readings:
        assert reading["value"] is None
        assert reading["sigma"] is None
        assert reading["quality"] == "missing"
        assert reading["age_s"] >= age_s - 1e-9


def test_before_the_first_telemetry_everything_is_null() -> None:
    shown = view(None, math.inf, False)
    assert shown["state"] is None
    assert shown["measured"] is None
    assert shown["age_s"] is None


async def test_without_telemetry_the_state_is_a_503(start_service: StartService) -> None:
    service = await start_service(quiet=True)
    async with service.browser() as browser:
        response = await browser.get("/api/state")
    assert response.status_code == 503
    assert response.json()["code"] == "no-telemetry"


async def test_when_the_loop_dies_the_last_state_loses_its_values(
    service: Service, browser: httpx.AsyncClient
) -> None:
    await service.loop.stop()
    await until(lambda: not service.context.loop.connected)
    state = (await browser.get("/api/state")).json()
    assert state["loop_up"] is False
    assert state["measured"]["roll_sets"][1]["power"]["value"] is None
    health = (await browser.get("/api/health")).json()
    assert health["ok"] is False
    assert health["loop_up"] is False


async def test_health_says_what_is_wrong(service: Service, browser: httpx.AsyncClient) -> None:
    health = (await browser.get("/api/health")).json()
    assert health["ok"] is True
    assert health["mqtt"] is None
    assert health["free_mb"] > 0
    service.context.audit.failures = 1
    assert (await browser.get("/api/health")).json()["ok"] is False


async def test_without_its_data_directory_the_service_says_so_and_starts_nothing(
    service: Service, browser: httpx.AsyncClient, data: Path
) -> None:
    shutil.rmtree(data)
    answer = await browser.get("/api/health")
    assert answer.status_code == 200
    health = answer.json()
    assert (health["ok"], health["disk_ok"], health["free_mb"]) == (False, False, None)
    assert (await browser.get("/api/metrics")).status_code == 200
    plan = {"kind": "steady-hold", "rpm": 1900, "seconds": 60}
    answer = await browser.post("/api/test/start", json={"plan": plan})
    assert (answer.status_code, answer.json()["code"]) == (507, "disk-low")
    data.mkdir()  # what is left behind is looked at after the test


async def test_recent_events_are_kept_for_a_page_that_opens_later(
    service: Service, browser: httpx.AsyncClient
) -> None:
    service.loop.event("notice", "Fan on", fan="front")
    await until(lambda: len(service.context.hub.recent) == 1)
    told = (await browser.get("/api/events")).json()
    assert told["events"][0]["text"] == "Fan on"
    assert told["events"][0]["data"] == {"fan": "front"}
    assert told["missed"] == 0


async def test_metrics_are_readable_by_prometheus(
    service: Service, browser: httpx.AsyncClient
) -> None:
    fault = FaultView("fan", "hold", 'Fan "A" \\ stopped', "Look", 1.0, True)
    service.loop.publish(telemetry(12.0, State.TRIPPED, faults=(fault,)))
    seen = service.context.loop  # an earlier one may still be on its way
    await until(lambda: seen.latest is not None and seen.latest.state is State.TRIPPED)
    await browser.get("/api/nothing")
    response = await browser.get("/api/metrics")
    assert response.headers["content-type"].startswith("text/plain; version=0.0.4")
    samples = parse(response.text)
    assert samples["drumlin_up"] == 1.0
    assert samples['drumlin_state{state="tripped"}'] == 1.0
    assert samples['drumlin_state{state="parked"}'] == 0.0
    assert samples["drumlin_faults_active"] == 1.0
    assert samples['drumlin_roll_speed_metres_per_second{roll_set="rear"}'] == 20.0
    assert math.isnan(samples['drumlin_rotor_kelvin{absorber="rear-left"}'])
    assert samples['drumlin_responses_total{status="404"}'] == 1.0
    assert sum(1 for name in samples if name.startswith("drumlin_rotor_kelvin")) == len(ABSORBERS)


def parse(text: str) -> dict[str, float]:
    """A strict little reader of the text format: every family has HELP and TYPE first."""
    samples: dict[str, float] = {}
    typed: set[str] = set()
    assert text.endswith("\n")
    for line in text.splitlines():
        if line.startswith("# TYPE "):
            typed.add(line.split()[2])
        elif not line.startswith("# HELP "):
            name, _, value = line.rpartition(" ")
            assert name.partition("{")[0] in typed
            assert name not in samples
            samples[name] = float(value)
    return samples


async def test_a_question_while_the_loop_floods_is_still_answered(
    service: Service, browser: httpx.AsyncClient
) -> None:
    for number in range(300):
        service.loop.publish(telemetry(20.0 + number / 50))
        if number % 50 == 0:
            await asyncio.sleep(0)
    last = 20.0 + 299 / 50
    await until(lambda: service.context.loop.age_s < 1 and newest(service) == last)
    assert (await browser.get("/api/state")).json()["time_s"] == last


def newest(service: Service) -> float:
    latest = service.context.loop.latest
    return latest.time_s if latest is not None else math.nan
