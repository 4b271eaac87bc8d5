"""The proving over HTTP: how every verification stands, and running one.

Data flows: request -> role check -> api.services.proving, in a worker process where recordings are
read -> proving.json -> response. Reading needs the role watch, proving and applying the role
maintain.
"""

from __future__ import annotations

import asyncio
import math
from typing import Annotated

import msgspec
from fastapi import APIRouter, Request
from msgspec import Meta
from starlette.responses import Response

from api.http.answers.bodies import ONE_LINE, Nothing, answer, gives, read, takes
from api.http.context import Context, context_of
from api.http.entry.access import Caller
from api.http.entry.tokens import Role
from api.services import proving
from api.services.jobs import ProveJob
from daq import wall_clock
from daq.proving.calibration import CalibrationArm, DeadWeight
from daq.proving.causes import Cause
from daq.proving.diagnosis import diagnose
from daq.proving.overlay import rig_lines
from daq.proving.quick_checks import shunt_signal
from daq.proving.record import Proof, ProofStatus, Value, standing
from daq.proving.rolls import roll_radius

router = APIRouter(prefix="/api/proving", tags=["proving"])

RunId = Annotated[str, Meta(pattern=r"^[0-9]{8}-[0-9]{6}-[0-9a-z]{4,12}(?![\s\S])")]
Name = Annotated[str, Meta(min_length=1, max_length=40, pattern=ONE_LINE)]


class ProvingView(msgspec.Struct, frozen=True):
    """How the rig's verifications stand today, and what they would write into the rig file."""

    rig: str
    today: str
    standing: list[ProofStatus]
    lines: str  # TOML for the rig file
    proofs: int  # ever made
    causes: tuple[Cause, ...]  # likely causes of what the newest proofs show


class Proofs(msgspec.Struct, frozen=True):
    """What was proven now, and the likely causes that the record names with it."""

    proofs: list[Proof]
    causes: tuple[Cause, ...]


class Applied(msgspec.Struct, frozen=True):
    """Values laid over the rig file at the next start."""

    values: dict[str, Value]


class Coasts(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Runs in which free rolls ran out, unloaded and under at least two loads."""

    runs: Annotated[list[RunId], Meta(min_length=1, max_length=40)]


class TurningRuns(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Runs of one session in which the rolls turned freely."""

    runs: Annotated[list[RunId], Meta(min_length=1, max_length=10)]


class ResponseRun(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A run in which free rolls ran out while the load came on and off."""

    run: RunId


class OneRun(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One recorded run."""

    run: RunId


class LongRun(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A run of at least 1000 s; `pulses`: a wheel channel that gets one pulse per second."""

    run: RunId
    pulses: Annotated[str, Meta(max_length=40)] = ""


Length = Annotated[float, Meta(gt=0, le=1000)]


class Diameter(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Readings of one roll set: circumferences across the width, or a distance and its turns."""

    roll_set: Name
    circumferences_m: Annotated[list[Length], Meta(max_length=40)] = []
    distance_m: Length | None = None
    turns: Annotated[float, Meta(gt=0, le=10_000)] | None = None
    reading_sigma_m: Annotated[float, Meta(gt=0, le=0.1)] | None = None
    dials_m: Annotated[list[Annotated[float, Meta(ge=0, le=0.1)]], Meta(max_length=40)] = []


Ohm = Annotated[float, Meta(gt=0, le=1e8)]
Newton = Annotated[float, Meta(ge=-1e6, le=1e6)]


class ShuntReadings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Cell force without, with, and again without a shunt across one arm of the bridge."""

    absorber: Name
    shunt_ohm: Ohm
    open_n: Newton
    closed_n: Newton
    open_again_n: Newton
    bridge_ohm: Ohm = 350.0


class Weights(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Dead weights on one absorber, with raw converter counts."""

    absorber: Name
    loads: Annotated[list[DeadWeight], Meta(min_length=1, max_length=proving.MOST_ROWS)]
    setup: CalibrationArm


@router.get("", responses=gives(ProvingView))
async def view(request: Request) -> Response:
    """Every verification with its date, its due date and its figures beside their limits."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    kept = await asyncio.to_thread(proving.read_proving, context.settings.data)
    today = wall_clock.today()
    return answer(
        ProvingView(
            context.rig.name,
            today.isoformat(),
            standing(context.rig, kept, today),
            rig_lines(kept.values()),
            len(kept.proofs),
            diagnose(context.rig, kept),
        )
    )


@router.post("/zero", responses=gives(Proofs), openapi_extra=takes(Nothing))
async def zero(request: Request) -> Response:
    """Prove the zeros in use against the calibrated ones; take zeros first."""
    context = context_of(request)
    caller = context.caller(request, Role.MAINTAIN)
    await read(request, Nothing)
    data = context.settings.data
    proofs = await asyncio.to_thread(proving.prove_zero, context.rig, data)
    await context.audit.write(caller, "prove-zero", "accepted")
    return await _kept(context, proofs)


@router.post("/dead-weight", responses=gives(Proofs), openapi_extra=takes(Weights))
async def dead_weight(request: Request) -> Response:
    """Calibrate a load cell from dead weights."""
    context = context_of(request)
    caller = context.caller(request, Role.MAINTAIN)
    body = await read(request, Weights)
    proofs = proving.prove_dead_weight(
        context.rig, body.absorber, body.loads, body.setup, "given over HTTP"
    )
    await context.audit.write(
        caller, "prove-dead-weight", "accepted", detail={"absorber": body.absorber}
    )
    return await _kept(context, proofs)


@router.post("/coasts", responses=gives(Proofs), openapi_extra=takes(Coasts))
async def coasts(request: Request) -> Response:
    """Base inertia and losses of every roll set from recorded coasts."""
    context = context_of(request)
    caller = context.caller(request, Role.MAINTAIN)
    body = await read(request, Coasts)
    return await _from_runs(context, caller, "coasts", tuple(body.runs))


@router.post("/delay", responses=gives(Proofs), openapi_extra=takes(ResponseRun))
async def delay(request: Request) -> Response:
    """Delay between force and speed of every roll set from a recorded step test."""
    return await _from_one_run(request, "delay", ResponseRun)


@router.post("/response", responses=gives(Proofs), openapi_extra=takes(OneRun))
async def response(request: Request) -> Response:
    """Settling of the force after steps of load, from a run that has them (1066.245)."""
    return await _from_one_run(request, "response", OneRun)


@router.post("/daily", responses=gives(Proofs), openapi_extra=takes(OneRun))
async def daily(request: Request) -> Response:
    """One short coast of free rolls against the rig file: the day's check (1066.275)."""
    return await _from_one_run(request, "daily", OneRun)


@router.post("/shunt", responses=gives(Proofs), openapi_extra=takes(ShuntReadings))
async def shunt(request: Request) -> Response:
    """A cell read without, with, and again without a known resistor across its bridge."""
    context = context_of(request)
    caller = context.caller(request, Role.MAINTAIN)
    body = await read(request, ShuntReadings)
    expected = shunt_signal(body.bridge_ohm, body.shunt_ohm)
    read_n = (body.open_n, body.closed_n, body.open_again_n)
    proofs = proving.prove_shunt(context.rig, body.absorber, expected, read_n)
    await context.audit.write(caller, "prove-shunt", "accepted")
    return await _kept(context, proofs)


@router.post("/run-out", responses=gives(Proofs), openapi_extra=takes(TurningRuns))
async def run_out(request: Request) -> Response:
    """Pitch errors, run-out and number of teeth of the wheels, best from several free coasts."""
    context = context_of(request)
    caller = context.caller(request, Role.MAINTAIN)
    body = await read(request, TurningRuns)
    return await _from_runs(context, caller, "run-out", tuple(body.runs))


@router.post("/wiring", responses=gives(Proofs), openapi_extra=takes(OneRun))
async def wiring(request: Request) -> Response:
    """Whether each absorber's load arrives at its own cell, from a run that loads one at a time."""
    return await _from_one_run(request, "wiring", OneRun)


@router.post("/time-base", responses=gives(Proofs), openapi_extra=takes(LongRun))
async def time_base(request: Request) -> Response:
    """The front end's clock against this computer's, or against one pulse per second (1066.230)."""
    context = context_of(request)
    caller = context.caller(request, Role.MAINTAIN)
    body = await read(request, LongRun)
    return await _from_runs(context, caller, "time-base", (body.run,), body.pulses)


@router.post("/diameter", responses=gives(Proofs), openapi_extra=takes(Diameter))
async def diameter(request: Request) -> Response:
    """The diameter of a roll set from readings (1066.225)."""
    context = context_of(request)
    caller = context.caller(request, Role.MAINTAIN)
    body = await read(request, Diameter)
    found = roll_radius(
        body.circumferences_m,
        distance_m=_or_nan(body.distance_m),
        turns=_or_nan(body.turns),
        reading_sigma_m=_or_nan(body.reading_sigma_m),
        dials_m=body.dials_m,
    )
    proofs = proving.prove_diameter(context.rig, body.roll_set, found, "given over HTTP")
    await context.audit.write(
        caller, "prove-diameter", "accepted", detail={"roll_set": body.roll_set}
    )
    return await _kept(context, proofs)


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value


@router.post("/apply", responses=gives(Applied), openapi_extra=takes(Nothing))
async def apply(request: Request) -> Response:
    """Lay what was proven over the rig file from the next start on."""
    context = context_of(request)
    caller = context.caller(request, Role.MAINTAIN)
    await read(request, Nothing)
    settings = context.settings
    text = await asyncio.to_thread(settings.rig.read_text, encoding="utf-8")
    file = await asyncio.to_thread(proving.write_overlay, context.rig, text, settings.data)
    await context.audit.write(caller, "prove-apply", "accepted")
    return answer(Applied(file.values))


async def _from_one_run(
    request: Request, what: str, kind: type[OneRun] | type[ResponseRun]
) -> Response:
    context = context_of(request)
    caller = context.caller(request, Role.MAINTAIN)
    body = await read(request, kind)
    return await _from_runs(context, caller, what, (body.run,))


async def _from_runs(
    context: Context, caller: Caller, kind: str, runs: tuple[str, ...], pulses: str = ""
) -> Response:
    data = context.settings.data
    paths = [str(proving.recording_of(data, run)) for run in runs]
    made = await context.have_done(ProveJob(str(context.settings.rig), tuple(paths), kind, pulses))
    await context.audit.write(caller, f"prove-{kind}", "accepted", detail={"runs": ", ".join(runs)})
    return await _kept(context, msgspec.json.decode(made, type=list[Proof]))


async def _kept(context: Context, proofs: list[Proof]) -> Response:
    after = await asyncio.to_thread(proving.keep, context.settings.data, context.rig, proofs)
    return answer(Proofs(proofs, after.causes))
