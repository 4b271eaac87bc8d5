"""One sample frame in, all readings of that moment out.

Data flow: Sample -> 64-bit device time -> cells (daq.measure.force.load_cell) and wheels
(daq.measure.speed.estimator) -> force balance at one common instant (daq.measure.balance), both
compiled (daq.measure.sensor_kernel) -> engine speed, ratio and slip (daq.measure.engine_speed) ->
Measured. Slow channels come beside it
(daq.measure.slow). Pure: no clock but the device's.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping
from typing import Any

import numpy as np

from daq.clock import TickClock
from daq.errors import WireError
from daq.kernel import bound
from daq.measure import balance as b
from daq.measure.cross_check import CrossCheck
from daq.measure.engine_speed import EngineSpeed, Speeds
from daq.measure.force.load_cell import FAULT_TEXTS, NOT_FRESH, CellBank
from daq.measure.force.zero import CellZeros
from daq.measure.measured import NOT_YET_KNOWN, AbsorberReadings, Measured, RollSetReadings
from daq.measure.rest import RestDetector
from daq.measure.sensor_kernel import update_balance, update_sensors
from daq.measure.slip import SlipDetector
from daq.measure.slow import SlowChannels
from daq.measure.speed.estimator import (
    AGE,
    DELAY_S,
    EDGES_USED,
    LOST,
    MOVING,
    NOISY,
    OVERDUE,
    STANDING,
    STANDING_AFTER_S,
    STARTING,
    STATUS,
    UNKNOWN,
    WheelBank,
    WheelConfig,
)
from daq.measure.speed.fresh_travel import FRESH_STATE
from daq.measure.speed.tooth_errors import ToothTable
from daq.readings import Quality, Reading, Unit
from daq.rig.description import Rig
from daq.texts.message import say
from daq.wire.frame_kernel import FIRST_WHEEL, WHEELS
from daq.wire.frames import ChannelKind, Hello, Sample, Slow

_HEAD = struct.Struct("<BIIBHHH").unpack_from  # of a sample: type to digital inputs
_GOOD, _SUSPECT = Quality.GOOD, Quality.SUSPECT
QUALITIES = {0.0: _GOOD, 1.0: Quality.AGING, 2.0: _SUSPECT, 3.0: Quality.MISSING}
CONDITIONS = {
    MOVING: "",
    STANDING: "standing",
    OVERDUE: "edge overdue",
    LOST: "no edges from its tooth wheel",
    STARTING: "starting",
    NOISY: "its edges make no sense",
    UNKNOWN: NOT_YET_KNOWN,
}
ENGINE_WINDOW_S = 0.100
FASTEST_ENGINE_RADPS = 2000.0  # beyond it pulses are noise
SLOW_CHECK_FRAMES = 25
_NOT_KNOWN = (UNKNOWN, LOST, OVERDUE, NOISY)  # a roll set whose speed is one of these may turn

_MPS, _MPS2, _N, _NM = (
    Unit.METRE_PER_SECOND,
    Unit.METRE_PER_SECOND_2,
    Unit.NEWTON,
    Unit.NEWTON_METRE,
)
_WATT, _AMPERE = Unit.WATT, Unit.AMPERE


def _indices(
    hello: Hello, kind: ChannelKind, wanted: tuple[str, ...], what: str
) -> tuple[int, ...]:
    names = hello.names(kind)
    for name in wanted:
        if name not in names:
            offered = ", ".join(names) or "none"
            raise WireError(
                say("front-end-has-no-channel-it", what=what, name=name, offered=offered),
                say("correct-name-in-rig-file-or"),
            )
    return tuple(names.index(name) for name in wanted)


class Chain:
    """All measuring state of one session with one front end."""

    def __init__(self, rig: Rig, hello: Hello) -> None:
        """Raises WireError when the front end lacks a channel the rig names."""
        if hello.tick_hz <= 0 or hello.frame_hz <= 0:
            raise WireError(
                say("front-end-states-tick-or-frame"),
                say("update-front-ends-firmware"),
            )
        kinds = (ChannelKind.WHEEL, ChannelKind.CONVERTER, ChannelKind.OUTPUT)
        self._channels = bytes(len(hello.names(kind)) for kind in kinds)
        self.rig = rig
        self.frame_hz = float(hello.frame_hz)
        self._clock = TickClock(hello.tick_hz)
        self._clock.extend(hello.tick)
        self._now_s = self._clock.seconds(hello.tick)
        self._sequence: int | None = None
        order = {roll_set.name: place for place, roll_set in enumerate(rig.roll_sets)}
        cell_channels = _indices(
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
        self.cells = CellBank(
            tuple(absorber.cell for absorber in rig.absorbers),
            tuple(absorber.arm_sign for absorber in rig.absorbers),
            self.frame_hz,
        )
        self._pickup = -1
        self.wheels, wheel_channels = self._bind_wheels(hello)
        self._bind_inputs(hello)
        set_of = tuple(order[absorber.roll_set] for absorber in rig.absorbers)
        absorber_rows = np.array(
            [
                (
                    absorber.arm_m,
                    absorber.arm_m * absorber.gear_ratio / rig.roll_sets[place].roll_radius_m,
                    absorber.gear_ratio / rig.roll_sets[place].roll_radius_m,
                    place,
                    max(
                        b.IDLE_SHARE * absorber.cell.capacity_n,
                        4.0 * absorber.map.residual_torque_nm / absorber.arm_m,
                    ),
                )
                for absorber, place in zip(rig.absorbers, set_of, strict=True)
            ],
            dtype=np.float64,
        )
        set_rows = np.array(
            [
                (roll_set.base_inertia_kg, *roll_set.loss_n, roll_set.loss_sigma_n)
                for roll_set in rig.roll_sets
            ],
            dtype=np.float64,
        )
        self.cells.to_surface = absorber_rows[:, b.TO_SURFACE].copy()
        self.cells.roll_set = np.array(set_of, np.int64)
        self.cells.push = self.wheels.push
        self._bind_kernels(wheel_channels, cell_channels, outputs, set_rows, absorber_rows)
        self._set_names = tuple(roll_set.name for roll_set in rig.roll_sets)
        self._absorber_names = tuple(absorber.name for absorber in rig.absorbers)
        self._slow = SlowChannels(rig, hello)
        self._countdown = 0
        self._cross_check = CrossCheck(len(rig.roll_sets))
        self._rest = RestDetector(self._set_names)
        self._current_flows = False
        self._zeros = CellZeros(rig.absorbers, self.cells)
        self._contradicted = [False] * len(rig.roll_sets)
        self._unknown = list(range(len(self.wheels.wheels)))  # wheels not yet seen to turn or rest
        self._known_from_s = math.nan
        self.engine = EngineSpeed(rig.engine)
        self._slip = SlipDetector()

    def _bind_wheels(self, hello: Hello) -> tuple[WheelBank, tuple[int, ...]]:
        rig = self.rig
        names = tuple(roll_set.wheel for roll_set in rig.roll_sets)
        wheels = []
        for roll_set in rig.roll_sets:
            delays = [
                delay
                for absorber, delay in zip(rig.absorbers, self.cells.delays_s, strict=True)
                if absorber.roll_set == roll_set.name
            ]
            wheels.append(
                WheelConfig(
                    roll_set.teeth,
                    2.0 * math.pi * roll_set.roll_radius_m / roll_set.teeth,
                    inertia_kg=roll_set.base_inertia_kg,
                    force_delay_s=sum(delays) / len(delays),
                )
            )
        if rig.engine.wheel and rig.engine.pulses_per_rev > 0.0:
            self._pickup = len(wheels)
            names += (rig.engine.wheel,)
            wheels.append(
                WheelConfig(
                    max(1, round(rig.engine.pulses_per_rev)),
                    2.0 * math.pi / rig.engine.pulses_per_rev,
                    window_s=ENGINE_WINDOW_S,
                    fastest=FASTEST_ENGINE_RADPS,
                )
            )
        channels = _indices(hello, ChannelKind.WHEEL, names, "wheel")
        return WheelBank(tuple(wheels), hello.tick_hz, self.frame_hz), channels

    def _bind_kernels(
        self,
        wheel_channels: tuple[int, ...],
        cell_channels: tuple[int, ...],
        outputs: tuple[int, ...],
        set_rows: np.ndarray,
        absorber_rows: np.ndarray,
    ) -> None:
        """The two compiled calls of a frame, and the memory that they work on."""
        cells, wheels = self.cells, self.wheels
        sets, absorbers = len(set_rows), len(absorber_rows)
        coils_at = sets * b.SET_OUTPUTS + absorbers * b.ABSORBER_OUTPUTS
        self._numbers = np.zeros(coils_at + absorbers)  # daq.measure.balance, then coil currents, A
        self._travel = np.full((sets, 2), math.nan)
        self._sensors: tuple[Any, ...] = (
            cells.frame_s,
            *[np.array(each, np.int64) for each in (wheel_channels, cell_channels, outputs)],
            wheels.arrivals, cells.counts, self._numbers[coils_at:],
            cells.parameters, cells.state, cells.int_state, cells.times, cells.forces,
            cells.means, cells.to_surface, cells.roll_set, cells.push, cells.out,
            wheels.ticks, wheels.indices, wheels.tooth, wheels.offsets, wheels.teeth,
            wheels.state, wheels.motion, wheels.parameters, wheels.blocks, wheels.work, wheels.out,
        )  # fmt: skip
        self._balance: tuple[Any, ...] = (
            wheels.out, cells.out, set_rows, absorber_rows, self._numbers[:coils_at],
            wheels.ticks, wheels.indices, wheels.tooth, wheels.offsets, wheels.state,
            np.zeros((sets, FRESH_STATE), np.int64),
            np.array([wheel.pitch for wheel in wheels.wheels[:sets]]), self._travel,
        )  # fmt: skip
        self._tick_s = 1.0 / wheels.tick_hz
        self._update_sensors = bound(update_sensors, b"", 0, 0.0, 0.0, *self._sensors)
        self._update_balance = bound(update_balance, 0, self._tick_s, True, *self._balance)

    def _bind_inputs(self, hello: Hello) -> None:
        inputs = self.rig.inputs
        kind = ChannelKind.DIGITAL_IN
        self._stop_chain = _indices(hello, kind, (inputs.stop_chain_closed,), "digital input")[0]
        self._tie_downs = -1
        if inputs.tie_downs:
            self._tie_downs = _indices(hello, kind, (inputs.tie_downs,), "digital input")[0]
        if inputs.doors_closed:
            _indices(hello, kind, (inputs.doors_closed,), "digital input")
        switches = tuple(one.fan_turns for one in self.rig.absorbers if one.fan_turns)
        _indices(hello, kind, switches, "digital input")
        self._digital_names = hello.names(kind)
        self._digital_word = -1
        self._digital: dict[str, bool] = {}

    @property
    def now_s(self) -> float:
        """Device time of the newest frame, in seconds since the front end's tick zero."""
        return self._now_s

    # ---- slow channels

    def slow(self, frame: Slow) -> None:
        """Take the slow values of one frame; unknown channel numbers are ignored."""
        self._slow.take(frame, self._clock.seconds(self._clock.extend(frame.tick)))

    def feed_slow(self, name: str, value: float, time_s: float) -> None:
        """Take a value from outside the front end, in the rig file's unit, at device time.

        Raises Refused when the rig has no such channel.
        """
        self._slow.feed(name, value, time_s)

    # ---- what survives a restart

    @property
    def learned_ratio(self) -> float:
        """Engine rad/s per roll m/s in the locked gear; NaN: not learned. May be set."""
        return self.engine.learned_ratio

    @learned_ratio.setter
    def learned_ratio(self, ratio: float) -> None:
        self.engine.learned_ratio = ratio

    def learn_ratio(self) -> float:
        """Take the mean ratio of the last second as that of the locked gear, and return it.

        Raises Refused when engine or roll speed is missing, or the ratio is not steady.
        """
        return self.engine.learn()

    def learn_teeth(self, on: bool) -> None:
        """Learn tooth offsets or leave them. Off while a speed loop holds the rolls: it answers an
        error of the wheel with true motion, and the two could not be told apart."""
        self.wheels.learning = on

    def tooth_tables(self) -> dict[str, ToothTable]:
        """Learned tooth offsets by roll set name, as far as they are worth keeping."""
        tables: dict[str, ToothTable] = {}
        for name, learner in zip(self._set_names, self.wheels.learners, strict=False):
            table = learner.table()
            if table is not None:
                tables[name] = table
        return tables

    def restore_tooth_tables(self, tables: dict[str, ToothTable]) -> None:
        """Offer tables from before; each is used once its wheel's phase has been found."""
        for name, learner in zip(self._set_names, self.wheels.learners, strict=False):
            if name in tables:
                learner.restore(tables[name])

    # ---- zeros

    def restore_zeros(self, counts: Mapping[str, float]) -> None:
        """Use zeros taken before, by absorber name; names the rig does not have are left out."""
        self._zeros.use(counts)

    def take_zeros(self) -> dict[str, float]:
        """Take the zeros of all load cells; returns the new counts by absorber name.

        Raises Refused, and changes nothing, unless the rolls have rested without current for two
        seconds and every cell is clean, steady and near its calibrated zero.
        """
        rows = self.wheels.out[: len(self._set_names)]
        places = range(len(self._set_names))
        known = [
            row[STATUS] not in _NOT_KNOWN and place not in self._unknown
            for place, row in zip(places, rows, strict=True)
        ]
        self._rest.require(self._now_s, rows[:, 0].tolist(), known, self._current_flows)
        return self._zeros.take()

    # ---- one frame

    def update(self, sample: Sample) -> Measured:
        """All readings at one frame. The frame must come from the front end of the Hello given.

        Raises WireError when it has other channels than that Hello named.
        """
        body = sample.body
        if body[WHEELS:FIRST_WHEEL] != self._channels:
            raise WireError(say("sample-has-other-channels"), say("update-front-ends-firmware"))
        if self._sequence is None:  # the greeting may lie more than half a turn of the tick back
            self._clock = TickClock(self._clock.tick_hz)
        _, sequence, tick_32, permission, left_ms, last_set_point, digital = _HEAD(body)
        tick = self._clock.extend(tick_32)
        now_s = self._clock.seconds(tick)
        self._now_s = now_s
        lost = 0
        if self._sequence is not None:
            lost = (sequence - self._sequence - 1) & 0xFFFFFFFF
            if lost >= 0x80000000:
                lost = 0
        self._sequence = sequence
        time_s = now_s - DELAY_S
        told = self._update_sensors(body, tick, now_s, time_s, *self._sensors)
        if told >> 1:
            self.wheels.learn(told >> 1)
        wheel_rows = self.wheels.out
        if self._unknown:
            self._initialise_wheels(wheel_rows, now_s)
        self._countdown -= 1
        if self._countdown < 0:
            self._countdown = SLOW_CHECK_FRAMES
            self._housekeeping(now_s)
        self._current_flows = flows = bool(told & 1)
        self._rest.current(flows)
        if self._rest.rested(now_s):
            self._zeros.mark_drift(self.cells.out)
        self._update_balance(tick, self._tick_s, flows, *self._balance)
        numbers: list[float] = self._numbers.tolist()
        roll_sets = self._roll_sets(numbers, time_s)
        absorbers = self._absorbers(numbers, now_s)
        pickup = wheel_rows[self._pickup].tolist() if self._pickup >= 0 else None
        speeds: Speeds = self.engine.update(
            pickup, [roll_set.speed for roll_set in roll_sets], self._slow.readings, now_s, time_s
        )
        if digital != self._digital_word:
            self._digital_word = digital
            self._digital = {
                name: bool(digital >> bit & 1) for bit, name in enumerate(self._digital_names)
            }
        return Measured(
            now_s,
            sequence,
            lost,
            roll_sets,
            absorbers,
            speeds.engine,
            speeds.source,
            self._slow.readings,
            bool(digital >> self._stop_chain & 1),
            bool(digital >> self._tie_downs & 1) if self._tie_downs >= 0 else None,
            self._digital,
            permission,
            left_ms * 1e-3,
            last_set_point,
            speeds.ratio,
            speeds.slip,
            speeds.difference,
            self._travel.tolist(),
            self._slip.update(speeds.slip, speeds.difference, time_s),
            numbers,
        )

    def _roll_sets(self, numbers: list[float], time_s: float) -> tuple[RollSetReadings, ...]:
        made: list[RollSetReadings] = []
        at = 0
        plain = True
        for place, name in enumerate(self._set_names):
            (
                v, a, force, loss, inertial, tractive, power,
                v_sd, a_sd, force_sd, loss_sd, inertial_sd, tractive_sd, power_sd,
                v_code, force_code, code, status,
            ) = numbers[at : at + b.SET_OUTPUTS]  # fmt: skip
            at += b.SET_OUTPUTS
            condition = ""
            v_quality = QUALITIES[v_code]
            quality = QUALITIES[code]
            if status != MOVING:
                plain = False
                condition = CONDITIONS[status]
                if self._contradicted[place] and v_code == 0.0:
                    v_quality = _SUSPECT
                    quality = _SUSPECT if code < b.SUSPECT else quality
                    numbers[at - b.SET_OUTPUTS + b.SPEED_QUALITY] = b.SUSPECT
                    condition = "no edges while the other roll set runs on"
            made.append(
                RollSetReadings(
                    name,
                    Reading(v, _MPS, time_s, v_quality, v_sd),
                    Reading(a, _MPS2, time_s, v_quality, a_sd),
                    Reading(force, _N, time_s, QUALITIES[force_code], force_sd),
                    Reading(loss, _N, time_s, v_quality, loss_sd),
                    Reading(inertial, _N, time_s, v_quality, inertial_sd),
                    Reading(tractive, _N, time_s, quality, tractive_sd),
                    Reading(power, _WATT, time_s, quality, power_sd),
                    DELAY_S,
                    condition,
                )
            )
        if not plain:
            self._compare(made, time_s)
        return tuple(made)

    def _absorbers(self, numbers: list[float], now_s: float) -> tuple[AbsorberReadings, ...]:
        made: list[AbsorberReadings] = []
        at = len(self._set_names) * b.SET_OUTPUTS
        coils = numbers[at + len(self._absorber_names) * b.ABSORBER_OUTPUTS :]
        for name, coil, delay in zip(self._absorber_names, coils, self.cells.delays_s, strict=True):
            cell, torque, force, cell_sd, torque_sd, force_sd, shaft, code, faults = numbers[
                at : at + b.ABSORBER_OUTPUTS
            ]
            at += b.ABSORBER_OUTPUTS
            time_s = now_s - delay
            quality = QUALITIES[code]
            made.append(
                AbsorberReadings(
                    name,
                    Reading(cell, _N, time_s, quality, cell_sd),
                    Reading(torque, _NM, time_s, quality, torque_sd),
                    Reading(force, _N, time_s, quality, force_sd),
                    Reading(coil, _AMPERE, now_s, _GOOD),
                    shaft,
                    delay,
                    _fault_text(int(faults)) if faults else "",
                )
            )
        return tuple(made)

    # ---- what need not be looked at in every frame

    def _initialise_wheels(self, wheel_rows: np.ndarray, now_s: float) -> None:
        """A wheel is known once two edges have come, or none for as long as standing takes.

        Until then nobody can say that it stands: its speed is missing, not 0.
        """
        if math.isnan(self._known_from_s):
            self._known_from_s = now_s + STANDING_AFTER_S
        still = []
        for wheel in self._unknown:
            row = wheel_rows[wheel]
            rests = row[STATUS] == STANDING and now_s >= self._known_from_s
            if not rests and row[EDGES_USED] < 2.0:
                row[STATUS] = UNKNOWN
                still.append(wheel)
        self._unknown = still

    def _compare(self, roll_sets: list[RollSetReadings], time_s: float) -> None:
        speeds = [0.0 if math.isnan(r.speed.value) else r.speed.value for r in roll_sets]
        moving = [r.condition == "" for r in roll_sets]
        for place in range(len(roll_sets)):
            self._contradicted[place] = not moving[place] and self._cross_check.contradicts(
                time_s, place, speeds, moving
            )

    def _housekeeping(self, now_s: float) -> None:
        """Every few frames: slow channels, rest, drift, which roll sets turn together."""
        self._slow.age(now_s)
        rows = self.wheels.out[: len(self._set_names)]
        speeds = rows[:, 0].tolist()
        if len(speeds) > 1:
            self._cross_check.running(now_s, speeds)
        self._rest.update(now_s, speeds, rows[:, AGE].tolist())
        if self._rest.rested(now_s):
            self._zeros.look_for_drift()


def _fault_text(faults: int) -> str:
    """The faults of a cell in words; one repeated count is none."""
    return ", ".join(text for bit, text in FAULT_TEXTS.items() if faults & bit and bit != NOT_FRESH)
