"""A test run against the simulated rig in virtual time: the same core, the same wire bytes.

The one place that knows both the simulator and the project (the composition root). Data flows:
Plant.advance -> wire bytes -> Deframer -> Core.step -> encode -> Plant.receive, frame by frame,
as fast as it goes; the truth is read beside the wire and only for the result.
"""

from __future__ import annotations

import dataclasses
import math
import time
from collections.abc import Sequence
from pathlib import Path
from typing import cast

import msgspec
import numpy as np

from control.core.commands import (
    Acknowledge,
    Answer,
    AnyCommand,
    KeepHelm,
    MakeReady,
    StartTest,
    TakeHelm,
    ZeroCells,
)
from control.core.core import Core, CoreOutput
from control.core.memory import Memory
from control.telemetry import Event, State
from control.test_kinds.plans import SteadyHold
from daq.errors import DrumlinError, Refused
from daq.rig.description import Rig, load_rig
from daq.wire.codec import encode
from daq.wire.deframer import Deframer, Direction
from daq.wire.frames import FromFrontEnd
from simulator.plant import Plant
from simulator.setup import tarnhow

HOLDER = "rehearsal:1"
_RPM = 60.0 / (2.0 * math.pi)
_KEEP_HELM_S = 1.0
_PATIENCE_S = 120.0  # virtual; no step of a rehearsal may take longer
# A longer test is rehearsed at fewer frames a second: the simulated rig moves as finely as ever
# between them, and what is asked of a long test (heat, force, speed kept) does not change.
LONG_S, COARSE_HZ = 300.0, 100


class RehearsalSettings(msgspec.Struct, frozen=True):
    """What to rehearse: the plan and how the simulated driver drives."""

    rig: Path
    plan: SteadyHold
    gear: int | None = None
    pedal_pct: float = 100.0
    seed: int = 1


class VirtualRig:
    """Core and simulated rig joined by wire bytes. Time passes only in `advance`."""

    def __init__(
        self, rig: Rig, seed: int, memory: Memory | None = None, plant: Plant | None = None
    ) -> None:
        """`plant` in place of the usual one, when another simulated rig is wanted."""
        self.rig = rig
        self.plant = plant if plant is not None else _plant_of(rig, seed)
        self.core = Core(rig, memory)
        self.deframer = Deframer(Direction.FROM_FRONT_END)
        self.events: list[Event] = []
        self.answers: dict[int, Answer] = {}
        self.frames = 0
        self._commands: list[AnyCommand] = []
        self._ids = 0
        self._keep_at_s = math.inf
        self._hand_over(self.core.step(None, (), self.plant.now_s))

    def send(self, command: AnyCommand) -> int:
        """Queue a command for the next frame; returns the id its answer will carry."""
        self._ids += 1
        self._commands.append(msgspec.structs.replace(command, id=self._ids))
        return self._ids

    def ask(self, command: AnyCommand) -> None:
        """Send a command and advance until it is answered. Raises Refused when it is refused."""
        number = self.send(command)
        until = self.plant.now_s + 1.0
        while number not in self.answers:
            self.advance()
            if self.plant.now_s > until:
                raise DrumlinError(
                    "The core did not answer a command for 1 s of virtual time.",
                    "This is a defect; please report it.",
                )
        answer = self.answers.pop(number)
        if not answer.accepted:
            raise Refused(answer.reason, answer.remedy, answer.code)
        if isinstance(command, TakeHelm):
            self._keep_at_s = self.plant.now_s + _KEEP_HELM_S

    def advance(self) -> None:
        """One frame period: the rig moves, the core answers each frame at once."""
        plant = self.plant
        commands: Sequence[AnyCommand] = ()
        if self._commands:
            commands, self._commands = self._commands, []
        now_s = plant.now_s
        if now_s >= self._keep_at_s:
            self._keep_at_s = now_s + _KEEP_HELM_S
            self.send(KeepHelm(0, HOLDER))
        for frame in self.deframer.feed(plant.advance()):  # from the front end only
            self._hand_over(self.core.step(cast(FromFrontEnd, frame), commands, plant.now_s))
            commands = ()
        self.frames += 1

    def advance_for(self, seconds: float) -> None:
        """Let virtual time pass."""
        until = self.plant.now_s + seconds - 1e-9
        while self.plant.now_s < until:
            self.advance()

    def make_ready(self) -> None:
        """The way to `ready` that a person takes: helm, zeros, cautions, ready."""
        self.advance_for(2.0)  # by then it is known that the rolls stand
        self.ask(TakeHelm(0, HOLDER, "rehearsal"))
        self.ask(ZeroCells(0, HOLDER))
        self.advance_for(2.0)
        self.ask(Acknowledge(0, HOLDER))
        self.ask(MakeReady(0, HOLDER))

    def _hand_over(self, step: CoreOutput) -> None:
        if step.set_point is not None:
            self.plant.receive(encode(step.set_point))
        for other in step.send:
            self.plant.receive(encode(other))
        for answer in step.answers:
            self.answers[answer.id] = answer
        if step.events:
            self.events.extend(step.events)


def _plant_of(rig: Rig, seed: int) -> Plant:
    """The usual simulated rig with a board that sends as many frames as the rig file says."""
    setup = tarnhow(seed)
    board = dataclasses.replace(setup.front_end, frame_hz=rig.frame_hz)
    return Plant(dataclasses.replace(setup, front_end=board), seed)


def rig_for(rig: Rig, seconds: float) -> Rig:
    """The rig as it is rehearsed: at COARSE_HZ when the test is long."""
    if seconds <= LONG_S or rig.frame_hz <= COARSE_HZ:
        return rig
    return msgspec.structs.replace(rig, frame_hz=COARSE_HZ)


class Collected:
    """Rows of the hold, one per frame: time, measured engine speed and power, true ones."""

    def __init__(self, frames: int) -> None:
        self._rows = np.full((frames, 5), np.nan)
        self._count = 0

    def take(self, time_s: float, virtual: VirtualRig, power_at: int, engine_at: int) -> None:
        measured = virtual.core.measured
        if measured is None or self._count >= len(self._rows):
            return
        power = 0.0
        for roll_set in measured.roll_sets:
            power += roll_set.power.value
        truth = virtual.plant.world.truth_row
        row = self._rows[self._count]
        row[0] = time_s
        row[1] = measured.engine_speed.value
        row[2] = power
        row[3] = truth[engine_at]
        row[4] = truth[power_at]
        self._count += 1

    @property
    def rows(self) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
        """What was taken."""
        return self._rows[: self._count]


def plan_of(kind: str, minutes: float, rpm: float | None, speed_kmh: float | None) -> SteadyHold:
    """A plan from the command line. Raises DrumlinError when it cannot be."""
    if kind != "steady-hold":
        raise DrumlinError(
            f"'{kind}' cannot be rehearsed by name; only steady-hold can.",
            "Give a plan file of that kind; there are examples in plans/.",
        )
    if (rpm is None) == (speed_kmh is None):
        raise DrumlinError(
            "A steady hold needs one set point.", "Give either --rpm or --speed-kmh, not both."
        )
    seconds = minutes * 60.0
    asked = {
        "kind": kind,
        "seconds": seconds,
        "rpm": rpm,
        "speed_mps": None if speed_kmh is None else speed_kmh / 3.6,
        "settle_s": min(10.0, seconds / 3.0),
    }
    try:
        return msgspec.convert(asked, SteadyHold)
    except msgspec.ValidationError as error:
        raise DrumlinError(
            f"That steady hold is impossible: {error}.", "Correct the number and try again."
        ) from None


def rehearse(settings: RehearsalSettings) -> dict[str, object]:
    """Run the plan; the result as plain data. Raises DrumlinError when it cannot be run."""
    plan = settings.plan
    rig = rig_for(load_rig(settings.rig), plan.seconds)
    begun_s = time.perf_counter()
    virtual = VirtualRig(rig, settings.seed)
    driver = virtual.plant.driver
    if settings.gear is not None:
        driver.tell(gear=settings.gear)
    if not 0.0 < settings.pedal_pct <= 100.0:
        raise DrumlinError("The pedal goes from 0 to 100 %.", "Give --pedal within that.")
    virtual.make_ready()
    driver.tell(pedal=min(settings.pedal_pct / 100.0, 0.4))  # drive up to the set point
    drive_up(virtual, plan)
    virtual.ask(StartTest(0, HOLDER, "rehearsal", plan))
    started_s = virtual.plant.now_s
    driver.tell(pedal=settings.pedal_pct / 100.0)
    names = virtual.plant.truth_names
    power_at, engine_at = names.index("power_w"), names.index("engine_radps")
    hottest_k = 0.0
    skins = [place for place, name in enumerate(names) if name.endswith("_skin_k")]
    collected = Collected(int((plan.seconds + 10.0) * rig.frame_hz))
    patience_s = started_s + plan.seconds + _PATIENCE_S
    while virtual.core.state is State.LOADED:
        virtual.advance()
        if virtual.plant.now_s > patience_s:
            raise DrumlinError(
                f"The hold did not reach its set point within {_PATIENCE_S:g} s.",
                "The absorbers or the engine cannot do it; choose another set point or --pedal.",
            )
        test = virtual.core.test
        if test is not None and test.phase == "hold":  # taken up and settled
            collected.take(virtual.plant.now_s, virtual, power_at, engine_at)
    truth = virtual.plant.world.truth_row
    hottest_k = max(float(truth[place]) for place in skins)
    roll_mps = float(truth[names.index("rear_speed_mps")])
    ratio_per_m = float(truth[engine_at]) / max(roll_mps, 0.1)
    ended = virtual.core.state
    driver.tell(pedal=0.0)
    while virtual.core.state is State.EASING:
        virtual.advance()
    driver.tell(brake=0.3)
    simulated_s = virtual.plant.now_s
    wall_s = time.perf_counter() - begun_s
    rows = collected.rows
    return {
        "kind": "steady-hold",
        "rig": rig.name,
        "seed": settings.seed,
        **_figures(rows, plan, virtual),
        **_verdict(virtual.events),
        "states": _states(virtual.events),
        "state_after_hold": ended.value,
        "state_at_end": virtual.core.state.value,
        "first_cause": virtual.core.telemetry().first_cause,
        "faults": sorted({event.text for event in virtual.events if event.kind == "fault"}),
        "true_hottest_rotor_c": hottest_k - 273.15,
        "estimated_hottest_rotor_c": max(
            (absorber.rotor_k for absorber in virtual.core.telemetry().absorbers),
            default=math.nan,
        )
        - 273.15,
        "true_speed_mps": roll_mps,
        "true_ratio_per_m": ratio_per_m,
        "frame_hz": rig.frame_hz,
        "frames": virtual.frames,
        "frames_lost": virtual.core.frames_lost,
        "simulated_s": simulated_s,
        "wall_s": wall_s,
        "simulated_s_per_wall_s": simulated_s / wall_s,
    }


def drive_up(virtual: VirtualRig, plan: SteadyHold) -> None:
    """Advance until the truck is near the set point, or at the fastest it gets to."""
    until_s = virtual.plant.now_s + _PATIENCE_S
    names = virtual.plant.truth_names
    engine_at, turbine_at = names.index("engine_radps"), names.index("turbine_radps")
    while virtual.plant.now_s < until_s:
        virtual.advance()
        measured = virtual.core.measured
        if measured is None:
            continue
        if plan.rpm is not None:
            near = measured.engine_speed.value * _RPM >= plan.rpm - 100.0
            # A driver waits for the converter to lock before a test by engine speed.
            truth = virtual.plant.world.truth_row
            near = near and truth[turbine_at] > 0.98 * truth[engine_at]
        else:
            near = measured.roll_sets[-1].speed.value >= (plan.speed_mps or 0.0) - 0.7
        if near:
            return
    raise DrumlinError(
        f"The simulated truck did not reach the set point within {_PATIENCE_S:g} s.",
        "Choose a lower set point, another --gear or more --pedal.",
    )


def _figures(
    rows: np.ndarray[tuple[int, int], np.dtype[np.float64]], plan: SteadyHold, virtual: VirtualRig
) -> dict[str, object]:
    """Mean and spread of what was held, and of power, over the settled part."""
    if len(rows) == 0:
        raise DrumlinError(
            "The hold ended before it had settled: "
            + (virtual.core.telemetry().first_cause or "see the events."),
            "Look at the faults; a lower set point or less pedal may do.",
        )
    rpm = rows[:, 1] * _RPM
    set_rpm = plan.rpm if plan.rpm is not None else math.nan
    mean_kw = float(np.mean(rows[:, 2])) / 1e3
    true_kw = float(np.mean(rows[:, 4])) / 1e3
    return {
        "set_rpm": set_rpm,
        "mean_rpm": float(np.mean(rpm)),
        "std_rpm": float(np.std(rpm)),
        "std_rpm_pct": 100.0 * float(np.std(rpm)) / float(np.mean(rpm)),
        "worst_rpm_error": float(np.max(np.abs(rpm - set_rpm))),
        "true_mean_rpm": float(np.mean(rows[:, 3])) * _RPM,
        "true_std_rpm": float(np.std(rows[:, 3])) * _RPM,
        "mean_power_kw": mean_kw,
        "true_mean_power_kw": true_kw,
        "power_error_pct": 100.0 * (mean_kw / true_kw - 1.0),
        "settled_s": float(rows[-1, 0] - rows[0, 0]),
    }


def _verdict(events: list[Event]) -> dict[str, object]:
    """Whether the run counts, why not, and what was missing of its load, as the test summed it."""
    ended = next((event.data for event in reversed(events) if event.kind == "run-ended"), {})
    told: dict[str, object] = {"valid": ended.get("valid", False), "void": ended.get("void", "")}
    return told | {
        name: ended[name]
        for name in ("reason", "shortfall_s", "worst_shortfall_n")
        if name in ended
    }


def _states(events: list[Event]) -> list[str]:
    return [event.text for event in events if event.kind == "state"]
