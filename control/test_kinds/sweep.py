"""Power sweep: full pedal through the speed range at a rate that the absorbers set.

Data flow: see control.test_kinds.base. The reference speed moves at the planned rate and the load
loop keeps the rolls on it, rising or falling, so that the same rate returns at each repeat.
"""

from __future__ import annotations

import math

from control.load_loop.loop import Aim, Output
from control.test_kinds.base import (
    NAN,
    RADPS_PER_RPM,
    SLIP,
    Description,
    Figures,
    Test,
    aim,
    check_speed,
    ramp_rate,
    wheel_power,
)
from control.test_kinds.plans import PowerSweep
from daq.errors import Refused
from daq.measure.measured import Measured
from daq.readings import Quality
from daq.rig.description import Rig
from daq.texts.message import Value, say

ARRIVED, ARRIVED_FOR_S = 0.015, 0.5
BEYOND = 1.05  # the reference runs past the end, so that the rate holds up to it
STILL_SHARE, STILL_FOR_S = 0.04, 1.0  # pull grown by less within this time: boost is there
PATIENCE_S = 15.0
PULL_S = 0.15
PEAK_S, PEAK_SHARE = 0.25, 0.05  # power is smoothed over this, or this share of the sweep
USUAL_S = 1.5
LIFT_SHARE = 0.55  # pull under this share of what it was: the driver lifted
RATE_SHARE = 0.25  # mean rate may miss the planned one by so much


def sweep_of(plan: PowerSweep) -> tuple[bool, float, float, float]:
    """By engine speed?, from, to (rad/s or m/s) and rate per second. Raises Refused."""
    by_rpm = (plan.from_rpm, plan.to_rpm, plan.rpm_per_s)
    by_mps = (plan.from_mps, plan.to_mps, plan.mps_per_s)
    engine = all(value is not None for value in by_rpm)
    rolls = all(value is not None for value in by_mps)
    none_of = by_mps if engine else by_rpm
    if engine == rolls or any(value is not None for value in none_of):
        raise Refused(
            say("sweep-needs-where-from-where-to"),
            say("give-from-rpm-to-rpm-rpm"),
            "plan-sweep",
        )
    per = RADPS_PER_RPM if engine else 1.0
    start, stop, rate = (float(value or 0.0) * per for value in (by_rpm if engine else by_mps))
    if abs(stop - start) < rate:
        raise Refused(
            say("sweep-is-over-within-second"), say("sweep-further-or-slower"), "plan-sweep"
        )
    return engine, start, stop, rate


class SweepTest(Test):
    kind = "power-sweep"
    describe = Description(
        "Power sweep",
        "Conditions of the plan; test gear, converter locked; engine speed or a learned ratio.",
        (
            ("approach", say("bring-truck-to-in-gear-of")),
            ("full pedal", say("floor-it-now-and-stay-on")),
            ("sweep", say("stay-on-floor-until")),
        ),
        "When the end speed is passed.",
        "Wheel power and torque over speed; the highest of both, where, and the rate kept.",
        (
            ("no-steady-pull", "the pull at the start never became steady"),
            ("lifted", "the pull fell away: the driver lifted, or the engine was cut"),
            ("slip", "tyres slipped or the ratio changed"),
            ("unlocked", "the converter was still open, or a lower gear in, as the sweep began"),
            ("shortfall", "the absorbers could not take what was needed to keep the rate"),
            ("rate", "the mean rate missed the planned one"),
            ("ended-early", "eased off before the end"),
        ),
    )

    def __init__(
        self, run_id: str, plan: PowerSweep, rig: Rig, ratio_per_m: float | None = None
    ) -> None:
        super().__init__(run_id, rig, ratio_per_m)
        self.plan = plan
        self.by_engine, self.start, self.stop, self.rate = sweep_of(plan)
        self.rising = self.stop > self.start
        self.unit = "rad/s" if self.by_engine else "m/s"
        self.set_point = self.start
        self.tell_set_point("rpm" if self.by_engine else "speed", self.start)
        self.total_s = abs(self.stop - self.start) / self.rate
        self.demand.aim = int(Aim.SPEED)
        self.demand.target = self.start
        if not self.by_engine:
            check_speed(self.start, rig)
            check_speed(self.stop, rig)
        self._near_s = 0.0
        self._pull = NAN
        self._usual = NAN
        self._last_pull, self._look_s = NAN, 0.0
        self._begin = NAN
        self._first_ratio = NAN
        self._once_w = self._twice_w = NAN
        self.peak_w = self.peak_w_at = 0.0
        self.peak_torque = self.peak_torque_at = 0.0

    def follow(self, measured: Measured, speed_mps: float, dt_s: float) -> None:
        sweeping = self.phase == "sweep"
        aim = self.start
        if sweeping:
            span = (BEYOND - 1.0) * self.stop + self.rate
            aim = self.stop + span if self.rising else max(self.stop - span, 0.3 * self.stop)
        self.demand.rate = ramp_rate(self.rig)
        if self.by_engine:
            self.measured = measured.engine_speed.value
            self.demand.target = self.engine_target(measured, aim, speed_mps, dt_s)
            if sweeping and self._ratio:
                self.demand.rate = self.rate / self._ratio
        else:
            self.measured = speed_mps
            self.demand.target = min(aim, self._fastest)
            if sweeping:
                self.demand.rate = self.rate
        if sweeping:
            self.set_point = self.planned()

    def planned(self) -> float:
        """Where the sweep should be by its own clock, in its unit."""
        moved = self.rate * self.elapsed_s
        if self.rising:
            return min(self._begin + moved, self.stop)
        return max(self._begin - moved, self.stop)

    def step(self, measured: Measured, output: Output, dt_s: float) -> None:
        drive = output.drive_n
        if self._pull != self._pull:
            self._pull = drive
        self._pull += (drive - self._pull) * min(1.0, dt_s / PULL_S)
        if self.phase == "approach":
            off = self.measured / self.start - 1.0
            self._near_s = self._near_s + dt_s if -ARRIVED < off < ARRIVED else 0.0
            if self._near_s >= ARRIVED_FOR_S:
                self.enter("full pedal")
                self._last_pull, self._look_s = self._pull, 0.0
        elif self.phase == "full pedal":
            self._spool(dt_s)
        else:
            self._sweep(measured, output, dt_s)

    def _spool(self, dt_s: float) -> None:
        self._look_s += dt_s
        if self._look_s >= STILL_FOR_S:
            still = abs(self._pull - self._last_pull) < STILL_SHARE * max(self._pull, 500.0)
            self._last_pull, self._look_s = self._pull, 0.0
            if still and self.phase_s >= self.plan.full_pedal_s:
                self._usual = self._pull
                self._begin = self.measured
                self.enter("sweep")
                return
        if self.phase_s > PATIENCE_S + self.plan.full_pedal_s:
            self.void("no-steady-pull", say("pull-at-start-speed-never-became"))
            self._usual = self._pull
            self._begin = self.measured
            self.enter("sweep")

    def _sweep(self, measured: Measured, output: Output, dt_s: float) -> None:
        self.elapsed_s += dt_s
        self._usual += (self._pull - self._usual) * min(1.0, dt_s / USUAL_S)
        if self._pull < LIFT_SHARE * self._usual:
            self.void("lifted", say("pull-fell-away-driver-lifted-or"))
        self.watch_slip(measured, dt_s)
        ratio = measured.overall_ratio
        if self._first_ratio != self._first_ratio and ratio.quality is Quality.GOOD:
            self._first_ratio = ratio.value
        self.watch_shortfall(output, dt_s, say("absorbers-could-not-take-what-rate"))
        watts = self._calm(wheel_power(measured), dt_s)
        if watts > self.peak_w:
            self.peak_w, self.peak_w_at = watts, self.measured
        engine = measured.engine_speed.value
        if engine > 1.0 and watts / engine > self.peak_torque:
            self.peak_torque, self.peak_torque_at = watts / engine, self.measured
        passed = self.measured >= self.stop if self.rising else self.measured <= self.stop
        if passed:
            if ratio.quality is Quality.GOOD and self._first_ratio > (1.0 + SLIP) * ratio.value:
                # Without a learned ratio nothing else tells why such a sweep keeps no rate.
                self.void("unlocked", say("converter-was-still-open-as-sweep"))
            wanted = abs(self.stop - self._begin) / self.rate
            if abs(self.elapsed_s / wanted - 1.0) > RATE_SHARE + 0.5 / wanted:
                self.void(
                    "rate", say("sweep-took-s-not-s", elapsed_s=self.elapsed_s, wanted_s=wanted)
                )
            self.finish()
        elif self.elapsed_s > 3.0 * self.total_s + 10.0:
            self.void("rate", say("end-speed-was-never-reached"))
            self.finish(
                "not-reached",
                say("end-speed-was-never-reached"),
                say("end-sweep-at-speed-that-truck"),
            )

    def _calm(self, watts: float, dt_s: float) -> float:
        """Power without what a tooth wheel's errors put on a single frame, and without lag on a
        ramp: Brown's double exponential smoothing."""
        if math.isnan(self._once_w):  # the first
            self._once_w = self._twice_w = watts
        share = min(1.0, dt_s / min(PEAK_S, PEAK_SHARE * self.total_s))
        if math.isfinite(watts):
            self._once_w += (watts - self._once_w) * share
            self._twice_w += (self._once_w - self._twice_w) * share
        return 2.0 * self._once_w - self._twice_w

    def figures(self) -> Figures:
        per = 1.0 / RADPS_PER_RPM if self.by_engine else 1.0
        key = "rpm" if self.by_engine else "speed_mps"
        told: Figures = {f"from_{key}": self.start * per, f"to_{key}": self.stop * per}
        if self.elapsed_s > 0.0:
            told["peak_power_w"] = self.peak_w
            told[f"peak_power_{key}"] = self.peak_w_at * per
            told["peak_engine_torque_nm"] = self.peak_torque
            told[f"peak_torque_{key}"] = self.peak_torque_at * per
            told["mean_rate"] = abs(self.measured - self._begin) * per / self.elapsed_s
            told["planned_rate"] = self.rate * per
        return told

    def aims(self) -> dict[str, Value]:
        quantity = "rpm" if self.by_engine else "speed"
        return {"start": aim(quantity, self.start), "stop": aim(quantity, self.stop)}
