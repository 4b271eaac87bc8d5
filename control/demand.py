"""What load does the running test ask for? Plan in, aim and target out, frame by frame.

Data flow: accepted plan -> Test (phases, clock of the test, summary) -> Demand for control.loads.
The test's clock is device time; it stands still while a fault says hold.
"""

# ruff: noqa: PLR0124 - x == x tells a number from NaN cheaply

from __future__ import annotations

import math

import msgspec

from control.loads import Aim, Between
from control.plans import Plan
from control.telemetry import TestView
from daq.errors import Refused
from daq.measured import Measured
from daq.readings import Quality
from daq.rig import Rig

RADPS_PER_RPM = 2.0 * math.pi / 60.0
ARRIVED_RELATIVE = 0.01  # close enough to the set point to start the clock
ARRIVED_FOR_S = 0.5
RATIO_SMOOTHING_S = 0.3  # engine speed over roll speed is averaged over this
RAMP_SHARE = 0.12  # a ramp may use this share of the rig's full force for acceleration


class Demand(msgspec.Struct, gc=False):
    """Mutable, owned by the running test, read by the core each frame."""

    aim: int = int(Aim.NOTHING)
    target: float = 0.0
    rate: float = 1.0  # of the target, per second
    between: int = int(Between.EQUAL_SPEED)


def ramp_rate(rig: Rig) -> float:
    """Acceleration of a set-point ramp, m/s2: a share of full force on the base inertia."""
    inertia = sum(roll_set.base_inertia_kg for roll_set in rig.roll_sets)
    return RAMP_SHARE * rig.limits.max_force_n / inertia


def check_plan(plan: Plan, rig: Rig, ratio_per_m: float | None, engine_speed: bool) -> None:
    """Raises Refused when this rig cannot do the plan.

    `ratio_per_m`: engine rad/s per roll m/s if known; `engine_speed`: one is measured now.
    """
    if (plan.rpm is None) == (plan.speed_mps is None):
        raise Refused(
            "A steady hold needs one set point.", "Give either rpm or speed_mps.", "plan-set-point"
        )
    for number in (plan.seconds, plan.settle_s, plan.rpm or 1.0, plan.speed_mps or 1.0):
        if not math.isfinite(number) or number < 0.0:
            raise Refused(
                "A number of the plan is not usable.", "Use finite positive ones.", "plan-number"
            )
    if plan.settle_s >= plan.seconds:
        raise Refused(
            "Settling takes the whole hold.", "Make seconds longer than settle_s.", "plan-settle"
        )
    if plan.rpm is not None:
        if ratio_per_m is None and not engine_speed:
            raise Refused(
                "There is no engine speed to hold.",
                "Connect a pickup, or drive in the gear of the test and learn the ratio.",
                "no-engine-speed",
            )
        if ratio_per_m is not None:
            check_speed(plan.rpm * RADPS_PER_RPM / ratio_per_m, rig)
    else:
        check_speed(plan.speed_mps or 0.0, rig)


def top_speed(rig: Rig) -> float:
    """The fastest the rig and every roll set may turn, m/s."""
    return min(rig.limits.max_speed_mps, *(one.max_speed_mps for one in rig.roll_sets))


def check_speed(speed_mps: float, rig: Rig) -> None:
    """Raises Refused when the rig cannot hold this roll speed."""
    fastest = top_speed(rig)
    if not math.isfinite(speed_mps) or speed_mps > 0.98 * fastest:
        raise Refused(
            f"{speed_mps:.1f} m/s is beyond the rig's {fastest:.1f} m/s (2 % kept free).",
            "Choose a lower set point or a lower gear.",
            "set-point-beyond-rig",
        )
    if speed_mps < 1.5 * rig.limits.low_speed_mps:
        raise Refused(
            f"{speed_mps:.2f} m/s is too slow: an eddy-current brake holds little near standstill.",
            f"Hold at {1.5 * rig.limits.low_speed_mps:.1f} m/s or more.",
            "set-point-too-slow",
        )


class Sums:
    """Running mean and standard deviation about a reference: small differences stay exact."""

    __slots__ = ("first", "n", "reference", "second", "worst")

    def __init__(self, reference: float) -> None:
        self.reference = reference
        self.n = 0
        self.first = 0.0
        self.second = 0.0
        self.worst = 0.0

    def add(self, value: float) -> None:
        off = value - self.reference
        self.n += 1
        self.first += off
        self.second += off * off
        if off > self.worst or -off > self.worst:
            self.worst = off if off > 0.0 else -off

    @property
    def mean(self) -> float:
        return self.reference + self.first / self.n if self.n else float("nan")

    @property
    def std(self) -> float:
        if self.n < 2:
            return float("nan")
        return math.sqrt(max(0.0, (self.second - self.first * self.first / self.n) / (self.n - 1)))


class Test:
    """One running steady hold."""

    __test__ = False  # not a pytest class

    def __init__(self, run_id: str, plan: Plan, rig: Rig, ratio_per_m: float | None) -> None:
        self.run_id = run_id
        self.plan = plan
        self.plan_kind = "steady-hold"
        self.by_engine = plan.rpm is not None
        self.set_point = (
            plan.rpm * RADPS_PER_RPM if plan.rpm is not None else (plan.speed_mps or 0.0)
        )
        self.unit = "rad/s" if self.by_engine else "m/s"
        self.demand = Demand(aim=int(Aim.SPEED), rate=ramp_rate(rig))
        self.phase = "take-up"
        self.elapsed_s = 0.0  # since arrival
        self.done = False
        self.measured = float("nan")
        self._rig = rig
        self._fastest = top_speed(rig)
        self._ratio = ratio_per_m
        self._near_s = 0.0
        self.value = Sums(self.set_point)
        self.power = Sums(0.0)
        self.within = 0

    def adjust(self, set_point: float) -> None:
        """A new set point in the unit of the plan. Raises Refused when it is beyond the rig."""
        if not math.isfinite(set_point) or set_point <= 0.0:
            raise Refused("That set point is not usable.", "Give a positive number.", "set-point")
        if self.by_engine:
            if self._ratio:
                check_speed(set_point / self._ratio, self._rig)
        else:
            check_speed(set_point, self._rig)
        self.set_point = set_point
        self.value = Sums(set_point)
        self.power = Sums(0.0)
        self.within = 0

    def update(self, measured: Measured, fastest_mps: float, dt_s: float, held: bool) -> Demand:
        """One frame. `fastest_mps` is the observed speed of the fastest roll set."""
        demand = self.demand
        if self.by_engine:
            engine = measured.engine_speed
            self.measured = engine.value
            speed = fastest_mps
            if engine.quality is Quality.GOOD and speed > self._rig.limits.low_speed_mps:
                now = engine.value / speed
                if self._ratio is None:
                    self._ratio = now
                else:
                    self._ratio += (now - self._ratio) * min(1.0, dt_s / RATIO_SMOOTHING_S)
            target = self.set_point / self._ratio if self._ratio else self._fastest
            demand.target = target if target < self._fastest else self._fastest
        else:
            self.measured = fastest_mps
            demand.target = self.set_point
        if held:
            return demand
        off = self.measured / self.set_point - 1.0
        if self.phase == "take-up":
            self._near_s = (
                self._near_s + dt_s if -ARRIVED_RELATIVE < off < ARRIVED_RELATIVE else 0.0
            )
            if self._near_s >= ARRIVED_FOR_S:
                self.phase = "settle"
        else:
            self.elapsed_s += dt_s
            if self.phase == "settle" and self.elapsed_s >= self.plan.settle_s:
                self.phase = "hold"
            if self.phase == "hold" and off == off:
                self.value.add(self.measured)
                watts = 0.0
                for roll_set in measured.roll_sets:
                    watts += roll_set.power.value
                if watts == watts:
                    self.power.add(watts)
                tolerance = self.plan.tolerance.relative
                if -tolerance <= off <= tolerance:
                    self.within += 1
            if self.elapsed_s >= self.plan.seconds:
                self.done = True
        return demand

    def summary(self) -> dict[str, str | float | int | bool]:
        """In-core figures of the settled part; daq.results computes the reported ones."""
        n = self.value.n
        per = 1.0 / RADPS_PER_RPM if self.by_engine else 1.0
        key = "rpm" if self.by_engine else "speed_mps"
        figures: dict[str, str | float | int | bool] = {
            "run_id": self.run_id,
            "kind": "steady-hold",
            "phase": self.phase,
            "elapsed_s": self.elapsed_s,
            "samples": n,
        }
        if n:
            figures[f"set_{key}"] = self.set_point * per
            figures[f"mean_{key}"] = self.value.mean * per
            figures[f"std_{key}"] = self.value.std * per
            figures[f"worst_{key}_error"] = self.value.worst * per
            figures["in_tolerance"] = self.within / n
        if self.power.n:
            figures["mean_power_w"] = self.power.mean
            figures["std_power_w"] = self.power.std
            if self.by_engine:
                figures["mean_engine_torque_nm"] = self.power.mean / self.value.mean
        return figures

    def view(self, shortfall_n: float) -> TestView:
        if self.by_engine:
            aim = f"{self.set_point / RADPS_PER_RPM:,.0f} rpm"
        else:
            aim = f"{self.set_point * 3.6:.1f} km/h"
        instruction = {
            "take-up": f"Bring the truck up to {aim} and keep the pedal where the test wants it.",
            "settle": "Keep the pedal still; the load is settling.",
            "hold": "Keep the pedal still.",
        }[self.phase]
        error = self.measured / self.set_point - 1.0
        return TestView(
            self.run_id, "steady-hold", self.phase, instruction, self.elapsed_s, self.plan.seconds,
            self.set_point, self.unit, self.measured, error, shortfall_n,
        )  # fmt: skip
