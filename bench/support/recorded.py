"""Runs on the simulated rig in virtual time, written down exactly as the loop would.

Data flows: plan and seed -> VirtualRig (core and plant joined by wire bytes) -> raw.drm -> Replay
-> columns. Benches and tests of results use it, so that what they evaluate went over the wire.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import cast

import msgspec

from api.rehearsal.virtual_rig import HOLDER, VirtualRig
from control.core.commands import EaseOff, KeepHelm, StartTest
from control.core.core import Core, CoreOutput
from control.telemetry import State
from control.test_kinds.plans import Plan
from daq.recording.reader import Header, Recording
from daq.recording.recorder import RawRecorder, RecordKind
from daq.results.given import Given, given_of
from daq.results.result import EvaluationSettings
from daq.results.series.replay import Replay, gather
from daq.rig.description import Rig, load_rig
from daq.wire.codec import encode
from daq.wire.frames import FromFrontEnd, Hello
from simulator.plant import Plant
from simulator.rig_and_truck.setup import Setup

RIG_FILE = Path(__file__).parents[2] / "rigs" / "tarnhow.toml"
RPM = 9.549296585513721
_msgpack = msgspec.msgpack.Encoder()
Each = Callable[["RecordedRig"], None]


class RecordedRig(VirtualRig):
    """Writes down what passes between front end and core while `recorder` is set."""

    keeps_teeth = False  # recordings begin with the tooth offsets known by then, as the loop's do

    def __init__(self, rig: Rig, seed: int, setup: Setup | None = None) -> None:
        self.recorder: RawRecorder | None = None
        self.greeting: Hello | None = None
        self.truth: list[tuple[float, float, float]] = []  # time, engine rad/s, power W, each frame
        super().__init__(rig, seed)
        if setup is not None:
            self.plant = Plant(setup, seed)
            self.core = Core(rig, None)
            self._hand_over(self.core.step(None, (), self.plant.now_s))
        names = self.plant.truth_names
        self._engine_at, self._power_at = names.index("engine_radps"), names.index("power_w")

    def advance(self) -> None:
        """One frame period, as VirtualRig does it, with everything noted."""
        plant = self.plant
        commands, self._commands = self._commands, []
        now_s = plant.now_s
        if now_s >= self._keep_at_s:
            self._keep_at_s = now_s + 1.0
            self.send(KeepHelm(0, HOLDER))
        for frame in self.deframer.feed(plant.advance()):
            if isinstance(frame, Hello):
                self.greeting = frame
            self.note(RecordKind.RX, encode(frame).rstrip(b"\0"))
            self._hand_over(self.core.step(cast(FromFrontEnd, frame), commands, plant.now_s))
            commands = []
        self.frames += 1
        if self.recorder is not None:
            row = plant.world.truth_row
            self.truth.append(
                (plant.now_s, float(row[self._engine_at]), float(row[self._power_at]))
            )

    def _hand_over(self, step: CoreOutput) -> None:
        super()._hand_over(step)
        if step.set_point is not None:
            self.note(RecordKind.TX, encode(step.set_point).rstrip(b"\0"))
        for event in step.events:
            self.note(RecordKind.EVENT, _msgpack.encode(event))

    def note(self, kind: RecordKind, payload: bytes) -> None:
        """Put one entry into the recording, if there is one."""
        if self.recorder is not None:
            self.recorder.append(kind, int(self.plant.now_s * 1e9), payload)

    def begin(self, folder: Path, plan: Plan, started_utc: str = "") -> None:
        """Open the recording and start the test. Raises Refused when the core refuses it."""
        folder.mkdir(parents=True, exist_ok=True)
        self.truth.clear()
        self.recorder = RawRecorder(folder / "raw.drm")
        header = Header(
            rig_text=RIG_FILE.read_text(encoding="utf-8"),
            rig_fingerprint=self.rig.fingerprint,
            version="bench",
            run_id=folder.name,
            plan=msgspec.Raw(msgspec.json.encode(plan)),
            started_utc=started_utc,
            zeros=dict(self.core.zeros),
            learned_ratio=self.core.ratio_per_m,
            teeth=self.core.memory().teeth if self.keeps_teeth else {},
        )
        self.note(RecordKind.HEADER, msgspec.json.encode(header))
        if self.greeting is not None:
            self.note(RecordKind.RX, encode(self.greeting).rstrip(b"\0"))
        self.ask(StartTest(0, HOLDER, folder.name, plan))

    def play(self, each: Each, most_s: float = 600.0) -> None:
        """Advance until the test is over; `each` drives, called every frame. Closes the file."""
        until = self.plant.now_s + most_s
        while self.core.state is State.LOADED and self.plant.now_s < until:
            each(self)
            self.advance()
        recorder, self.recorder = self.recorder, None
        if recorder is not None:
            recorder.close()

    def settle(self, seconds: float) -> None:
        """Roll on until the load is off and the rig is ready again, and a while longer."""
        if self.core.state is State.LOADED:
            self.ask(EaseOff(0, HOLDER))
        until = self.plant.now_s + 30.0
        while self.core.state is not State.READY and self.plant.now_s < until:
            self.advance()
        self.advance_for(seconds)

    @property
    def phase(self) -> str:
        """Phase of the running test, "" when none runs."""
        test = self.core.telemetry().test
        return test.phase if test is not None else ""


def ready_rig(seed: int, gear: int = 4, setup: Setup | None = None) -> RecordedRig:
    """A rig made ready, its truck in gear with the engine idling."""
    virtual = RecordedRig(load_rig(RIG_FILE), seed, setup)
    virtual.plant.driver.tell(gear=gear)
    virtual.make_ready()
    return virtual


def approach(virtual: RecordedRig, speed_mps: float, most_s: float = 120.0) -> None:
    """Drive by eye to a roll speed before a test begins."""
    driver = virtual.plant.driver
    driver.tell(brake=0.0)
    driver.drive_at = lambda _: speed_mps
    until = virtual.plant.now_s + most_s
    while virtual.plant.now_s < until:
        virtual.advance()
        measured = virtual.core.measured
        if measured and abs(measured.roll_sets[-1].speed.value - speed_mps) < 0.5:
            return


def floor_when(*phases: str) -> Each:
    """A driver who floors it in these phases and keeps to a light pedal before."""

    def each(virtual: RecordedRig) -> None:
        if virtual.frames % 10 == 0 and virtual.phase in phases:
            virtual.plant.driver.tell(pedal=1.0)

    return each


def read_back(folder: Path, settings: EvaluationSettings | None = None) -> Given:
    """A recorded run as an evaluation gets it."""
    replay = Replay(Recording(folder / "raw.drm"))
    columns = gather(replay.chunks())
    plan = msgspec.json.decode(replay.header.plan)
    return given_of(replay.rig, plan, columns, settings or EvaluationSettings(), replay.events)


def in_scratch(play: Callable[[Path], None], settings: EvaluationSettings | None = None) -> Given:
    """Record into a folder that goes away again; the run as an evaluation gets it."""
    with tempfile.TemporaryDirectory(prefix="drumlin-") as scratch:
        folder = Path(scratch) / "20260101-000000-0000"
        play(folder)
        return read_back(folder, settings)
