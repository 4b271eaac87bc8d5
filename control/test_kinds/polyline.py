"""Fewer points of a profile, with how far the lines between them then are off.

A plan travels as one message of bounded size; a recorded track may have 40,000 points.
"""

from __future__ import annotations

from collections.abc import Sequence
from heapq import heappop, heappush

import numpy as np
import numpy.typing as npt

Points = Sequence[tuple[float, float]]
Course = npt.NDArray[np.float64]  # one row per point


def simplify_polyline(points: Points, most: int) -> tuple[list[tuple[float, float]], float]:
    """At most `most` (two or more) of the points, and the largest departure in y of those left out.

    Always the point that is farthest from the lines drawn so far comes next. x must rise.
    """
    last = len(points) - 1
    if last < 1 or len(points) <= most:
        return list(points), 0.0
    course = np.array(points)
    kept = {0, last}
    waiting: list[tuple[float, int, int, int]] = []
    _look(course, 0, last, waiting)
    while waiting and len(kept) < most:
        _, first, place, end = heappop(waiting)
        kept.add(place)
        _look(course, first, place, waiting)
        _look(course, place, end, waiting)
    worst = -waiting[0][0] if waiting else 0.0
    return [points[place] for place in sorted(kept)], worst


def _look(course: Course, first: int, end: int, waiting: list[tuple[float, int, int, int]]) -> None:
    """Put the point between two kept ones that is farthest from their line into the queue."""
    if end - first < 2:
        return
    (x0, y0), (x1, y1) = course[first], course[end]
    between = course[first + 1 : end]
    off = np.abs(between[:, 1] - y0 - (y1 - y0) / (x1 - x0) * (between[:, 0] - x0))
    place = int(off.argmax())
    if off[place] > 0.0:
        heappush(waiting, (-float(off[place]), first, first + 1 + place, end))
