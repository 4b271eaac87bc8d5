"""The simulated front end board: session, permission, supplies and frames, after docs/wire.md.

Data flows: bytes from the host -> `receive` -> set points; `supplies` -> the world -> `sample`
-> bytes for the host. It knows its own clock (ticks since boot), its inputs and nothing else.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from daq.wire.codec import encode
from daq.wire.deframer import Deframer, Direction
from daq.wire.frames import (
    CURRENT_STEP_A,
    MAX_EDGES_PER_FRAME,
    MAX_FRAME_BYTES,
    PROTOCOL_MAJOR,
    PROTOCOL_MINOR,
    AskIdentity,
    AskTime,
    Channel,
    ChannelKind,
    FromFrontEnd,
    Hello,
    Notice,
    NoticeCode,
    Permission,
    ResetCause,
    Sample,
    SetPoint,
    Slow,
    Time,
)
from simulator.front_end.sample_bytes import Ints, write_sample
from simulator.kernel import bound
from simulator.rig_and_truck.setup import Setup

TICK_MASK = 0xFFFF_FFFF
LONGEST_VALIDITY_MS = 2000
READINGS = 3  # of the coil currents, whose median an easing begins at
READINGS_APART_S = 0.002  # at most
LEAST_EASED_A = 0.1  # less is the noise of a measurement

# What the slow inputs of the board are wired to.
SLOW_CHANNELS: tuple[tuple[str, str], ...] = (
    ("ambient-temperature", "degC"),
    ("barometer", "kPa"),
    ("humidity", "pct"),
    ("oil-temperature", "degC"),
    ("boost", "kPa"),
    ("smoke-opacity", "pct"),
    ("rotor-rear-left", "degC"),
    ("rotor-rear-right", "degC"),
)
# Sent twice as often: what is filtered and timed. 20 a second is the most the wire takes.
FAST_CHANNELS = (4, 5)


def channel_table(setup: Setup) -> tuple[Channel, ...]:
    """The channels the board names in its HELLO."""
    board = setup.front_end
    wheels = [roll.name for roll in setup.rolls] + ["engine"]
    absorbers = [absorber.name for absorber in setup.absorbers]
    return (
        *(Channel(ChannelKind.WHEEL, name) for name in wheels),
        *(Channel(ChannelKind.CONVERTER, name) for name in absorbers),
        *(Channel(ChannelKind.OUTPUT, name) for name in absorbers),
        *(Channel(ChannelKind.DIGITAL_IN, name) for name in board.digital_in),
        *(Channel(ChannelKind.DIGITAL_OUT, name) for name in board.digital_out),
        *(Channel(ChannelKind.SLOW, name, unit) for name, unit in SLOW_CHANNELS),
    )


class FrontEnd:
    """One board from power-on; `boot` starts it again."""

    def __init__(self, setup: Setup, seed: int) -> None:
        board = setup.front_end
        self.board = board
        self.channels = channel_table(setup)
        self._random = np.random.default_rng([seed, 2])
        self._body = bytearray(MAX_FRAME_BYTES)  # the sample that is being written
        row = np.zeros(0, np.int64)
        self._write_sample = bound(write_sample, 0, 0, 0, 0, 0, 0, row, row, row, self._body)
        self._ceiling_a = [absorber.forcing_a for absorber in setup.absorbers]
        self._ceiling_steps = [round(each / CURRENT_STEP_A) for each in self._ceiling_a]
        self._full_a = [absorber.max_current_a for absorber in setup.absorbers]
        self._fall_a_per_s = [full / board.ease_off_s for full in self._full_a]
        # Readings that lie further apart than this say nothing of one moment.
        self._kept_readings = READINGS if board.frame_hz * READINGS_APART_S >= 1.0 else 1
        self._ticks_per_frame = board.tick_hz // board.frame_hz
        self._ticks_per_ms = board.tick_hz / 1000.0
        self.chain_closed = True
        self.tie_downs = True
        self.fans_turning = 0  # bits of the digital outputs; their switches follow
        self.fan_switches_open = 0
        self.out: list[FromFrontEnd] = []  # frames waiting to be sent
        self.ticks = board.tick_start  # counts on without wrapping; the wire carries 32 bits
        self.boot_id = 0
        self._boot(ResetCause.POWER_ON)

    def boot(self, cause: ResetCause) -> None:
        """Start again: everything the host said is forgotten, supplies are at zero."""
        self.ticks = 0
        self._boot(cause)

    def _boot(self, cause: ResetCause) -> None:
        self.boot_id = int(self._random.integers(1, 2**32))
        self.cause = cause
        self.session = 0
        self.sequence = 0
        self.last_set_point = 0
        self._heard = False  # a set point was accepted in this session
        self._zero_first = False  # the stop chain was open: the next set point must be zero
        self._noticed: dict[tuple[int, int], int] = {}  # tick of the last notice, by kind
        self.permission = Permission.NONE
        self.set_points_a = [0.0] * len(self._ceiling_a)
        self.digital_out = 0
        self._taken_tick = 0
        self._expires_tick = 0
        self._damaged_before = 0
        self._readings: list[Sequence[int]] = [[0] * len(self._ceiling_a)]
        self._deframer = Deframer(Direction.TO_FRONT_END)
        self._totals = np.zeros(3, np.int64)
        self.out.clear()
        self.out.append(self._hello())

    def _hello(self) -> Hello:
        board = self.board
        return Hello(
            PROTOCOL_MAJOR,
            PROTOCOL_MINOR,
            self.cause,
            board.tick_hz,
            board.frame_hz,
            self.boot_id,
            self.session,
            board.config_hash,
            self.ticks & TICK_MASK,
            board.firmware,
            self.channels,
        )

    def _notice(self, code: NoticeCode, detail: int = 0) -> None:
        self.out.append(Notice(self.ticks & TICK_MASK, code, detail & TICK_MASK))

    def _due(self, code: NoticeCode, which: int, every_s: float) -> bool:
        """Whether a notice that is limited in rate may be sent now."""
        last = self._noticed.get((code, which))
        if last is not None and self.ticks - last < every_s * self.board.tick_hz:
            return False
        self._noticed[code, which] = self.ticks
        return True

    def receive(self, data: bytes, ticks_later: int = 0) -> None:
        """Take bytes from the host, `ticks_later` ticks after the last frame was sent."""
        now = self.ticks + ticks_later
        for frame in self._deframer.feed(data):
            if isinstance(frame, SetPoint):
                self._take(frame, now)
            elif isinstance(frame, AskTime):
                self.out.append(Time(frame.token, now & TICK_MASK))
            elif isinstance(frame, AskIdentity):
                self._open_session(frame.session)
        damaged = self._deframer.counters.damaged
        if damaged > self._damaged_before and self._due(NoticeCode.FRAMES_DAMAGED, 0, 1.0):
            self._notice(NoticeCode.FRAMES_DAMAGED, damaged - self._damaged_before)
            self._damaged_before = damaged

    def _open_session(self, session: int) -> None:
        if session:  # 0 asks for identity and changes nothing
            if self.permission is Permission.HELD:
                self._begin_easing(self.ticks)
            self.session = session
            self.last_set_point = 0
            self._heard = False
            self._zero_first = False
        self.out.append(self._hello())

    def _take(self, frame: SetPoint, now: int) -> None:
        refused = 0
        newer = (frame.sequence - self.last_set_point) & 0xFFFF
        if self.session == 0 or frame.session != self.session:
            refused = 1
        elif self._heard and not 0 < newer < 0x8000:
            refused = 2
        elif len(frame.currents) != len(self._ceiling_a):
            refused = 3
        elif not 0 < frame.validity_ms <= LONGEST_VALIDITY_MS or any(
            step > most for step, most in zip(frame.currents, self._ceiling_steps, strict=True)
        ):
            refused = 4
        elif self._zero_first and self.chain_closed and any(frame.currents):
            refused = 5
        if refused:
            if self._due(NoticeCode.SET_POINT_REFUSED, refused, 0.1):
                self._notice(NoticeCode.SET_POINT_REFUSED, refused)
            return
        self._heard = True
        self.last_set_point = frame.sequence
        self.digital_out = frame.digital_out
        if not self.chain_closed or self.permission is Permission.CHAIN_OPEN:
            return
        self._zero_first = False
        self._taken_tick = now
        self._expires_tick = now + int(frame.validity_ms * self._ticks_per_ms)
        self.permission = Permission.HELD
        self.set_points_a = [step * CURRENT_STEP_A for step in frame.currents]

    def _begin_easing(self, now: int) -> None:
        # From what flows, whatever was asked last: a set point may ask for far more than that for a
        # moment, or for far less. The middle one of the newest readings, so that one wrong is none.
        middle = (len(self._readings) - 1) // 2
        flowing = [
            sorted(steps)[middle] * CURRENT_STEP_A for steps in zip(*self._readings, strict=True)
        ]
        self.set_points_a = [
            min(now, full) if now >= LEAST_EASED_A else 0.0
            for now, full in zip(flowing, self._full_a, strict=True)
        ]
        self.permission = Permission.EASING if any(self.set_points_a) else Permission.NONE
        age_ms = int((now - self._taken_tick) / self._ticks_per_ms)
        self._notice(NoticeCode.EASING_BEGAN, age_ms)

    def supplies(self, period_s: float) -> list[float]:
        """Set points in A for the frame that begins now, by the board's own clock and inputs."""
        permission = self.permission
        if not self.chain_closed:
            if permission is not Permission.CHAIN_OPEN:
                self.permission = Permission.CHAIN_OPEN
                self.set_points_a = [0.0] * len(self.set_points_a)
                self._zero_first = True
                self._notice(NoticeCode.CHAIN_OPENED)
        elif permission is Permission.CHAIN_OPEN:
            self.permission = Permission.NONE
        elif permission is Permission.HELD:
            if self.ticks >= self._expires_tick:
                self._begin_easing(self.ticks)
        elif permission is Permission.EASING:
            self.set_points_a = [
                max(each - fall * period_s, 0.0)
                for each, fall in zip(self.set_points_a, self._fall_a_per_s, strict=True)
            ]
            if not any(self.set_points_a):
                self.permission = Permission.NONE
        return self.set_points_a

    def sample(
        self,
        edges: Sequence[Sequence[int]],
        counts: Sequence[int],
        flags: Sequence[int],
        currents: Sequence[int],
    ) -> Sample:
        """The frame for the period just over; moves the board's clock on by that period."""
        row = [*counts, *currents, *map(len, edges)]
        for ticks in edges:
            row += ticks
        return self.sample_of(np.array(row, np.int64), np.array(flags, np.int64))

    def sample_of(self, row: Ints, flags: Ints) -> Sample:
        """The same of a row of numbers, as `write_sample` takes it."""
        self.ticks += self._ticks_per_frame
        outputs, wheels = len(flags), len(self._totals)
        told = row[outputs : 2 * outputs + wheels].tolist()
        self._readings = [*self._readings, told[:outputs]][-self._kept_readings :]
        for wheel, count in enumerate(told[outputs:]):
            dropped = count - MAX_EDGES_PER_FRAME
            if dropped > 0 and self._due(NoticeCode.EDGES_DROPPED, wheel, 1.0):
                self._notice(NoticeCode.EDGES_DROPPED, wheel << 16 | dropped)
        left_ms = 0
        if self.permission is Permission.HELD:
            left_ms = max(int((self._expires_tick - self.ticks) / self._ticks_per_ms), 0)
        digital = (1 if self.chain_closed else 0) | (2 if self.tie_downs else 0)
        digital |= (self.fans_turning & 3 & ~self.fan_switches_open) << 2
        body = self._body
        size = self._write_sample(
            self.sequence, self.ticks & TICK_MASK, int(self.permission), left_ms,
            self.last_set_point, digital, row, flags, self._totals, body,
        )  # fmt: skip
        self.sequence = (self.sequence + 1) & TICK_MASK
        return Sample.of(bytes(body[:size]))

    def slow(self, values: Sequence[float]) -> Slow:
        return Slow(self.ticks & TICK_MASK, tuple(enumerate(values)))

    def fast(self, values: Sequence[float]) -> Slow:
        """A frame of the quick ones among the slow channels; `values` are those of all."""
        return Slow(self.ticks & TICK_MASK, tuple((at, values[at]) for at in FAST_CHANNELS))

    def flush(self) -> bytes:
        """Wire bytes of the frames that wait, apart from samples."""
        if not self.out:
            return b""
        data = b"".join([encode(frame) for frame in self.out])
        self.out.clear()
        return data
