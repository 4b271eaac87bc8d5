"""Coastdown: roll out in neutral; how long between speeds, and what force that is.

Data flow: see control.test_kinds.base. Loaded coasts use the road load of
control.test_kinds.simulated_road or a constant force; the load comes on a little above the first
speed, so that it is settled there.
"""

from __future__ import annotations

from control.load_loop.loop import Aim, Output
from control.test_kinds.base import (
    FORCE_RAMP_S,
    Description,
    Figures,
    Test,
    base_inertia,
    check_force,
    check_speed,
)
from control.test_kinds.plans import Coastdown, Grade
from control.test_kinds.simulated_road import VirtualTruck
from daq.errors import Refused
from daq.measure.measured import Measured
from daq.rig.description import Rig
from daq.texts.message import Value, say

PUSH_MPS = 0.3  # speed may not rise by more during a coast


def check_coast(plan: Coastdown, rig: Rig) -> None:
    """Raises Refused when the coast cannot be driven on this rig."""
    check_speed(plan.from_mps + plan.lead_mps, rig)
    if plan.to_mps >= plan.from_mps:
        raise Refused(say("coast-goes-from-fast-to-slow"), say("make-to-mps-smaller"), "plan-coast")
    if plan.force_n is not None and plan.vehicle is not None:
        raise Refused(say("coast-has-two-loads"), say("give-force-n-or-vehicle-or"), "plan-coast")
    if plan.force_n is not None:
        check_force(plan.force_n, rig)
    if plan.force_n is not None or plan.vehicle is not None:
        check_speed(plan.to_mps, rig)


class CoastTest(Test):
    kind = "coastdown"
    goes_on = True
    describe = Description(
        "Coastdown",
        "Conditions of the plan; rolls and truck warmed up, or the losses are not the usual ones.",
        (
            ("run-up", say("drive-up-then-neutral")),
            ("coast", say("leave-in-neutral")),
        ),
        "When the last speed is passed.",
        "Time from first to last speed and per interval; mean force of what turns at the rolls.",
        (
            ("pushed", "the speed rose during the coast: a pedal, or a gear still in"),
            ("timeout", "the coast took longer than planned"),
            ("shortfall", "the absorbers could not give the load"),
            ("held", "a fault kept the load from rising for over a second"),
            ("ended-early", "eased off before"),
        ),
    )

    def __init__(self, run_id: str, plan: Coastdown, rig: Rig) -> None:
        super().__init__(run_id, rig)
        check_coast(plan, rig)
        self.plan = plan
        self.unit = "m/s"
        self.set_point = plan.from_mps
        self.truck = (
            VirtualTruck(plan.vehicle, Grade(percent=0.0), rig)
            if plan.vehicle is not None
            else None
        )
        self._mass = base_inertia(rig)
        self._above = False
        self._lowest = float("inf")
        self._before = float("nan")
        self.marks: list[tuple[float, float]] = []  # (speed, time since the first)
        self._next = plan.from_mps
        self.distance_m = 0.0

    def follow(self, measured: Measured, speed_mps: float, dt_s: float) -> None:
        self.measured = speed_mps

    def step(self, measured: Measured, output: Output, dt_s: float) -> None:
        plan, v = self.plan, self.measured
        before, self._before = self._before, v
        if self.truck is not None and self.demand.aim == Aim.TRACK:
            self.demand.target, self.demand.rate = self.truck.step(output, 0.0, dt_s)
            self.shortfall_n = self.truck.shortfall_n
        if self.phase == "run-up":
            lead = plan.from_mps + plan.lead_mps
            # Somewhat above where the coast begins: a ripple there while the truck still
            # gathers speed must not begin it.
            self._above = self._above or v > lead + 0.3 * plan.lead_mps
            if self._above and v <= lead:
                self._lowest = v
                self._put_on(output)
                self.enter("coast")
            return
        if v > self._lowest + PUSH_MPS:
            self.void("pushed", say("speed-rose-during-coast"))
        self._lowest = min(self._lowest, v)
        if self.marks:
            self.elapsed_s += dt_s
            self.distance_m += v * dt_s
            if self.demand.aim:
                self.watch_shortfall(output, dt_s, say("absorbers-could-not-give-load"))
        while v <= self._next and not self.done:
            part = (before - self._next) / (before - v) if before > v else 1.0
            if not self.marks:
                self.elapsed_s = (1.0 - part) * dt_s
            self.marks.append((self._next, self.elapsed_s - (1.0 - part) * dt_s))
            if self._next <= plan.to_mps:
                self.finish()
            self._next = max(self._next - plan.interval_mps, plan.to_mps)
        if self.phase_s > plan.timeout_s:
            self.void("timeout", say("coast-took-longer-than-s", timeout_s=plan.timeout_s))
            self.finish(
                "timeout",
                say("coast-took-too-long"),
                say("check-that-transmission-is-in-neutral"),
            )

    def _put_on(self, output: Output) -> None:
        demand = self.demand
        if self.plan.force_n is not None:
            demand.aim = int(Aim.FORCE)
            demand.target = self.plan.force_n
            demand.rate = self.rig.limits.max_force_n / FORCE_RAMP_S
            self.tell_set_point("force", self.plan.force_n)
        elif self.truck is not None:
            demand.aim = int(Aim.TRACK)
            demand.target, demand.rate = output.speed_mps, 0.0

    def figures(self) -> Figures:
        told: Figures = {"from_mps": self.plan.from_mps, "to_mps": self.plan.to_mps}
        if len(self.marks) > 1:
            told["coast_s"] = self.marks[-1][1]
            told["distance_m"] = self.distance_m
            mass = self._mass if self.truck is None else self.truck.load.effective_mass_kg
            told["mass_kg"] = mass
            for number in range(1, len(self.marks)):
                (fast, begin), (slow, end) = self.marks[number - 1], self.marks[number]
                told[f"interval_{number}_from_mps"] = fast
                told[f"interval_{number}_s"] = end - begin
                told[f"interval_{number}_force_n"] = mass * (fast - slow) / (end - begin)
        return told

    def aims(self) -> dict[str, Value]:
        above = self.plan.from_mps + 2.0 * self.plan.lead_mps
        return {"above_mps": above, "stop_mps": self.plan.to_mps}
