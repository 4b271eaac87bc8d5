"""A drawing as a few plain shapes in points (1/72 inch), y downwards: no library behind it.

Data flow: api.report.chart makes a Drawing; api.report.svg and api.report.pdf put the same shapes
on a page. Everything must read in black and white: meaning is never carried by colour alone.
"""

from __future__ import annotations

import msgspec

INK = "#14232b"
SOFT = "#465962"
LINE = "#c3cfd1"
ACCENT = "#17627c"
BAND = "#d7e5e8"
SHADE = "#eceff0"
PAPER = "#ffffff"

Point = tuple[float, float]


class Polyline(msgspec.Struct, frozen=True, tag=True):
    points: tuple[Point, ...]
    width: float = 1.0
    colour: str = INK
    dash: tuple[float, float] | None = None


class Area(msgspec.Struct, frozen=True, tag=True):
    points: tuple[Point, ...]
    fill: str = BAND


class Dot(msgspec.Struct, frozen=True, tag=True):
    at: Point
    radius: float = 2.2
    fill: str = INK


class Text(msgspec.Struct, frozen=True, tag=True):
    at: Point  # of the baseline
    text: str
    size: float = 8.0
    bold: bool = False
    colour: str = SOFT
    anchor: str = "start"  # start | middle | end


Shape = Polyline | Area | Dot | Text


class Drawing(msgspec.Struct, frozen=True):
    width: float
    height: float
    shapes: tuple[Shape, ...]
    describes: str = ""  # for people who do not see it
