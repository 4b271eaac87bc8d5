"""The state of the rig, asked for once or as a live line.

Served by the service and by the helm process, like the helm itself (api.http.routes.helm).
"""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, WebSocket
from starlette.responses import Response

from api.http.answers.bodies import add_properties, gives
from api.http.answers.problems import Problem
from api.http.command_context import command_context_of
from api.http.entry.guard import refuse
from api.http.entry.tokens import Role
from api.http.live import MAX_HZ
from api.services.telemetry_json import encode
from control.telemetry import Telemetry
from daq.texts.message import say

router = APIRouter(prefix="/api", tags=["rig"])


_STATE = gives(Telemetry)
_AGE = {"type": ["number", "null"], "minimum": 0}
add_properties("Reading", {"age_s": _AGE})
add_properties(
    "Telemetry",
    {
        "age_s": _AGE,
        "loop_up": {"type": "boolean"},
        "stale": {"type": "boolean"},
        "sent_s": {"type": "number"},
    },
)


@router.get("/state", responses=_STATE)
async def state(request: Request) -> Response:
    """The newest telemetry, each reading with its age. 503 before the first."""
    context = command_context_of(request)
    context.caller(request, Role.WATCH)
    loop = context.loop
    if loop.latest is None:
        raise Problem(
            503,
            "no-telemetry",
            say("nothing-was-heard-from-loop-process"),
            say("wait-moment-if-lasts-see-whether"),
            {"Retry-After": "1"},
        )
    return Response(encode(loop.latest, loop.age_s, loop.connected), media_type="application/json")


@router.websocket("/live")
async def live(
    socket: WebSocket,
    hz: Annotated[float, Query(gt=0, le=MAX_HZ, allow_inf_nan=False)] = 25.0,
    events: bool = False,
) -> None:
    """The telemetry of /api/state at up to 50 Hz; with events=true also {"event": ...}."""
    context = command_context_of(socket)
    try:
        caller = context.caller(socket, Role.WATCH)
        viewer = context.hub.viewer(caller, hz, events)
    except Problem as problem:
        await refuse(socket.scope, socket.receive, _sender(socket), problem)
        return
    try:
        await socket.accept()
        await context.hub.serve(socket, viewer, lambda: context.access.still_valid(caller))
    finally:
        context.hub.leave(viewer)


def _sender(socket: WebSocket) -> Any:
    # Past Starlette's state machine, which would insist on its own kind of refusal.
    return socket._send
