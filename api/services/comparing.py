"""Compares runs: before and after a change (gain), and check runs over months (consistency).

Data flow: kept evaluations of run folders -> one value or curve per valid run -> daq.results.gain
or daq.results.consistency. Void runs and runs without the figure are left out and named. All of it
blocks: call it through asyncio.to_thread.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from api.store.closing.evaluations import read_evaluation
from daq.errors import RecordingError, Refused
from daq.results.consistency import Chart, chart
from daq.results.gain import Gain, Repeat, gain
from daq.results.result import CurveOut, Result, arrays
from daq.texts.message import Text, say

_SESSION_PARTS = ("cell zero", "weather factor")


class LeftOut(msgspec.Struct, frozen=True):
    run_id: str
    why: Text


class DifferenceOut(msgspec.Struct, frozen=True):
    """A relative change with its interval."""

    change: float
    low: float
    high: float
    verdict: str
    x: float | None = None


class Compared(msgspec.Struct, frozen=True):
    """The answer of a before/after comparison."""

    sentence: Text
    verdict: str
    level: float
    quantity: str
    overall: DifferenceOut
    x_name: str
    x_unit: str
    per_bin: list[DifferenceOut]
    before: list[str]
    after: list[str]
    left_out: list[LeftOut]
    between_sigma_relative: float
    more_repeats: int | None
    warnings: list[Text]


class Consistent(msgspec.Struct, frozen=True):
    """A control chart of check runs in time order."""

    quantity: str
    unit: str
    runs: list[str]
    chart: Chart
    left_out: list[LeftOut]


def session_sigma(result: Result) -> float:
    """Relative standard uncertainty of what may differ between two sessions on one rig.

    Zero drift and the weather correction; what calibration leaves in both sessions alike (weights,
    arm, radius, inertia, losses) cancels in a ratio and is not in here. How far warm-up differs
    is not known to the rig: the conditions compared say whether it may.
    """
    one = result.uncertainty
    if one is None or not one.value:
        return 0.0
    squares = sum(part.effect**2 for part in one.parts if part.name.endswith(_SESSION_PARTS))
    return math.sqrt(2.0 * squares) / abs(one.value)


def compare(
    runs_folder: Path,
    before: Sequence[str],
    after: Sequence[str],
    quantity: str = "",
    level: float = 0.95,
    said: Mapping[str, Mapping[str, str]] | None = None,
    between: float | None = None,
    tell: Callable[[float], None] | None = None,
) -> Compared:
    """Before/after over all valid repeats. `quantity`: a curve or figure by name; "" chooses.

    `said`: further conditions by run, such as gear or tyre pressure from notes. `tell` hears how
    far the reading of the runs is, which is what takes time. Raises Refused.
    """
    if set(before) & set(after):
        raise Refused(
            say("run-on-both-sides", run=min(set(before) & set(after))),
            say("name-each-run-once"),
            "both-sides",
        )
    results: dict[str, Result] = {}
    left: list[LeftOut] = []
    for place, run_id in enumerate((*before, *after), start=1):
        _take(runs_folder, run_id, results, left)
        if tell is not None:
            tell(place / (len(before) + len(after)))
    kinds = {result.kind for result in results.values()}
    if len(kinds) > 1:
        raise Refused(
            say("runs-are-different-kinds", kinds=sorted(kinds)),
            say("compare-runs-one-kind-one-plan"),
            "kinds-differ",
        )
    some = next(iter(results.values()), None)
    name = quantity or (_choose(some) if some is not None else "")
    bins, x_name, x_unit = _common_bins(results, name)
    sides: tuple[list[Repeat], list[Repeat]] = ([], [])
    for side, run_ids in zip(sides, (before, after), strict=True):
        for run_id in run_ids:
            result = results.get(run_id)
            if result is None:
                continue
            values = _values(result, name, bins)
            if values is None:
                left.append(LeftOut(run_id, say("run-has-no-figure", figure=name)))
                continue
            conditions: dict[str, Any] = {**result.conditions, **(said or {}).get(run_id, {})}
            conditions["rig"] = result.made.rig_fingerprint
            conditions["correction"] = result.correction.rule if result.correction else "none"
            side.append(Repeat(run_id, values, conditions))
    usual = max((session_sigma(result) for result in results.values()), default=0.0)
    found = gain(bins, *sides, usual if between is None else between, level)
    return _told(found, name, x_name, x_unit, left)


def consistency(
    runs_folder: Path, run_ids: Sequence[str], quantity: str = "", baseline: int | None = None
) -> Consistent:
    """Control chart of a figure over check runs, oldest first. Raises Refused."""
    results: dict[str, Result] = {}
    left: list[LeftOut] = []
    for run_id in sorted(run_ids):
        _take(runs_folder, run_id, results, left)
    some = next(iter(results.values()), None)
    if some is None:
        raise Refused(say("no-valid-check-run-among-these"), say("choose-others"), "no-runs")
    name = quantity or some.main
    kept: list[str] = []
    values: list[float] = []
    for run_id, result in results.items():
        figure = result.figure(name)
        if figure is None or figure.value is None:
            left.append(LeftOut(run_id, say("run-has-no-figure", figure=name)))
            continue
        kept.append(run_id)
        values.append(figure.value)
    of = some.figure(name)
    return Consistent(
        of.label if of else name, of.unit if of else "", kept, chart(values, baseline), left
    )


def _take(folder: Path, run_id: str, into: dict[str, Result], left: list[LeftOut]) -> None:
    try:
        result = read_evaluation(folder / run_id)
    except RecordingError as error:
        left.append(LeftOut(run_id, error.problem))
        return
    if result.valid:
        into[run_id] = result
    else:
        left.append(LeftOut(run_id, result.void[0] if result.void else say("run-is-void")))


def _choose(result: Result) -> str:
    """The curve to compare where there is one over speed, else the main figure."""
    for name in ("power_corrected", "power"):
        one = result.curve(name)
        if one is not None and one.x_name != "time":
            return name
    return result.main


def _key(x: float) -> int:
    return round(x * 1000.0)


def _common_bins(results: Mapping[str, Result], name: str) -> tuple[list[float], str, str]:
    """Bin centres that occur in any run; one bin for a plain figure."""
    curves = [one for one in (result.curve(name) for result in results.values()) if one]
    if not curves:
        return [0.0], "", ""
    if curves[0].marks:  # measured points lie a little off their set points: compare by order
        count = min(len(one.x) for one in curves)
        return [curves[0].x[at] for at in range(count)], curves[0].x_name, curves[0].x_unit
    places = {_key(x): x for one in curves for x in one.x}
    return [places[key] for key in sorted(places)], curves[0].x_name, curves[0].x_unit


def _values(result: Result, name: str, bins: Sequence[float]) -> Any:
    one = result.curve(name)
    if one is not None:
        return _on_bins(one, bins)
    figure = result.figure(name)
    if figure is None or figure.value is None:
        return None
    return np.array([figure.value])


def _on_bins(one: CurveOut, bins: Sequence[float]) -> Any:
    values = arrays(one.value)
    if one.marks:
        return values[: len(bins)]
    of = {_key(x): value for x, value in zip(one.x, values.tolist(), strict=True)}
    return np.array([of.get(_key(x), math.nan) for x in bins])


def _told(found: Gain, name: str, x_name: str, x_unit: str, left: list[LeftOut]) -> Compared:
    overall = found.overall
    return Compared(
        sentence=found.sentence(),
        verdict=overall.verdict.value,
        level=found.level,
        quantity=name,
        overall=DifferenceOut(overall.change, overall.low, overall.high, overall.verdict.value),
        x_name=x_name,
        x_unit=x_unit,
        per_bin=[
            DifferenceOut(one.change, one.low, one.high, one.verdict.value, x)
            for x, one in zip(found.bins, found.per_bin, strict=True)
        ]
        if x_name
        else [],
        before=list(found.before_runs),
        after=list(found.after_runs),
        left_out=left,
        between_sigma_relative=found.between_sigma_relative,
        more_repeats=found.more_repeats,
        warnings=[note.text for note in found.notes],
    )
