"""A real recording of a hold on the simulated rig, in virtual time: what the loop would write."""

from __future__ import annotations

from pathlib import Path

import msgspec

from api.rehearsal.virtual_rig import HOLDER, VirtualRig, drive_up
from control.core.commands import StartTest
from control.core.core import CoreOutput
from control.telemetry import State
from control.test_kinds.plans import SteadyHold
from daq.recording.reader import Header
from daq.recording.recorder import RawRecorder, RecordKind
from daq.rig.description import load_rig
from daq.wire.codec import encode
from daq.wire.frames import Hello, Sample
from tests.api.fake_loop import RIG_FILE

RUN_ID = "20260314-150926-5358"
PLAN = SteadyHold(seconds=6.0, rpm=1900.0, settle_s=1.5)
_msgpack = msgspec.msgpack.Encoder()


class RecordedRig(VirtualRig):
    """Writes down what passes between front end and core once `recorder` is set."""

    recorder: RawRecorder | None = None
    greeting: Hello | None = None
    written = 0

    def advance(self) -> None:
        plant = self.plant
        commands, self._commands = self._commands, []
        now_s = plant.now_s
        if now_s >= self._keep_at_s:
            self._keep_at_s = now_s + 1.0
            from control.core.commands import KeepHelm

            self.send(KeepHelm(0, HOLDER))
        for frame in self.deframer.feed(plant.advance()):
            if isinstance(frame, Hello):
                self.greeting = frame
            self.note(RecordKind.RX, encode(frame).rstrip(b"\0"))
            self.written += self.recorder is not None and isinstance(frame, Sample)
            self._hand_over(self.core.step(frame, commands, plant.now_s))  # type: ignore[arg-type]
            commands = []
        self.frames += 1

    def _hand_over(self, step: CoreOutput) -> None:
        super()._hand_over(step)
        if step.set_point is not None:
            self.note(RecordKind.TX, encode(step.set_point).rstrip(b"\0"))
        for event in step.events:
            self.note(RecordKind.EVENT, _msgpack.encode(event))

    def note(self, kind: RecordKind, payload: bytes) -> None:
        if self.recorder is not None:
            assert self.recorder.append(kind, int(self.plant.now_s * 1e9), payload)


def record_hold(folder: Path, plan: SteadyHold = PLAN) -> int:
    """Record a whole hold into `folder`/raw.drm; returns the number of sample frames written."""
    virtual = RecordedRig(load_rig(RIG_FILE), seed=7)
    driver = virtual.plant.driver
    virtual.make_ready()
    driver.tell(pedal=0.4)
    drive_up(virtual, plan.rpm, plan.speed_mps)
    virtual.recorder = RawRecorder(folder / "raw.drm")
    header = Header(
        rig_text=RIG_FILE.read_text(),
        rig_fingerprint=virtual.rig.fingerprint,
        version="1.2.3",
        run_id=folder.name,
        vehicle="Pickup",
        plan=msgspec.Raw(msgspec.json.encode(plan)),
        started_utc="2026-03-14T15:09:26+00:00",
    )
    virtual.note(RecordKind.HEADER, msgspec.json.encode(header))
    assert virtual.greeting is not None
    virtual.note(RecordKind.RX, encode(virtual.greeting).rstrip(b"\0"))
    virtual.ask(StartTest(0, HOLDER, folder.name, plan))
    driver.tell(pedal=1.0)
    while virtual.core.state is State.LOADED:
        virtual.advance()
    assert virtual.recorder.close()
    return virtual.written
