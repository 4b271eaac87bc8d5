"""What a plan asks of the absorbers, as a list of seconds, power and speed.

Data flow: plan + what is expected of the truck -> `duty_segments` -> control.forecast.endurance.
A first look at the heat of a test, not the test: take-up, gear changes and the driver are left out.
Where the plan leaves the power to the truck (holds by speed, maps, sweeps) somebody has to say
what it gives.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

import msgspec

from control.test_kinds.plans import (
    Coastdown,
    Grade,
    GradeClimb,
    Plan,
    PowerSweep,
    RoadVehicle,
    SnapSmoke,
    SpeedTrace,
    SpoolUp,
    SteadyHold,
    SteppedMap,
)
from control.test_kinds.road_load import RoadLoad, force
from control.test_kinds.simulated_road import Profile, check_grades, road_load_of
from daq.errors import Refused
from daq.rig.description import Rig
from daq.texts.message import say

RADPS_PER_RPM = 2.0 * math.pi / 60.0
APPROACH_S = 8.0  # from one point of a map to the next
SWEEP_PARTS = 10
QUICK_POINTS = 1000


class DutySegment(msgspec.Struct, frozen=True):
    """Constant work of all absorbers together."""

    seconds: float
    power_w: float
    speed_mps: float  # of the rolls


class Expected(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What the plan leaves open: what the truck will give."""

    power_w: float | None = None  # wheel power at full pedal
    speed_mps: float | None = None  # of the rolls, for holds by force or power
    ratio_per_m: float | None = None  # engine rad/s per roll m/s, for plans by rpm


def duty_segments(plan: Plan, rig: Rig, expected: Expected) -> tuple[DutySegment, ...]:
    """The plan's work. Raises Refused when something is left open that nobody has said."""
    match plan:
        case SteadyHold():
            return (_hold(plan, expected),)
        case SteppedMap():
            speeds = plan.points_mps or tuple(_roll(rpm, expected) for rpm in plan.points_rpm)
            power = _power(expected)
            seconds = APPROACH_S + plan.settle_s + plan.average_s
            return tuple(DutySegment(seconds, power, speed) for speed in speeds)
        case PowerSweep():
            return _sweep(plan, expected)
        case SpoolUp():
            speed = plan.speed_mps or _roll(plan.rpm or 0.0, expected)
            return (
                DutySegment(plan.settle_s, plan.light_force_n * speed, speed),
                DutySegment(plan.seconds, _power(expected), speed),
            )
        case GradeClimb():
            return _climb(plan, rig, expected)
        case SpeedTrace():
            return _trace(plan, rig)
        case Coastdown():
            return _coast(plan, rig)
        case SnapSmoke():
            return (DutySegment(plan.most_snaps * plan.idle_s, 0.0, 0.0),)
    raise Refused(say("nothing-is-known-of-heat-of"), say("rehearse-it"), "kind")


def heaviest_segment(plan: Plan, rig: Rig, expected: Expected) -> DutySegment | None:
    """The plan's work of most power; None when the plan leaves it open.

    Asked for by the load loop as a test begins: a long trace would take it too long.
    """
    if isinstance(plan, SpeedTrace) and len(plan.points) > QUICK_POINTS:
        return None
    try:
        works = duty_segments(plan, rig, expected)
    except Refused:
        return None
    return max(works, key=lambda work: work.power_w)


def _power(expected: Expected) -> float:
    if expected.power_w is None or not expected.power_w > 0.0:
        raise Refused(
            say("plan-leaves-power-to-truck"),
            say("say-what-wheel-power-to-expect"),
            "power-needed",
        )
    return expected.power_w


def _speed(expected: Expected) -> float:
    if expected.speed_mps is None or not expected.speed_mps > 0.0:
        raise Refused(
            say("plan-does-not-say-how-fast"),
            say("say-what-roll-speed-to-expect"),
            "speed-needed",
        )
    return expected.speed_mps


def _roll(rpm: float, expected: Expected) -> float:
    """Roll speed of an engine speed, m/s."""
    if expected.ratio_per_m is not None and expected.ratio_per_m > 0.0:
        return rpm * RADPS_PER_RPM / expected.ratio_per_m
    if expected.speed_mps is not None and expected.speed_mps > 0.0:
        return expected.speed_mps
    raise Refused(
        say("plan-goes-by-engine-speed-and"),
        say("learn-ratio-or-say-ratio-per"),
        "ratio-needed",
    )


def _hold(plan: SteadyHold, expected: Expected) -> DutySegment:
    if plan.power_w is not None:
        return DutySegment(plan.seconds, plan.power_w, _speed(expected))
    if plan.force_n is not None:
        speed = _speed(expected)
        return DutySegment(plan.seconds, plan.force_n * speed, speed)
    if plan.speed_mps is not None:
        return DutySegment(plan.seconds, _power(expected), plan.speed_mps)
    return DutySegment(plan.seconds, _power(expected), _roll(plan.rpm or 0.0, expected))


def _sweep(plan: PowerSweep, expected: Expected) -> tuple[DutySegment, ...]:
    if plan.from_rpm is not None and plan.to_rpm is not None and plan.rpm_per_s:
        start, stop = _roll(plan.from_rpm, expected), _roll(plan.to_rpm, expected)
        seconds = abs(plan.to_rpm - plan.from_rpm) / plan.rpm_per_s
    elif plan.from_mps is not None and plan.to_mps is not None and plan.mps_per_s:
        start, stop = plan.from_mps, plan.to_mps
        seconds = abs(stop - start) / plan.mps_per_s
    else:
        raise Refused(say("sweep-is-not-complete"), say("give-from-to-and-rate"), "plan-sweep")
    power = _power(expected)
    parts = [DutySegment(plan.full_pedal_s, power, start)] if plan.full_pedal_s else []
    for part in range(SWEEP_PARTS):
        speed = start + (stop - start) * (part + 0.5) / SWEEP_PARTS
        parts.append(DutySegment(seconds / SWEEP_PARTS, power, speed))
    return tuple(parts)


def absorber_power(rig: Rig, force_n: float, speed: float, rate: float) -> float:
    """What of a road load the absorbers take: less what the rolls' inertia and losses take, W."""
    for roll_set in rig.roll_sets:
        a, b, c = roll_set.loss_n
        force_n -= a + speed * (b + speed * c) + roll_set.base_inertia_kg * rate
    return max(0.0, force_n) * speed


def _grades(grade: Grade) -> Callable[[float, float], float]:
    """Per cent at a time and place. Raises Refused when no road can be like that."""
    check_grades(grade)
    if grade.by_time:
        by_time = Profile(grade.by_time)
        return lambda seconds, _: by_time(seconds)
    if grade.by_distance:
        by_distance = Profile(grade.by_distance)
        return lambda _, metres: by_distance(metres)
    percent = grade.percent or 0.0
    return lambda _seconds, _metres: percent


def _force(
    vehicle: RoadVehicle, load: RoadLoad, speed: float, rate: float, percent: float
) -> float:
    return force(
        load, speed, rate, percent, headwind_mps=vehicle.headwind_mps, air_kg_m3=vehicle.air_kg_m3
    )


def _climb(plan: GradeClimb, rig: Rig, expected: Expected) -> tuple[DutySegment, ...]:
    speed = plan.target_mps
    load, grades = road_load_of(plan.vehicle), _grades(plan.grade)
    seconds = plan.seconds
    if seconds is None:
        distance = plan.distance_m
        if distance is None and plan.grade.by_distance:
            distance = plan.grade.by_distance[-1][0]
        if distance is not None:
            seconds = distance / speed
        elif plan.grade.by_time:
            seconds = plan.grade.by_time[-1][0]
        else:
            raise Refused(
                say("climb-has-no-length"), say("give-seconds-or-distance-m"), "plan-length"
            )
    most = expected.power_w if expected.power_w else math.inf
    parts = max(1, min(400, round(seconds / 10.0)))
    each = seconds / parts
    found: list[DutySegment] = []
    for part in range(parts):
        middle = (part + 0.5) * each
        percent = grades(middle, middle * speed)
        asked = _force(plan.vehicle, load, speed, 0.0, percent)
        found.append(DutySegment(each, min(absorber_power(rig, asked, speed, 0.0), most), speed))
    return tuple(found)


def _trace(plan: SpeedTrace, rig: Rig) -> tuple[DutySegment, ...]:
    found: list[DutySegment] = []
    load, grades = road_load_of(plan.vehicle), _grades(plan.grade)
    distance = 0.0
    for (t0, v0), (t1, v1) in itertools.pairwise(plan.points):
        seconds = t1 - t0
        if seconds <= 0.0:
            continue
        speed, rate = 0.5 * (v0 + v1), (v1 - v0) / seconds
        distance += speed * seconds
        asked = _force(plan.vehicle, load, speed, rate, grades(t1, distance))
        found.append(DutySegment(seconds, absorber_power(rig, asked, speed, rate), speed))
    if not found:
        raise Refused(say("trace-is-empty"), say("give-its-points"), "plan-trace")
    return tuple(found)


def _coast(plan: Coastdown, rig: Rig) -> tuple[DutySegment, ...]:
    inertia = sum(roll_set.base_inertia_kg for roll_set in rig.roll_sets)
    parts = 10
    found: list[DutySegment] = []
    for part in range(parts):
        speed = plan.from_mps + (plan.to_mps - plan.from_mps) * (part + 0.5) / parts
        asked = plan.force_n or 0.0
        if plan.vehicle is not None:
            load = road_load_of(plan.vehicle)
            asked = max(0.0, _force(plan.vehicle, load, speed, 0.0, 0.0))
        losses = sum(
            one.loss_n[0] + speed * (one.loss_n[1] + speed * one.loss_n[2]) for one in rig.roll_sets
        )
        slowing = max(asked, losses, 1.0) / inertia
        seconds = abs(plan.to_mps - plan.from_mps) / parts / slowing
        found.append(DutySegment(min(seconds, plan.timeout_s / parts), asked * speed, speed))
    return tuple(found)
