"""Identification over HTTP: maps and lags found, the tune-up's advice, and accepting it.

Data flow: api.services.absorber_status -> JSON; a person of the role maintain who is at the helm ->
commands, each answered and entered in the audit log.
"""

from __future__ import annotations

import asyncio
from typing import Annotated

import msgspec
from fastapi import APIRouter, Request
from msgspec import Meta
from starlette.responses import Response

from api.http.answers.bodies import ONE_LINE, Nothing, answer, gives, read, takes
from api.http.context import context_of
from api.http.entry.tokens import Role
from api.http.routes.helm import CommandAccepted
from api.services.absorber_status import AbsorberStatus, identification
from control.core.commands import AcceptTuneUp, DropIdentified, DropTuneUp

router = APIRouter(prefix="/api/identification", tags=["identification"])

Name = Annotated[str, Meta(min_length=1, max_length=80, pattern=ONE_LINE)]


class OfRun(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    run_id: Name  # whose advice was read and is accepted; another one is refused


class Which(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    absorbers: Annotated[tuple[Name, ...], Meta(max_length=40)] = ()  # empty: all


@router.get("", responses=gives(AbsorberStatus))
async def stored(request: Request) -> Response:
    """Per absorber: date, residuals, map and lags found; the tune-up and what is in force."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    return answer(await asyncio.to_thread(identification, context.rig, context.settings.data))


@router.post("/tune-up/accept", responses=gives(CommandAccepted), openapi_extra=takes(OfRun))
async def accept(request: Request) -> Response:
    """Put the newest tune-up's advice in force; parked, at the helm."""
    context = context_of(request)
    caller = context.caller(request, Role.MAINTAIN)
    body = await read(request, OfRun)
    await context.command(
        caller, AcceptTuneUp(0, caller.holder, body.run_id), detail={"run_id": body.run_id}
    )
    return answer(CommandAccepted(holder=caller.holder))


@router.post("/tune-up/drop", responses=gives(CommandAccepted), openapi_extra=takes(Nothing))
async def drop_tune_up(request: Request) -> Response:
    """Back to the usual tuning; parked, at the helm."""
    context = context_of(request)
    caller = context.caller(request, Role.MAINTAIN)
    await read(request, Nothing)
    await context.command(caller, DropTuneUp(0, caller.holder))
    return answer(CommandAccepted(holder=caller.holder))


@router.post("/drop", responses=gives(CommandAccepted), openapi_extra=takes(Which))
async def drop(request: Request) -> Response:
    """Back to the rig file's map and lags, for the absorbers named or all; parked, at the helm."""
    context = context_of(request)
    caller = context.caller(request, Role.MAINTAIN)
    body = await read(request, Which)
    await context.command(
        caller,
        DropIdentified(0, caller.holder, body.absorbers),
        detail={"absorbers": ", ".join(body.absorbers)},
    )
    return answer(CommandAccepted(holder=caller.holder))
