"""Heat: what each absorber has been through, how long the rig may work, the answer before a test.

Data flow: api.services.thermal_status -> control.forecast.endurance and control.forecast.answer ->
JSON. Nothing here commands.
"""

from __future__ import annotations

import asyncio
from typing import Annotated

import msgspec
from fastapi import APIRouter, Query, Request
from msgspec import Meta
from starlette.responses import Response

from api.http.answers.bodies import answer, gives, read, takes
from api.http.context import Context, context_of
from api.http.entry.tokens import Role
from api.services.telemetry_json import STALE_S
from api.services.thermal_status import records_of, rig_heat
from control.core.memory import Memory
from control.forecast.answer import HeatAnswer
from control.forecast.answer import answer as heat_answer
from control.forecast.duty import Expected
from control.forecast.endurance import EnduranceMap, endurance_map
from control.forecast.question import LONGEST_S, MOST_PARTS, Change
from control.forecast.rig_heat import RigHeat
from control.test_kinds.plans import Plan
from control.thermal.rotor_observer import RotorObserver
from control.thermal.usage import AbsorberUsage, Trend, capacity_trend, due
from daq.quantities import UnitSystem

router = APIRouter(prefix="/api", tags=["heat"])

MAP_SPEEDS = 12
MAP_POWERS = 12
SLOWEST_SHARE = 0.1  # of the rig's top speed


class Rehearse(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A plan, what it leaves open, and what is to be otherwise, as suggestions carry it."""

    plan: Plan
    power_w: Annotated[float, Meta(gt=0, le=2_000_000)] | None = None  # wheel power at full pedal
    speed_mps: Annotated[float, Meta(gt=0, le=80)] | None = None  # of the rolls
    ratio_per_m: Annotated[float, Meta(gt=0, le=1000)] | None = None  # the learned one if left out
    cold: bool = False  # as if all rotors were at ambient
    # Share of the power by roll set, e.g. {front: 0.4, rear: 0.6}; left out: as in the last run.
    shares: dict[str, Annotated[float, Meta(ge=0, le=1)]] | None = None
    until_s: Annotated[float, Meta(gt=0, le=LONGEST_S)] | None = None  # stop after so long
    cool_first_s: Annotated[float, Meta(ge=0, le=14_400)] = 0.0
    parts: Annotated[int, Meta(ge=1, le=MOST_PARTS)] = 1  # of equal length, with pauses between
    pause_s: Annotated[float, Meta(ge=0, le=14_400)] = 0.0
    units: UnitSystem = UnitSystem.METRIC  # of the sentences; the numbers stay in SI


class AbsorberHeat(msgspec.Struct, frozen=True):
    """One absorber's heat memory."""

    name: str
    rotor_k: float
    rotor_sigma_k: float
    # Learned factors on the described rotor: capacity, still cooling, windage, conduction,
    # radiation, hub, to the hub, fan, rim; empty while nothing is remembered.
    learned: tuple[float, ...]
    life: AbsorberUsage
    trend: Trend | None  # of capacity; null before there are enough runs
    due: tuple[str, ...]  # maintenance notes


class HeatMemory(msgspec.Struct, frozen=True):
    absorbers: tuple[AbsorberHeat, ...]


async def _now(context: Context, cold: bool = False) -> tuple[RigHeat, Memory]:
    loop = context.loop
    running = loop.connected and loop.age_s <= STALE_S
    return await asyncio.to_thread(
        rig_heat, context.rig, context.settings.data, loop.latest, running, cold
    )


@router.get("/heat", responses=gives(HeatMemory))
async def heat(request: Request) -> Response:
    """Per absorber: hours, energy, hottest moments, capacity trend, what is due."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    rotors, memory = await _now(context)
    kept = records_of(memory)
    told: list[AbsorberHeat] = []
    for absorber, observer in zip(context.rig.absorbers, rotors.observers, strict=True):
        record = kept.get(absorber.name)
        life = record.life if record is not None else AbsorberUsage()
        told.append(
            AbsorberHeat(
                absorber.name,
                observer.rim_k,
                observer.sigma_k,
                _learned(observer),
                life,
                capacity_trend(life),
                due(absorber, life),
            )
        )
    return answer(HeatMemory(tuple(told)))


def _learned(observer: RotorObserver) -> tuple[float, ...]:
    return observer.factors if observer.from_memory else ()


@router.get("/heat/endurance", responses=gives(EnduranceMap))
async def endurance(
    request: Request,
    cold: bool = False,
    speeds: Annotated[int, Query(ge=2, le=24)] = MAP_SPEEDS,
    powers: Annotated[int, Query(ge=2, le=24)] = MAP_POWERS,
) -> Response:
    """Permitted seconds over power and speed, from the rotors' temperature now, or cold."""
    context = context_of(request)
    context.caller(request, Role.WATCH)

    async def make() -> EnduranceMap:
        rotors, _ = await _now(context, cold)
        limits = context.rig.limits
        top = min(limits.max_speed_mps, *(each.max_speed_mps for each in context.rig.roll_sets))
        low = SLOWEST_SHARE * top
        grid_speeds = [low + (top - low) * k / (speeds - 1) for k in range(speeds)]
        most = min(limits.max_power_w, max(rotors.torque_power(speed) for speed in grid_speeds))
        grid_powers = [most * (k + 1) / powers for k in range(powers)]
        return await context.slowly(endurance_map, rotors, grid_speeds, grid_powers)

    return answer(await context.endurance.get((cold, speeds, powers), make))


@router.post("/rehearse", responses=gives(HeatAnswer), openapi_extra=takes(Rehearse))
async def rehearse(request: Request) -> Response:
    """Can the rig run this plan by heat: who limits, when, and what would make it possible."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    body = await read(request, Rehearse)
    rotors, memory = await _now(context, body.cold)
    expected = Expected(body.power_w, body.speed_mps, body.ratio_per_m or memory.ratio_per_m)
    change = Change(
        shares=body.shares, until_s=body.until_s, cool_first_s=body.cool_first_s, parts=body.parts,
        pause_s=body.pause_s,
    )  # fmt: skip
    return answer(
        await context.slowly(heat_answer, body.plan, rotors, expected, body.units, change)
    )
