"""What a before/after report says: the verdict, both curves, the change with its band, conditions.

Data flow: Compared and the kept results of its runs -> Content -> the same HTML and PDF as the
report of a single run. Means of a side are drawn for the eye; the verdict is the comparison's.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import msgspec
import numpy as np

from api.report import words
from api.report.chart import Panel
from api.report.content import Content, Subject, conditions_of, when
from api.services.comparing import Compared, DifferenceOut
from daq.quantities import signed_percent
from daq.results.result import CurveOut, Result
from daq.texts.message import Text, say, sentences
from daq.texts.reader import Reader, headed

ROWS = 7


def content_of_gain(found: Compared, results: Mapping[str, Result], subject: Subject) -> Content:
    """A comparison as a report."""
    reader = subject.reader
    sides = [[results[run] for run in runs] for runs in (found.before, found.after)]
    some = sides[1][0]
    curves = [_mean_curve(side, found, name) for side, name in zip(sides, _SIDES, strict=True)]
    label = (curves[1] or _by_run(sides[1], found, "after", 1)).label
    name = subject.vehicle or reader.sentence(words.UNNAMED)
    first, last = (when(at)[:10] for at in (min(subject.started, default=""),
                                            max(subject.started, default="")))  # fmt: skip
    head, rows = _table(found, curves, reader)
    counts = {"before": len(found.before), "after": len(found.after)}
    asked = say(
        "report-change-asked",
        what=reader.label(label),
        asked=reader.sentence(some.asked).rstrip("."),
        **counts,
    )
    made = say(
        "report-change-made",
        version=some.made.version,
        before=", ".join(found.before),
        after=", ".join(found.after),
    )
    return Content(
        title=reader.sentence(words.BEFORE_AND_AFTER),
        subject=f"{name} · {subject.owner}" if subject.owner else name,
        run=reader.sentence(say("report-runs-of-sides", **counts)),
        date=first if first == last else f"{first} – {last}",
        rig=subject.rig_name or some.made.rig_name,
        asked=reader.sentence(asked),
        answer=reader.sentence(found.sentence),
        void=(),
        panels=_panels(found, curves, sides, reader),
        figures=_figures(found, sides, reader),
        conditions=_conditions(sides, reader),
        table_title=reader.sentence(words.PLACE_BY_PLACE),
        table_head=head,
        table=rows,
        channels=(),
        channel_panels=(),
        flags=_flags(found, reader),
        correction=_correction(found, some, reader),
        sureness=_sureness(found, reader),
        parts=(),
        limits=tuple(reader.sentence(one) for one in words.GAIN_LIMITS),
        cautions=tuple(reader.sentence(each) for each in some.cautions),
        notes=subject.notes,
        made=reader.sentence(made),
        reader=reader,
    )


def _flags(found: Compared, reader: Reader) -> tuple[str, ...]:
    unlike = (say("report-not-alike", why=text) for text in found.warnings)
    out = (say("report-left-out", run=one.run_id, why=one.why) for one in found.left_out)
    return tuple(reader.sentence(one) for one in (*unlike, *out))


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
    found: Compared,
    curves: Sequence[CurveOut | None],
    sides: Sequence[Sequence[Result]],
    reader: Reader,
) -> tuple[Panel, ...]:
    before, after = curves
    names = (reader.word("after"), reader.word("before"))
    if before is None or after is None:
        points = (
            _by_run(sides[1], found, "after", len(sides[0]) + 1),
            _by_run(sides[0], found, "before", 1),
        )
        return (Panel(points, names=names, whole=True),)
    bins = [one for one in found.per_bin if one.x is not None]
    nothing: list[float | None] = [None] * len(bins)
    change = CurveOut(
        "change", reader.sentence(words.CHANGE_CURVE), "%", found.x_name, found.x_unit,
        [one.x or 0.0 for one in bins], [100.0 * one.change for one in bins],
        [100.0 * one.low for one in bins], [100.0 * one.high for one in bins],
        nothing, nothing, "",
    )  # fmt: skip
    return Panel((after, before), names=names), Panel((change,), level=0.0)


def _figures(
    found: Compared, sides: Sequence[Sequence[Result]], reader: Reader
) -> tuple[tuple[str, str], ...]:
    told = [
        (reader.sentence(words.CHANGE), _percent(found.overall, reader)),
        (reader.sentence(words.VERDICT), _verdict(found.verdict, reader)),
    ]
    for name, side in zip(_SIDES, sides, strict=True):
        figures = [one for one in (result.figure(side[0].main) for result in side) if one]
        mean = _column([one.value for one in figures])
        if figures and mean is not None and len(figures) == len(side):
            text = f"{reader.heading(figures[0].label)}, {reader.word(name)}"
            told.append((text, reader.shown(mean, figures[0].unit)))
    counts = say("report-counts", before=len(found.before), after=len(found.after))
    told.append((reader.sentence(words.VALID_RUNS), reader.sentence(counts)))
    if found.more_repeats is not None:
        told.append((reader.sentence(words.MORE_REPEATS), str(found.more_repeats)))
    return tuple(told)


def _verdict(verdict: str, reader: Reader) -> str:
    return reader.sentence(words.VERDICTS[verdict])


def _percent(one: DifferenceOut, reader: Reader) -> str:
    half = 50.0 * (one.high - one.low)
    return reader.local(f"{signed_percent(one.change)} ± {half:.1f} %".replace("-", "−"))


def _conditions(sides: Sequence[Sequence[Result]], reader: Reader) -> tuple[tuple[str, str], ...]:
    """Means of both sides beside each other, where both sides know them."""
    means = []
    for side in sides:
        names = set.intersection(*(set(result.conditions) for result in side))
        order = [name for name in side[0].conditions if name in names]
        means.append(
            {name: float(np.mean([result.conditions[name] for result in side])) for name in order}
        )
    told = [dict(conditions_of(mean, reader)) for mean in means]
    return tuple(
        (label, _both(value, told[1][label], reader))
        for label, value in told[0].items()
        if label in told[1]
    )


def _both(before: str, after: str, reader: Reader) -> str:
    if before == after:
        return before
    return reader.sentence(say("report-then", before=before, after=after))


def _table(
    found: Compared, curves: Sequence[CurveOut | None], reader: Reader
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
            reader.shown(one.x, found.x_unit),
            reader.shown(before.value[at], before.unit),
            reader.shown(after.value[at], after.unit),
            _percent(one, reader), _verdict(one.verdict, reader),
        ))  # fmt: skip
    sides = [headed(reader.word(name)) for name in _SIDES]
    head = (reader.sentence(words.AT), *sides, reader.sentence(words.CHANGE), "")
    return head, tuple(rows)


def _correction(found: Compared, some: Result, reader: Reader) -> str:
    one = some.correction
    if one is None or one.rule == "none" or not found.quantity.endswith("_corrected"):
        return reader.sentence(words.AS_OBSERVED)
    return reader.sentence(say("report-both-corrected", title=one.title))


def _sureness(found: Compared, reader: Reader) -> str:
    told: list[Text] = [say("report-welch", level=found.level)]
    if math.isfinite(found.between_sigma_relative) and found.between_sigma_relative > 0.0:
        told.append(say("report-between-sessions", sigma=found.between_sigma_relative))
    if found.per_bin:
        told.append(words.BAND_TOGETHER)
    return reader.sentence(sentences(told))
