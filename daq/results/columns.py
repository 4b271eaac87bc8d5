"""A recording played through the measuring chain again, into typed columns, one row per frame.

Data flows: Recording -> wire frames -> daq.measure.chain.Chain -> readings, with the decisions of
that moment (set points sent, what the test asked for) -> chunks of columns -> daq.results.parquet
and the evaluations. One chunk is in memory at a time, however long the run.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from daq.errors import Refused, WireError
from daq.measure.chain import Chain
from daq.measure.measured import AbsorberReadings, Measured, RollSetReadings
from daq.readings import Quality, Reading
from daq.recording.reader import Header, Record, Recording
from daq.recording.recorder import RecordKind
from daq.rig.description import Rig, parse_rig
from daq.rig.units import scale_of
from daq.wire.codec import decode
from daq.wire.frames import CURRENT_STEP_A, ChannelKind, Hello, Sample, SetPoint, Slow

Array = npt.NDArray[Any]
Chunk = dict[str, Array]
CHUNK_ROWS = 60_000  # two minutes at 500 frames a second
QUALITY_CODES = {Quality.GOOD: 0, Quality.AGING: 1, Quality.SUSPECT: 2, Quality.MISSING: 3}
_RADPS_PER_RPM = 2.0 * math.pi / 60.0
_NAN = math.nan


class Column(msgspec.Struct, frozen=True):
    """One column: its name, SI unit ("" for numbers without), numpy type and meaning."""

    name: str
    unit: str
    type: str
    meaning: str


def slug(name: str) -> str:
    """A channel name as part of a column name."""
    return name.replace("-", "_").replace(" ", "_").lower()


def columns_of(rig: Rig) -> tuple[Column, ...]:
    """All columns of a run on this rig, in order. Forces of roll sets are at the roll surface."""
    quality = "0 good, 1 aging, 2 suspect, 3 missing"
    found = [
        Column("time_s", "s", "f8", "device time of the frame"),
        Column("host_s", "s", "f8", "host monotonic time of its arrival, for diagnosis only"),
        Column("sequence", "", "u4", "number of the frame, modulo 2^32"),
        Column("frames_lost", "", "u4", "frames lost just before this one"),
        Column("set_point", "", "f8", "what the test asks for, in the unit of its plan"),
        Column("engine_speed_radps", "rad/s", "f8", "engine speed"),
        Column("engine_speed_quality", "", "u1", quality),
        Column("speed_mps", "m/s", "f8", "speed of the fastest roll set"),
        Column("tractive_force_n", "N", "f4", "sum over the roll sets"),
        Column("power_w", "W", "f4", "wheel power, sum over the roll sets"),
        Column("torque_nm", "N.m", "f4", "wheel power referred to the engine: over its speed"),
        Column("slip", "1", "f4", "change of tyre slip since the ratio was learned"),
        Column("roll_difference", "1", "f4", "fastest over slowest running roll set, less one"),
        Column("tyre_slip", "", "?", "tyres slipped, by ratio or by roll sets (daq.measure.slip)"),
    ]
    for roll_set in rig.roll_sets:
        name = f"rolls_{slug(roll_set.name)}"
        found += [
            Column(f"{name}_speed_mps", "m/s", "f8", "roll surface speed"),
            Column(f"{name}_speed_sigma_mps", "m/s", "f4", "standard uncertainty from noise"),
            Column(f"{name}_acceleration_mps2", "m/s2", "f4", "its rate of change"),
            Column(f"{name}_acceleration_sigma_mps2", "m/s2", "f4", "uncertainty from noise"),
            Column(f"{name}_absorber_force_n", "N", "f4", "sum of its absorbers"),
            Column(f"{name}_loss_force_n", "N", "f4", "parasitic loss at this speed"),
            Column(f"{name}_inertia_force_n", "N", "f4", "base inertia times acceleration"),
            Column(f"{name}_tractive_force_n", "N", "f4", "absorber, loss and inertia together"),
            Column(f"{name}_tractive_sigma_n", "N", "f4", "its standard uncertainty from noise"),
            Column(f"{name}_power_w", "W", "f4", "tractive force times speed"),
            Column(f"{name}_quality", "", "u1", f"of its power: {quality}"),
        ]
    for absorber in rig.absorbers:
        name = f"absorber_{slug(absorber.name)}"
        found += [
            Column(f"{name}_force_n", "N", "f4", "at the roll surface"),
            Column(f"{name}_torque_nm", "N.m", "f4", "at the absorber shaft"),
            Column(f"{name}_current_a", "A", "f4", "measured coil current"),
            Column(f"{name}_set_point_a", "A", "f4", "current asked for, as sent last"),
            Column(f"{name}_quality", "", "u1", f"of its force: {quality}"),
        ]
    for channel in rig.slow:
        name = f"slow_{slug(channel.name)}"
        found += [
            Column(name, scale_of(channel.unit).unit.value, "f4", channel.meaning or channel.name),
            Column(f"{name}_quality", "", "u1", quality),
        ]
    found += [
        Column("stop_chain_closed", "", "?", "hardwired stop chain closed"),
        Column("tie_downs", "", "i1", "1 acknowledged, 0 not, -1 the rig has no such input"),
        Column("permission", "", "u1", "0 none, 1 held, 2 easing, 3 chain open"),
        Column("permission_left_s", "s", "f4", "until permission expires"),
        Column("last_set_point", "", "u2", "sequence of the set point taken last"),
    ]
    return tuple(found)


class Replay:
    """One pass over a recording. Counts and `events` are complete when `chunks` is exhausted."""

    def __init__(self, recording: Recording, rig: Rig | None = None) -> None:
        """`rig` in place of the recording's own re-evaluates with other constants.

        Raises RecordingError or RigError when the header cannot be used.
        """
        self.recording = recording
        self.header: Header = recording.header()
        self.rig = rig or parse_rig(self.header.rig_text, "the recording's rig file")
        self.columns = columns_of(self.rig)
        self.hello: Hello | None = None
        self.events: list[dict[str, Any]] = []  # as the core told them
        self.frames = 0  # rows
        self.frames_lost = 0
        self.damaged = 0  # receptions recorded as damaged
        self.unusable = 0  # records of ours that could not be read
        self.misfits: list[str] = []  # greetings whose channels do not fit the rig
        self._chain: Chain | None = None
        self._outputs: tuple[int, ...] = ()
        self._set_points = [_NAN] * len(self.rig.absorbers)
        self._set_point = _plan_set_point(self.header.plan)
        self._adjusting: dict[int, float] = {}

    def chunks(self, rows: int = CHUNK_ROWS) -> Iterator[Chunk]:
        """Columns of up to `rows` frames each, in order."""
        block = np.empty((rows, len(self.columns)))
        filled = 0
        for record in self.recording:
            if record.kind != RecordKind.RX:
                self._beside(record)
                continue
            measured = self._received(record)
            if measured is not None:
                block[filled] = row_of(
                    self.rig, measured, record.host_ns * 1e-9, self._set_point, self._set_points
                )
                filled += 1
                if filled == rows:
                    yield self._typed(block)
                    filled = 0
        if filled:
            yield self._typed(block[:filled])

    def _typed(self, block: npt.NDArray[np.float64]) -> Chunk:
        return typed(self.columns, block)

    # --- records ------------------------------------------------------------------------------

    def _received(self, record: Record) -> Measured | None:
        try:
            frame = decode(record.payload)
        except WireError:
            self.unusable += 1
            return None
        chain = self._chain
        if type(frame) is Sample:
            if chain is None:
                return None
            measured = chain.update(frame)
            self.frames += 1
            self.frames_lost += measured.frames_lost
            return measured
        if type(frame) is Hello:
            self._greeted(frame)
        elif type(frame) is Slow and chain is not None:
            chain.slow(frame)
        return None

    def _greeted(self, hello: Hello) -> None:
        if self.hello is not None and hello.boot_id == self.hello.boot_id and self._chain:
            return  # the same front end in a new session: measuring goes on
        self.hello = hello
        self._chain = None
        try:
            chain = Chain(self.rig, hello)
        except WireError as error:
            self.misfits.append(str(error))
            return
        for name, count in self.header.zeros.items():
            if any(absorber.name == name for absorber in self.rig.absorbers):
                chain.set_zero(name, count)
        if self.header.teeth:
            # under load a speed loop answers an error of the wheel with true motion: as live, use
            # what was known before and learn nothing from the run itself
            chain.restore_tooth_tables(self.header.teeth)
            chain.learn_teeth(False)
        if self.header.learned_ratio is not None:
            chain.learned_ratio = self.header.learned_ratio
        outputs = hello.names(ChannelKind.OUTPUT)
        self._outputs = tuple(outputs.index(absorber.output) for absorber in self.rig.absorbers)
        self._chain = chain

    def _beside(self, record: Record) -> None:
        """What was sent, commanded and told: the decisions beside the readings."""
        kind = record.kind
        if kind == RecordKind.RX_DAMAGED:
            self.damaged += 1
        elif kind == RecordKind.TX:
            self._sent(record.payload)
        elif kind in (RecordKind.COMMAND, RecordKind.ANSWER, RecordKind.EVENT):
            try:
                told = msgspec.msgpack.decode(record.payload)
            except msgspec.DecodeError:
                told = None
            if not isinstance(told, dict):
                self.unusable += 1
            elif kind == RecordKind.EVENT:
                self.events.append(told)
            elif kind == RecordKind.COMMAND:
                self._commanded(told)
            elif told.get("accepted") and told.get("id") in self._adjusting:
                self._set_point = self._adjusting.pop(told["id"])

    def _sent(self, payload: bytes) -> None:
        try:
            frame = decode(payload)
        except WireError:
            self.unusable += 1
            return
        if type(frame) is SetPoint and self._outputs:
            currents = frame.currents
            self._set_points = [
                currents[place] * CURRENT_STEP_A if place < len(currents) else _NAN
                for place in self._outputs
            ]

    def _commanded(self, command: dict[str, Any]) -> None:
        try:
            if command.get("command") == "adjust":
                self._adjusting[command["id"]] = float(command["set_point"])
            elif command.get("command") == "slow-value" and self._chain is not None:
                time_s = self._chain.now_s - float(command.get("age_s", 0.0))
                self._chain.feed_slow(command["name"], float(command["value"]), time_s)
        except (KeyError, TypeError, ValueError, Refused):
            self.unusable += 1


def typed(columns: Sequence[Column], block: npt.NDArray[np.float64]) -> Chunk:
    """Rows of `row_of`, shape (n, columns), as typed columns."""
    return {
        column.name: block[:, place].astype(column.type) for place, column in enumerate(columns)
    }


def row_of(
    rig: Rig, measured: Measured, host_s: float, set_point: float, currents_a: Sequence[float]
) -> list[float]:
    """Values in the order of `columns_of(rig)`.

    `set_point`: what the test asks for; `currents_a`: as sent last, in rig order of absorbers.
    """
    engine = measured.engine_speed
    force = power = 0.0
    fastest = _NAN
    for roll_set in measured.roll_sets:
        force += roll_set.tractive_force.value
        power += roll_set.power.value
        speed = roll_set.speed.value
        if not speed <= fastest:  # also when there is no fastest yet
            fastest = speed if math.isfinite(speed) else fastest
    turning = engine.value > 1.0  # a standing engine has no torque to refer to
    row = [
        measured.time_s,
        host_s,
        measured.sequence,
        measured.frames_lost,
        set_point,
        engine.value,
        QUALITY_CODES[engine.quality],
        fastest,
        force,
        power,
        power / engine.value if turning else _NAN,
        measured.slip.value,
        measured.roll_difference.value,
        measured.tyre_slip,
    ]
    for one in measured.roll_sets:
        row += _of_roll_set(one)
    for absorber, current_a in zip(measured.absorbers, currents_a, strict=True):
        row += _of_absorber(absorber, current_a)
    slow = measured.slow
    for channel in rig.slow:
        reading: Reading = slow[channel.name]
        row.append(reading.value)
        row.append(QUALITY_CODES[reading.quality])
    tie_downs = measured.tie_downs
    row += (
        measured.stop_chain_closed,
        -1 if tie_downs is None else tie_downs,
        measured.permission,
        measured.permission_left_s,
        measured.last_set_point,
    )
    return row


def _of_roll_set(one: RollSetReadings) -> tuple[float, ...]:
    return (
        one.speed.value,
        one.speed.sigma,
        one.acceleration.value,
        one.acceleration.sigma,
        one.absorber_force.value,
        one.loss_force.value,
        one.inertia_force.value,
        one.tractive_force.value,
        one.tractive_force.sigma,
        one.power.value,
        QUALITY_CODES[one.power.quality],
    )


def _of_absorber(one: AbsorberReadings, set_point_a: float) -> tuple[float, ...]:
    return (
        one.force.value,
        one.torque.value,
        one.current.value,
        set_point_a,
        QUALITY_CODES[one.force.quality],
    )


def _plan_set_point(plan: bytes) -> float:
    """The set point a plan begins with, in its own unit: rad/s for rpm, else m/s; NaN: none."""
    told = msgspec.json.decode(plan) if plan else None
    if isinstance(told, dict):
        if isinstance(told.get("rpm"), int | float):
            return float(told["rpm"]) * _RADPS_PER_RPM
        if isinstance(told.get("speed_mps"), int | float):
            return float(told["speed_mps"])
    return _NAN


def gather(chunks: Iterator[Chunk]) -> Chunk:
    """All chunks as one; for short runs and tests."""
    parts = list(chunks)
    if not parts:
        return {}
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
