"""What the rig is and how it is: description, state, events, health, live line, metrics."""

from __future__ import annotations

import asyncio
import math

import msgspec
from fastapi import APIRouter, Request
from starlette.responses import Response

from api.http.answers.bodies import answer, gives
from api.http.answers.fixed import Fixed
from api.http.context import Context, context_of
from api.http.entry.tokens import Role
from api.http.health import ServiceHealth
from api.http.metrics import MEDIA_TYPE as METRICS_TYPE
from api.http.metrics import exposition
from api.runtime.protection import protection
from api.services.telemetry_json import STALE_S
from api.version import VERSION
from control.telemetry import Event
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
    return _rig(context).answer(request)


def _rig(context: Context) -> Fixed:
    if context.described is None:
        context.described = Fixed(msgspec.json.encode(context.rig))
    return context.described


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


async def look(context: Context) -> ServiceHealth:
    """The health of everything."""
    loop = context.loop
    try:
        free_mb = await asyncio.to_thread(context.disk.free_mb)
    except OSError:  # the data directory is gone
        free_mb = math.nan
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
        loop_protection=protection(loop.hello.pid) if loop.hello is not None else None,
        mqtt=context.mqtt.counters if context.mqtt is not None else None,
    )
