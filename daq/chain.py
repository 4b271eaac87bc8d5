"""One sample frame in, all readings of that moment out.

Data flow: Sample -> 64-bit device time -> wheels (daq.speed) and cells (daq.force) -> per roll set
speed, acceleration, forces and power at one common instant -> engine speed -> Measured. Slow
channels come beside it, from the front end or from outside. Pure: no clock but the device's.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from daq import force as cell_rows
from daq import speed as wheel_rows
from daq.engine_speed import CHANNEL, NONE, PICKUP, RATIO, from_ratio
from daq.errors import Refused, WireError
from daq.force import CellBank
from daq.measured import AbsorberReadings, Measured, RollSetReadings
from daq.readings import Quality, Reading, Unit, missing
from daq.rig import Absorber, Rig, RollSet, SlowChannel
from daq.speed import WheelBank, WheelConfig
from daq.steer import Steer
from daq.units import Scale, scale_of
from daq.wire.frames import CURRENT_STEP_A, ChannelKind, Hello, Sample, Slow

_GOOD, _AGING, _SUSPECT, _MISSING = (
    Quality.GOOD,
    Quality.AGING,
    Quality.SUSPECT,
    Quality.MISSING,
)
_NAN = float("nan")
ENGINE_WINDOW_S = 0.100
FASTEST_ENGINE_RADPS = 2000.0  # beyond it pulses are noise
SLOW_CHECK_FRAMES = 25


class _Geometry(NamedTuple):
    """Numbers of one absorber that each frame needs."""

    name: str
    arm_m: float
    gear_ratio: float
    surface_per_torque: float  # N at the roll surface per N.m at the absorber shaft
    shaft_per_speed: float  # rad/s at the absorber per m/s at the surface
    roll_set: int
    output: int
    delay_s: float


def _indices(
    hello: Hello, kind: ChannelKind, wanted: tuple[str, ...], what: str
) -> tuple[int, ...]:
    names = hello.names(kind)
    for name in wanted:
        if name not in names:
            offered = ", ".join(names) or "none"
            raise WireError(
                f"The front end has no {what} channel '{name}' (it has: {offered}).",
                "Correct the name in the rig file, or the channel table of the front end.",
            )
    return tuple(names.index(name) for name in wanted)


class Chain:
    """All measuring state of one session with one front end."""

    def __init__(self, rig: Rig, hello: Hello) -> None:
        """Raises WireError when the front end lacks a channel the rig names, or differs in rate."""
        if hello.tick_hz <= 0:
            raise WireError(
                "The front end states a tick rate of 0.", "Update the front end's firmware."
            )
        self.rig = rig
        self.frame_hz = float(hello.frame_hz or rig.frame_hz)
        self._tick_hz = hello.tick_hz
        self._tick_s = 1.0 / hello.tick_hz
        self._tick = hello.tick
        self._sequence: int | None = None
        self._now_s = hello.tick * self._tick_s
        wheel_names = tuple(roll_set.wheel for roll_set in rig.roll_sets)
        wheels = [
            WheelConfig(roll_set.teeth, 2.0 * math.pi * roll_set.roll_radius_m / roll_set.teeth)
            for roll_set in rig.roll_sets
        ]
        self._pickup = -1
        if rig.engine.wheel and rig.engine.pulses_per_rev > 0.0:
            self._pickup = len(wheels)
            wheel_names += (rig.engine.wheel,)
            teeth = max(1, round(rig.engine.pulses_per_rev))
            wheels.append(
                WheelConfig(
                    teeth,
                    2.0 * math.pi / rig.engine.pulses_per_rev,
                    window_s=ENGINE_WINDOW_S,
                    fastest=FASTEST_ENGINE_RADPS,
                )
            )
        self._wheel_channels = _indices(hello, ChannelKind.WHEEL, wheel_names, "wheel")
        self._cell_channels = _indices(
            hello,
            ChannelKind.CONVERTER,
            tuple(absorber.cell.converter for absorber in rig.absorbers),
            "converter",
        )
        outputs = _indices(
            hello,
            ChannelKind.OUTPUT,
            tuple(absorber.output for absorber in rig.absorbers),
            "output",
        )
        self._stop_chain = _indices(
            hello, ChannelKind.DIGITAL_IN, (rig.inputs.stop_chain_closed,), "digital input"
        )[0]
        self._tie_downs = -1
        if rig.inputs.tie_downs:
            self._tie_downs = _indices(
                hello, ChannelKind.DIGITAL_IN, (rig.inputs.tie_downs,), "digital input"
            )[0]
        if rig.inputs.doors_closed:
            _indices(hello, ChannelKind.DIGITAL_IN, (rig.inputs.doors_closed,), "digital input")
        self._digital_names = hello.names(ChannelKind.DIGITAL_IN)
        self._digital_word = -1
        self._digital: dict[str, bool] = {}
        self.wheels = WheelBank(tuple(wheels), hello.tick_hz)
        self._steer = Steer(self.wheels, len(rig.roll_sets))
        self.cells = CellBank(
            tuple(absorber.cell for absorber in rig.absorbers),
            tuple(absorber.arm_sign for absorber in rig.absorbers),
            self.frame_hz,
        )
        order = {roll_set.name: place for place, roll_set in enumerate(rig.roll_sets)}
        self._geometry = tuple(
            _geometry(absorber, rig.roll_sets[order[absorber.roll_set]], order, output, delay)
            for absorber, output, delay in zip(
                rig.absorbers, outputs, self.cells.delays_s, strict=True
            )
        )
        self._names = {absorber.name: place for place, absorber in enumerate(rig.absorbers)}
        self._slow_table: dict[int, tuple[SlowChannel, Scale]] = {}
        self._outside: dict[str, tuple[SlowChannel, Scale]] = {}
        self._slow: dict[str, Reading] = {}
        self._slow_countdown = 0
        self._bind_slow(hello)
        self.learned_ratio = _NAN  # engine rad/s per roll m/s in the locked gear; NaN: not learned

    def _bind_slow(self, hello: Hello) -> None:
        table = [channel for channel in hello.channels if channel.kind == ChannelKind.SLOW]
        index_of = {channel.name: place for place, channel in enumerate(table)}
        for channel in self.rig.slow:
            scale = scale_of(channel.unit)
            self._outside[channel.name] = (channel, scale)
            self._slow[channel.name] = missing(scale.unit, self._now_s)
            if channel.topic:
                continue
            place = index_of.get(channel.name)
            if place is None:
                offered = ", ".join(index_of) or "none"
                raise WireError(
                    f"The front end has no slow channel '{channel.name}' (it has: {offered}).",
                    "Correct the name in the rig file, or give the channel a topic.",
                )
            told = scale_of(table[place].unit) if table[place].unit else scale
            if told.unit is not scale.unit:
                raise WireError(
                    f"Slow channel '{channel.name}' is in {channel.unit} by the rig file and in "
                    f"{table[place].unit} by the front end.",
                    "Make both say the same quantity.",
                )
            self._slow_table[place] = (channel, told)

    @property
    def now_s(self) -> float:
        """Device time of the newest frame, in seconds since the front end's tick zero."""
        return self._now_s

    def _extend(self, tick: int) -> int:
        """64-bit tick for a 32-bit one that is at most half a turn of the counter away."""
        ahead = (tick - self._tick) & 0xFFFFFFFF
        if ahead >= 0x80000000:
            ahead -= 0x100000000
        return self._tick + ahead

    # ---- slow channels

    def slow(self, frame: Slow) -> None:
        """Take the slow values of one frame; unknown channel numbers are ignored."""
        time_s = self._extend(frame.tick) * self._tick_s
        for place, value in frame.values:
            entry = self._slow_table.get(place)
            if entry is not None:
                self._store(entry[0], entry[1], value, time_s)

    def feed_slow(self, name: str, value: float, time_s: float) -> None:
        """Take a value from outside the front end, in the rig file's unit, at device time.

        Raises Refused when the rig has no such channel.
        """
        entry = self._outside.get(name)
        if entry is None:
            raise Refused(
                f"The rig has no slow channel '{name}'.",
                "Describe it in the rig file under [[slow]].",
                "unknown-channel",
            )
        self._store(entry[0], entry[1], value, time_s)

    def _store(self, channel: SlowChannel, scale: Scale, value: float, time_s: float) -> None:
        if math.isfinite(value):
            reading = Reading(value * scale.factor + scale.offset, scale.unit, time_s, _GOOD)
        else:
            reading = missing(scale.unit, time_s)
        slow = dict(self._slow)  # earlier Measured keep theirs
        slow[channel.name] = reading
        self._slow = slow

    def _age_slow(self) -> None:
        """good -> aging after max_age_s -> missing after three times that."""
        changed: dict[str, Reading] = {}
        for channel in self.rig.slow:
            reading = self._slow[channel.name]
            if reading.quality is _MISSING:
                continue
            age = self._now_s - reading.time_s
            if age > 3.0 * channel.max_age_s:
                changed[channel.name] = missing(reading.unit, reading.time_s)
            elif age > channel.max_age_s and reading.quality is _GOOD:
                changed[channel.name] = Reading(
                    reading.value, reading.unit, reading.time_s, _AGING, reading.sigma
                )
        if changed:
            self._slow = {**self._slow, **changed}

    # ---- zeros

    def set_zero(self, absorber_name: str, count: float) -> None:
        """Use this converter count as the unloaded reading of one absorber's cell."""
        row = self._names.get(absorber_name)
        if row is None:
            raise Refused(
                f"The rig has no absorber '{absorber_name}'.",
                f"Use one of: {', '.join(self._names)}.",
                "unknown-absorber",
            )
        if not math.isfinite(count):
            raise Refused("A zero must be a number.", "Take the zero again.", "bad-zero")
        self.cells.set_zero(row, count)

    # ---- one frame

    def update(self, sample: Sample) -> Measured:
        """All readings at one frame. The frame must come from the front end of the Hello given."""
        self._tick = self._extend(sample.tick)
        now_s = self._tick * self._tick_s
        self._now_s = now_s
        lost = 0
        if self._sequence is not None:
            lost = (sample.sequence - self._sequence - 1) & 0xFFFFFFFF
            if lost >= 0x80000000:
                lost = 0
        self._sequence = sample.sequence
        rows = self.wheels.update(
            self._tick, sample.edge_totals, sample.edges, self._wheel_channels
        ).tolist()
        speed_time = now_s - wheel_rows.DELAY_S
        self.cells.aligned_s.fill(speed_time)
        cells = self.cells.update(now_s, sample.counts, sample.flags, self._cell_channels).tolist()

        absorbers: list[AbsorberReadings] = []
        count = len(self.rig.roll_sets)
        forces = [0.0] * count
        variances = [0.0] * count
        qualities = [_GOOD] * count
        currents = sample.currents
        for geometry, cell in zip(self._geometry, cells, strict=True):
            faults = int(cell[cell_rows.FAULTS])
            quality = _GOOD if not faults else _cell_quality(faults)
            time_s = now_s - geometry.delay_s
            value = cell[cell_rows.FORCE] if quality is not _MISSING else _NAN
            sigma = cell[cell_rows.FORCE_SD]
            arm = geometry.arm_m
            to_surface = geometry.surface_per_torque * arm
            absorbers.append(
                AbsorberReadings(
                    geometry.name,
                    Reading(value, Unit.NEWTON, time_s, quality, sigma),
                    Reading(value * arm, Unit.NEWTON_METRE, time_s, quality, sigma * arm),
                    Reading(value * to_surface, Unit.NEWTON, time_s, quality, sigma * to_surface),
                    Reading(currents[geometry.output] * CURRENT_STEP_A, Unit.AMPERE, now_s, _GOOD),
                    rows[geometry.roll_set][wheel_rows.SPEED] * geometry.shaft_per_speed,
                    geometry.delay_s,
                )
            )
            place = geometry.roll_set
            forces[place] += cell[cell_rows.ALIGNED] * to_surface
            variances[place] += (sigma * to_surface) ** 2
            if quality is not _GOOD:
                qualities[place] = _worse(qualities[place], quality)

        roll_sets = tuple(
            _roll_set_readings(roll_set, rows[place], speed_time, forces[place],
                               variances[place], qualities[place])
            for place, roll_set in enumerate(self.rig.roll_sets)
        )  # fmt: skip

        self._slow_countdown -= 1
        if self._slow_countdown < 0:
            self._slow_countdown = SLOW_CHECK_FRAMES
            self._age_slow()
        engine, source = self._engine(rows, roll_sets, now_s)
        if sample.digital != self._digital_word:
            self._digital_word = sample.digital
            self._digital = {
                name: bool(sample.digital >> bit & 1)
                for bit, name in enumerate(self._digital_names)
            }
        digital = sample.digital
        return Measured(
            now_s,
            sample.sequence,
            lost,
            roll_sets,
            tuple(absorbers),
            engine,
            source,
            self._slow,
            bool(digital >> self._stop_chain & 1),
            bool(digital >> self._tie_downs & 1) if self._tie_downs >= 0 else None,
            self._digital,
            sample.permission,
            sample.permission_left_ms * 1e-3,
            sample.last_set_point,
            self._steer.update(self._tick),
        )

    def _engine(
        self, rows: list[list[float]], roll_sets: tuple[RollSetReadings, ...], now_s: float
    ) -> tuple[Reading, str]:
        if self._pickup >= 0:
            row = rows[self._pickup]
            quality = _wheel_quality(row[wheel_rows.STATUS])
            reading = Reading(
                row[wheel_rows.SPEED] if quality is not _MISSING else _NAN,
                Unit.RADIAN_PER_SECOND,
                now_s - wheel_rows.DELAY_S,
                quality,
                row[wheel_rows.SPEED_SD],
            )
            if quality is not _MISSING and row[wheel_rows.AGE] < 1e8:
                return reading, PICKUP
        channel = self.rig.engine.slow_channel
        if channel:
            told = self._slow.get(channel)
            if told is not None and told.quality is not _MISSING:
                return told, CHANNEL
        if math.isfinite(self.learned_ratio):
            return from_ratio(self.driven_speed(roll_sets), self.learned_ratio), RATIO
        return missing(Unit.RADIAN_PER_SECOND, now_s), NONE

    @staticmethod
    def driven_speed(roll_sets: tuple[RollSetReadings, ...]) -> Reading:
        """The speed the ratio refers to: the fastest roll set (the driven one, if only one is)."""
        return max(
            (roll_set.speed for roll_set in roll_sets),
            key=lambda reading: reading.value if reading.quality is not _MISSING else -1.0,
        )


def _geometry(
    absorber: Absorber, roll_set: RollSet, order: dict[str, int], output: int, delay_s: float
) -> _Geometry:
    per_torque = absorber.gear_ratio / roll_set.roll_radius_m
    return _Geometry(
        absorber.name,
        absorber.arm_m,
        absorber.gear_ratio,
        per_torque,
        per_torque,  # same number: speed goes the other way through the same gear
        order[absorber.roll_set],
        output,
        delay_s,
    )


def _worse(one: Quality, other: Quality) -> Quality:
    ranks = {_GOOD: 0, _AGING: 1, _SUSPECT: 2, _MISSING: 3}
    return one if ranks[one] >= ranks[other] else other


def _cell_quality(faults: int) -> Quality:
    if faults & (cell_rows.BRIDGE | cell_rows.STALE):
        return _MISSING
    if faults & (cell_rows.SATURATED | cell_rows.FROZEN | cell_rows.OVERLOAD):
        return _SUSPECT
    return _GOOD  # one repeated count is within the converter's own rate


def _wheel_quality(status: float) -> Quality:
    if status == wheel_rows.LOST:
        return _MISSING
    return _GOOD


def _roll_set_readings(
    roll_set: RollSet,
    row: list[float],
    time_s: float,
    absorber_n: float,
    absorber_variance: float,
    force_quality: Quality,
) -> RollSetReadings:
    status = row[wheel_rows.STATUS]
    speed_quality = _GOOD if status == wheel_rows.MOVING else _wheel_quality(status)
    v = row[wheel_rows.SPEED]
    a = row[wheel_rows.ACCEL]
    v_sd = row[wheel_rows.SPEED_SD]
    a_sd = row[wheel_rows.ACCEL_SD]
    la, lb, lc = roll_set.loss_n
    quality = _worse(speed_quality, force_quality)
    if speed_quality is _MISSING:
        v = a = _NAN
    if force_quality is _MISSING:
        absorber_n = _NAN
    # standing rolls lose nothing: the constant part is friction, it opposes motion only
    loss = la + v * (lb + v * lc) if v > 0.05 else (0.0 if v <= 0.05 else _NAN)
    inertia = roll_set.base_inertia_kg * a
    tractive = absorber_n + loss + inertia
    inertia_sd = roll_set.base_inertia_kg * a_sd
    tractive_sd = math.sqrt(absorber_variance + inertia_sd * inertia_sd)
    newton = Unit.NEWTON
    return RollSetReadings(
        roll_set.name,
        Reading(v, Unit.METRE_PER_SECOND, time_s, speed_quality, v_sd),
        Reading(a, Unit.METRE_PER_SECOND_2, time_s, speed_quality, a_sd),
        Reading(absorber_n, newton, time_s, force_quality, math.sqrt(absorber_variance)),
        Reading(loss, newton, time_s, speed_quality, roll_set.loss_sigma_n),
        Reading(inertia, newton, time_s, speed_quality, inertia_sd),
        Reading(tractive, newton, time_s, quality, tractive_sd),
        Reading(
            tractive * v,
            Unit.WATT,
            time_s,
            quality,
            math.sqrt((tractive_sd * v) ** 2 + (tractive * v_sd) ** 2),
        ),
        wheel_rows.DELAY_S,
    )
