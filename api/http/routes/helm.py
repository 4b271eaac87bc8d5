"""The helm and easing off: what the person at the rolls must always reach.

Served by the service and, on a listener and in a process of their own, by the helm process. Each
command is answered and entered in the audit log.
"""

from __future__ import annotations

from typing import Annotated

import msgspec
from fastapi import APIRouter, Request
from msgspec import Meta
from starlette.responses import Response

from api.http.answers.bodies import ONE_LINE, Nothing, answer, gives, read, takes
from api.http.command_context import command_context_of, operator_of
from api.http.entry.access import Caller
from api.http.entry.tokens import Role
from control.core.commands import AskHelm, EaseOff, KeepHelm, OfferHelm, ReleaseHelm, TakeHelm

router = APIRouter(prefix="/api", tags=["commands"])

Shown = Annotated[str, Meta(min_length=1, max_length=40, pattern=ONE_LINE)]


class Name(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    name: Shown | None = None  # shown to everyone; the token's name when left out


class Offer(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    to: Annotated[str, Meta(max_length=120, pattern=ONE_LINE)] = (
        ""  # the id that asked, `helm.asked_id`
    )


class CommandAccepted(msgspec.Struct, frozen=True):
    accepted: bool = True
    holder: str = ""  # who this service says you are, for comparison with helm.holder


@router.post("/helm/take", responses=gives(CommandAccepted), openapi_extra=takes(Name))
async def take(request: Request) -> Response:
    """Take the helm when it is free; keep it alive with /helm/keep."""
    context, caller = operator_of(request)
    body = await read(request, Name)
    name = body.name or caller.name
    await context.command(caller, TakeHelm(0, caller.holder, name), detail={"name": name})
    return accepted(caller)


@router.post("/helm/keep", responses=gives(CommandAccepted), openapi_extra=takes(Nothing))
async def keep(request: Request) -> Response:
    """Heartbeat of whoever is at the helm; without it the load eases off."""
    context, caller = operator_of(request)
    await read(request, Nothing)
    await context.command(caller, KeepHelm(0, caller.holder), quiet=True)
    return accepted(caller)


@router.post("/helm/release", responses=gives(CommandAccepted), openapi_extra=takes(Nothing))
async def release(request: Request) -> Response:
    """Give the helm back."""
    context, caller = operator_of(request)
    await read(request, Nothing)
    await context.command(caller, ReleaseHelm(0, caller.holder))
    return accepted(caller)


@router.post("/helm/ask", responses=gives(CommandAccepted), openapi_extra=takes(Name))
async def ask(request: Request) -> Response:
    """Ask whoever is at the helm to hand it over."""
    context, caller = operator_of(request)
    body = await read(request, Name)
    name = body.name or caller.name
    await context.command(caller, AskHelm(0, caller.holder, name), detail={"name": name})
    return accepted(caller)


@router.post("/helm/offer", responses=gives(CommandAccepted), openapi_extra=takes(Offer))
async def offer(request: Request) -> Response:
    """Hand the helm over to whoever asked."""
    context, caller = operator_of(request)
    body = await read(request, Offer)
    latest = context.loop.latest
    to = body.to or (latest.helm.asked_id if latest is not None else "")
    await context.command(caller, OfferHelm(0, caller.holder, to), detail={"to": to})
    return accepted(caller)


@router.post("/ease-off", responses=gives(CommandAccepted))
async def ease_off(request: Request) -> Response:
    """Take the load off in order. Anybody who may watch may do this; the body is not read."""
    context = command_context_of(request)
    caller = context.caller(request, Role.WATCH)
    await context.command(caller, EaseOff(0, caller.holder, caller.name))
    return accepted(caller)


def accepted(caller: Caller) -> Response:
    """The answer to a command that was accepted."""
    return answer(CommandAccepted(holder=caller.holder))
