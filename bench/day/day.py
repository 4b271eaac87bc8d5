"""The person at the tablet through a day of bench.day: tests, mishaps, pauses, what is compared."""

from __future__ import annotations

import math
import random
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from api.launch.demo_driver import CRUISE_MPS
from api.rehearsal.virtual_rig import HOLDER
from bench.day.plan import BREAKS, QUIET_S, DayRig, DayTest
from control.core.commands import (
    Acknowledge,
    Adjust,
    AnyCommand,
    EaseOff,
    MakeReady,
    Park,
    ReleaseHelm,
    ResetTrip,
    TakeHelm,
)
from control.telemetry import State
from control.test_kinds.plans import GradeClimb, SnapSmoke, SteadyHold, kind_of
from daq.errors import DrumlinError, Refused
from daq.measure.speed.estimator import DELAY_S
from daq.recording.reader import Recording
from daq.results.course import Phase
from daq.results.evaluate import evaluate
from daq.results.given import given_of
from daq.results.result import EvaluationSettings, Result
from daq.results.series.replay import Replay, gather
from simulator.seat import tell

LONGEST_S = 300.0  # no test of the day takes longer
MISHAPS = (
    ("none",) * 9
    + ("adjust",) * 3
    + ("ease off",) * 2
    + ("fault",) * 4
    + ("lift", "helm", "restart")
)
IDLES = ("stand", "stand", "roll", "neutral", "engine off", "park", "fault")
POWER_OFF = 0.004  # mean power of a whole run beside the truth, relative to the mean of its size
POWER_OFF_W = 200.0
BEYOND = 2.0  # a truth further out than so many half-widths breaks a rule
EVALUATED = frozenset({"hold", "climb", "average"})  # phases whose mean power is stated
ROUNDS = ("1", "2", "3")
PLAYED = frozenset({"steady-hold", "stepped-map", "power-sweep", "grade-climb"})


class Day:
    """The person at the tablet; `rig` drives itself."""

    def __init__(self, seed: int, folder: Path, answers: dict[str, list[float]]) -> None:
        """`answers`: of each test so far, also of the days before."""
        self.rig = DayRig(seed)
        self.draw = random.Random(seed)
        self.folder = folder
        self.rows: list[dict[str, Any]] = []
        self.answers = answers
        self.count = 0
        self.compared = 0
        self.differ = 0
        self.truths = 0
        self.covered = 0

    def begin(self) -> None:
        """Morning: zeros, cautions, ready."""
        self.rig.make_ready()

    def get_ready(self) -> bool:
        """What a person does until the rig is ready; False when it does not get there."""
        rig = self.rig
        why: list[str] = []
        for _ in range(60):
            state = rig.core.state
            if any(one.code == "clock-jump" and one.active for one in rig.core.telemetry().faults):
                rig.break_it({"target": "board", "kind": "reboot"}, 0.1)  # as the fault says
                rig.advance_for(QUIET_S)
                rig.plant.faults.clear()
            if any(one.code == "speed-lost" and one.active for one in rig.core.telemetry().faults):
                tell(rig.plant, {"gear": 4, "brake": 0.0, "pedal": 30.0})  # it shows when it turns
                rig.advance_for(12.0)
                tell(rig.plant, {"pedal": 0.0, "brake": 30.0})
                rig.advance_for(8.0)
            if state is State.READY and rig.core.telemetry().helm.holder == HOLDER:
                return True
            steps: tuple[AnyCommand, ...] = (
                TakeHelm(0, HOLDER, "day"), ResetTrip(0, HOLDER), Acknowledge(0, HOLDER),
                MakeReady(0, HOLDER),
            )  # fmt: skip
            for command in steps:
                if isinstance(command, ResetTrip) and rig.core.state is not State.TRIPPED:
                    continue
                if isinstance(command, MakeReady) and rig.core.state is not State.PARKED:
                    continue
                try:
                    rig.ask(command)
                except Refused as error:
                    why = [*why, f"{type(command).__name__}: {error.problem}"][-3:]
                    break
            rig.advance_for(2.0)
        faults = [one.code for one in rig.core.telemetry().faults if one.active]
        rig.rule(False, f"not ready again: {rig.core.state}, {faults}, {why}")
        return False

    def idle(self, seconds: float) -> None:
        """What a truck and people do between two tests."""
        rig, what = self.rig, self.draw.choice(IDLES)
        rig.next_step(f"idle {seconds:.0f} s, {what}")
        words: dict[str, Any] = {"pedal": 0.0, "brake": 30.0, "gear": 4}
        if what == "roll":
            words = {"brake": 0.0, "pedal": 12.0, "gear": 4}
        elif what == "neutral":
            words = {"brake": 0.0, "pedal": 0.0, "gear": 0}
        elif what == "engine off":
            words = {"brake": 30.0, "engine": "off"}
        elif what == "park" and rig.core.state is State.READY:
            rig.ask(Park(0, HOLDER))
        tell(rig.plant, words)
        if what == "fault" and seconds > 5.0:
            rig.break_it(self.draw.choice(BREAKS), self.draw.uniform(0.3, 4.0))
        rig.advance_for(seconds)
        tell(rig.plant, {"engine": "on", "brake": 30.0, "gear": 4})
        if what == "engine off":  # its speed shows when it has turned
            rig.ill_until_s = max(rig.ill_until_s, rig.plant.now_s + QUIET_S)
        rig.plant.faults.clear()
        rig.advance_for(5.0 if what == "roll" else 1.5)

    def test(self, asked: DayTest, mishap: str) -> None:
        """One test, whole or with a mishap, and what became of it."""
        rig, draw = self.rig, self.draw
        self.count += 1
        run_id = f"20260101-000000-{self.count:04x}"
        rig.next_step(f"{run_id[-4:]} {asked.name}, {mishap}")
        rig.speeds.clear()
        rig.following = True
        if getattr(asked.plan, "force_n", None) or getattr(asked.plan, "power_w", None):
            tell(rig.plant, {"drive_at_mps": CRUISE_MPS})
            rig.advance_for(25.0)
        self._come_in()
        if isinstance(asked.plan, SnapSmoke):  # begins standing, or is refused
            tell(rig.plant, {"pedal": 0.0, "brake": 30.0, "gear": 0})
            rig.advance_for(15.0)
        ended_at = len(rig.events)
        try:
            rig.begin(self.folder / run_id, asked.plan)
        except Refused as error:
            rig.rule(not rig.clean, f"not started: {error.problem}")
            self._close()
            return
        began_s = rig.plant.now_s
        at_s = began_s + draw.uniform(0.5, 40.0) if mishap != "none" else math.inf
        until_s = began_s + LONGEST_S
        while rig.core.state is State.LOADED and rig.plant.now_s < until_s:
            rig.advance()
            if rig.plant.now_s >= at_s:
                at_s = math.inf
                if mishap == "adjust":
                    self._adjust(asked)
                else:
                    self._mishap(mishap)
        over_s = rig.plant.now_s
        rig.rule(over_s < until_s, f"still in '{rig.phase}' after {LONGEST_S:.0f} s")
        if rig.core.state is State.LOADED:
            rig.ask(EaseOff(0, HOLDER))
        self._close()
        while rig.core.state is State.EASING and rig.plant.now_s < over_s + 30.0:
            rig.advance()
        rig.rule(rig.core.state is not State.EASING, "still easing 30 s after the test")
        whole = mishap in ("none", "adjust") or at_s < math.inf  # over before its mishap
        adjusted = mishap == "adjust" and at_s == math.inf
        if whole:
            rig.rule(
                rig.core.state in (State.READY, State.PARKED), f"{rig.core.state} after the test"
            )
        rig.following = True
        rig.advance_for(0.2)
        rig.plant.faults.clear()
        ended = [one for one in rig.events[ended_at:] if one.kind == "run-ended"]
        if mishap != "restart":  # then the loop's supervisor ends it
            rig.rule(len(ended) == 1, f"{len(ended)} ends of one run")
        told = dict(ended[-1].data) if ended else {}
        row: dict[str, Any] = {
            "run": run_id, "name": asked.name,
            "mishap": mishap if adjusted or not whole else "none",
            "seconds": over_s - began_s, "valid": bool(told.get("valid")),
            "void": str(told.get("void", "")),
        }  # fmt: skip
        if whole:
            rig.rule(row["valid"], f"void: {row['void']}, ended by {told.get('reason')}")
            self._judge(asked, self.folder / run_id, row, adjusted=adjusted)
        elif mishap != "restart":
            self._compare_cut(self.folder / run_id)
        self.rows.append(row)
        (self.folder / run_id / "raw.drm").unlink()

    def _come_in(self) -> None:
        """Half of all tests begin while the truck rolls, at any speed and for any while."""
        if self.draw.random() < 0.5:
            return
        words = {"brake": 0.0, "gear": 4, "drive_at_mps": self.draw.uniform(4.0, 19.0)}
        tell(self.rig.plant, words)
        self.rig.advance_for(self.draw.uniform(2.0, 20.0))

    def _adjust(self, asked: DayTest) -> None:
        """Another set point by hand, now and then of another quantity; a climb's grade."""
        plan, draw = asked.plan, self.draw
        if isinstance(plan, SteadyHold):
            quantity = draw.choice(("", "speed", "force", "power"))
            usual = {"speed": 15.0, "force": 2500.0, "power": 50e3}
            own = plan.rpm * math.pi / 30.0 if plan.rpm else plan.speed_mps or plan.force_n
            about = usual.get(quantity) or own or plan.power_w or 1.0
            self.rig.send(Adjust(0, HOLDER, about * draw.uniform(0.95, 1.05), quantity))
        elif isinstance(plan, GradeClimb) and plan.grade.percent is not None:
            self.rig.send(Adjust(0, HOLDER, draw.uniform(2.0, 5.0)))

    def _mishap(self, what: str) -> None:
        rig, draw = self.rig, self.draw
        rig.ill_until_s = max(rig.ill_until_s, rig.plant.now_s + 3.0)
        match what:
            case "ease off":
                rig.send(EaseOff(0, HOLDER))
            case "fault":
                fault = draw.choice(BREAKS)
                rig.now += f" {fault['target']} {fault['kind']}"
                rig.break_it(fault, draw.choice((0.05, 0.5, 5.0)))
            case "lift":
                rig.following = False
                tell(rig.plant, {"pedal": 0.0, "brake": draw.choice((0.0, 60.0))})
                rig.advance_for(draw.uniform(0.2, 3.0))
                rig.following = True
                rig.follower = type(rig.follower)()
            case "helm":
                rig.send(ReleaseHelm(0, HOLDER))
                rig._keep_at_s = math.inf
            case "restart":
                rig.restart()

    def _close(self) -> None:
        recorder, self.rig.recorder = self.rig.recorder, None
        if recorder is not None:
            recorder.close()

    def _compare_cut(self, folder: Path) -> None:
        """A test that was cut short still says the same live and in its result."""
        try:
            judged = Judged(self.rig, folder)
        except DrumlinError as error:
            self.rig.rule(False, f"not evaluated: {error.problem}")
            return
        self._agree(judged.result)

    def _agree(self, result: Result) -> None:
        for one in result.compared:
            self.compared += 1
            self.differ += not one.agrees
            # of a sensor that broke the two may differ; then a flag says that it did
            told = any(flag.code == "fault" for flag in result.flags)
            self.rig.rule(
                one.agrees or told,
                f"{one.figure}: live {one.live:.6g}, result {one.value} {one.unit}",
            )

    def _judge(self, asked: DayTest, folder: Path, row: dict[str, Any], *, adjusted: bool) -> None:
        """Evaluate the run and hold it against the truth and its repeats."""
        rig = self.rig
        try:
            judged = Judged(rig, folder)
        except DrumlinError as error:
            rig.rule(False, f"not evaluated: {error.problem}")
            return
        result, off = judged.result, judged.power_off()
        rig.rule(result.valid, f"its evaluation is void: {result.void}")
        self._agree(result)
        row["truths"] = judged.windows()
        for name, value, half, true in row["truths"]:
            self.truths += 1
            self.covered += abs(value - true) <= half
            rig.rule(
                abs(value - true) <= BEYOND * half,
                f"{name}: {value:.6g} +- {half:.2g} W, true {true:.6g} W",
            )
        row["flags"] = sorted({one.code for one in result.flags})
        row["power_off"] = off
        if kind_of(asked.plan) in PLAYED:
            rig.rule(abs(off) <= POWER_OFF, f"power {100.0 * off:.2f} % off the truth")
        main = result.figure(result.main)
        rig.rule(main is not None and main.value is not None, "no main figure")
        if main is None or main.value is None:
            return
        row["figure"], row["value"] = main.name, main.value
        row["low"], row["high"] = main.low, main.high
        if adjusted:  # another answer was asked for
            return
        before = self.answers.setdefault(asked.name, [])
        if before and math.isfinite(asked.spread):
            usual = float(np.median(before))
            apart = abs(main.value - usual) / (1.0 if asked.absolute else abs(usual))
            rig.rule(
                apart <= asked.spread, f"{main.name} {main.value:.5g}, else {usual:.5g} {main.unit}"
            )
        before.append(main.value)


class Judged:
    """A run's result beside what the simulator says, at the instants of the result's rows."""

    def __init__(self, rig: DayRig, folder: Path) -> None:
        """Raises DrumlinError when the run cannot be evaluated."""
        replay = Replay(Recording(folder / "raw.drm"), rig.rig)
        columns = gather(replay.chunks())
        plan = msgspec.json.decode(replay.header.plan)
        self.given = given_of(replay.rig, plan, columns, EvaluationSettings(), replay.events)
        self.result = evaluate(self.given, "bench")
        true = np.array(rig.truth)
        at_s = true[0, 0] - DELAY_S + self.given.time_s
        self.true_w = np.interp(at_s, true[:, 0], true[:, 2])

    def power_off(self) -> float:
        """How far the mean of all of the run's power is off the truth, relative to its size."""
        power = self.given.of("power_w")
        both = np.isfinite(power)  # not while the first edges come in
        off = float(np.mean(power[both])) - float(np.mean(self.true_w[both]))
        size = float(np.mean(np.abs(self.true_w[both])))
        return math.copysign(max(0.0, abs(off) - POWER_OFF_W), off) / max(size, 1.0)

    def windows(self) -> list[tuple[str, float, float, float]]:
        """Stated mean powers: name, value, half of its interval, the truth; W."""
        phases = [one for one in self.given.course.phases if one.name in EVALUATED]
        stated: list[tuple[str, Any, Any, Any, Phase]] = []
        mean = self.result.figure("mean_power")
        if mean is not None and phases:
            stated.append((mean.name, mean.value, mean.low, mean.high, phases[-1]))
        if self.result.kind == "stepped-map":
            of = {one.point: one for one in phases}
            stated += [
                (f"point {row['point']}", row["power_w"], row["low_w"], row["high_w"],
                 of[row["point"]])
                for row in self.result.table if row["point"] in of
            ]  # fmt: skip
        return [
            (name, value, (high - low) / 2.0,
             float(np.mean(self.true_w[phase.rows(self.given.time_s)])))
            for name, value, low, high, phase in stated
            if value is not None and low is not None and high is not None
        ]  # fmt: skip
