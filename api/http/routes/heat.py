"""Heat: what each absorber has been through, how long the rig may work, the answer before a test.

Data flow: api.services.thermal_status -> control.forecast.endurance and control.forecast.answer ->
JSON. Nothing here commands.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path as FilePath
from typing import Annotated

import msgspec
from fastapi import APIRouter, Query, Request
from msgspec import Meta
from starlette.responses import Response

from api.folders import MEMORY_NAME
from api.http.answers.bodies import answer, gives, read, takes
from api.http.context import Context, context_of
from api.http.entry.tokens import Role
from api.services.heat_jobs import EnduranceJob, HeatJob
from api.services.telemetry_json import STALE_S
from api.services.thermal_status import ambient_of, records_of, rig_heat
from control.forecast.answer import HeatAnswer
from control.forecast.endurance import EnduranceMap
from control.forecast.question import LONGEST_S, MOST_PARTS, Change
from control.test_kinds.plans import Plan
from control.thermal.rotor_observer import RotorObserver
from control.thermal.usage import AbsorberUsage, Trend, capacity_trend, due
from daq.quantities import UnitSystem
from daq.texts.message import Text

router = APIRouter(prefix="/api", tags=["heat"])

MAP_SPEEDS = 12
MAP_POWERS = 12


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
    due: tuple[Text, ...]  # maintenance notes


class HeatMemory(msgspec.Struct, frozen=True):
    absorbers: tuple[AbsorberHeat, ...]


@router.get("/heat", responses=gives(HeatMemory))
async def heat(request: Request) -> Response:
    """Per absorber: hours, energy, hottest moments, capacity trend, what is due."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    _, data, ambient_k, running = _here(context)
    rotors, memory = await context.slowly(rig_heat, context.rig, FilePath(data), ambient_k, running)
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
    return await _told(context, EnduranceJob(*_here(context), cold, speeds, powers))


@router.post("/rehearse", responses=gives(HeatAnswer), openapi_extra=takes(Rehearse))
async def rehearse(request: Request) -> Response:
    """Can the rig run this plan by heat: who limits, when, and what would make it possible."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    body = await read(request, Rehearse)
    change = Change(
        shares=body.shares, until_s=body.until_s, cool_first_s=body.cool_first_s, parts=body.parts,
        pause_s=body.pause_s,
    )  # fmt: skip
    job = HeatJob(
        *_here(context), body.cold, body.plan, body.power_w, body.speed_mps, body.ratio_per_m,
        change, body.units,
    )  # fmt: skip
    return await _told(context, job, body.units)


async def _told(
    context: Context, job: EnduranceJob | HeatJob, units: UnitSystem = UnitSystem.METRIC
) -> Response:
    """What a worker says to it, or said to somebody else since the rotors were written down."""
    written = None
    with contextlib.suppress(OSError):
        written = os.stat(context.settings.data / MEMORY_NAME).st_mtime_ns

    async def ask() -> bytes:
        return await context.have_done(job)

    told = await context.heat_answers.get((written, msgspec.json.encode(job)), ask)
    return answer(msgspec.Raw(told), units=units)


def _here(context: Context) -> tuple[str, str, float | None, bool]:
    """Rig file, data directory, ambient in K, whether the loop keeps the memory new."""
    settings, loop = context.settings, context.loop
    ambient_k = ambient_of(loop.latest)
    if ambient_k is not None:
        ambient_k = round(ambient_k, 1)  # so that a moment later it is the same question
    running = loop.connected and loop.age_s <= STALE_S
    return str(settings.rig.resolve()), str(settings.data.resolve()), ambient_k, running
