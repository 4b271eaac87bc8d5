"""Recordings of free rolls on the simulated rig: coasts and step tests, as runs leave them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import msgspec

from daq.recording.reader import Header
from daq.recording.recorder import RawRecorder, RecordKind
from daq.rig.description import Rig
from daq.wire.codec import encode
from daq.wire.deframer import Deframer
from daq.wire.frames import CURRENT_STEP_A, AskIdentity, Hello, Sample, SetPoint
from simulator.plant import Plant
from simulator.rig_and_truck.setup import Setup

SESSION = 77


def record_coast(
    path: Path,
    rig: Rig,
    rig_text: str,
    setup: Setup,
    seed: int,
    start_mps: float,
    end_mps: float,
    current_a: Callable[[float], float],
) -> Path:
    """Spin the rolls up without a truck, let them run out under a current over time, record it."""
    plant = Plant(setup, seed)
    plant.put_truck(False)
    plant.driver.tell(pedal=0.0, gear=0, brake=0.0)
    deframer = Deframer()
    plant.receive(encode(AskIdentity(SESSION)))
    counts: list[tuple[int, ...]] = []
    hello: Hello | None = None
    while hello is None or len(counts) < 500:
        for frame in deframer.feed(plant.advance()):
            if isinstance(frame, Hello) and frame.session == SESSION:
                hello = frame
            elif isinstance(frame, Sample):
                counts.append(frame.counts)
    zeros = {
        absorber.name: sum(row[place] for row in counts) / len(counts)
        for place, absorber in enumerate(rig.absorbers)
    }
    recorder = RawRecorder(path)
    header = Header(rig_text=rig_text, rig_fingerprint="", version="test", zeros=zeros)
    recorder.append(RecordKind.HEADER, 0, msgspec.json.encode(header))
    recorder.append(RecordKind.RX, 0, body(encode(hello)))
    plant.spin(*(start_mps for _ in rig.roll_sets))
    began_s = plant.now_s
    speed = start_mps
    number = 0
    while speed > end_mps and plant.now_s - began_s < 120.0:
        number += 1
        wanted = round(current_a(plant.now_s - began_s) / CURRENT_STEP_A)
        sent = encode(SetPoint(SESSION, number & 0xFFFF, 100, 0, (wanted,) * len(rig.absorbers)))
        plant.receive(sent)
        recorder.append(RecordKind.TX, round(plant.now_s * 1e9), body(sent))
        for frame in deframer.feed(plant.advance()):
            if isinstance(frame, Sample):
                recorder.append(RecordKind.RX, round(plant.now_s * 1e9), body(encode(frame)))
        speed = plant.truth()["front_speed_mps"]
    assert recorder.close()
    return path


def body(framed: bytes) -> bytes:
    """A frame as the recorder keeps it: one undelimited COBS body."""
    return framed.rstrip(b"\0")
