"""A question to the heat forecast, and how a suggestion changes it.

Data flow: plan + what is expected of the truck + `Change` -> `works_for` -> control.forecast
.rig_heat. A suggestion carries its change, so that anybody can ask the same question again with it:
that is how it was found, and how it is tested.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import Annotated

import msgspec
from msgspec import Meta

from control.forecast.duty import DutySegment, Expected, duty_segments
from control.forecast.forward import Outcome
from control.forecast.rig_heat import RigHeat
from control.test_kinds.kinds import check_plan
from control.test_kinds.plans import Plan
from daq.errors import Refused
from daq.texts.message import say

PAUSE_SPEED_MPS = 3.0  # the truck lets the rolls turn slowly
MOST_PARTS = 10
LONGEST_S = 86_400.0


class Change(msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """What is to be otherwise than in the question; what is left out stays as it was."""

    plan: Plan | None = None
    power_w: Annotated[float, Meta(gt=0, le=2_000_000)] | None = None  # wheel power at full pedal
    speed_mps: Annotated[float, Meta(gt=0, le=80)] | None = None  # of the rolls
    ratio_per_m: Annotated[float, Meta(gt=0, le=1000)] | None = None
    # Share of the power by roll set, e.g. {front: 0.4, rear: 0.6}.
    shares: dict[str, Annotated[float, Meta(ge=0, le=1)]] | None = None
    until_s: Annotated[float, Meta(gt=0, le=LONGEST_S)] | None = None  # stop after so long
    cool_first_s: Annotated[float, Meta(ge=0, le=14_400)] = 0.0
    parts: Annotated[int, Meta(ge=1, le=MOST_PARTS)] = 1  # of equal length, with pauses between
    pause_s: Annotated[float, Meta(ge=0, le=14_400)] = 0.0


def changed(plan: Plan, expected: Expected, change: Change) -> tuple[Plan, Expected]:
    """Plan and expectation with what a change says of them."""
    return change.plan if change.plan is not None else plan, Expected(
        change.power_w if change.power_w is not None else expected.power_w,
        change.speed_mps if change.speed_mps is not None else expected.speed_mps,
        change.ratio_per_m if change.ratio_per_m is not None else expected.ratio_per_m,
    )


def works_for(
    plan: Plan, heat: RigHeat, expected: Expected, change: Change
) -> tuple[DutySegment, ...]:
    """The work of a question. Raises Refused when something is open, or the rig cannot do it."""
    plan, expected = changed(plan, expected, change)
    works = duty_segments(plan, heat.rig, expected)
    check_works(works)
    check_plan(plan, heat.rig, expected.ratio_per_m, engine_speed=True)
    if change.until_s is not None:
        works = _until(works, change.until_s)
    if change.parts > 1:
        works = _parted(works, change.parts, change.pause_s)
    if change.cool_first_s > 0.0:
        works = (DutySegment(change.cool_first_s, 0.0, PAUSE_SPEED_MPS), *works)
    check_works(works)
    return works


def check_works(works: Sequence[DutySegment]) -> None:
    """Raises Refused unless the work is finite and short enough to be looked at."""
    numbers = [number for work in works for number in (work.seconds, work.power_w, work.speed_mps)]
    if not all(math.isfinite(number) and number >= 0.0 for number in numbers):
        raise Refused(say("plans-work-is-not-finite"), say("check-its-numbers"), "plan-number")
    if sum(work.seconds for work in works) > LONGEST_S:
        raise Refused(say("plan-is-longer-than-day"), say("split-it"), "plan-length")


def judge(heat: RigHeat, works: Sequence[DutySegment], change: Change) -> Outcome:
    """The forward run that answers, for the question and for each suggestion alike."""
    return heat.through(works, shares_of(heat, change))


def shares_of(heat: RigHeat, change: Change) -> tuple[float, ...] | None:
    """The split that a change asks for, in rig order. Raises Refused when it is none."""
    if change.shares is None:
        return None
    names = [roll_set.name for roll_set in heat.rig.roll_sets]
    total = sum(change.shares.values())
    if set(change.shares) != set(names) or not 0.99 <= total <= 1.01:
        raise Refused(
            say("split-does-not-say-share-of"),
            say("give-together-1", names=names),
            "split",
        )
    return tuple(change.shares[name] / total for name in names)


def _until(works: Sequence[DutySegment], seconds: float) -> tuple[DutySegment, ...]:
    found: list[DutySegment] = []
    left = seconds
    for work in works:
        part = min(work.seconds, left)
        if part > 0.0:
            found.append(DutySegment(part, work.power_w, work.speed_mps))
        left -= part
    return tuple(found)


def _parted(works: Sequence[DutySegment], parts: int, pause_s: float) -> tuple[DutySegment, ...]:
    """The same work cut into parts of equal length with pauses between."""
    total = sum(work.seconds for work in works)
    cuts = [total * part / parts for part in range(parts + 1)]
    found: list[DutySegment] = []
    for begin, end in itertools.pairwise(cuts):
        if begin > 0.0:
            found.append(DutySegment(pause_s, 0.0, PAUSE_SPEED_MPS))
        at = 0.0
        for work in works:
            inside = min(at + work.seconds, end) - max(at, begin)
            if inside > 0.0:
                found.append(DutySegment(inside, work.power_w, work.speed_mps))
            at += work.seconds
    return tuple(found)
