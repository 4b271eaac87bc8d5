"""Did a change gain anything? Before/after over all valid repeats, with an interval and a verdict.

Data flow: results of repeated tests (one value per bin, one run each) -> logarithms, so that a
difference is a relative change -> Welch comparison overall, with what calibration leaves behind
between two sessions added; per bin the same level with the pooled noise of the curves' shape
(daq.uncertainty.simultaneous) -> verdict, and how many more repeats would settle it.

What both sides share (roll radius, arm length, cell slope) cancels in a ratio and is left out on
purpose. What differs from one session to the next (zero, weather correction, losses after warm-up)
does not show in the spread of repeats made in one session; it enters as `between_sigma_relative`.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Mapping, Sequence

import msgspec
import numpy as np
import numpy.typing as npt

from daq.errors import Refused
from daq.texts.message import UNITS, Message, Text, difference, say
from daq.uncertainty.simultaneous import half_widths
from daq.uncertainty.statistics import Summary, mean, summary, welch

Floats = npt.NDArray[np.float64]
Condition = str | float

MOST_MORE_REPEATS = 50
CONDITION_TOLERANCE: Mapping[str, float] = {
    # Largest difference of the sides' means that passes without a word. Common practice, no source.
    "ambient_k": 5.0,
    "pressure_pa": 1500.0,
    "oil_k": 10.0,
    "intake_k": 5.0,
    "rotor_k": 60.0,
    "tyre_pressure_pa": 10_000.0,
    "humidity": 0.2,
    "ratio_per_m": 0.05,  # another gear or tyre is more, the scatter of a run less
}


class Verdict(enum.StrEnum):
    GAINED = "gained"
    LOST = "lost"
    NOT_PROVEN = "not proven"


class Repeat(msgspec.Struct, frozen=True, eq=False):
    """One valid run: a positive value per bin (NaN where the run does not cover the bin)."""

    run_id: str
    values: Floats
    conditions: Mapping[str, Condition] = {}


class Difference(msgspec.Struct, frozen=True):
    """A relative change with its interval; 0.02 means 2 % more after than before."""

    change: float
    low: float
    high: float
    dof: float
    verdict: Verdict


class ConditionNote(msgspec.Struct, frozen=True):
    """A condition that was not the same on both sides."""

    name: str
    before: str
    after: str
    text: Text


class Gain(msgspec.Struct, frozen=True, eq=False):
    """The answer. `per_bin` has simultaneous intervals: all of them hold together at `level`."""

    level: float
    overall: Difference
    bins: tuple[float, ...]  # bin centres that every repeat covers
    per_bin: tuple[Difference, ...]
    before_runs: tuple[str, ...]
    after_runs: tuple[str, ...]
    between_sigma_relative: float
    more_repeats: int | None  # on each side, to settle the overall question; None: no such number
    notes: tuple[ConditionNote, ...]

    def sentence(self) -> Text:
        """The answer in one sentence."""
        answer = say(
            "relative-change",
            change=self.overall.change,
            low=self.overall.low,
            high=self.overall.high,
            level=self.level,
        )
        if self.overall.verdict is Verdict.GAINED:
            return say("gained", answer=answer)
        if self.overall.verdict is Verdict.LOST:
            return say("lost", answer=answer)
        if self.more_repeats is None:
            return say("not-proven", answer=answer)
        return say("not-proven-yet", answer=answer, repeats=self.more_repeats)


def gain(
    bins: Sequence[float],
    before: Sequence[Repeat],
    after: Sequence[Repeat],
    between_sigma_relative: float = 0.0,
    level: float = 0.95,
) -> Gain:
    """Compare two sets of repeats.

    `bins`: centres, shape (B,); each repeat's values have that shape. `between_sigma_relative`:
    standard uncertainty, relative, of what may differ between the two sessions. Raises Refused
    when a side has fewer than two repeats, shapes differ, or no bin is covered by all.
    """
    for side, repeats in (("before", before), ("after", after)):
        if len(repeats) < 2:
            raise Refused(
                say("side-has-valid-run-s", side=side, count=len(repeats)),
                say("spread-needs-at-least-two-repeats"),
                "too-few-repeats",
            )
    table = [np.asarray(repeat.values, dtype=np.float64) for repeat in (*before, *after)]
    if any(values.shape != (len(bins),) for values in table):
        raise Refused(
            say("runs-are-not-evaluated-over-same"),
            say("re-evaluate-them-with-same-bins"),
            "bins-differ",
        )
    everything = np.vstack(table)
    covered = np.all(np.isfinite(everything) & (everything > 0.0), axis=0)
    if not covered.any():
        raise Refused(
            say("no-bin-covered-by-every-run"),
            say("compare-runs-over-same-range-speed"),
            "no-common-range",
        )
    if not (math.isfinite(between_sigma_relative) and between_sigma_relative >= 0.0):
        raise Refused(
            say("uncertainty-between-sessions-not-number-at"),
            say("give-as-share"),
            "bad-uncertainty",
        )
    logs = np.log(everything[:, covered])
    n = len(before)
    overall_before, overall_after = logs[:n].mean(axis=1), logs[n:].mean(axis=1)
    overall, more = _compare(overall_before, overall_after, between_sigma_relative, level)
    per_bin = _per_bin(logs[:n], logs[n:], overall, between_sigma_relative, level)
    return Gain(
        level=level,
        overall=overall,
        bins=tuple(float(centre) for centre, take in zip(bins, covered, strict=True) if take),
        per_bin=per_bin,
        before_runs=tuple(repeat.run_id for repeat in before),
        after_runs=tuple(repeat.run_id for repeat in after),
        between_sigma_relative=between_sigma_relative,
        more_repeats=more,
        notes=compare_conditions(before, after),
    )


def _per_bin(
    before: Floats, after: Floats, overall: Difference, between: float, level: float
) -> tuple[Difference, ...]:
    """Every bin with its interval, all of which hold together."""
    if before.shape[1] == 1:
        return (overall,)
    one, other = (summary(side.mean(axis=1).tolist()) for side in (before, after))
    found = welch(one, other, between)
    differences = after.mean(axis=0) - before.mean(axis=0)
    halves = half_widths((before, after), found.standard_error, found.dof, level)
    return tuple(
        _difference(difference, half, found.dof)
        for difference, half in zip(differences.tolist(), halves.tolist(), strict=True)
    )


def _difference(difference: float, half: float, dof: float) -> Difference:
    """Of logarithms, as a relative change with its verdict."""
    verdict = Verdict.NOT_PROVEN
    if difference - half > 0.0:
        verdict = Verdict.GAINED
    elif difference + half < 0.0:
        verdict = Verdict.LOST
    return Difference(
        math.expm1(difference), math.expm1(difference - half), math.expm1(difference + half), dof,
        verdict,
    )  # fmt: skip


def _compare(
    before: Floats, after: Floats, between: float, level: float
) -> tuple[Difference, int | None]:
    """Welch comparison of logarithms; the between-session part has unlimited degrees of freedom
    (JCGM 100 G.4, Welch-Satterthwaite)."""
    one, other = summary(before.tolist()), summary(after.tolist())
    found = welch(one, other, between)
    result = _difference(found.difference, found.half_width(level), found.dof)
    more = None
    if result.verdict is Verdict.NOT_PROVEN:
        more = _more_repeats(one, other, between, level)
    return result, more


def _more_repeats(one: Summary, other: Summary, between: float, level: float) -> int | None:
    """Repeats to add on each side until the interval would exclude zero at this difference."""
    for more in range(1, MOST_MORE_REPEATS + 1):
        found = welch(
            msgspec.structs.replace(one, n=one.n + more),
            msgspec.structs.replace(other, n=other.n + more),
            between,
        )
        if found.half_width(level) < abs(found.difference):
            return more
    return None


def compare_conditions(
    before: Sequence[Repeat], after: Sequence[Repeat]
) -> tuple[ConditionNote, ...]:
    """What was not alike: texts that differ, numbers whose means differ by more than the table."""
    notes: list[ConditionNote] = []
    names = sorted({name for repeat in (*before, *after) for name in repeat.conditions})
    for name in names:
        sides = [[r.conditions[name] for r in side if name in r.conditions]
                 for side in (before, after)]  # fmt: skip
        if not sides[0] or not sides[1]:
            known = (
                say("known-only-before", name=name) if sides[0]
                else say("known-only-after", name=name)
            )  # fmt: skip
            notes.append(ConditionNote(name, _shown(sides[0]), _shown(sides[1]), known))
            continue
        numbers = [[v for v in side if isinstance(v, int | float)] for side in sides]
        if len(numbers[0]) == len(sides[0]) and len(numbers[1]) == len(sides[1]):
            gap = abs(mean(numbers[1]) - mean(numbers[0]))
            allowed = CONDITION_TOLERANCE.get(name, 0.0)
            if gap > allowed:
                notes.append(ConditionNote(
                    name, _shown(sides[0]), _shown(sides[1]),
                    say("condition-differs", name=name, gap=_gap(name, gap),
                        allowed=_gap(name, allowed)),
                ))  # fmt: skip
        elif {str(v) for v in sides[0]} != {str(v) for v in sides[1]}:
            notes.append(ConditionNote(
                name, _shown(sides[0]), _shown(sides[1]), say("condition-not-the-same", name=name)
            ))  # fmt: skip
    return tuple(notes)


def _gap(name: str, value: float) -> Message | float:
    """A difference of a condition, with the unit that its name ends in."""
    if name == "humidity":
        return difference(100.0 * value, "%")
    unit = "rad/m" if name == "ratio_per_m" else UNITS.get(name.rpartition("_")[2], "")
    return difference(value, unit) if unit else value


def _shown(values: Sequence[Condition]) -> str:
    if not values:
        return "unknown"
    numbers = [value for value in values if isinstance(value, int | float)]
    if len(numbers) == len(values):
        return f"{mean(numbers):.4g}"
    return ", ".join(sorted({str(value) for value in values}))
