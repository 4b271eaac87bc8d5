"""The columns of a run: names, units, types, meanings, and one row of them from the readings.

Data flow: Measured of one frame and what stood beside it -> `row_of` -> daq.results.series.replay.
All of a row holds at one instant, that of the roll speeds: `time_s`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from daq.measure.measured import Measured, RollSetReadings
from daq.measure.speed.estimator import DELAY_S
from daq.readings import Quality
from daq.rig.description import Rig
from daq.rig.units import scale_of

Array = npt.NDArray[Any]
Chunk = dict[str, Array]
QUALITY_CODES = {Quality.GOOD: 0, Quality.AGING: 1, Quality.SUSPECT: 2, Quality.MISSING: 3}
SET_POINT_CODES = {"": 0, "rpm": 1, "speed": 2, "force": 3, "power": 4, "grade": 5}
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
        Column(
            "time_s",
            "s",
            "f8",
            f"device time at which all of the row holds, {1e3 * DELAY_S:.0f} ms before its frame",
        ),
        Column("utc_s", "s", "f8", "the same in UTC, seconds since 1970-01-01"),
        Column("utc_sigma_s", "s", "f4", "standard uncertainty of utc_s"),
        Column("host_s", "s", "f8", "host monotonic time of the frame's arrival, for diagnosis"),
        Column("sequence", "", "u4", "number of the frame, modulo 2^32"),
        Column("frames_lost", "", "u4", "frames lost just before this one"),
        Column("set_point", "", "f8", "what the test asks for, SI, of the quantity beside it"),
        Column(
            "set_point_quantity",
            "",
            "u1",
            "0 none, 1 engine speed rad/s, 2 roll speed m/s, 3 absorber force N, 4 absorbed power "
            "W, 5 grade %",
        ),
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


def typed(columns: Sequence[Column], block: npt.NDArray[np.float64]) -> Chunk:
    """Rows of `row_of`, shape (n, columns), as typed columns."""
    return {
        column.name: block[:, place].astype(column.type) for place, column in enumerate(columns)
    }


class Beside(msgspec.Struct, frozen=True, gc=False):
    """What stands beside the readings of a frame and is known at the frame's own time."""

    time_s: float
    set_point: float  # what the test asks for
    quantity: int  # SET_POINT_CODES
    currents_a: tuple[float, ...]  # measured, in rig order of absorbers
    sent_a: tuple[float, ...]  # as sent last
    slow: tuple[float, ...]  # value and quality code of each slow channel
    inputs: tuple[float, ...]  # the last columns of `columns_of`


def beside_of(
    rig: Rig, measured: Measured, set_point: float, quantity: int, sent_a: Sequence[float]
) -> Beside:
    """What a frame tells of its own moment."""
    slow: list[float] = []
    for channel in rig.slow:
        reading = measured.slow[channel.name]
        slow += (reading.value, QUALITY_CODES[reading.quality])
    tie_downs = measured.tie_downs
    return Beside(
        measured.time_s,
        set_point,
        quantity,
        tuple([one.current.value for one in measured.absorbers]),
        tuple(sent_a),
        tuple(slow),
        (
            measured.stop_chain_closed,
            -1 if tie_downs is None else tie_downs,
            measured.permission,
            measured.permission_left_s,
            measured.last_set_point,
        ),
    )


def row_of(
    rig: Rig,
    measured: Measured,
    cells_n: Sequence[float],
    beside: Beside,
    host_s: float = _NAN,
    utc_s: float = _NAN,
    utc_sigma_s: float = _NAN,
) -> list[float]:
    """Values in the order of `columns_of(rig)`, all at the instant of the roll speeds.

    `cells_n`: force of each load cell at that instant, N at the cell, in rig order; `beside`: what
    held then.
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
        measured.time_s - DELAY_S,
        utc_s,
        utc_sigma_s,
        host_s,
        measured.sequence,
        measured.frames_lost,
        beside.set_point,
        beside.quantity,
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
    radius = {one.name: one.roll_radius_m for one in rig.roll_sets}
    for place, (absorber, reading) in enumerate(
        zip(rig.absorbers, measured.absorbers, strict=True)
    ):
        known = math.isfinite(reading.force.value)  # the cell's own faults hold for both
        torque = cells_n[place] * absorber.arm_m if known else _NAN
        row += (
            torque * absorber.gear_ratio / radius[absorber.roll_set],
            torque,
            beside.currents_a[place],
            beside.sent_a[place],
            QUALITY_CODES[reading.force.quality],
        )
    row += beside.slow
    row += beside.inputs
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
