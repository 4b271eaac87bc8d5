"""A test run against the simulated rig in virtual time: the same core, the same wire bytes.

The one place that knows both the simulator and the project (the composition root). Data flows:
Plant.advance -> wire bytes -> Deframer -> Core.step -> encode -> Plant.receive, frame by frame,
as fast as it goes; the truth is read beside the wire and only for the result.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from typing import cast

import msgspec

from control.core.commands import (
    Acknowledge,
    Answer,
    AnyCommand,
    KeepHelm,
    MakeReady,
    TakeHelm,
    ZeroCells,
)
from control.core.core import Core, CoreOutput
from control.core.memory import Memory
from control.telemetry import Event
from daq.errors import DrumlinError, Refused
from daq.rig.description import Rig
from daq.texts.message import say
from daq.wire.codec import encode
from daq.wire.deframer import Deframer, Direction
from daq.wire.frames import FromFrontEnd
from simulator.plant import Plant
from simulator.rig_and_truck.setup import tarnhow

HOLDER = "rehearsal:1"
RPM = 60.0 / (2.0 * math.pi)
_KEEP_HELM_S = 1.0
PATIENCE_S = 120.0  # virtual; no approach may take longer
# A longer test is rehearsed at fewer frames a second: the simulated rig moves as finely as ever
# between them, and what is asked of a long test (heat, force, speed kept) does not change.
LONG_S, COARSE_HZ = 300.0, 100


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
                    say("core-did-not-answer-command-for"),
                    say("defect-please-report"),
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
        self.advance_for(2.0)
        self.ask(TakeHelm(0, HOLDER, "rehearsal"))
        self.advance_for(2.5)  # by then the rolls have rested long enough for zeros
        self.ask(ZeroCells(0, HOLDER))
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


def drive_up(virtual: VirtualRig, rpm: float | None, speed_mps: float | None) -> None:
    """Advance until the truck is near the set point. Raises DrumlinError when it is not reached."""
    until_s = virtual.plant.now_s + PATIENCE_S
    names = virtual.plant.truth_names
    engine_at, turbine_at = names.index("engine_radps"), names.index("turbine_radps")
    while virtual.plant.now_s < until_s:
        virtual.advance()
        measured = virtual.core.measured
        if measured is None:
            continue
        if rpm is not None:
            # A driver feels the converter lock up, and waits for it before a test by engine speed.
            truth = virtual.plant.world.truth_row
            locked = truth[turbine_at] > 0.98 * truth[engine_at]
            near = locked and measured.engine_speed.value * RPM >= rpm - 100.0
        else:
            near = measured.roll_sets[-1].speed.value >= (speed_mps or 0.0) - 0.7
        if near:
            return
    raise DrumlinError(
        say("simulated-truck-did-not-reach-start", patience=PATIENCE_S),
        say("choose-lower-set-point-another-gear"),
    )
