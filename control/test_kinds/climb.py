"""Grade climb: a truck and its trailer up a hill; does it keep up with the target speed?

Data flow: see control.test_kinds.base and control.test_kinds.simulated_road.
"""

from __future__ import annotations

import math

import msgspec

from control.load_loop.loop import Aim, Output
from control.telemetry import TestView
from control.test_kinds.base import Description, Figures, Sums, Test, check_speed, wheel_power
from control.test_kinds.plans import Grade, GradeClimb
from control.test_kinds.road_load import check_grade
from control.test_kinds.simulated_road import VirtualTruck
from daq.errors import Refused
from daq.measure.measured import Measured
from daq.rig.description import Rig
from daq.texts.message import Value, say

ARRIVED_FOR_S = 1.0
GRADE_PER_S = 1.0  # per cent and second: how a grade set by hand comes in
CRAWL_S = 10.0


class ClimbTest(Test):
    kind = "grade-climb"
    goes_on = True
    whole_in = frozenset({"climb"})
    describe = Description(
        "Grade climb",
        "Conditions of the plan; straps, cooling air and extraction for a long full load.",
        (
            ("approach", say("drive-up-to-on-level")),
            ("climb", say("hold-on-hill")),
        ),
        "At the end of the route, after `seconds` or `distance_m`, whichever the plan gives.",
        "Time and distance kept up, longest time below, mean and lowest speed, wheel power, what "
        "got hot, what could not be delivered.",
        (
            ("shortfall", "the rig could not give the road's force for over 5 % of the time"),
            ("stopped", "the truck all but stopped"),
            ("held", "a fault kept the load from rising for over a second"),
            ("ended-early", "eased off before the end of the climb"),
        ),
    )

    def __init__(self, run_id: str, plan: GradeClimb, rig: Rig) -> None:
        super().__init__(run_id, rig)
        check_speed(plan.target_mps, rig)
        self.plan = plan
        self.set_point = plan.target_mps
        self.unit = "m/s"
        self.tell_set_point("speed", self.set_point)
        self.truck = VirtualTruck(plan.vehicle, plan.grade, rig)
        self.level = VirtualTruck(plan.vehicle, Grade(percent=0.0), rig)
        if plan.seconds is None and plan.distance_m is None and math.isinf(self.truck.route_end_m):
            raise Refused(say("climb-has-no-end"), say("give-seconds-or-distance-m-or"), "plan-end")
        self.end_m = min(plan.distance_m or math.inf, self.truck.route_end_m)
        self.total_s = plan.seconds if plan.seconds is not None else self.end_m / plan.target_mps
        self.demand.aim = int(Aim.TRACK)
        self._ease_in_n = 0.0
        self._near_s = 0.0
        self._below_s = 0.0
        self.kept_s = 0.0
        self.longest_below_s = 0.0
        self.speed = Sums(plan.target_mps)
        self.lowest = math.inf
        self.first = math.nan
        self.power = Sums()
        self.work_j = 0.0
        self.climbed_m = 0.0

    def adjust(self, set_point: float, quantity: str = "") -> None:
        """Change a constant grade by hand, in per cent; it comes in at 1 % per second."""
        if self.truck.constant is None or quantity not in ("", "grade"):
            super().adjust(set_point, quantity)
        self._asked_grade = check_grade(set_point)
        self.tell_set_point("grade", self._asked_grade)

    _asked_grade: float | None = None

    def follow(self, measured: Measured, speed_mps: float, dt_s: float) -> None:
        self.measured = speed_mps
        if self._asked_grade is not None and self.truck.constant is not None:
            step = GRADE_PER_S * dt_s
            off = self._asked_grade - self.truck.constant
            self.truck.constant += min(max(off, -step), step)

    def step(self, measured: Measured, output: Output, dt_s: float) -> None:
        demand = self.demand
        if self.phase == "approach":
            demand.target, demand.rate = self.level.step(output, 0.0, dt_s)
            self.shortfall_n = self.level.shortfall_n
            off = self.measured - self.set_point
            self._near_s = self._near_s + dt_s if abs(off) < self.plan.keep_mps else 0.0
            if self._near_s >= ARRIVED_FOR_S:
                self.enter("climb")
                self.first = self.measured
                self.short_s = self.short_ns = self.short_worst_n = 0.0
            return
        truck = self.truck
        demand.target, demand.rate = truck.step(output, self.elapsed_s, dt_s)
        self.shortfall_n = truck.shortfall_n
        self.elapsed_s += dt_s
        v = self.measured
        self.speed.add(v)
        self.lowest = min(self.lowest, v)
        self.climbed_m += v * dt_s * truck.now.grade_percent / 100.0
        watts = wheel_power(measured)
        if watts == watts:  # noqa: PLR0124 - not NaN
            self.power.add(watts)
            self.work_j += watts * dt_s
        if v >= self.set_point - self.plan.keep_mps:
            self.kept_s += dt_s
            self._below_s = 0.0
        else:
            self._below_s += dt_s
            self.longest_below_s = max(self.longest_below_s, self._below_s)
        if v < 2.0 * self._low and self._below_s > CRAWL_S:
            self.void("stopped", say("truck-all-but-stopped-on-hill"))
            self.finish(
                "stopped",
                say("truck-all-but-stopped-on-hill"),
                say("ask-for-smaller-grade-or-lighter"),
            )
        elif truck.now.distance_m >= self.end_m or (
            self.plan.seconds is not None and self.elapsed_s >= self.plan.seconds
        ):
            if self.short_s > 0.05 * self.elapsed_s:
                self.void("shortfall", say("rig-could-not-give-roads-force"))
            self.finish()

    def figures(self) -> Figures:
        told: Figures = {"target_mps": self.set_point, "distance_m": self.truck.now.distance_m}
        if self.elapsed_s > 0.0:
            told |= {
                "keeps_up": self.longest_below_s == 0.0,
                "kept_up_s": self.kept_s,
                "kept_up_share": min(1.0, self.kept_s / self.elapsed_s),
                "longest_below_s": self.longest_below_s,
                "mean_speed_mps": self.speed.mean,
                "lowest_speed_mps": self.lowest,
                "first_speed_mps": self.first,
                "last_speed_mps": self.measured,
                "climbed_m": self.climbed_m,
                "mean_power_w": self.power.mean,
                "work_j": self.work_j,
            }
        return told

    def aims(self) -> dict[str, Value]:
        return {"target_mps": self.set_point}

    def view(self, shortfall_n: float) -> TestView:
        now = self.truck.now
        return msgspec.structs.replace(
            super().view(shortfall_n), grade_percent=now.grade_percent, distance_m=now.distance_m
        )
