"""A recording played through the measuring chain again, into typed columns, one row per frame.

Data flows: Recording -> wire frames -> daq.measure.chain.Chain -> readings, with the decisions of
that moment (set points sent, what the test asked for) -> rows at one instant each -> pull of the
tyres without its lag (daq.results.series.aligned) -> chunks of columns ->
daq.results.series.parquet and the evaluations. One chunk is in memory at a time, however long the
run.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from typing import Any, TypeGuard

import msgspec
import numpy as np
import numpy.typing as npt

from daq.errors import Refused, WireError
from daq.measure.chain import Chain
from daq.measure.force.load_cell import ALIGNED
from daq.measure.speed.estimator import DELAY_S
from daq.recording.reader import Header, Record, Recording
from daq.recording.recorder import RecordKind
from daq.results.series.aligned import LEAD_S, aligned
from daq.results.series.columns import (
    SET_POINT_CODES,
    Beside,
    Chunk,
    beside_of,
    columns_of,
    row_of,
    typed,
)
from daq.results.series.host_time import UtcMap, utc_map
from daq.rig.description import Rig, parse_rig
from daq.wire.codec import decode
from daq.wire.frames import CURRENT_STEP_A, ChannelKind, Hello, Sample, SetPoint, Slow

CHUNK_ROWS = 60_000  # two minutes at 500 frames a second
MOST_AHEAD = 64  # rows kept back, so that the pull of a chunk's last rows can be read ahead
# What any rig tells of a test is far below these; a recording from elsewhere may hold anything.
MOST_EVENTS = 20_000
MOST_EVENT_BYTES = 8 << 20
MOST_ENDING_BYTES = 64 << 10
MOST_MISFITS = 20
MOST_ADJUSTING = 256  # set points asked for and not answered yet
_AGES_S = 1e12
_NAN = math.nan
_TURN = float(1 << 32)


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
        self.events_left_out = 0  # beyond the bounds
        self._event_bytes = 0
        self.frames = 0  # rows
        self.frames_lost = 0
        self.damaged = 0  # receptions recorded as damaged
        self.unusable = 0  # records of ours that could not be read
        self.misfits: list[str] = []  # greetings whose channels do not fit the rig
        self._chain: Chain | None = None
        self._outputs: tuple[int, ...] = ()
        self._set_points = [_NAN] * len(self.rig.absorbers)
        self.utc: UtcMap = utc_map(recording, self.header)
        self._kind, self._quantity, self._set_point = _planned(self.header.plan)
        self._adjusting: dict[int, tuple[str, float]] = {}
        self._tick_hz = 1
        self._past: deque[Beside] = deque()
        self._early: list[int] = []  # places of events told before the first frame

    def chunks(self, rows: int = CHUNK_ROWS) -> Iterator[Chunk]:
        """Columns of up to `rows` frames each, in order."""
        block = np.empty((rows + MOST_AHEAD, len(self.columns)))
        filled = 0
        for record in self.recording:
            if record.kind != RecordKind.RX:
                self._beside(record)
                continue
            row = self._received(record)
            if row is not None:
                block[filled] = row
                filled += 1
                if filled == len(block) or (
                    filled > rows and row[0] > block[rows - 1, 0] + 2.0 * LEAD_S
                ):
                    yield self._chunk(block[:filled], rows)
                    block[: filled - rows] = block[rows:filled]
                    filled -= rows
        while filled:
            yield self._chunk(block[:filled], rows)
            block[: max(0, filled - rows)] = block[rows:filled]
            filled = max(0, filled - rows)

    def _chunk(self, block: npt.NDArray[np.float64], rows: int) -> Chunk:
        """The first `rows` rows as columns; those behind only say how the pull goes on."""
        exact = {column.name: block[:, place] for place, column in enumerate(self.columns)}
        brought = aligned(self.rig, exact)
        table = np.stack([brought[column.name][:rows] for column in self.columns], axis=1)
        return typed(self.columns, table)

    # --- records ------------------------------------------------------------------------------

    def _received(self, record: Record) -> list[float] | None:
        try:
            frame = decode(record.payload)
        except WireError:
            self.unusable += 1
            return None
        chain = self._chain
        if type(frame) is Sample:
            if chain is None:
                return None
            try:
                measured = chain.update(frame)
            except WireError:  # of other channels than the greeting's
                self.unusable += 1
                return None
            self.frames += 1
            self.frames_lost += measured.frames_lost
            for place in self._early:
                self.events[place] = self._on_rows(self.events[place], measured.time_s)
            self._early.clear()
            now = beside_of(
                self.rig, measured, self._set_point, SET_POINT_CODES[self._quantity],
                self._set_points,
            )  # fmt: skip
            at_s = measured.time_s - DELAY_S
            cells_n = chain.cells.out[:, ALIGNED].tolist()
            host_s = record.host_ns * 1e-9
            return row_of(
                self.rig, measured, cells_n, self._then(now, at_s), host_s,
                self.utc.utc_s(at_s), self.utc.sigma_s,
            )  # fmt: skip
        if type(frame) is Hello:
            self._greeted(frame.as_shown())
        elif type(frame) is Slow and chain is not None:
            chain.slow(frame)
        return None

    def _then(self, now: Beside, at_s: float) -> Beside:
        """What stood beside the readings at `at_s`; currents on a straight line between frames."""
        past = self._past
        if past and now.time_s <= past[-1].time_s:
            past.clear()  # the front end began anew
        past.append(now)
        while len(past) > 1 and past[1].time_s <= at_s:
            past.popleft()
        before = past[0]
        if len(past) == 1 or at_s <= before.time_s:
            return before
        after = past[1]
        share = (at_s - before.time_s) / (after.time_s - before.time_s)
        currents = tuple(
            [a + share * (b - a) for a, b in zip(before.currents_a, after.currents_a, strict=True)]
        )
        return msgspec.structs.replace(before, currents_a=currents)

    def _greeted(self, hello: Hello) -> None:
        if self.hello is not None and hello.boot_id == self.hello.boot_id and self._chain:
            return  # the same front end in a new session: measuring goes on
        self.hello = hello
        self._chain = None
        self._tick_hz = max(hello.tick_hz, 1)
        try:
            chain = Chain(self.rig, hello)
        except WireError as error:
            if len(self.misfits) < MOST_MISFITS:
                self.misfits.append(str(error))
            return
        chain.restore_zeros(self.header.zeros)
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
                self._told(told, len(record.payload))
            elif kind == RecordKind.COMMAND:
                self._commanded(told)
            elif told.get("accepted") and told.get("id") in self._adjusting:
                self._quantity, self._set_point = self._adjusting.pop(told["id"])

    def _told(self, event: dict[str, Any], size: int) -> None:
        """Keep an event, its time on the rows' axis: that of the row whose frame it came with.

        The device's 32-bit tick wraps every few minutes; a session counts on, a replay begins anew.
        """
        data = event.get("data")
        if not _is_number(event.get("time_s")):
            event.pop("time_s", None)
        elif self.frames and self._chain is not None:
            event = self._on_rows(event, self._chain.now_s)
        else:  # told before the first frame that shows how the ticks stand
            self._early.append(len(self.events))
        self._keep(event, size)
        if event.get("kind") == "set-point" and isinstance(data, dict):
            quantity = str(data.get("quantity", ""))
            value = data.get("set_point")
            if quantity in SET_POINT_CODES and _is_number(value):
                self._quantity = quantity
                self._set_point = float(value)

    def _keep(self, event: dict[str, Any], size: int) -> None:
        """Keep an event if there is room; how the test ended always, the newest word of it."""
        full = len(self.events) >= MOST_EVENTS or self._event_bytes + size > MOST_EVENT_BYTES
        if not full:
            self._event_bytes += size
            self.events.append(event)
            return
        self.events_left_out += 1
        if self._early and self._early[-1] == len(self.events):
            self._early.pop()
        if event.get("kind") == "run-ended" and size <= MOST_ENDING_BYTES and self.events:
            self.events[-1] = event

    def _on_rows(self, event: dict[str, Any], now_s: float) -> dict[str, Any]:
        turn_s = _TURN / self._tick_hz
        turns = round((now_s - event["time_s"]) / turn_s)
        return {**event, "time_s": event["time_s"] + turns * turn_s - DELAY_S}

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
                quantity = str(command.get("quantity") or "")
                if quantity not in SET_POINT_CODES:
                    raise ValueError(quantity)
                usual = "grade" if self._kind == "grade-climb" else self._quantity
                if len(self._adjusting) >= MOST_ADJUSTING:
                    self._adjusting.pop(next(iter(self._adjusting)))
                self._adjusting[command["id"]] = (quantity or usual, float(command["set_point"]))
            elif command.get("command") == "slow-value" and self._chain is not None:
                time_s = self._chain.now_s - float(command.get("age_s", 0.0))
                self._chain.feed_slow(command["name"], float(command["value"]), time_s)
        except (KeyError, TypeError, ValueError, Refused):
            self.unusable += 1


def _is_number(value: object) -> TypeGuard[float]:
    return isinstance(value, int | float) and math.isfinite(value) and abs(value) < _AGES_S


def _planned(plan: bytes) -> tuple[str, str, float]:
    """Kind of a plan, and quantity and value (SI) of the set point that it begins with, if any."""
    told = msgspec.json.decode(plan) if plan else None
    if not isinstance(told, dict):
        return "", "", _NAN
    for name, quantity, factor in (
        ("rpm", "rpm", 2.0 * math.pi / 60.0), ("speed_mps", "speed", 1.0),
        ("force_n", "force", 1.0), ("power_w", "power", 1.0), ("target_mps", "speed", 1.0),
    ):  # fmt: skip
        if isinstance(told.get(name), int | float):
            return str(told.get("kind", "")), quantity, float(told[name]) * factor
    return str(told.get("kind", "")), "", _NAN


def gather(chunks: Iterator[Chunk]) -> Chunk:
    """All chunks as one; for short runs and tests."""
    parts = list(chunks)
    if not parts:
        return {}
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
