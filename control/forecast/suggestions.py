"""What would make a plan possible by heat: each suggestion is a question that was answered yes.

Data flow: question that was answered no -> candidates, in numbers that a person can type -> the
same check and the same forward run as for the question itself -> those that pass.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from typing import TypeGuard

import msgspec

from control.forecast.duty import Expected
from control.forecast.forward import Outcome
from control.forecast.question import Change, changed, judge, works_for
from control.forecast.rig_heat import RigHeat
from control.test_kinds.plans import (
    GradeClimb,
    Plan,
    PowerSweep,
    SpeedTrace,
    SpoolUp,
    SteadyHold,
    SteppedMap,
)
from daq.errors import Refused
from daq.quantities import UnitSystem, shown_value
from daq.texts.message import Message, Text, say

PAUSES_S = (300.0, 600.0, 1200.0)
PARTS = (2, 3, 4, 6, 8, 10)
FASTER = (1.15, 1.3, 1.5, 1.75, 2.0)
SLOWER = (0.95, 0.9, 0.85, 0.8, 0.75, 0.7, 0.65, 0.6, 0.55, 0.5, 0.45, 0.4, 0.35, 0.3)
COOL_FIRST_S = (300.0, 600.0, 1200.0, 2400.0, 3600.0)
LEAST_USEFUL_S = 30.0
SHORTER_STEP_S = 6.0  # a tenth of a minute, as it is told
LEAST_SHARE = 0.1  # of the power: less is no test any more
WARM_K = 20.0  # above ambient: below it there is nothing to cool


class Suggestion(msgspec.Struct, frozen=True):
    """Something that would make it possible."""

    kind: str  # shorter | less-power | faster-rolls | slower | split | pauses | cool-first
    text: Text
    value: float  # seconds, watts, m/s, share of the first roll set or number of parts, by kind
    change: Change = Change()  # the question with it answers yes


def share_list(shares: Iterable[tuple[str, float]]) -> tuple[Message, ...]:
    """How the power is shared between roll sets, one after the other."""
    return tuple(say("share-of", roll_set=name, share=share) for name, share in shares)


class _Search:
    """One question that was answered no, and the trying of changes to it."""

    def __init__(
        self, plan: Plan, heat: RigHeat, expected: Expected, asked: Change, units: UnitSystem
    ) -> None:
        self.heat, self.units, self.asked = heat, units, asked
        self.plan, self.expected = changed(plan, expected, asked)
        works = works_for(plan, heat, expected, asked)
        self.most_w = max(work.power_w for work in works)
        self.fastest_mps = max(work.speed_mps for work in works)
        self.seconds = sum(work.seconds for work in works)

    def change(self, **others: object) -> Change:
        """What was asked, with something otherwise."""
        return msgspec.structs.replace(self.asked, **others)

    def fits(self, change: Change | None) -> TypeGuard[Change]:
        if change is None:
            return False
        try:
            works = works_for(self.plan, self.heat, self.expected, change)
        except Refused:
            return False
        return judge(self.heat, works, change).possible

    def whole(self, value: float, unit: str, up: bool = False) -> float:
        """A number of the reader's unit without decimals, in SI: what is told can be typed."""
        per = shown_value(1.0, unit, self.units)
        return (math.ceil(value * per) if up else math.floor(value * per)) / per

    # ---- one kind of change each -----------------------------------------------------------------

    def shorter(self, found: Outcome) -> Suggestion | None:
        stops = found.stops_after_s
        if math.isnan(stops):
            return None
        seconds = SHORTER_STEP_S * math.floor(min(stops, self.seconds) / SHORTER_STEP_S)
        for _ in range(5):
            if seconds < LEAST_USEFUL_S:
                return None
            change = self.change(until_s=seconds)
            if isinstance(self.plan, SteadyHold):
                change = self.change(plan=msgspec.structs.replace(self.plan, seconds=seconds))
            if self.fits(change):
                return Suggestion(
                    "shorter", say("stop-after-min", after_min=seconds / 60.0), seconds, change
                )
            seconds -= SHORTER_STEP_S
        return None

    def at_power(self, watt: float) -> Change | None:
        """The question at less power; None for a plan whose power nobody can choose."""
        plan = self.plan
        if isinstance(plan, SteadyHold) and plan.power_w is not None:
            return self.change(plan=msgspec.structs.replace(plan, power_w=watt))
        if isinstance(plan, SteadyHold) and plan.force_n is not None:
            force = watt / self.fastest_mps
            return self.change(plan=msgspec.structs.replace(plan, force_n=force))
        if isinstance(plan, SteadyHold | SteppedMap | PowerSweep | SpoolUp | GradeClimb):
            return self.change(power_w=watt)
        return None

    def less_power(self) -> Suggestion | None:
        best, high = self.whole(LEAST_SHARE * self.most_w, "W", up=True), self.most_w
        change = self.at_power(best) if 0.0 < best < high else None
        if not self.fits(change):
            return None
        for _ in range(7):
            middle = self.whole(0.5 * (best + high), "W")
            if middle <= best:
                break
            other = self.at_power(middle)
            if self.fits(other):
                best, change = middle, other
            else:
                high = middle
        text = say("less-power-lasts", power_w=best)
        return Suggestion("less-power", text, best, change)

    def at_speed(self, factor: float) -> Change | None:
        """The same power in a gear that turns the rolls otherwise; None where no gear does."""
        plan, expected = self.plan, self.expected
        ratio, speed = expected.ratio_per_m, expected.speed_mps
        by_rpm = (
            getattr(plan, "rpm", None) is not None
            or getattr(plan, "from_rpm", None) is not None
            or bool(getattr(plan, "points_rpm", ()))
        )
        geared = self.change(
            ratio_per_m=ratio / factor if ratio else None,
            speed_mps=speed * factor if speed else None,
        )
        match plan:
            case SteadyHold(speed_mps=float(held)) | SpoolUp(speed_mps=float(held)):
                return self.change(plan=msgspec.structs.replace(plan, speed_mps=held * factor))
            case SteadyHold(power_w=float()) if speed:
                return geared
            case SteadyHold(force_n=float(force)) if speed:
                slower = msgspec.structs.replace(plan, force_n=force / factor)
                return self.change(plan=slower, speed_mps=speed * factor)
            case SteppedMap() if plan.points_mps:
                points = tuple(each * factor for each in plan.points_mps)
                return self.change(plan=msgspec.structs.replace(plan, points_mps=points))
            case PowerSweep(from_mps=float(a), to_mps=float(b), mps_per_s=float(rate)):
                swept = msgspec.structs.replace(
                    plan, from_mps=a * factor, to_mps=b * factor, mps_per_s=rate * factor
                )
                return self.change(plan=swept)
        return geared if by_rpm and (ratio or speed) else None

    def faster_rolls(self) -> Suggestion | None:
        for factor in FASTER:
            speed = self.whole(factor * self.fastest_mps, "m/s", up=True)
            change = self.at_speed(speed / self.fastest_mps)
            if self.fits(change):
                text = say("faster-rolls-last", speed_mps=speed)
                return Suggestion("faster-rolls", text, speed, change)
        return None

    def slowed(self, share: float) -> Change | None:
        """The same road or force driven slower; None where the plan gives no force."""
        plan = self.plan
        match plan:
            case GradeClimb():
                target = share * plan.target_mps
                return self.change(plan=msgspec.structs.replace(plan, target_mps=target))
            case SpeedTrace():
                points = tuple((seconds, share * mps) for seconds, mps in plan.points)
                return self.change(plan=msgspec.structs.replace(plan, points=points))
            case SteadyHold(force_n=float()) if self.expected.speed_mps:
                return self.change(speed_mps=share * self.expected.speed_mps)
        return None

    def slower(self) -> Suggestion | None:
        # Too slow the torque is not there either: look from the top, not by halving.
        for share in SLOWER:
            speed = self.whole(share * self.fastest_mps, "m/s")
            change = self.slowed(speed / self.fastest_mps) if speed > 0.0 else None
            if self.fits(change):
                text = say("slower-on-road-lasts", speed_mps=speed)
                if isinstance(self.plan, SteadyHold):
                    text = say("slower-at-force-lasts", speed_mps=speed)
                return Suggestion("slower", text, speed, change)
        return None

    def split(self) -> Suggestion | None:
        """The nearest other split between two roll sets that gets through."""
        names = [roll_set.name for roll_set in self.heat.rig.roll_sets]
        if len(names) != 2:
            return None
        here = self.asked.shares[names[0]] if self.asked.shares else self.heat.shares[0]
        steps = [share / 20.0 for share in range(2, 19)]
        for first in sorted(steps, key=lambda share: abs(share - here)):
            shares = dict(zip(names, (first, 1.0 - first), strict=True))
            change = self.change(shares=shares)
            if self.fits(change):
                told = share_list(shares.items())
                return Suggestion(
                    "split", say("other-split-lasts", shares=told), first,
                    change,
                )  # fmt: skip
        return None

    def pauses(self) -> Suggestion | None:
        """The fewest parts, then the shortest pause, that get through."""
        if not isinstance(self.plan, SteadyHold | SteppedMap | GradeClimb) or self.asked.parts > 1:
            return None
        for parts in PARTS:
            for pause in PAUSES_S:
                change = self.change(parts=parts, pause_s=pause)
                if self.fits(change):
                    text = say("parts-with-pauses-last", parts=parts, pause_min=pause / 60.0)
                    return Suggestion("pauses", text, float(parts), change)
        return None

    def cool_first(self) -> Suggestion | None:
        if max(self.heat.start_k) <= self.heat.ambient_k + WARM_K:
            return None
        for seconds in COOL_FIRST_S:
            change = self.change(cool_first_s=seconds)
            if self.fits(change):
                text = say("cool-for-min-first", pause_min=seconds / 60.0)
                return Suggestion("cool-first", text, seconds, change)
        return None


def most_power(plan: Plan, heat: RigHeat, expected: Expected, units: UnitSystem) -> float | None:
    """The most power that lasts to the end, W, of a question that was answered no; None: none."""
    found = _Search(plan, heat, expected, Change(), units).less_power()
    return found.value if found is not None else None


def suggest(
    plan: Plan,
    heat: RigHeat,
    expected: Expected,
    asked: Change,
    found: Outcome,
    units: UnitSystem,
) -> tuple[Suggestion, ...]:
    """Everything that would make the question possible, each tried as it is told."""
    search = _Search(plan, heat, expected, asked, units)
    tries: Sequence[Callable[[], Suggestion | None]] = (
        lambda: search.shorter(found), search.less_power, search.faster_rolls, search.slower,
        search.split, search.pauses, search.cool_first,
    )  # fmt: skip
    return tuple(one for one in (attempt() for attempt in tries) if one is not None)
