"""Spool-up: from a light load at one speed to the floor, then speed or load is held.

Data flow: see control.test_kinds.base. The times here are quick figures on tractive force; the
reported ones, with delays taken off and for boost too, come from daq.results.kinds.spoolup.
"""

from __future__ import annotations

from control.load_loop.loop import Aim, Output
from control.test_kinds.base import (
    FORCE_RAMP_S,
    NAN,
    RADPS_PER_RPM,
    Description,
    Figures,
    Sums,
    Test,
    absorbed,
    aim,
    check_force,
    check_speed,
    tractive,
)
from control.test_kinds.plans import SpoolUp
from daq.errors import Refused
from daq.measure.measured import Measured
from daq.rig.description import Rig
from daq.texts.message import Value, say

ARRIVED = 0.015
LIGHT_BAND_N, LIGHT_BAND = 350.0, 0.3  # force may be off by the larger of these
KICK_N, KICK_SHARE = 300.0, 0.25  # pull above the light one that counts as the kick
WAIT_KICK_S = 20.0
KEEP_EVERY_S = 0.01
MOST_OF_TOP = 0.93  # load held: the rolls run up; end before the rig's top speed


def speed_of(plan: SpoolUp) -> tuple[bool, float]:
    """By engine speed?, and the speed in rad/s or m/s. Raises Refused unless one is given."""
    if (plan.rpm is None) == (plan.speed_mps is None):
        raise Refused(
            say("spool-up-begins-at-one-speed"),
            say("give-either-rpm-or-speed-mps"),
            "plan-set-point",
        )
    if plan.rpm is not None:
        return True, plan.rpm * RADPS_PER_RPM
    return False, plan.speed_mps or 0.0


class SpoolUpTest(Test):
    kind = "spool-up"
    describe = Description(
        "Spool-up",
        "Conditions of the plan; test gear; engine speed or a learned ratio when rpm is held.",
        (
            ("light load", say("bring-to-speed-light-load")),
            ("ready", say("keep-pedal-still-then-floor-it")),
            ("rise", say("stay-on-floor")),
        ),
        "`seconds` after the kick; with load held also near the rig's top speed.",
        "t10, t50 and t90 of torque and boost after the kick, delays taken off.",
        (
            ("no-kick", "nobody floored the pedal in time"),
            ("no-rise", "the pull never rose clearly, or fell away within the time"),
            ("shortfall", "the absorbers could not hold the speed"),
            ("ended-early", "eased off before"),
        ),
    )

    def __init__(
        self, run_id: str, plan: SpoolUp, rig: Rig, ratio_per_m: float | None = None
    ) -> None:
        super().__init__(run_id, rig, ratio_per_m)
        self.plan = plan
        self.by_engine, self.set_point = speed_of(plan)
        check_force(plan.light_force_n, rig)
        if not self.by_engine:
            check_speed(self.set_point, rig)
        self.unit = "rad/s" if self.by_engine else "m/s"
        self.total_s = plan.seconds
        self.tell_set_point("rpm" if self.by_engine else "speed", self.set_point)
        self.demand.aim = int(Aim.SPEED)
        self.demand.target = self.set_point
        self.light = Sums()
        self._ready_s = 0.0
        self._kept: list[float] = []
        self._next_s = 0.0
        self.rise: tuple[float, float, float] | None = None
        self.full_n = NAN

    def follow(self, measured: Measured, speed_mps: float, dt_s: float) -> None:
        self.measured = measured.engine_speed.value if self.by_engine else speed_mps
        if self.demand.aim != Aim.SPEED:
            return
        if self.by_engine:
            self.demand.target = self.engine_target(measured, self.set_point, speed_mps, dt_s)

    def step(self, measured: Measured, output: Output, dt_s: float) -> None:
        plan, drive = self.plan, tractive(measured)
        if self.phase == "light load":
            newton, _ = absorbed(measured)
            off = self.measured / self.set_point - 1.0
            band = max(LIGHT_BAND_N, LIGHT_BAND * plan.light_force_n)
            fits = -ARRIVED < off < ARRIVED and abs(newton - plan.light_force_n) < band
            self._ready_s = self._ready_s + dt_s if fits else 0.0
            if self._ready_s >= plan.settle_s:
                self.enter("ready")
                if plan.after == "load":
                    self.demand.aim = int(Aim.FORCE)
                    self.demand.target = plan.light_force_n
                    self.demand.rate = self.rig.limits.max_force_n / FORCE_RAMP_S
                    self.tell_set_point("force", plan.light_force_n)
        elif self.phase == "ready":
            if self.light.n * dt_s < 1.0 or drive < self._threshold():
                self.light.add(drive)
            if self.light.n * dt_s >= 0.5 and drive > self._threshold():
                self.enter("rise")
            elif self.phase_s > WAIT_KICK_S:
                self.void("no-kick", say("nobody-floored-pedal-within-s", wait_kick_s=WAIT_KICK_S))
                self.finish(
                    "no-kick",
                    say("nobody-floored-pedal"),
                    say("start-again-and-floor-pedal-when"),
                )
        else:
            self._rise(output, drive, dt_s)

    def _threshold(self) -> float:
        return self.light.mean + max(KICK_N, KICK_SHARE * abs(self.light.mean))

    def _rise(self, output: Output, drive: float, dt_s: float) -> None:
        self.elapsed_s += dt_s
        self._next_s -= dt_s
        if self._next_s <= 0.0:
            self._next_s += KEEP_EVERY_S
            self._kept.append(drive)
        if self.plan.after == "speed":
            self.watch_shortfall(output, dt_s, say("absorbers-could-not-hold-speed"))
        fast = self.plan.after == "load" and output.speed_mps > MOST_OF_TOP * self._fastest
        if self.elapsed_s >= self.plan.seconds or fast:
            self._judge()
            self.finish()

    def _judge(self) -> None:
        """t10, t50 and t90 of the pull since the kick was seen, and what it rose to."""
        kept = self._kept
        tail = sorted(kept[len(kept) // 2 :])
        self.full_n = tail[len(tail) // 2] if tail else NAN
        low = self.light.mean
        times: list[float] = []
        for share in (0.1, 0.5, 0.9):
            level = low + share * (self.full_n - low)
            at = next((i for i, value in enumerate(kept) if value >= level), None)
            if at is None:
                break
            times.append(at * KEEP_EVERY_S)
        if len(times) < 3 or not self.full_n > low + KICK_N or kept[-1] < 0.6 * self.full_n:
            self.void("no-rise", say("pull-did-not-rise-and-stay"))
        else:
            self.rise = (times[0], times[1], times[2])

    def figures(self) -> Figures:
        told: Figures = {"after": self.plan.after}
        if self.light.n:
            told["light_tractive_n"] = self.light.mean
        if self.rise is not None:
            told["full_tractive_n"] = self.full_n
            told["t10_s"], told["t50_s"], told["t90_s"] = self.rise
            told["rise_10_90_s"] = self.rise[2] - self.rise[0]
        return told

    def aims(self) -> dict[str, Value]:
        quantity = "rpm" if self.by_engine else "speed"
        return {"aim": aim(quantity, self.set_point), "force_n": self.plan.light_force_n}
