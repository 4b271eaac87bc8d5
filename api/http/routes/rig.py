"""What the rig is and how it is: description, state, events, health, live line, metrics."""

from __future__ import annotations

import asyncio
from typing import Annotated, Any

import msgspec
from fastapi import APIRouter, Query, Request, WebSocket
from starlette.responses import Response

from api.http.bodies import add_properties, answer, gives
from api.http.context import Context, context_of
from api.http.guard import refuse
from api.http.health import ServiceHealth
from api.http.live import MAX_HZ, MAX_VIEWERS
from api.http.metrics import MEDIA_TYPE as METRICS_TYPE
from api.http.metrics import exposition
from api.http.problems import Problem
from api.http.tokens import Role
from api.services.telemetry_json import STALE_S, encode
from api.version import VERSION
from control.telemetry import Event, Telemetry
from daq.rig.description import Rig

router = APIRouter(prefix="/api", tags=["rig"])


class Recent(msgspec.Struct, frozen=True):
    events: list[Event]
    missed: int  # events that this service lost because it did not keep up


@router.get("/rig", responses=gives(Rig))
async def rig(request: Request) -> Response:
    """The rig as its file describes it, SI units."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    return answer(context.rig)


_STATE = gives(Telemetry)
_AGE = {"type": ["number", "null"], "minimum": 0}
add_properties("Reading", {"age_s": _AGE})
add_properties(
    "Telemetry", {"age_s": _AGE, "loop_up": {"type": "boolean"}, "stale": {"type": "boolean"}}
)


@router.get("/state", responses=_STATE)
async def state(request: Request) -> Response:
    """The newest telemetry, each reading with its age. 503 before the first."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    loop = context.loop
    if loop.latest is None:
        raise Problem(
            503,
            "no-telemetry",
            "Nothing was heard from the loop process yet.",
            "Wait a moment; if it lasts, see whether drumlin serve reports an error.",
            {"Retry-After": "1"},
        )
    return Response(encode(loop.latest, loop.age_s, loop.connected), media_type="application/json")


@router.get("/events", responses=gives(Recent))
async def events(request: Request) -> Response:
    """The newest events since the service started, oldest first, at most 500."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    return answer(Recent(list(context.hub.recent), context.hub.events_missed))


@router.get("/health", responses=gives(ServiceHealth))
async def health(request: Request) -> Response:
    """Loop, catalogue, disk and broker at a glance; 200 even when not ok."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    return answer(await look(context))


@router.get(
    "/metrics",
    responses={200: {"description": "As asked.", "content": {"text/plain": {}}}},
)
async def metrics(request: Request) -> Response:
    """Prometheus text exposition."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    return Response(exposition(context, await look(context)), media_type=METRICS_TYPE)


@router.websocket("/live")
async def live(
    socket: WebSocket,
    hz: Annotated[float, Query(gt=0, le=MAX_HZ, allow_inf_nan=False)] = 25.0,
    events: bool = False,
) -> None:
    """The telemetry of /api/state at up to 50 Hz; with events=true also {"event": ...}."""
    context = context_of(socket)
    try:
        caller = context.caller(socket, Role.WATCH)
        if context.hub.viewers >= MAX_VIEWERS:
            raise Problem(
                503, "viewers", f"{MAX_VIEWERS} viewers are connected.", "Close some of them."
            )
    except Problem as problem:
        await refuse(socket.scope, socket.receive, _sender(socket), problem)
        return
    await socket.accept()
    await context.hub.serve(socket, hz, events, lambda: context.access.still_valid(caller))


async def look(context: Context) -> ServiceHealth:
    """The health of everything."""
    loop = context.loop
    free_mb = await asyncio.to_thread(context.free_mb)
    disk_ok = free_mb >= context.settings.store.min_free_mb
    loop_up = loop.connected and loop.age_s <= STALE_S
    catalogue_ok = context.keeper.healthy
    return ServiceHealth(
        ok=loop_up and catalogue_ok and disk_ok and context.audit.failures == 0,
        version=VERSION,
        loop_up=loop_up,
        telemetry_age_s=loop.age_s,
        catalogue_ok=catalogue_ok,
        runs_to_close=context.keeper.waiting,
        free_mb=free_mb,
        disk_ok=disk_ok,
        audit_failures=context.audit.failures,
        viewers=context.hub.viewers,
        mqtt=context.mqtt.counters if context.mqtt is not None else None,
    )


def _sender(socket: WebSocket) -> Any:
    # Past Starlette's state machine, which would insist on its own kind of refusal.
    return socket._send
