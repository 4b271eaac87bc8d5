"""The simulated truck on a simulated road: what the rolls must do so that the driver feels both.

Data flow: tractive force of the truck as observed, road load at the reference speed, grade at this
time and place -> acceleration of a truck of the effective mass -> reference speed, which the load
loop makes the rolls follow. 40 CFR 1066.210(d)(3) turned round: v' = (F - road load) / Me, so the
simulated inertia is exact whatever the base inertia, and unlinked roll sets stay equal.

What the absorbers cannot do is a shortfall: driving (light trucks, downhill), holding near
standstill, more than their capacity. The reference then goes with the rolls
(control.load_loop.loop).
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence

import msgspec

from control.load_loop.loop import Output
from control.test_kinds.base import base_inertia
from control.test_kinds.plans import Grade, RoadVehicle
from control.test_kinds.road_load import (
    REFERENCE_AIR_KG_M3,
    RoadLoad,
    check_grade,
    check_road_load,
    effective_mass,
    with_load,
)
from daq.errors import Refused
from daq.rig.description import Rig
from daq.rig.gravity import STANDARD_GRAVITY
from daq.texts.message import say

CREEP_MPS = 0.05
NEED_S = 0.1  # what the road asks of the absorbers is averaged over this, for telling only


def road_load_of(vehicle: RoadVehicle) -> RoadLoad:
    """Road load of a plan's vehicle with cargo and trailer. Raises Refused when it cannot be."""
    own = vehicle.effective_mass_kg
    bare = RoadLoad(
        vehicle.a_n,
        vehicle.b_n_per_mps,
        vehicle.c_n_per_mps2,
        vehicle.mass_kg,
        own if own is not None else effective_mass(vehicle.mass_kg, vehicle.tyres),
    )
    return check_road_load(
        with_load(
            check_road_load(bare),
            cargo_kg=vehicle.cargo_kg,
            trailer_kg=vehicle.trailer_kg,
            trailer_tyres=vehicle.trailer_tyres,
            drag_area_change_m2=vehicle.drag_area_change_m2,
            rolling_coefficient=vehicle.rolling_coefficient,
        )
    )


class Profile:
    """Piecewise linear over a rising axis, read forwards; costs little at each frame."""

    __slots__ = ("_at", "_x", "_y", "end")

    def __init__(self, points: Sequence[tuple[float, float]]) -> None:
        self._x = [float(x) for x, _ in points]
        self._y = [float(y) for _, y in points]
        self._at = 0
        self.end = self._x[-1]

    def __call__(self, x: float) -> float:
        xs = self._x
        i = self._at
        last = len(xs) - 1
        if i < last and xs[i + 1] <= x:
            i += 1
            if i < last and xs[i + 1] <= x:
                i = bisect_right(xs, x) - 1
        elif x < xs[i]:
            i = max(0, bisect_right(xs, x) - 1)
        self._at = i
        if i >= last or x <= xs[0]:
            return self._y[last] if i >= last else self._y[0]
        part = (x - xs[i]) / (xs[i + 1] - xs[i])
        return self._y[i] + part * (self._y[i + 1] - self._y[i])


def check_profile(points: Sequence[tuple[float, float]], what: str) -> None:
    """Raises Refused unless numbers are finite and the first of each pair rises."""
    if len(points) < 2:
        raise Refused(
            say("has-fewer-than-two-points", what=what), say("give-whole-course"), "points"
        )
    before = -math.inf
    for number, (x, y) in enumerate(points, start=1):
        if not (math.isfinite(x) and math.isfinite(y)):
            raise Refused(
                say("point-of-is-not-number", number=number, what=what),
                say("mend-or-remove-it"),
                "points",
            )
        if x <= before:
            raise Refused(
                say("goes-back-at-point", what=what, number=number),
                say("sort-points-no-doubles"),
                "points",
            )
        before = x


def check_grades(grade: Grade) -> None:
    """Raises Refused unless the grade is given once, completely, and can be a road."""
    given = [grade.percent is not None, bool(grade.by_time), bool(grade.by_distance)]
    if grade.file:
        raise Refused(
            say("route-has-not-been-read", file=grade.file),
            say("give-its-points-as-by-distance"),
            "route",
        )
    if sum(given) != 1:
        raise Refused(
            say("grade-is-not-given-or-given"),
            say("give-exactly-one-of-percent-by"),
            "grade",
        )
    if grade.percent is not None:
        check_grade(grade.percent)
    for points, what in ((grade.by_time, "grade by time"), (grade.by_distance, "route")):
        if points:
            check_profile(points, what)
            for _, percent in points:
                check_grade(percent)


class RoadNow(msgspec.Struct, gc=False):
    """What the page shows of the road."""

    grade_percent: float = 0.0
    distance_m: float = 0.0
    asked_n: float = 0.0  # tractive force the road asks for at this acceleration


class VirtualTruck:
    """Reference speed of a truck on its road, stepped with the observed tractive force."""

    def __init__(self, vehicle: RoadVehicle, grade: Grade, rig: Rig) -> None:
        check_grades(grade)
        self.load = road_load_of(vehicle)
        self.now = RoadNow()
        self.constant = grade.percent
        self._by_time = Profile(grade.by_time) if grade.by_time else None
        self._by_distance = Profile(grade.by_distance) if grade.by_distance else None
        self.route_end_m = self._by_distance.end if self._by_distance is not None else math.inf
        self._wind = vehicle.headwind_mps
        self._c = self.load.c_n_per_mps2 * vehicle.air_kg_m3 / REFERENCE_AIR_KG_M3
        self._weight = self.load.mass_kg * STANDARD_GRAVITY
        self._base = base_inertia(rig)
        self._losses = [roll_set.loss_n for roll_set in rig.roll_sets]
        self._low = rig.limits.low_speed_mps
        self.speed_mps = 0.0
        self.acceleration = 0.0
        self.shortfall_n = 0.0
        self._needed_n = 0.0
        self._slope = -1.0
        self._grade_terms = (0.0, 0.0)

    def grade_at(self, time_s: float) -> float:
        """Grade now, %: by the plan's constant, time, or the distance driven."""
        if self._by_distance is not None:
            return self._by_distance(self.now.distance_m)
        if self._by_time is not None:
            return self._by_time(time_s)
        return self.constant or 0.0

    def road_n(self, speed_mps: float, grade_percent: float) -> float:
        """Road load without inertia, N; as road_load.force, with the slope kept."""
        if grade_percent != self._slope:
            self._slope = grade_percent
            slope = math.hypot(1.0, grade_percent / 100.0)
            self._grade_terms = (
                self.load.a_n / slope,
                self._weight * (grade_percent / 100.0) / slope,
            )
        rolling, hill = self._grade_terms
        if speed_mps < CREEP_MPS:  # standing, it needs no more than the hill
            rolling = 0.0
        through = speed_mps + self._wind
        return rolling + self.load.b_n_per_mps * speed_mps + self._c * through * abs(through) + hill

    def step(self, output: Output, time_s: float, dt_s: float) -> tuple[float, float]:
        """(reference, its acceleration) for this frame; `time_s` counts from the road's start."""
        rolls = output.speed_mps
        grade = self.grade_at(time_s)
        now = self.now
        now.grade_percent = grade
        reference = output.reference
        if not 0.0 <= reference < 200.0:
            reference = rolls
        road = self.road_n(reference, grade)
        mass = self.load.effective_mass_kg
        acceleration = (output.drive_n - road) / mass
        now.asked_n = road + mass * acceleration
        speed = reference + acceleration * dt_s
        if speed < 0.0:
            speed, acceleration = 0.0, 0.0
        now.distance_m += rolls * dt_s
        # Beyond what base inertia and losses do by themselves, the absorbers would have to give:
        needed = now.asked_n - self._base * acceleration
        for a, b, c in self._losses:
            needed -= a + rolls * (b + c * rolls)
        self._needed_n += (needed - self._needed_n) * min(1.0, dt_s / NEED_S)
        if rolls < self._low:  # nothing holds here
            hill = self._grade_terms[1]
            self.shortfall_n = abs(self._needed_n) if rolls > CREEP_MPS else max(0.0, hill)
        else:
            self.shortfall_n = max(0.0, -self._needed_n) + output.shortfall_n
        self.speed_mps = speed
        self.acceleration = acceleration
        return speed, acceleration
