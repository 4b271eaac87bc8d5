"""The correction live: from the newest weather channels, refused when they are stale or absurd."""

from __future__ import annotations

import itertools

import httpx
import msgspec
import pytest

from daq.readings import Quality, Reading, Unit
from tests.api.fake_loop import FakeLoop, telemetry, until
from tests.api.harness import Service

SPARK = "/api/weather?rule=iso-1585-spark"


async def asked(
    service: Service, loop: FakeLoop, browser: httpx.AsyncClient, url: str, celsius: float = 25.0,
    kpa: float = 99.0, humidity: float = 0.5, quality: Quality = Quality.GOOD,
) -> httpx.Response:  # fmt: skip
    """The answer with that weather just told; `quality` is the barometer's.

    On a busy computer telemetry may be stale before it is asked for: then it is told again.
    """
    for attempt in range(20):
        await _tell(service, loop, 20.0 + next(COUNT), celsius, kpa, humidity, quality)
        response = await browser.get(url)
        if response.status_code == 200 or response.json()["code"] != "no-readings":
            break
        assert attempt < 19
    return response


COUNT = itertools.count()


async def _tell(
    service: Service, loop: FakeLoop, time_s: float, celsius: float, kpa: float, humidity: float,
    quality: Quality,
) -> None:  # fmt: skip
    slow = {
        "ambient-temperature": Reading(celsius + 273.15, Unit.KELVIN, time_s, Quality.GOOD),
        "barometer": Reading(kpa * 1e3, Unit.PASCAL, time_s, quality),
        "humidity": Reading(humidity, Unit.RATIO, time_s, Quality.GOOD),
    }
    plain = telemetry(time_s)
    assert plain.measured is not None
    measured = msgspec.structs.replace(plain.measured, slow=slow)
    loop.publish(msgspec.structs.replace(plain, measured=measured))
    client = service.app.state.context.loop
    await until(lambda: client.latest is not None and client.latest.time_s == time_s)


async def test_the_factor_is_that_of_the_rule_at_this_moments_air(
    service: Service, fake_loop: FakeLoop, browser: httpx.AsyncClient
) -> None:
    told = (await asked(service, fake_loop, browser, SPARK)).json()
    # saturation at 25 degC 3.169 kPa (40 CFR 1065.645), half of it: dry 97.415 kPa;
    # (99/p)^1.2 (T/298)^0.6, from memory
    assert told["vapour_pa"] == pytest.approx(0.5 * 3169.0, rel=2e-3)
    dry = 99.0 - told["vapour_pa"] / 1e3
    factor = (99.0 / dry) ** 1.2 * (298.15 / 298.0) ** 0.6
    assert told["correction"]["factor"] == pytest.approx(factor, rel=1e-6)
    assert told["correction"]["valid"] is True
    assert {one["name"] for one in told["correction"]["inputs"]} >= {"air pressure", "dry pressure"}
    assert told["correction"]["sigma"] > 0.0
    thin = (await asked(service, fake_loop, browser, SPARK, kpa=95.0)).json()
    assert thin["correction"]["factor"] > factor + 0.03


async def test_none_is_offered_for_a_boosted_diesel_with_the_reason(
    service: Service, fake_loop: FakeLoop, browser: httpx.AsyncClient
) -> None:
    told = (await asked(service, fake_loop, browser, "/api/weather")).json()
    assert (told["correction"]["rule"], told["correction"]["factor"]) == ("none", 1.0)
    assert "boosted diesel" in told["why"]
    diesel = "/api/weather?rule=un-r85-diesel&charging=turbo"
    refused = await asked(service, fake_loop, browser, diesel)
    assert refused.status_code == 409
    assert "fuel rate" in refused.json()["detail"]
    fuel = "&fuel_g_per_s=12&displacement_l=6.6&speed_rpm=2500&boost_ratio=2.4"
    told = (await asked(service, fake_loop, browser, diesel + fuel)).json()
    assert told["correction"]["rule"] == "un-r85-diesel"


@pytest.mark.parametrize("quality", [Quality.AGING, Quality.SUSPECT, Quality.MISSING])
async def test_a_stale_barometer_is_refused_by_name(
    service: Service, fake_loop: FakeLoop, browser: httpx.AsyncClient, quality: Quality
) -> None:
    refused = await asked(service, fake_loop, browser, SPARK, quality=quality)
    assert refused.status_code == 409
    assert refused.json()["code"] == "weather"
    assert "'barometer'" in refused.json()["detail"]


async def test_air_outside_the_rule_is_flagged_and_air_that_cannot_be_is_refused(
    service: Service, fake_loop: FakeLoop, browser: httpx.AsyncClient
) -> None:
    told = (await asked(service, fake_loop, browser, SPARK, celsius=48.0)).json()
    assert told["correction"]["valid"] is False
    assert any("Outside the rule" in str(flag) for flag in told["correction"]["flags"])
    # hectopascal called kilopascal
    refused = await asked(service, fake_loop, browser, SPARK, kpa=990.0)
    assert refused.status_code == 409
    assert "cannot be right" in refused.json()["detail"]
