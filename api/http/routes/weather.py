"""The air beside the rig as its channels tell it now, and the correction it would give.

Data flow: newest telemetry -> daq.rig.weather -> daq.results.correction -> JSON (SI). Weather is
never guessed: a channel that is missing, stale or impossible is refused by name. Nothing here
corrects a run; a result carries its own correction, from the weather of its own recording.
"""

from __future__ import annotations

from typing import Annotated

import msgspec
from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from api.http.answers.bodies import answer, gives
from api.http.answers.problems import Problem
from api.http.context import context_of
from api.http.entry.tokens import Role
from api.services.telemetry_json import STALE_S
from daq.results.correction import Charging, Correction, DieselFuel, Rule, correction, default_rule
from daq.rig.weather import (
    Weather,
    air_density,
    dewpoint_k,
    dry_pressure_pa,
    vapour_pressure_pa,
    weather_of,
)
from daq.texts.message import Text, say

router = APIRouter(prefix="/api", tags=["rig"])

# As wide as any engine of a road vehicle, with much to spare: beyond it a figure is a slip of unit.
FuelRate = Annotated[float | None, Query(ge=0.01, le=1000)]
Displacement = Annotated[float | None, Query(ge=0.05, le=200)]
EngineSpeed = Annotated[float | None, Query(ge=50, le=20_000)]
BoostRatio = Annotated[float | None, Query(ge=0.5, le=10)]


class WeatherNow(msgspec.Struct, frozen=True):
    """Air now, what follows from it, and the correction of the rule that was asked for."""

    weather: Weather
    vapour_pa: float
    dry_pa: float
    dewpoint_k: float | None  # null in perfectly dry air
    air_kg_m3: float
    why: Text  # this rule: the reason it is offered, or that it was asked for
    correction: Correction


@router.get("/weather", responses=gives(WeatherNow))
async def weather(
    request: Request,
    rule: Rule | None = None,
    diesel: bool = True,
    boosted: bool = True,
    charging: Charging = Charging.TURBO,
    fuel_g_per_s: FuelRate = None,
    displacement_l: Displacement = None,
    speed_rpm: EngineSpeed = None,
    boost_ratio: BoostRatio = None,
) -> Response:
    """Weather and power correction from the live channels; without `rule` the one to offer."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    loop = context.loop
    latest = loop.latest
    if latest is None or latest.measured is None or not loop.connected or loop.age_s > STALE_S:
        raise Problem(
            409, "no-readings", say("there-are-no-readings-rig-now"), say("see-api-health")
        )
    air = weather_of(context.rig.slow, latest.measured.slow)
    why: Text = say("this-rule-was-asked-for")
    if rule is None:
        rule, why = default_rule(diesel=diesel, boosted=boosted)
    fuel = None
    if fuel_g_per_s and displacement_l and speed_rpm:
        fuel = DieselFuel(fuel_g_per_s, displacement_l, speed_rpm, boost_ratio or 1.0)
    made = correction(rule, air, charging=charging, fuel=fuel, boosted_diesel=diesel and boosted)
    vapour = vapour_pressure_pa(air.temperature_k, air.relative_humidity)
    return answer(
        WeatherNow(
            air,
            vapour,
            dry_pressure_pa(air),
            dewpoint_k(vapour) if vapour > 0.0 else None,
            air_density(air),
            why,
            made,
        )
    )
