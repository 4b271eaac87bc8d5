"""Whether the rig can run a plan by heat, and what would make it possible, in words and numbers.

Data flow: plan -> control.forecast.question -> forward run through control.forecast.rig_heat ->
`answer`; what was answered no goes on to control.forecast.suggestions.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import msgspec

from control.forecast.duty import Expected
from control.forecast.forward import Outcome
from control.forecast.question import Change, judge, shares_of, works_for
from control.forecast.rig_heat import UNEVEN_SHARE, RigHeat
from control.forecast.suggestions import Suggestion, share_list, suggest
from control.test_kinds.plans import Plan
from daq.quantities import UnitSystem
from daq.texts.message import Message, Text, say, sentences


class RotorOutlook(msgspec.Struct, frozen=True):
    """One absorber through the plan."""

    name: str
    start_k: float
    peak_k: float
    margin_k: float  # kept below the limit at its peak because the estimate is not exact
    limit_k: float
    warm_after_s: float  # until the warning temperature; NaN: never


class HeatAnswer(msgspec.Struct, frozen=True):
    """The answer before the test."""

    possible: bool
    text: Text
    seconds: float  # of the plan
    limited_after_s: float  # NaN: not limited by heat
    limiting: str  # absorber that limits, "" when none
    short_of_torque_after_s: float  # NaN: the absorbers can take the power at that speed
    energy_j: float
    highest_power_w: float
    ambient_k: float
    split: str  # of the power between roll sets: told | last-run | assumed-even
    shares: tuple[float, ...]  # by roll set
    # When the split is assumed: the soonest limit with UNEVEN_SHARE on one roll set; NaN: none.
    uneven_limited_after_s: float  # by heat, when one roll set takes most of the power
    uneven_short_of_torque_after_s: float  # the same by torque; the later of the two is NaN
    rotors: tuple[RotorOutlook, ...]
    suggestions: tuple[Suggestion, ...]


def answer(
    plan: Plan,
    heat: RigHeat,
    expected: Expected,
    units: UnitSystem = UnitSystem.METRIC,
    change: Change | None = None,
    *,
    helpful: bool = True,
) -> HeatAnswer:
    """The answer before the test, worded in `units`. Raises Refused when something is open.

    `change`: what is otherwise than in plan and expectation, as a suggestion carries it.
    `helpful` False leaves out the search for suggestions, which takes most of the time.
    """
    asked = change if change is not None else Change()
    works = works_for(plan, heat, expected, asked)
    found = judge(heat, works, asked)
    seconds = sum(work.seconds for work in works)
    told = shares_of(heat, asked)
    shares, split = (heat.shares, heat.split) if told is None else (told, "told")
    names = [absorber.name for absorber in heat.rig.absorbers]
    uneven = heat.unevenly(works) if split == "assumed-even" else (math.nan, math.nan)
    limiting = names[found.limiting] if found.limiting >= 0 else ""
    suggestions: tuple[Suggestion, ...] = ()
    if helpful and not found.possible:
        suggestions = suggest(plan, heat, expected, asked, found, units)
    sets = [roll_set.name for roll_set in heat.rig.roll_sets]
    told_shares = share_list(zip(sets, shares, strict=True))
    return HeatAnswer(
        found.possible,
        sentences((_text(found, seconds, limiting), *_split_text(split, told_shares, uneven))),
        seconds,
        found.limited_after_s,
        limiting,
        found.short_after_s,
        sum(work.seconds * work.power_w for work in works),
        max(work.power_w for work in works),
        heat.ambient_k,
        split,
        shares,
        *uneven,
        tuple(
            RotorOutlook(name, start, peak, margin, absorber.heat.limit_k, warm)
            for name, start, peak, margin, absorber, warm in zip(
                names, heat.start_k, found.peaks_k, found.margins_k, heat.rig.absorbers,
                found.warm_after_s, strict=True,
            )
        ),
        suggestions,
    )  # fmt: skip


def _text(found: Outcome, seconds: float, limiting: str) -> Text:
    if found.possible:
        return say("heat-allows-plan", hottest_k=max(found.peaks_k))
    if not math.isnan(found.short_after_s):
        return say("torque-limits-after", after_s=found.short_after_s, of_s=seconds)
    return say(
        "heat-limits-after",
        absorber=limiting,
        after_min=found.limited_after_s / 60.0,
        of_min=seconds / 60.0,
    )


def _split_text(
    split: str, shares: tuple[Message, ...], uneven: tuple[float, float]
) -> Iterator[Text]:
    if len(shares) < 2:
        return
    if split == "told":
        yield say("split-as-stated", shares=shares)
    elif split == "last-run":
        yield say("split-as-in-last-run", shares=shares)
    else:
        yield say("split-assumed-even")
        limited_s, short_s = uneven
        if not math.isnan(limited_s):
            yield say("limited-when-uneven", share=UNEVEN_SHARE, after_min=limited_s / 60.0)
        if not math.isnan(short_s):
            yield say("short-when-uneven", share=UNEVEN_SHARE, after_s=short_s)
