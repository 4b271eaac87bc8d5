"""What a before/after report says: the verdict, both curves, the change with its band, conditions.

Data flow: Compared and the kept results of its runs -> Content -> the same HTML and PDF as the
report of a single run. Means of a side are drawn for the eye; the verdict is the comparison's.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import msgspec
import numpy as np

from api.report.chart import Panel
from api.report.content import Content, Subject, conditions_of, when
from api.services.comparing import Compared, DifferenceOut
from daq.quantities import UnitSystem, shown, signed_percent
from daq.results.result import CurveOut, Result
from daq.texts.message import render

ROWS = 7
LIMITS = (
    "It tells that something changed between the two sets of runs, not what: fuel, tyres, straps, "
    "gear and load must have been the same.",
    "What calibration leaves alike in both sessions (weights, arm, roll radius, inertia, losses) "
    "cancels in a ratio and is not in the interval.",
    "How the truck differs from day to day is in the interval only as far as the repeats show it.",
)


def content_of_gain(found: Compared, results: Mapping[str, Result], subject: Subject) -> Content:
    """A comparison as a report."""
    units = subject.units
    sides = [[results[run] for run in runs] for runs in (found.before, found.after)]
    some = sides[1][0]
    curves = [_mean_curve(side, found, name) for side, name in zip(sides, _SIDES, strict=True)]
    label = (curves[1] or _by_run(sides[1], found, "after", 1)).label
    name = subject.vehicle or "Vehicle not named"
    first, last = (when(at)[:10] for at in (min(subject.started, default=""),
                                            max(subject.started, default="")))  # fmt: skip
    dates = first if first == last else f"{first} to {last}"
    head, rows = _table(found, curves, units)
    return Content(
        title="Before and after",
        subject=f"{name} · {subject.owner}" if subject.owner else name,
        run=f"{len(found.before)} runs before, {len(found.after)} after",
        date=dates,
        rig=subject.rig_name or some.made.rig_name,
        asked=f"Did the change alter {label[:1].lower()}{label[1:]}? "
        f"{render(some.asked, units).rstrip('.')}, {len(found.before)} times before and "
        f"{len(found.after)} after.",
        answer=render(found.sentence, units),
        void=(),
        panels=_panels(found, curves, sides),
        figures=_figures(found, sides, units),
        conditions=_conditions(sides, units),
        table_title="Place by place",
        table_head=head,
        table=rows,
        channels=(),
        channel_panels=(),
        flags=(
            *(f"Not alike: {render(text, units)}" for text in found.warnings),
            *(f"Left out: run {one.run_id}. {render(one.why, units)}" for one in found.left_out),
        ),
        correction=_correction(found, some),
        sureness=_sureness(found),
        parts=(),
        limits=LIMITS,
        cautions=tuple(render(each, units) for each in some.cautions),
        notes=subject.notes,
        made=f"Drumlin {some.made.version}; runs before {', '.join(found.before)}; "
        f"after {', '.join(found.after)}.",
        units=units,
    )


_SIDES = ("before", "after")


def _mean_curve(side: Sequence[Result], found: Compared, name: str) -> CurveOut | None:
    """Mean of a side's curves on the compared bins; None when figures were compared."""
    curves = [one for one in (result.curve(found.quantity) for result in side) if one is not None]
    if not curves or not found.per_bin:
        return None
    lead = curves[0]
    bins = [one.x for one in found.per_bin if one.x is not None]
    if lead.marks:  # measured points, compared by their order
        values = [_column([one.value[at] for one in curves]) for at in range(len(bins))]
    else:
        places = [
            {round(x * 1000.0): value for x, value in zip(one.x, one.value, strict=True)}
            for one in curves
        ]
        values = [_column([place.get(round(x * 1000.0)) for place in places]) for x in bins]
    nothing: list[float | None] = [None] * len(bins)
    return msgspec.structs.replace(
        lead, name=name, x=bins, value=values, low=nothing, high=nothing, noise_sigma=nothing,
        calibration_sigma=nothing, marks=False,
    )  # fmt: skip


def _column(values: Sequence[float | None]) -> float | None:
    there = [value for value in values if value is not None]
    return float(np.mean(there)) if len(there) == len(values) and there else None


def _by_run(side: Sequence[Result], found: Compared, name: str, first: int) -> CurveOut:
    """A plain figure run by run, with its own interval; the first run has that number."""
    figures = [one for one in (result.figure(found.quantity) for result in side) if one]
    nothing: list[float | None] = [None] * len(figures)
    return CurveOut(
        name, figures[0].label, figures[0].unit, "run in order", "",
        [float(place + first) for place in range(len(figures))],
        [one.value for one in figures],
        [one.low if one.low is not None else one.value for one in figures],
        [one.high if one.high is not None else one.value for one in figures],
        nothing, nothing, "", marks=True,
    )  # fmt: skip


def _panels(
    found: Compared, curves: Sequence[CurveOut | None], sides: Sequence[Sequence[Result]]
) -> tuple[Panel, ...]:
    before, after = curves
    if before is None or after is None:
        points = (
            _by_run(sides[1], found, "after", len(sides[0]) + 1),
            _by_run(sides[0], found, "before", 1),
        )
        return (Panel(points, names=("after", "before"), whole=True),)
    bins = [one for one in found.per_bin if one.x is not None]
    nothing: list[float | None] = [None] * len(bins)
    change = CurveOut(
        "change", "change after against before", "%", found.x_name, found.x_unit,
        [one.x or 0.0 for one in bins], [100.0 * one.change for one in bins],
        [100.0 * one.low for one in bins], [100.0 * one.high for one in bins],
        nothing, nothing, "",
    )  # fmt: skip
    return Panel((after, before), names=("after", "before")), Panel((change,), level=0.0)


def _figures(
    found: Compared, sides: Sequence[Sequence[Result]], units: UnitSystem
) -> tuple[tuple[str, str], ...]:
    told = [("Change", _percent(found.overall)), ("Verdict", found.verdict)]
    for name, side in zip(_SIDES, sides, strict=True):
        figures = [one for one in (result.figure(side[0].main) for result in side) if one]
        mean = _column([one.value for one in figures])
        if figures and mean is not None and len(figures) == len(side):
            text = f"{figures[0].label[:1].upper()}{figures[0].label[1:]}, {name}"
            told.append((text, shown(mean, figures[0].unit, units=units)))
    told.append(("Valid runs before and after", f"{len(found.before)} and {len(found.after)}"))
    if found.more_repeats is not None:
        told.append(("More repeats to settle it, each side", str(found.more_repeats)))
    return tuple(told)


def _percent(one: DifferenceOut) -> str:
    half = 50.0 * (one.high - one.low)
    return f"{signed_percent(one.change)} ± {half:.1f} %".replace("-", "−")


def _conditions(
    sides: Sequence[Sequence[Result]], units: UnitSystem
) -> tuple[tuple[str, str], ...]:
    """Means of both sides beside each other, where both sides know them."""
    means = []
    for side in sides:
        names = set.intersection(*(set(result.conditions) for result in side))
        order = [name for name in side[0].conditions if name in names]
        means.append(
            {name: float(np.mean([result.conditions[name] for result in side])) for name in order}
        )
    told = [dict(conditions_of(mean, units)) for mean in means]
    return tuple(
        (label, value if value == told[1][label] else f"{value}, then {told[1][label]}")
        for label, value in told[0].items()
        if label in told[1]
    )


def _table(
    found: Compared, curves: Sequence[CurveOut | None], units: UnitSystem
) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Some bins, evenly spaced, with both values and the change."""
    before, after = curves
    if before is None or after is None:
        return (), ()
    count = len(found.per_bin)
    chosen = sorted({round(at) for at in np.linspace(0, count - 1, min(ROWS, count)).tolist()})
    rows = []
    for at in chosen:
        one = found.per_bin[at]
        rows.append((
            shown(one.x, found.x_unit, units=units),
            shown(before.value[at], before.unit, units=units),
            shown(after.value[at], after.unit, units=units),
            _percent(one), one.verdict,
        ))  # fmt: skip
    return ("At", "Before", "After", "Change", ""), tuple(rows)


def _correction(found: Compared, some: Result) -> str:
    one = some.correction
    if one is None or one.rule == "none" or not found.quantity.endswith("_corrected"):
        return "None: figures as observed are compared, at the weather of each session."
    return f"Both sides are corrected after {one.title}, each with its own weather."


def _sureness(found: Compared) -> str:
    each = ""
    if found.per_bin:
        each = " The band of the change holds at all its places together."
    between = ""
    if math.isfinite(found.between_sigma_relative) and found.between_sigma_relative > 0.0:
        between = (
            f" For what may differ between two sessions (cell zeros, weather factor) 1 sigma "
            f"of {100.0 * found.between_sigma_relative:.2g} % is in it."
        )
    return (
        f"{100.0 * found.level:g} % interval after Welch over the logarithms of the valid repeats."
        f"{between}{each}"
    )
