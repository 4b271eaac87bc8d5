"""A route file from the page: read, checked, thinned to what a plan can carry, and not kept.

Data flow: body (CSV or GPX, bounded) -> RouteJob in a worker process -> points for
`grade.by_distance` of a climb's or a trace's plan, with what to show before the start.
"""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from api.http.answers.bodies import WORD_OF_ONE_LINE, bounded, expect_file, gives, takes_file
from api.http.context import context_of
from api.http.entry.tokens import Role
from api.services.route_files import RoadRead, RouteJob

MOST_BYTES = 4 << 20

router = APIRouter(prefix="/api", tags=["tests"])


@router.post(
    "/route",
    responses=gives(RoadRead),
    openapi_extra=takes_file(),
)
async def route(
    request: Request, name: Annotated[str, Query(max_length=120, pattern=WORD_OF_ONE_LINE)] = ""
) -> Response:
    """Send a route file as the body: CSV with distance and elevation or grade, or GPX."""
    context = context_of(request)
    context.caller(request, Role.OPERATE)
    expect_file(request, "a file", "route file")
    raw = await bounded(request, MOST_BYTES)
    told = await context.have_done(RouteJob(raw, name or "route"))
    return Response(told, media_type="application/json")
