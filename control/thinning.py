"""Fewer points of a profile, with how far the lines between them then are off.

A plan travels as one message of bounded size; a recorded track may have 40,000 points.
"""

from __future__ import annotations

from collections.abc import Sequence
from heapq import heappop, heappush

Points = Sequence[tuple[float, float]]


def thinned(points: Points, most: int) -> tuple[list[tuple[float, float]], float]:
    """At most `most` (two or more) of the points, and the largest departure in y of those left out.

    Always the point that is farthest from the lines drawn so far comes next. x must rise.
    """
    last = len(points) - 1
    if last < 1 or len(points) <= most:
        return list(points), 0.0
    kept = {0, last}
    waiting: list[tuple[float, int, int, int]] = []
    _look(points, 0, last, waiting)
    while waiting and len(kept) < most:
        _, first, place, end = heappop(waiting)
        kept.add(place)
        _look(points, first, place, waiting)
        _look(points, place, end, waiting)
    worst = -waiting[0][0] if waiting else 0.0
    return [points[place] for place in sorted(kept)], worst


def _look(points: Points, first: int, end: int, waiting: list[tuple[float, int, int, int]]) -> None:
    """Put the point between two kept ones that is farthest from their line into the queue."""
    (x0, y0), (x1, y1) = points[first], points[end]
    slope = (y1 - y0) / (x1 - x0)
    worst, place = 0.0, -1
    for number in range(first + 1, end):
        x, y = points[number]
        off = abs(y - y0 - slope * (x - x0))
        if off > worst:
            worst, place = off, number
    if place > 0:
        heappush(waiting, (-worst, first, place, end))
