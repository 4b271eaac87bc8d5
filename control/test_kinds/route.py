"""Routes: distance with elevation or grade, from CSV or GPX text, checked before use.

Data flow: text of a file -> points -> grade by distance (m, %) -> Grade of a plan. Pure: the text
is read elsewhere. Grade is rise over run in per cent; road distance is along the slope, so grade
from elevation is tan(asin(dh/ds)) for CSV, dh/dx for GPX (whose distances are horizontal).
"""

from __future__ import annotations

import csv
import io
import itertools
import math
import re
from collections.abc import Sequence
from xml.etree import ElementTree

import msgspec
import numpy as np

from control.test_kinds.road_load import STEEPEST_PERCENT
from daq.errors import Refused
from daq.quantities import FOOT, MILE
from daq.texts.message import Text, say

EARTH_M = 6_371_008.8  # mean radius, IUGG
GAP_M = 2000.0  # longer without a point is a gap
GAP_TIMES = 50.0  # and so many times the usual spacing
SMOOTH_GPX_M = 200.0  # satellite heights are noisy: a straight line over this length
LONGEST_M = 20_000_000.0  # half way round the earth
HIGHEST_M = 12_000.0  # no ground is higher, nor as deep
MOST_POINTS = 40_000
MOST_BYTES = 20_000_000

_DISTANCE = {"distance_m": 1.0, "distance_km": 1000.0, "distance_mi": MILE, "distance_ft": FOOT}
_ELEVATION = {"elevation_m": 1.0, "elevation_ft": FOOT}
_GRADE = {"grade_percent": 1.0, "grade": 100.0}


class Route(msgspec.Struct, frozen=True):
    """Grade by distance, linear between; first point at 0 m."""

    points: tuple[tuple[float, float], ...]  # (m, %)

    @property
    def length_m(self) -> float:
        return self.points[-1][0]


def _refuse(problem: Text, remedy: Text) -> Refused:
    return Refused(problem, remedy, "route")


def parse_route(text: str, source: str = "route") -> Route:
    """Route from the text of a CSV or GPX file. Raises Refused (code "route") with the place."""
    if len(text) > MOST_BYTES:
        raise _refuse(say("route-too-large", source=source), say("thin-it-out"))
    if text.lstrip("\ufeff \t\r\n").startswith("<"):
        return _gpx(text, source)
    return _csv(text, source)


def _csv(text: str, source: str) -> Route:
    try:
        rows = list(csv.reader(io.StringIO(text.lstrip("\ufeff"))))
    except csv.Error as error:
        raise _refuse(
            say("route-not-csv", source=source, error=error), say("export-it-again")
        ) from None
    names = [name.strip().lower() for name in rows[0]] if rows else []
    distance = next((name for name in _DISTANCE if name in names), None)
    elevation = next((name for name in _ELEVATION if name in names), None)
    grade = next((name for name in _GRADE if name in names), None)
    if distance is None or (elevation is None) == (grade is None):
        raise _refuse(
            say("route-names-missing", source=source),
            say("name-distance-and-grade", distances=_DISTANCE, grades=(*_ELEVATION, *_GRADE)),
        )
    second = elevation or grade or ""
    scale = {**_ELEVATION, **_GRADE}[second]
    places = names.index(distance), names.index(second)
    points: list[tuple[float, float]] = []
    for number, row in enumerate(rows[1:], start=2):
        if not any(cell.strip() for cell in row):
            continue
        try:
            x, y = (float(row[place]) for place in places)
            x, y = x * _DISTANCE[distance], y * scale
        except (ValueError, IndexError):
            raise _refuse(
                say("route-line-not-numbers", source=source, number=number),
                say("fill-or-remove-that-line"),
            ) from None
        if not (math.isfinite(x) and math.isfinite(y)):
            raise _refuse(
                say("route-line-not-finite", source=source, number=number),
                say("fill-or-remove-that-line"),
            )
        points.append((x, y))
    _check_course(points, source)
    if grade is not None:
        start = points[0][0]
        return _checked([(x - start, y) for x, y in points], source)
    return _checked(_grades(points, source, along_slope=True), source)


def _gpx(text: str, source: str) -> Route:
    if re.search(r"<!\s*(DOCTYPE|ENTITY)", text, re.IGNORECASE):
        raise _refuse(say("route-has-entities", source=source), say("remove-them"))
    try:
        root = ElementTree.fromstring(text)
    except ElementTree.ParseError as error:
        raise _refuse(
            say("route-not-xml", source=source, error=error), say("export-it-again")
        ) from None
    kinds = ("trkpt", "rtept")
    nodes: list[ElementTree.Element] = []
    for kind in kinds:
        nodes = [node for node in root.iter() if node.tag.rpartition("}")[2] == kind]
        if nodes:
            break
    if len(nodes) < 2:
        raise _refuse(
            say("route-without-track", source=source), say("export-gpx-file-with-track-points")
        )
    points: list[tuple[float, float]] = []
    place: tuple[float, float] | None = None
    x = 0.0
    for number, node in enumerate(nodes, start=1):
        height = next((each for each in node if each.tag.rpartition("}")[2] == "ele"), None)
        try:
            latitude, longitude = float(node.get("lat", "")), float(node.get("lon", ""))
            z = float((height.text or "") if height is not None else "")
        except ValueError:
            raise _refuse(
                say("route-point-incomplete", source=source, number=number),
                say("use-track-with-heights"),
            ) from None
        if not (abs(latitude) <= 90.0 and abs(longitude) <= 180.0 and abs(z) <= HIGHEST_M):
            raise _refuse(
                say("route-point-beyond-earth", source=source, number=number),
                say("export-it-again"),
            )
        if place is not None:
            step = haversine_m(*place, latitude, longitude)
            if step < 0.5:  # standing
                continue
            x += step
        place = (latitude, longitude)
        points.append((x, z))
    _check_course(points, source)
    return _checked(_grades(_smooth(points, SMOOTH_GPX_M), source, along_slope=False), source)


def haversine_m(lat1: float, lon1: float, lat2: float, lon2: float) -> float:
    """Distance on the mean sphere between two places given in degrees, m."""
    a, b = math.radians(lat1), math.radians(lat2)
    half = math.sin((b - a) / 2.0) ** 2
    half += math.cos(a) * math.cos(b) * math.sin(math.radians(lon2 - lon1) / 2.0) ** 2
    return 2.0 * EARTH_M * math.asin(min(1.0, math.sqrt(half)))


def _check_course(points: Sequence[tuple[float, float]], source: str) -> None:
    if len(points) < 2:
        raise _refuse(say("route-too-few-points", source=source), say("give-whole-route"))
    _check_count(points, source)
    if points[-1][0] - points[0][0] > LONGEST_M:
        raise _refuse(say("route-too-long", source=source), say("check-unit-of-distance"))
    steps = [b[0] - a[0] for a, b in itertools.pairwise(points)]
    usual = sorted(steps)[len(steps) // 2]
    for number, step in enumerate(steps, start=2):
        if step <= 0.0:
            raise _refuse(
                say("route-distance-falls", source=source, number=number),
                say("sort-points-no-doubles"),
            )
        if step > GAP_M and step > GAP_TIMES * usual:
            raise _refuse(
                say("route-gap", source=source, gap_km=step / 1000.0, number=number),
                say("fill-gap-or-cut-route-there"),
            )


def _grades(
    points: Sequence[tuple[float, float]], source: str, along_slope: bool
) -> list[tuple[float, float]]:
    """Grade of each stretch, set in its middle; ends as their neighbours."""
    start = points[0][0]
    found: list[tuple[float, float]] = []
    for (x1, z1), (x2, z2) in itertools.pairwise(points):
        run = x2 - x1
        rise = z2 - z1
        if along_slope:
            if abs(rise) >= run:
                raise _refuse(
                    say("route-too-steep", source=source, rise_m=rise, run_m=run, at_m=x1),
                    say("check-units-of-distance-and-elevation"),
                )
            run = math.sqrt(run * run - rise * rise)
        found.append((0.5 * (x1 + x2) - start, 100.0 * rise / run))
    end = points[-1][0] - start
    return [(0.0, found[0][1]), *found, (end, found[-1][1])]


def _smooth(points: Sequence[tuple[float, float]], length_m: float) -> list[tuple[float, float]]:
    """Heights on straight lines through their neighbours within half `length_m` either side."""
    course = np.array(points)
    xs, zs = course[:, 0], course[:, 1]
    firsts = np.searchsorted(xs, xs - 0.5 * length_m, side="left")
    lasts = np.searchsorted(xs, xs + 0.5 * length_m, side="right")
    smoothed: list[tuple[float, float]] = []
    for x, first, last in zip(xs.tolist(), firsts.tolist(), lasts.tolist(), strict=True):
        mean_x, mean_z = xs[first:last].mean(), zs[first:last].mean()
        off = xs[first:last] - mean_x
        spread = float(off @ off)
        slope = float(off @ zs[first:last]) / spread if spread else 0.0
        smoothed.append((x, float(mean_z + slope * (x - mean_x))))
    return smoothed


def _checked(points: list[tuple[float, float]], source: str) -> Route:
    for x, grade in points:
        if not abs(grade) <= STEEPEST_PERCENT:
            raise _refuse(
                say("route-grade-impossible", source=source, grade_percent=grade, at_m=x),
                say("roads-stay-within-check-units-and", steepest_percent=STEEPEST_PERCENT),
            )
    _check_count(points, source)
    return Route(tuple(points))


def _check_count(points: Sequence[tuple[float, float]], source: str) -> None:
    if len(points) > MOST_POINTS:
        raise _refuse(
            say("route-too-many-points", source=source, most=MOST_POINTS), say("thin-it-out")
        )
