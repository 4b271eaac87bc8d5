"""Whether the rig can run a plan by heat, and what would make it possible, in words and numbers.

Data flow: plan -> control.forecast.duty -> control.forecast.endurance forward runs -> `answer`.
Suggestions are tried by the same forward run before they are made.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from control.forecast.duty import Expected, Work, works_of
from control.forecast.endurance import (
    STEP_S,
    UNEVEN_SHARE,
    HeatAnswer,
    Outcome,
    RigHeat,
    RotorOutlook,
    Suggestion,
)
from control.test_kinds import check_plan
from control.test_kinds.plans import Plan, SteadyHold
from daq.errors import Refused
from daq.results.words import shown
from daq.rig.units import UnitSystem

PAUSES_S = (300.0, 600.0, 1200.0)
MOST_PARTS = 10
FASTER = (1.15, 1.3, 1.5, 1.75, 2.0)
SLOWER = (0.95, 0.9, 0.85, 0.8, 0.75, 0.7, 0.65, 0.6, 0.55, 0.5, 0.45, 0.4, 0.35, 0.3)
COOL_FIRST_S = (300.0, 600.0, 1200.0, 2400.0, 3600.0)
PAUSE_SPEED_MPS = 3.0  # the truck lets the rolls turn slowly
LEAST_USEFUL_S = 30.0
LONGEST_S = 86_400.0


def answer(
    plan: Plan, heat: RigHeat, expected: Expected, units: UnitSystem = UnitSystem.METRIC
) -> HeatAnswer:
    """The answer before the test, worded in `units`. Raises Refused when something is open."""
    works = works_of(plan, heat.rig, expected)
    check_works(works)
    check_plan(plan, heat.rig, expected.ratio_per_m, engine_speed=True)
    margins = heat.margins(works)
    found = heat.through(works, margins)
    seconds = sum(work.seconds for work in works)
    suggestions: tuple[Suggestion, ...] = ()
    if not found.possible:
        suggestions = _suggest(works, heat, margins, found, isinstance(plan, SteadyHold), units)
    names = [absorber.name for absorber in heat.rig.absorbers]
    uneven_s = heat.unevenly(works, margins)
    limiting = names[found.limiting] if found.limiting >= 0 else ""
    return HeatAnswer(
        found.possible,
        _text(found, seconds, limiting, heat, uneven_s, units),
        seconds,
        found.limited_after_s,
        limiting,
        found.short_after_s,
        sum(work.seconds * work.power_w for work in works),
        max(work.power_w for work in works),
        heat.ambient_k,
        heat.split,
        heat.shares,
        uneven_s,
        tuple(
            RotorOutlook(name, start, peak, margin, absorber.heat.limit_k, warm)
            for name, start, peak, margin, absorber, warm in zip(
                names, heat.start_k, found.peaks_k, margins, heat.rig.absorbers,
                found.warm_after_s, strict=True,
            )
        ),
        suggestions,
    )  # fmt: skip


def check_works(works: Sequence[Work]) -> None:
    """Raises Refused unless the work is finite and short enough to be looked at."""
    numbers = [number for work in works for number in (work.seconds, work.power_w, work.speed_mps)]
    if not all(math.isfinite(number) and number >= 0.0 for number in numbers):
        raise Refused("The plan's work is not finite.", "Check its numbers.", "plan-number")
    if sum(work.seconds for work in works) > LONGEST_S:
        raise Refused("The plan is longer than a day.", "Split it.", "plan-length")


def _text(
    found: Outcome, seconds: float, limiting: str, heat: RigHeat, uneven_s: float, units: UnitSystem
) -> str:
    if found.possible:
        hottest = shown(max(found.peaks_k), "K", units=units)
        text = f"The rig can run this by heat: hottest rotor about {hottest}."
    elif not math.isnan(found.short_after_s):
        text = (
            f"The absorbers cannot take this power at this speed (after {found.short_after_s:.0f} "
            f"s of {seconds:.0f} s)."
        )
    else:
        text = (
            f"{limiting} limits after {found.limited_after_s / 60.0:.1f} min of "
            f"{seconds / 60.0:.1f} min."
        )
    if len(heat.shares) < 2:
        return text
    split = _shares_told(heat, heat.shares)
    if heat.split == "told":
        return f"{text} Split as told: {split}."
    if heat.split == "last-run":
        return f"{text} Split as in the last run: {split}."
    text += " Nobody has said how the truck shares its power; evenly was assumed."
    if not math.isnan(uneven_s):
        text += (
            f" With {UNEVEN_SHARE:.0%} on one roll set it is limited after {uneven_s / 60:.1f} min."
        )
    return text


def _suggest(
    works: Sequence[Work],
    heat: RigHeat,
    margins: Sequence[float],
    found: Outcome,
    is_hold: bool,
    units: UnitSystem,
) -> tuple[Suggestion, ...]:
    def fits(other: Sequence[Work]) -> bool:
        # The margins were those of the whole work; less work errs less.
        return heat.through(other, margins, max(STEP_S, 2.0)).possible

    made: list[Suggestion] = []
    limited = found.limited_after_s
    if not math.isnan(limited) and limited >= LEAST_USEFUL_S:
        made.append(Suggestion("shorter", f"Stop after {limited / 60.0:.1f} min.", limited))
    share = _largest_share(lambda share: fits(_scaled(works, share, 1.0)))
    if share > 0.0:
        most = share * max(work.power_w for work in works)
        made.append(
            Suggestion(
                "less-power",
                f"With at most {shown(most, 'W', units=units)} it can be run to the end.",
                most,
            )
        )
    for factor in FASTER:
        if fits(_scaled(works, 1.0, factor)):
            speed = factor * max(work.speed_mps for work in works)
            made.append(
                Suggestion(
                    "faster-rolls",
                    "In a gear that turns the rolls faster: the same power from "
                    f"{shown(speed, 'm/s', units=units)} on.",
                    speed,
                )
            )
            break
    if not is_hold or not math.isnan(found.short_after_s):
        # At a given force less speed means less power: a slower climb, a slower trace.
        # Too slow the torque is not there either: look from the top, not by halving.
        slower = next((share for share in SLOWER if fits(_scaled(works, share, share))), 0.0)
        if slower > 0.0:
            speed = slower * max(work.speed_mps for work in works)
            made.append(
                Suggestion(
                    "slower",
                    f"At the same force, no faster than {shown(speed, 'm/s', units=units)}.",
                    speed,
                )
            )
    made += _resplit(works, heat, margins)
    made += _pauses(works, fits)
    hottest = max(heat.start_k)
    if hottest > heat.ambient_k + 20.0:
        for pause in COOL_FIRST_S:
            if fits((Work(pause, 0.0, PAUSE_SPEED_MPS), *works)):
                made.append(
                    Suggestion("cool-first", f"Cool for {pause / 60.0:.0f} min first.", pause)
                )
                break
    return tuple(made)


def _resplit(works: Sequence[Work], heat: RigHeat, margins: Sequence[float]) -> list[Suggestion]:
    """The nearest other split between two roll sets that gets through."""
    if len(heat.shares) != 2:
        return []
    here = heat.shares[0]
    steps = [share / 20.0 for share in range(2, 19)]
    for first in sorted(steps, key=lambda share: abs(share - here)):
        shares = (first, 1.0 - first)
        if heat.shared(shares, works, margins, max(STEP_S, 2.0)).possible:
            told = _shares_told(heat, shares)
            return [
                Suggestion(
                    "split", f"With the power shared {told} it can be run to the end.", first
                )
            ]
    return []


def _shares_told(heat: RigHeat, shares: Sequence[float]) -> str:
    names = [roll_set.name for roll_set in heat.rig.roll_sets]
    return ", ".join(f"{name} {share:.0%}" for name, share in zip(names, shares, strict=True))


def _scaled(works: Sequence[Work], power: float, speed: float) -> tuple[Work, ...]:
    return tuple(Work(work.seconds, work.power_w * power, work.speed_mps * speed) for work in works)


def _largest_share(fits: Callable[[float], bool]) -> float:
    """Largest share between 0.1 and 1 that fits, to about 1 %; 0 when none does."""
    low, high = 0.1, 1.0
    if not fits(low):
        return 0.0
    for _ in range(7):
        middle = 0.5 * (low + high)
        if fits(middle):
            low = middle
        else:
            high = middle
    return low


def _pauses(works: Sequence[Work], fits: Callable[[Sequence[Work]], bool]) -> list[Suggestion]:
    """The fewest parts, then the shortest pause, that get through."""
    for parts in range(2, MOST_PARTS + 1):
        for pause in PAUSES_S:
            if fits(_split(works, parts, pause)):
                return [
                    Suggestion(
                        "pauses",
                        f"In {parts} parts with {pause / 60.0:.0f} min of cooling between them.",
                        float(parts),
                    )
                ]
    return []


def _split(works: Sequence[Work], parts: int, pause_s: float) -> tuple[Work, ...]:
    """The same work cut into parts of equal length with pauses between."""
    each = sum(work.seconds for work in works) / parts
    done: list[Work] = []
    left = each
    remaining = parts
    for work in works:
        rest = work.seconds
        while rest > 1e-6:
            part = min(rest, left)
            done.append(Work(part, work.power_w, work.speed_mps))
            rest -= part
            left -= part
            if left <= 1e-6:
                remaining -= 1
                left = each
                if remaining > 0:
                    done.append(Work(pause_s, 0.0, PAUSE_SPEED_MPS))
    return tuple(done)
