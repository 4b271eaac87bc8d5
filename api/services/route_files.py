"""A route file as a plan takes it: read, checked and thinned, in a bounded process.

Data flow: bytes (CSV or GPX) -> RouteJob -> control.test_kinds.route -> control.test_kinds.polyline
-> RoadRead. Four megabytes take seconds of Python: in the service everybody else would wait.
"""

from __future__ import annotations

import itertools

import msgspec

from api.jobs.job import Job
from daq.errors import Refused
from daq.texts.message import say

MOST_POINTS = 1500  # of a plan that is to fit into one command


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


class RouteJob(Job, frozen=True):
    """Read a route file that somebody sent."""

    raw: bytes
    name: str

    def run(self) -> bytes:
        return msgspec.json.encode(road_read(self.raw, self.name))


def road_read(raw: bytes, name: str) -> RoadRead:
    """Raises Refused with the place in the file that cannot be a road."""
    from control.test_kinds.polyline import simplify_polyline  # noqa: PLC0415
    from control.test_kinds.route import parse_route  # noqa: PLC0415

    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise Refused(
            say("route-file-not-text-in-utf"), say("export-again-as-csv-or-gpx"), "route"
        ) from None
    found = parse_route(text, name)
    fewer, off = simplify_polyline(found.points, MOST_POINTS)
    points: list[tuple[float, float]] = []
    for x, grade in fewer:
        point = (round(x, 1), round(grade, 2))
        if not points or point[0] > points[-1][0]:
            points.append(point)
    if len(points) < 2:
        raise Refused(say("route-has-no-length"), say("give-whole-route"), "route")
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
