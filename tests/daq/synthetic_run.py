"""A recording of a truck that holds one speed exactly: what the columns must say is known.

Edges, counts and currents are worked out here from the demo rig's description, with no simulator
and no measuring code between.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec

from daq.recording.reader import Header
from daq.recording.recorder import RawRecorder, RecordKind
from daq.rig.description import Rig, load_rig
from daq.wire.codec import encode
from daq.wire.frames import (
    Channel,
    ChannelKind,
    Frame,
    Hello,
    ResetCause,
    Sample,
    SetPoint,
    Slow,
)

RIG_PATH = Path(__file__).parents[2] / "rigs" / "tarnhow.toml"
TICK_HZ = 10_000_000
FRAME_HZ = 500
PLAN = {"kind": "steady-hold", "rpm": 1900.0, "seconds": 60.0, "settle_s": 1.0}


def hello_for(rig: Rig, boot_id: int = 7, session: int = 3) -> Hello:
    table = [
        *(Channel(ChannelKind.WHEEL, roll_set.wheel) for roll_set in rig.roll_sets),
        Channel(ChannelKind.WHEEL, rig.engine.wheel),
        *(Channel(ChannelKind.CONVERTER, absorber.cell.converter) for absorber in rig.absorbers),
        # the other way round, so that a mix-up of places shows
        *(Channel(ChannelKind.OUTPUT, absorber.output) for absorber in reversed(rig.absorbers)),
        Channel(ChannelKind.DIGITAL_IN, rig.inputs.stop_chain_closed),
        Channel(ChannelKind.DIGITAL_IN, rig.inputs.tie_downs),
        *(Channel(ChannelKind.DIGITAL_IN, one.fan_turns) for one in rig.absorbers if one.fan_turns),
        *(Channel(ChannelKind.SLOW, slow.name, slow.unit) for slow in rig.slow if not slow.topic),
    ]
    return Hello(
        1, 0, ResetCause.POWER_ON, TICK_HZ, FRAME_HZ, boot_id, session, 1, 0, "x", tuple(table)
    )


class Truck:
    """Frames of a truck at constant roll speed, engine speed and cell force."""

    def __init__(self, rig: Rig, speed_mps: float, rpm: float, cell_n: float) -> None:
        self.rig = rig
        self.speed_mps, self.rpm, self.cell_n = speed_mps, rpm, cell_n
        # pulses per second of each wheel channel
        self.rates = [
            speed_mps * roll_set.teeth / (2.0 * math.pi * roll_set.roll_radius_m)
            for roll_set in rig.roll_sets
        ]
        self.rates.append(rpm / 60.0 * rig.engine.pulses_per_rev)
        self.frame = 0

    def counts(self) -> tuple[int, ...]:
        found = []
        for absorber in self.rig.absorbers:
            cell = absorber.cell
            per_count = cell.full_scale_mv_per_v / 2**23 * cell.newton_per_mv_per_v
            count = round(absorber.arm_sign * self.cell_n / per_count + cell.zero_count)
            found.append(count + self.frame % 3 - 1)  # a count that never moves would be suspect
        return tuple(found)

    def sample(self, sequence_ahead: int = 0) -> Sample:
        """The frame that ends one frame period later, or after some that are lost."""
        first = self.frame
        self.frame += 1 + sequence_ahead
        start_s, end_s = (self.frame - 1) / FRAME_HZ, self.frame / FRAME_HZ
        edges, totals = [], []
        for rate in self.rates:
            low, high = math.floor(start_s * rate), math.floor(end_s * rate)
            edges.append(tuple(round(n / rate * TICK_HZ) for n in range(low + 1, high + 1)))
            totals.append(high % 65_536)
        assert first >= 0
        outputs = len(self.rig.absorbers)
        return Sample(
            self.frame,
            round(end_s * TICK_HZ),
            1,
            90,
            self.frame % 65_536,
            0b11,
            tuple(totals),
            tuple(edges),
            self.counts(),
            (0,) * len(self.rig.absorbers),
            tuple(1000 + 100 * place for place in range(outputs)),
        )


def record_run(
    path: Path,
    play: Callable[[RunWriter], None],
    plan: dict[str, Any] | None = None,
    **header: Any,
) -> Rig:
    """Write a recording; `play` says what happens in it. Returns the rig."""
    rig = load_rig(RIG_PATH)
    writer = RunWriter(RawRecorder(path), rig)
    about = Header(
        rig_text=RIG_PATH.read_text(encoding="utf-8"),
        rig_fingerprint=rig.fingerprint,
        version="0.0.test",
        run_id=path.parent.name,
        plan=msgspec.Raw(msgspec.json.encode(plan if plan is not None else PLAN)),
        **header,
    )
    writer.note(RecordKind.HEADER, msgspec.json.encode(about))
    play(writer)
    assert writer.recorder.close()
    return rig


class RunWriter:
    def __init__(self, recorder: RawRecorder, rig: Rig) -> None:
        self.recorder = recorder
        self.rig = rig
        self.host_ns = 5_000_000_000

    def note(self, kind: RecordKind, payload: bytes) -> None:
        assert self.recorder.append(kind, self.host_ns, payload)

    def received(self, frame: Frame) -> None:
        self.host_ns += 2_000_000
        self.note(RecordKind.RX, encode(frame)[:-1])

    def sent(self, *currents: int) -> None:
        self.note(RecordKind.TX, encode(SetPoint(3, 1, 100, 0, currents))[:-1])

    def told(self, kind: RecordKind, what: dict[str, Any]) -> None:
        self.note(kind, msgspec.msgpack.encode(what))

    def slow(self, tick: int, *values: tuple[int, float]) -> None:
        self.received(Slow(tick, values))
