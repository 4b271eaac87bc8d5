"""A route file from the page: read, checked, thinned to what a plan can carry, and not kept.

Data flow: body (CSV or GPX, bounded) -> control.test_kinds.route -> control.test_kinds.polyline ->
points for `grade.by_distance` of a climb's or a trace's plan, with what to show before the start.
"""

from __future__ import annotations

import asyncio
import itertools
from typing import Annotated

import msgspec
from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from api.http.bodies import answer, bounded, expect_file, expect_line, gives, takes_file
from api.http.context import context_of
from api.http.problems import Problem
from api.http.tokens import Role
from control.test_kinds.polyline import simplify_polyline
from control.test_kinds.route import parse_route

MOST_BYTES = 4 << 20
MOST_POINTS = 1500  # of a plan that is to fit into one command

router = APIRouter(prefix="/api", tags=["tests"])
_one_at_a_time = asyncio.Lock()


class RoadRead(msgspec.Struct, frozen=True):
    """A route as a plan takes it, and what people want to know of it."""

    points: tuple[tuple[float, float], ...]  # (m, %), linear between
    length_m: float
    rise_m: float  # all that goes up
    fall_m: float  # all that goes down
    steepest_percent: float  # up
    steepest_down_percent: float  # down, as a positive number
    read: int  # points of the file
    off_percent: float  # most grade that thinning left out; 0 when nothing was


@router.post(
    "/route",
    responses=gives(RoadRead),
    openapi_extra=takes_file(),
)
async def route(request: Request, name: Annotated[str, Query(max_length=120)] = "") -> Response:
    """Send a route file as the body: CSV with distance and elevation or grade, or GPX."""
    context_of(request).caller(request, Role.OPERATE)
    expect_line(name, "name")
    expect_file(request, "a file", "route file")
    raw = await bounded(request, MOST_BYTES)
    async with _one_at_a_time:
        return answer(await asyncio.to_thread(road_read, raw, name or "route"))


def road_read(raw: bytes, name: str) -> RoadRead:
    """Raises Refused with the place in the file that cannot be a road, or Problem."""
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise Problem(
            422, "route", "The route file is not text in UTF-8.", "Export it again as CSV or GPX."
        ) from None
    found = parse_route(text, name)
    fewer, off = simplify_polyline(found.points, MOST_POINTS)
    points: list[tuple[float, float]] = []
    for x, grade in fewer:
        point = (round(x, 1), round(grade, 2))
        if not points or point[0] > points[-1][0]:
            points.append(point)
    if len(points) < 2:
        raise Problem(422, "route", "The route has no length.", "Give the whole route.")
    rise = fall = 0.0
    for (x0, g0), (x1, g1) in itertools.pairwise(found.points):
        climb = (x1 - x0) * (g0 + g1) / 200.0
        rise += max(climb, 0.0)
        fall -= min(climb, 0.0)
    grades = [grade for _, grade in found.points]
    return RoadRead(
        tuple(points), points[-1][0], rise, fall, max(0.0, *grades), max(0.0, -min(grades)),
        len(found.points), off,
    )  # fmt: skip
