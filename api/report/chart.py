"""Charts of a result: quiet axes, the curve with its band, the peak named where it stands.

Data flow: curves and peaks of a Result -> panels (what belongs together) -> Drawing. The band is a
light area with fine edges, a second line is dashed, points carry bars: all of it reads in grey.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec

from api.report import words
from api.report.drawing import (
    ACCENT,
    BAND,
    INK,
    LINE,
    PAPER,
    SHADE,
    SOFT,
    Area,
    Dot,
    Drawing,
    Point,
    Polyline,
    Shape,
    Text,
)
from daq.quantities import shown_value
from daq.results.result import CurveOut, Flag, PeakOut, Result
from daq.texts.message import say
from daq.texts.reader import USUAL, Reader

LEFT, RIGHT, TOP, BOTTOM = 40.0, 15.0, 24.0, 26.0
MOST_PANELS = 2
CHANNEL_HEIGHT = 96.0
LETTER = 4.2  # width of a letter of 8 points, about: drawings know no typeface
HELD_SPAN = 0.02  # a hold is drawn within two per cent, or more when it moved by more
GAPS = 5  # about so many steps between ticks
_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)


class Panel(msgspec.Struct, frozen=True):
    """One chart: curves that share both axes, the first in front."""

    curves: tuple[CurveOut, ...]
    peaks: tuple[PeakOut, ...] = ()
    flags: tuple[Flag, ...] = ()
    level: float | None = None  # a value to look at the curves against, drawn across
    names: tuple[str, ...] = ()  # of the curves, when their own do not tell them apart
    span: float | None = None  # least reach of the axis either side, as a share of the middle
    whole: bool = False  # only whole numbers stand on the axis below


class _Frame(msgspec.Struct, frozen=True):
    """Where values of a panel lie on the drawing, in the units of the reader."""

    x: tuple[float, float]
    y: tuple[float, float]
    width: float
    bottom: float
    reader: Reader

    def place(self, x: float, y: float) -> Point:
        """Point of a value that is already in the units shown."""
        wide, tall = self.x[1] - self.x[0] or 1.0, self.y[1] - self.y[0] or 1.0
        return (
            LEFT + (x - self.x[0]) / wide * (self.width - LEFT - RIGHT),
            self.bottom - (y - self.y[0]) / tall * (self.bottom - TOP),
        )

    def of(self, one: CurveOut | PeakOut, x: float, y: float) -> Point:
        """Point of a value in SI."""
        return self.place(shown_value(x, one.x_unit, self.reader.units), _seen(one, y, self.reader))


def panels_of(result: Result) -> list[Panel]:
    """What to draw of a result, the most telling first."""
    curves = {one.name: one for one in result.curves}
    if result.kind == "speed-trace" and "asked" in curves and "driven" in curves:
        driven, asked = curves["driven"], curves["asked"]
        return [Panel((driven, asked), flags=_outside(driven, asked))]
    if result.kind == "steady-hold":
        answer_first = sorted(result.curves, key=lambda one: one.unit != "W")
        return [Panel((_held(result, one),), span=HELD_SPAN) for one in answer_first][:MOST_PANELS]
    found: list[Panel] = []
    for base in dict.fromkeys(name.removesuffix("_corrected") for name in curves):
        group = [curves[name] for name in (f"{base}_corrected", base) if name in curves]
        names = {group[0].name}
        peaks = tuple(one for one in result.peaks if one.curve in names)
        timed = group[0].x_name == "time"
        found.append(Panel(tuple(group), peaks, _timed(result) if timed else ()))
    return found[:MOST_PANELS]


def _outside(driven: CurveOut, asked: CurveOut) -> tuple[Flag, ...]:
    """Where the driven speed left the band, on the axis of the curves: that of the trace."""
    found: list[Flag] = []
    since: float | None = None
    for x, value, low, high in zip(driven.x, driven.value, asked.low, asked.high, strict=False):
        out = None not in (value, low, high) and not low <= value <= high  # type: ignore[operator]
        if out and since is None:
            since = x
        elif not out and since is not None:
            found.append(Flag("out-of-band", "", since, x))
            since = None
    if since is not None:
        found.append(Flag("out-of-band", "", since, driven.x[-1]))
    return tuple(found)


def _held(result: Result, one: CurveOut) -> CurveOut:
    """A curve of a hold from where it was evaluated on: the way there would set the scale."""
    settled = result.figure("settled")
    if settled is None or settled.value is None or one.x_name != "time" or not one.x:
        return one
    first = next((at for at, x in enumerate(one.x) if x >= one.x[-1] - settled.value), 0)
    return msgspec.structs.replace(
        one, x=one.x[first:], value=one.value[first:], low=one.low[first:], high=one.high[first:],
        noise_sigma=one.noise_sigma[first:], calibration_sigma=one.calibration_sigma[first:],
    )  # fmt: skip


def sized(panels: Sequence[Panel], width: float, reader: Reader = USUAL) -> list[Drawing]:
    """The panels one above the other: the first taller, the axis named once where it is shared."""
    found = []
    for place, panel in enumerate(panels):
        lead = panel.curves[0]
        following = panels[place + 1].curves[0] if place + 1 < len(panels) else None
        named = following is None or following.x_name != lead.x_name
        height = 196.0 if place == 0 else 150.0
        found.append(draw(panel, width, height, x_title=named, reader=reader))
    return found


def _timed(result: Result) -> tuple[Flag, ...]:
    return tuple(flag for flag in result.flags if flag.from_s is not None and flag.to_s is not None)


def draw(
    panel: Panel,
    width: float,
    height: float,
    *,
    x_title: bool = True,
    reader: Reader = USUAL,
) -> Drawing:
    """A panel as a drawing of this size in points."""
    shapes: list[Shape] = []
    lead = panel.curves[0]
    x_all = [shown_value(x, one.x_unit, reader.units) for one in panel.curves for x in one.x]
    y_all = [
        _seen(one, value, reader)
        for one in panel.curves
        for values in (one.value, one.low, one.high)
        for value in values
        if value is not None
    ]
    if not x_all or not y_all:
        nothing = reader.sentence(words.NOTHING_TO_DRAW)
        return Drawing(width, height, (Text((LEFT, height / 2), nothing, 9.0),), nothing)
    if panel.level is not None:
        y_all.append(_seen(lead, panel.level, reader))
    if panel.span is not None:
        middle = 0.5 * (min(y_all) + max(y_all))
        y_all += [middle * (1.0 - panel.span), middle * (1.0 + panel.span)]
    if min(x_all) == max(x_all):  # one point stands in the middle
        x_all += [0.9 * x_all[0], 1.1 * x_all[0]]
    x_ticks = ticks(min(x_all), max(x_all), GAPS + 2)
    if panel.whole:
        x_ticks = [tick for tick in x_ticks if tick == round(tick)]
    # From zero only where it costs no detail: a band must be seen, and the axis says where it is.
    low_y = 0.0 if 0.0 <= min(y_all) < 0.35 * max(y_all) else min(y_all)
    y_ticks = ticks(low_y, max(y_all), GAPS, outside=True)
    x_low, x_high = min(x_all), max(x_all)
    pad = 0.03 * (x_high - x_low or 1.0) if lead.marks else 0.0
    bottom = height - (BOTTOM if x_title else 16.0)
    frame = _Frame((x_low - pad, x_high + pad), (y_ticks[0], y_ticks[-1]), width, bottom, reader)
    shapes += _shaded(panel, frame)
    for tick in y_ticks:
        _, y = frame.place(frame.x[0], tick)
        first = tick == y_ticks[0]
        shapes.append(
            Polyline(
                ((LEFT, y), (width - RIGHT, y)), 0.8 if first else 0.4, SOFT if first else LINE
            )
        )
        shapes.append(
            Text((LEFT - 5, y + 2.8), reader.local(label(tick, y_ticks)), 8.0, anchor="end")
        )
    for tick in x_ticks:
        if frame.x[0] - 1e-9 <= tick <= frame.x[1] + 1e-9:
            x, _ = frame.place(tick, frame.y[0])
            shapes.append(Polyline(((x, bottom), (x, bottom + 3)), 0.8, SOFT))
            if x_title or lead.x_name:
                told = reader.local(label(tick, x_ticks))
                shapes.append(Text((x, bottom + 12), told, 8.0, anchor="middle"))
    if panel.level is not None:
        _, y = frame.place(frame.x[0], _seen(lead, panel.level, reader))
        shapes.append(Polyline(((LEFT, y), (width - RIGHT, y)), 1.0, INK))
    for number, one in enumerate(reversed(panel.curves)):
        front = number == len(panel.curves) - 1
        shapes += _curve(one, frame, front=front)
    shapes += _peaks(panel, frame)
    shapes.append(Text((0, 9), heading(lead, reader), 8.5, bold=True, colour=INK))
    shapes += _legend(panel, width, reader)
    if x_title:
        title = axis_title(lead.x_name, lead.x_unit, reader)
        shapes.append(Text((width - RIGHT, height - 2), title, 8.0, anchor="end"))
    return Drawing(width, height, tuple(shapes), _describe(panel, reader))


def _shaded(panel: Panel, frame: _Frame) -> list[Shape]:
    """Where a flag holds."""
    shapes: list[Shape] = []
    for flag in panel.flags:
        start, _ = frame.place(max(flag.from_s or 0.0, frame.x[0]), frame.y[0])
        end, _ = frame.place(min(flag.to_s or 0.0, frame.x[1]), frame.y[0])
        if end > start:
            right = max(end, start + 1)
            corners = ((start, TOP), (right, TOP), (right, frame.bottom), (start, frame.bottom))
            shapes.append(Area(corners, SHADE))
    return shapes


def _seen(one: CurveOut | PeakOut, value: float, reader: Reader) -> float:
    """A value as the axis has it: shares of light are read in per cent."""
    if isinstance(one, CurveOut) and _in_percent(one.label, one.unit):
        return 100.0 * value
    return shown_value(value, one.unit, reader.units)


def _in_percent(name: str, unit: str) -> bool:
    return unit == "1" and "opacity" in name


def heading(one: CurveOut, reader: Reader = USUAL) -> str:
    """Name and unit of a curve, as the chart's title."""
    return axis_title(one.label.removesuffix(", corrected"), one.unit, reader)


def axis_title(name: str, unit: str, reader: Reader = USUAL) -> str:
    """A name with its unit, as people read it."""
    seen = "%" if _in_percent(name, unit) else reader.unit(unit)
    return f"{reader.heading(name)}, {seen}" if seen else reader.heading(name)


def ticks(low: float, high: float, about: int, *, outside: bool = False) -> list[float]:
    """Round numbers from `low` to `high`; with `outside` the range is covered entirely."""
    span = high - low
    if span <= 0.0:
        span = abs(high) * 0.1 or 1.0
        low, high = low - span / 2, high + span / 2
    rough = span / about
    size = 10.0 ** math.floor(math.log10(rough))
    step = next(size * each for each in _STEPS if size * each >= rough * 0.999)
    first = math.floor(low / step + 1e-9) if outside else math.ceil(low / step - 1e-9)
    last = math.ceil(high / step - 1e-9) if outside else math.floor(high / step + 1e-9)
    if outside and last == first:
        last += 1
    return [n * step for n in range(first, last + 1)]


def label(tick: float, among: Sequence[float]) -> str:
    """A tick as text, with as many digits as its neighbours need."""
    step = among[1] - among[0] if len(among) > 1 else 1.0
    digits = 0
    while digits < 4 and abs(step * 10**digits - round(step * 10**digits)) > 1e-6:
        digits += 1
    return f"{tick:,.{digits}f}".replace("-", "−")


def _runs(one: CurveOut, frame: _Frame, values: Sequence[float | None]) -> list[list[Point]]:
    """Connected stretches of a curve."""
    found: list[list[Point]] = [[]]
    for x, value in zip(one.x, values, strict=True):
        if value is None:
            found.append([])
        else:
            found[-1].append(frame.of(one, x, value))
    return [run for run in found if run]


def _curve(one: CurveOut, frame: _Frame, *, front: bool) -> list[Shape]:
    shapes: list[Shape] = []
    lows, highs = _runs(one, frame, one.low), _runs(one, frame, one.high)
    lines = _runs(one, frame, one.value)
    if one.marks:
        for value, low, high in zip(
            _flat(lines), _flat(lows) or _flat(lines), _flat(highs) or _flat(lines), strict=False
        ):
            shapes.append(Polyline((low, high), 1.0, INK))
            for end in (low, high):
                shapes.append(Polyline(((end[0] - 3, end[1]), (end[0] + 3, end[1])), 1.0, INK))
            shapes.append(Dot(value, 2.6, ACCENT if front else INK))
            if not front:  # hollow: the two kinds of points are told apart without colour
                shapes.append(Dot(value, 1.5, PAPER))
        return shapes
    banded = front or one.name == "asked"  # limits of a trace; of two curves only the first
    for low_run, high_run in zip(lows, highs, strict=False):
        if banded and len(low_run) > 1:
            shapes.append(Area(tuple(high_run + low_run[::-1]), BAND))
            shapes.append(Polyline(tuple(low_run), 0.4, ACCENT))
            shapes.append(Polyline(tuple(high_run), 0.4, ACCENT))
    for run in lines:
        if len(run) > 1:
            shapes.append(
                Polyline(tuple(run), 1.5, ACCENT)
                if front
                else Polyline(tuple(run), 1.0, SOFT, (3.0, 2.0))
            )
    return shapes


def _flat(runs: list[list[Point]]) -> list[Point]:
    return [point for run in runs for point in run]


def _peaks(panel: Panel, frame: _Frame) -> list[Shape]:
    shapes: list[Shape] = []
    for peak in panel.peaks:
        x, y = frame.of(peak, peak.x, peak.value)
        text = _peak(peak, frame.reader)
        right = x > 0.62 * frame.width
        shapes.append(Dot((x, y), 2.6, INK))
        wide = 4.5 * len(text)  # about; white behind it keeps lines of the axis out of the text
        left = x - 2 - wide if right else x + 2
        corners = ((left, y - 15), (left + wide, y - 15), (left + wide, y - 5), (left, y - 5))
        shapes.append(Area(corners, PAPER))
        shapes.append(
            Text((x - 2 if right else x + 2, y - 7), text, 8.5, bold=True, colour=INK,
                 anchor="end" if right else "start")
        )  # fmt: skip
    return shapes


def _peak(peak: PeakOut, reader: Reader) -> str:
    value, place = reader.shown(peak.value, peak.unit), reader.shown(peak.x, peak.x_unit)
    return reader.sentence(say("report-peak", value=value, place=place))


def _legend(panel: Panel, width: float, reader: Reader) -> list[Shape]:
    """Names of two lines, at the top right, each with a piece of its line."""
    if len(panel.curves) < 2:
        return []
    names = list(panel.names) or [
        reader.sentence(words.CORRECTED) if one.name.endswith("_corrected")
        else reader.sentence(words.OBSERVED) if panel.curves[0].name.endswith("_corrected")
        else reader.label(one.label)
        for one in panel.curves
    ]  # fmt: skip
    shapes: list[Shape] = []
    x = width - RIGHT
    for place, name in reversed(list(enumerate(names))):
        x -= LETTER * len(name)
        shapes.append(Text((x, 9), name, 8.0))
        if panel.curves[0].marks:
            shapes.append(Dot((x - 7, 6.3), 2.6, ACCENT if place == 0 else INK))
            shapes += [] if place == 0 else [Dot((x - 7, 6.3), 1.5, PAPER)]
        else:
            stroke = (ACCENT, 1.5, None) if place == 0 else (SOFT, 1.0, (3.0, 2.0))
            shapes.append(Polyline(((x - 22, 6.3), (x - 4, 6.3)), stroke[1], stroke[0], stroke[2]))
        x -= 34
    return shapes


def _describe(panel: Panel, reader: Reader) -> str:
    one = panel.curves[0]
    values = [value for value in one.value if value is not None]
    reach = peaks = ""
    if values:
        low, high = reader.shown(min(values), one.unit), reader.shown(max(values), one.unit)
        reach = reader.sentence(say("report-curve-reach", low=low, high=high))
    for peak in panel.peaks:
        peaks += reader.sentence(say("report-curve-peak", peak=_peak(peak, reader)))
    over = axis_title(one.x_name, one.x_unit, reader)
    return reader.sentence(
        say("report-curve", what=heading(one, reader), over=over, reach=reach, peaks=peaks)
    )


__all__ = ["Panel", "draw", "panels_of", "sized", "ticks"]
