"""Free rolls of the simulated rig with just enough host to load, read and record them.

Data flow: set points -> Plant -> frames -> raw.drm as a run leaves it. The truck is off the rolls.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import msgspec

from daq.recording.reader import Header
from daq.recording.recorder import RawRecorder, RecordKind
from daq.rig.description import Rig
from daq.wire.codec import encode
from daq.wire.deframer import Deframer
from daq.wire.frames import (
    CURRENT_STEP_A,
    AskIdentity,
    ChannelKind,
    Frame,
    Hello,
    Sample,
    SetPoint,
)
from simulator.plant import Plant

SESSION = 77
LONGEST_S = 120.0
Currents = Callable[[float], Sequence[float]]  # seconds into the coast -> A of every output


class CoastingRolls:
    """One plant over a session; the rolls stand until they are spun up."""

    def __init__(self, rig: Rig, rig_text: str, plant: Plant) -> None:
        self.rig, self.rig_text, self.plant = rig, rig_text, plant
        plant.put_truck(False)
        plant.driver.tell(pedal=0.0, gear=0, brake=0.0)
        self._deframer = Deframer()
        self._set_points = 0
        plant.receive(encode(AskIdentity(SESSION)))
        hello: Hello | None = None
        while hello is None:
            for frame in self.frames():
                if isinstance(frame, Hello) and frame.session == SESSION:
                    hello = frame
        self.hello: Hello = hello
        converters = hello.names(ChannelKind.CONVERTER)
        self._channels = {one.name: converters.index(one.cell.converter) for one in rig.absorbers}

    def frames(self) -> list[Frame]:
        """One frame period."""
        return list(self._deframer.feed(self.plant.advance()))

    def counts(self, frames: int) -> dict[str, float]:
        """Mean converter count of every absorber's cell over so many frames."""
        rows: list[tuple[int, ...]] = []
        while len(rows) < frames:
            rows += [frame.counts for frame in self.frames() if isinstance(frame, Sample)]
        return {
            name: sum(row[channel] for row in rows) / len(rows)
            for name, channel in self._channels.items()
        }

    def coast(
        self,
        path: Path,
        zeros: dict[str, float],
        start_mps: float,
        end_mps: float,
        current_a: Currents,
        most_s: float = LONGEST_S,
    ) -> Path:
        """Spin the rolls up, let them run out under currents over time, record it."""
        plant = self.plant
        recorder = RawRecorder(path)
        header = Header(
            rig_text=self.rig_text, rig_fingerprint="", version="test", zeros=dict(zeros)
        )
        recorder.append(RecordKind.HEADER, 0, msgspec.json.encode(header))
        recorder.append(RecordKind.RX, round(plant.now_s * 1e9), body(encode(self.hello)))
        plant.spin(*(start_mps for _ in self.rig.roll_sets))
        began_s = plant.now_s
        speed = start_mps
        while speed > end_mps and plant.now_s - began_s < most_s:
            self._set_points += 1
            wanted = tuple(round(one / CURRENT_STEP_A) for one in current_a(plant.now_s - began_s))
            sent = encode(SetPoint(SESSION, self._set_points & 0xFFFF, 100, 0, wanted))
            plant.receive(sent)
            recorder.append(RecordKind.TX, round(plant.now_s * 1e9), body(sent))
            for frame in self.frames():
                if isinstance(frame, Sample):
                    recorder.append(RecordKind.RX, round(plant.now_s * 1e9), body(encode(frame)))
            speed = plant.truth()["front_speed_mps"]
        if not recorder.close():
            raise OSError(f"{path} could not be written")
        return path


def body(framed: bytes) -> bytes:
    """A frame as the recorder keeps it: one undelimited COBS body."""
    return framed.rstrip(b"\0")
