"""Stepped map: one set point after the other, each averaged once it has settled.

Data flow: see control.test_kinds.base. A point that does not settle in time is void and the map
goes on.
"""

from __future__ import annotations

from control.load_loop.loop import Aim, Output
from control.test_kinds.base import (
    RADPS_PER_RPM,
    Description,
    Figures,
    Sums,
    Test,
    aim,
    check_speed,
    wheel_power,
)
from control.test_kinds.plans import SteppedMap
from daq.errors import Refused
from daq.measure.measured import Measured
from daq.rig.description import Rig
from daq.texts.message import Value, say

DRIFT_SHARE_S = 0.5  # how the slow mean of power follows, as a share of settle_s


def points_of(plan: SteppedMap) -> tuple[bool, tuple[float, ...]]:
    """Whether by engine speed, and the set points in rad/s or m/s. Raises Refused."""
    if bool(plan.points_rpm) == bool(plan.points_mps):
        raise Refused(
            say("stepped-map-needs-its-points-either"),
            say("give-points-rpm-or-points-mps"),
            "plan-points",
        )
    if plan.points_rpm:
        return True, tuple(rpm * RADPS_PER_RPM for rpm in plan.points_rpm)
    return False, plan.points_mps


class SteppedTest(Test):
    kind = "stepped-map"
    describe = Description(
        "Stepped map",
        "Conditions of the plan; an engine speed or a learned ratio for points in rpm.",
        (
            ("settle", say("point-keep-pedal-where-map-wants")),
            ("average", say("point-keep-pedal-still")),
        ),
        "After the last point.",
        "Per point: mean speed, wheel power and torque, their spread, and the time to settle.",
        (
            ("point-void", "a point did not settle within its time-out"),
            ("ended-early", "eased off before the last point"),
        ),
    )

    def __init__(
        self, run_id: str, plan: SteppedMap, rig: Rig, ratio_per_m: float | None = None
    ) -> None:
        super().__init__(run_id, rig, ratio_per_m)
        self.plan = plan
        self.by_engine, self.points = points_of(plan)
        self.unit = "rad/s" if self.by_engine else "m/s"
        self.demand.aim = int(Aim.SPEED)
        self.at = 0
        self.results: list[Figures] = []
        self._begin_point()
        if not self.by_engine:
            for point in self.points:
                check_speed(point, rig)

    def _begin_point(self) -> None:
        self.set_point = self.points[self.at]
        if not self.by_engine:  # by engine speed `follow` knows the roll speed that belongs to it
            self.demand.target = self.set_point
        self._inside_s = 0.0
        self._slow_w = self._fast_w = 0.0
        self._began_s = self.elapsed_s
        self._settle_s = 0.0
        self.value = Sums(self.set_point)
        self.power = Sums()
        self.tell_set_point("rpm" if self.by_engine else "speed", self.set_point)
        self.enter("settle", point=self.at + 1)

    def follow(self, measured: Measured, speed_mps: float, dt_s: float) -> None:
        if self.by_engine:
            self.measured = measured.engine_speed.value
            self.demand.target = self.engine_target(measured, self.set_point, speed_mps, dt_s)
        else:
            self.measured = speed_mps

    def step(self, measured: Measured, output: Output, dt_s: float) -> None:
        plan = self.plan
        self.elapsed_s += dt_s
        watts = wheel_power(measured)
        if self.phase == "average":
            if watts == watts:  # noqa: PLR0124 - not NaN
                self.value.add(self.measured)
                self.power.add(watts)
            if self.phase_s >= plan.average_s:
                self._end_point("")
            return
        off = self.measured / self.set_point - 1.0
        if not -plan.settle_band <= off <= plan.settle_band or self._inside_s == 0.0:
            self._slow_w = self._fast_w = watts
        part = min(1.0, dt_s / (DRIFT_SHARE_S * plan.settle_s))
        self._slow_w += (watts - self._slow_w) * part
        self._fast_w += (watts - self._fast_w) * min(1.0, 4.0 * part)
        inside = -plan.settle_band <= off <= plan.settle_band
        self._inside_s = self._inside_s + dt_s if inside else 0.0
        still = abs(self._fast_w - self._slow_w) <= plan.power_band * max(abs(self._slow_w), 2000.0)
        if self._inside_s >= plan.settle_s and still:
            self._settle_s = self.phase_s
            self.enter("average", point=self.at + 1)
        elif self.phase_s >= plan.timeout_s:
            self._settle_s = self.phase_s
            self.void(
                "point-void",
                say("point-did-not-settle-in-s", point=self.at + 1, timeout_s=plan.timeout_s),
            )
            self._end_point("settle-timeout")

    def _end_point(self, void: str) -> None:
        per = 1.0 / RADPS_PER_RPM if self.by_engine else 1.0
        name = "rpm" if self.by_engine else "speed_mps"
        told: Figures = {f"set_{name}": self.set_point * per, "settle_s": self._settle_s}
        if void:
            told["void"] = void
        else:
            told[name] = self.value.mean * per
            told[f"std_{name}"] = self.value.std * per
            told["power_w"] = self.power.mean
            told["std_power_w"] = self.power.std
            if self.by_engine:
                told["engine_torque_nm"] = self.power.mean / self.value.mean
        self.results.append(told)
        self.at += 1
        if self.at == len(self.points):
            self.at -= 1
            self.finish()
        else:
            self._begin_point()
            self.demand.fresh = bool(void)  # the reference of an unreached point is far off

    def figures(self) -> Figures:
        told: Figures = {"points": len(self.points), "points_done": len(self.results)}
        for number, result in enumerate(self.results, start=1):
            for name, value in result.items():
                told[f"point_{number}_{name}"] = value
        return told

    def aims(self) -> dict[str, Value]:
        quantity = "rpm" if self.by_engine else "speed"
        return {
            "aim": aim(quantity, self.set_point),
            "point": self.at + 1,
            "points": len(self.points),
        }
