"""Speed trace: the driver follows a speed over time against road load, with look-ahead.

Data flow: see control.test_kinds.base and control.test_kinds.simulated_road; the band is that of
daq.results.kinds.cycles (40 CFR 1066.425: highest and lowest trace speed within 1 s, plus and minus
2.0 mph).
"""

from __future__ import annotations

import math

import msgspec
import numpy as np

from control.load_loop.loop import Aim, Output
from control.telemetry import TestView
from control.test_kinds.base import Description, Figures, Test, aim, top_speed, wheel_power
from control.test_kinds.plans import SpeedTrace
from control.test_kinds.simulated_road import VirtualTruck, check_profile
from daq.errors import Refused
from daq.measure.measured import Measured
from daq.results.kinds import cycles
from daq.rig.description import Rig
from daq.texts.message import Value, say

GRID_S = 0.1  # of band and look-ahead
START_BAND_MPS = 1.0

LONGEST_S = 14_400.0  # the loop lays the whole trace out when it begins


def check_trace(plan: SpeedTrace, rig: Rig) -> None:
    """Raises Refused when the trace is not complete, goes back, or leaves the rig's speeds."""
    if not plan.points:
        problem = say("trace-has-not-been-read", file=plan.file) if plan.file else say("no-trace")
        raise Refused(problem, say("give-points-files-are-read-where"), "trace")
    check_profile(plan.points, "trace")
    if plan.points[-1][0] - plan.points[0][0] > LONGEST_S:
        raise Refused(
            say("trace-is-longer-than-h", longest_h=LONGEST_S / 3600.0), say("split-it"), "trace"
        )
    fastest = 0.98 * top_speed(rig)
    for number, (_, speed) in enumerate(plan.points, start=1):
        if not 0.0 <= speed <= fastest:
            raise Refused(
                say("trace-is-beyond-rig", number=number, speed_mps=speed, fastest_mps=fastest),
                say("use-another-trace"),
                "set-point-beyond-rig",
            )


class TraceTest(Test):
    kind = "speed-trace"
    goes_on = True
    describe = Description(
        "Speed trace",
        "Conditions of the plan; the truck at the first speed of the trace, usually standing.",
        (
            ("start", say("bring-truck-to-and-wait-for")),
            ("count-down", say("trace-begins-in-few-seconds-now")),
            ("trace", say("keep-inside-band")),
        ),
        "At the end of the trace.",
        "Excursions out of the band, distance, positive wheel work, speed error, shortfall.",
        (
            ("out-of-band", "outside the band for more than 2.0 s at once (40 CFR 1066.425)"),
            ("held", "a fault kept the load from rising for over a second"),
            ("ended-early", "eased off before the end"),
        ),
    )

    def __init__(self, run_id: str, plan: SpeedTrace, rig: Rig) -> None:
        super().__init__(run_id, rig)
        check_trace(plan, rig)
        self.plan = plan
        self.unit = "m/s"
        table = np.array(plan.points, dtype=np.float64)
        times = table[:, 0] - table[0, 0]
        trace = cycles.ReferenceTrace(times, table[:, 1], np.zeros(len(times)))
        self.total_s = float(times[-1])
        grid = np.arange(0.0, self.total_s + GRID_S, GRID_S)
        low, high = cycles.trace_limits(trace, grid, plan.band_mps)
        self._speeds: list[float] = np.interp(grid, times, table[:, 1]).tolist()
        self._lows: list[float] = low.tolist()
        self._highs: list[float] = high.tolist()
        self.truck = VirtualTruck(plan.vehicle, plan.grade, rig)
        self.demand.aim = int(Aim.TRACK)
        self.set_point = self._speeds[0]
        self.excursions = 0
        self.outside_s = 0.0
        self.longest_s = 0.0
        self._out_s = 0.0
        self._square = 0.0
        self.work_j = 0.0

    def at(self, values: list[float], time_s: float) -> float:
        """Linear between the grid's points."""
        place = min(max(time_s / GRID_S, 0.0), len(values) - 1.0)
        i = min(int(place), len(values) - 2)
        return values[i] + (place - i) * (values[i + 1] - values[i])

    def speed_at(self, time_s: float) -> float:
        """Trace speed at a time since its start, m/s."""
        return self.at(self._speeds, time_s)

    def follow(self, measured: Measured, speed_mps: float, dt_s: float) -> None:
        self.measured = speed_mps

    def step(self, measured: Measured, output: Output, dt_s: float) -> None:
        v = self.measured
        truck, demand = self.truck, self.demand
        demand.target, demand.rate = truck.step(output, self.elapsed_s, dt_s)
        self.shortfall_n = truck.shortfall_n
        if self.phase != "trace":
            near = abs(v - self.set_point) < START_BAND_MPS
            if self.phase == "start" and near:
                self.enter("count-down")
            elif self.phase == "count-down":
                if not near:
                    self.enter("start")
                elif self.phase_s >= self.plan.countdown_s:
                    self.enter("trace")
                    truck.now.distance_m = 0.0
                    self.short_s = self.short_ns = self.short_worst_n = 0.0
            return
        self.elapsed_s += dt_s
        time_s = self.elapsed_s
        self.set_point = self.at(self._speeds, time_s)
        watts = wheel_power(measured)
        if watts > 0.0:
            self.work_j += watts * dt_s
        self._square += (v - self.set_point) ** 2 * dt_s
        nearest = min(int(time_s / GRID_S + 0.5), len(self._lows) - 1)
        if self._lows[nearest] <= v <= self._highs[nearest]:
            self._out_s = 0.0
        else:
            if self._out_s == 0.0:
                self.excursions += 1
            self._out_s += dt_s
            self.outside_s += dt_s
            self.longest_s = max(self.longest_s, self._out_s)
            if self._out_s > cycles.EXCURSION_S:
                self.void("out-of-band", say("outside-band-for-more-than-2"))
        if time_s >= self.total_s:
            self.finish()

    def figures(self) -> Figures:
        told: Figures = {"distance_m": self.truck.now.distance_m}
        if self.elapsed_s > 0.0:
            told |= {
                "excursions": self.excursions,
                "outside_s": self.outside_s,
                "longest_excursion_s": self.longest_s,
                "speed_error_rms_mps": math.sqrt(self._square / self.elapsed_s),
                "positive_work_j": self.work_j,
            }
        return told

    def aims(self) -> dict[str, Value]:
        first = self._speeds[0]
        return {"start": say("standstill") if first < 0.1 else aim("speed", first)}

    def view(self, shortfall_n: float) -> TestView:
        time_s = self.elapsed_s if self.phase == "trace" else 0.0
        nearest = min(int(time_s / GRID_S + 0.5), len(self._lows) - 1)
        last = min(time_s + self.plan.ahead_s, self.total_s)
        count = max(0, int((last - time_s) / (2.5 * GRID_S)))
        ahead = tuple(
            (step * 2.5 * GRID_S, self.at(self._speeds, time_s + step * 2.5 * GRID_S))
            for step in range(count + 1)
        )
        now = self.truck.now
        return msgspec.structs.replace(
            super().view(shortfall_n),
            target_mps=self.set_point,
            band_low_mps=self._lows[nearest],
            band_high_mps=self._highs[nearest],
            ahead=ahead,
            grade_percent=now.grade_percent,
            distance_m=now.distance_m,
        )
