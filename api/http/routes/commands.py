"""Commands of the service: readiness, zeros, tests. Each is answered and enters the audit log."""

from __future__ import annotations

import asyncio
from typing import Annotated, Literal

import msgspec
from fastapi import APIRouter, Request
from msgspec import Meta
from starlette.responses import Response

from api.http.answers.bodies import NO_NUL, ONE_LINE, Nothing, answer, gives, read, takes
from api.http.context import context_of
from api.http.entry.tokens import Role
from api.http.routes.helm import CommandAccepted, accepted
from api.http.starting import heat_outlook, operator_of, start_run
from api.store.run_lifecycle import new_run_id
from api.store.vehicle_records import one_vehicle
from control.core.commands import (
    Acknowledge,
    Adjust,
    LearnRatio,
    MakeReady,
    Park,
    ResetTrip,
    ZeroCells,
)
from control.forecast.outlook import Outlook
from control.test_kinds.plans import Plan
from daq.quantities import UnitSystem
from daq.texts.message import say

router = APIRouter(prefix="/api", tags=["commands"])


class Checked(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    vehicle: Annotated[str, Meta(max_length=80, pattern=ONE_LINE)] = ""  # the one on the rolls


class Start(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    plan: Plan
    vehicle: Annotated[str, Meta(max_length=80, pattern=ONE_LINE)] = ""
    note: Annotated[str, Meta(max_length=4000, pattern=NO_NUL)] = ""
    # Wheel power expected at full pedal, for what heat says of the start.
    power_w: Annotated[float, Meta(gt=0, le=2_000_000)] | None = None
    units: UnitSystem = UnitSystem.METRIC  # of that sentence


class SetPointRequest(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    set_point: Annotated[float, Meta(ge=-1e7, le=1e7)]  # unit of the plan, SI
    # Hold another quantity from now on; the load starts from where it is.
    quantity: Literal["", "rpm", "speed", "force", "power", "grade"] = ""


class Started(msgspec.Struct, frozen=True):
    run_id: str
    heat: Outlook | None = None  # what heat says of it; null when that took too long


@router.post("/acknowledge", responses=gives(CommandAccepted), openapi_extra=takes(Checked))
async def acknowledge(request: Request) -> Response:
    """Cautions read, tie-downs checked; with `vehicle`, only tests of that one start from here."""
    context, caller = operator_of(request)
    body = await read(request, Checked)
    known = None
    if body.vehicle:
        known = await asyncio.to_thread(one_vehicle, context.keeper.catalogue, body.vehicle)
    idle_rpm, max_rpm = (known.idle_rpm, known.max_rpm) if known else (None, None)
    command = Acknowledge(0, caller.holder, body.vehicle, idle_rpm, max_rpm)
    await context.command(caller, command, detail={"vehicle": body.vehicle})
    return accepted(caller)


@router.post("/zero", responses=gives(CommandAccepted), openapi_extra=takes(Nothing))
async def zero(request: Request) -> Response:
    """Take the zeros of the load cells."""
    context, caller = operator_of(request)
    await read(request, Nothing)
    await context.command(caller, ZeroCells(0, caller.holder))
    return accepted(caller)


@router.post("/ready", responses=gives(CommandAccepted), openapi_extra=takes(Nothing))
async def ready(request: Request) -> Response:
    """From parked to ready, when the checks pass."""
    context, caller = operator_of(request)
    await read(request, Nothing)
    await context.command(caller, MakeReady(0, caller.holder))
    return accepted(caller)


@router.post("/park", responses=gives(CommandAccepted), openapi_extra=takes(Nothing))
async def park(request: Request) -> Response:
    """No current allowed from here on."""
    context, caller = operator_of(request)
    await read(request, Nothing)
    await context.command(caller, Park(0, caller.holder))
    return accepted(caller)


@router.post("/learn-ratio", responses=gives(CommandAccepted), openapi_extra=takes(Nothing))
async def learn_ratio(request: Request) -> Response:
    """Take engine speed over roll speed of this moment as the ratio of the locked gear."""
    context, caller = operator_of(request)
    await read(request, Nothing)
    await context.command(caller, LearnRatio(0, caller.holder))
    return accepted(caller)


@router.post("/reset", responses=gives(CommandAccepted), openapi_extra=takes(Nothing))
async def reset(request: Request) -> Response:
    """Reset a trip whose cause is gone."""
    context, caller = operator_of(request)
    await read(request, Nothing)
    await context.command(caller, ResetTrip(0, caller.holder))
    return accepted(caller)


@router.post(
    "/test/start", status_code=201, responses=gives(Started, 201), openapi_extra=takes(Start)
)
async def start(request: Request) -> Response:
    """Start a test and its run."""
    context, caller = operator_of(request)
    body = await read(request, Start)
    run_id = new_run_id()
    heat = await start_run(
        context, caller, run_id, body.plan, body.vehicle, body.note, body.power_w, body.units
    )
    return answer(Started(run_id, heat), 201, {"Location": f"/api/runs/{run_id}"}, body.units)


@router.post("/test/outlook", responses=gives(Outlook), openapi_extra=takes(Start))
async def test_outlook(request: Request) -> Response:
    """What heat would say of this start, by the rotors, gear and speed of now. Nothing starts."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    body = await read(request, Start)
    heat = await heat_outlook(context, body.plan, body.power_w, body.units)
    if heat is None:
        heat = Outlook(None, say("heat-took-too-long"))
    return answer(heat, units=body.units)


@router.post("/test/adjust", responses=gives(CommandAccepted), openapi_extra=takes(SetPointRequest))
async def adjust(request: Request) -> Response:
    """Change the set point of the running test."""
    context, caller = operator_of(request)
    body = await read(request, SetPointRequest)
    await context.command(
        caller,
        Adjust(0, caller.holder, body.set_point, body.quantity),
        detail={"set_point": body.set_point},
    )
    return accepted(caller)
