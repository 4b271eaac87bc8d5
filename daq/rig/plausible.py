"""Is a value of the rig file one that a rig can have, and if not, which unit was it likely in?

Data flow: Rig -> every number with a range -> RigError naming key, value, range and likely slip.
Ranges are wide, from the smallest bench to the largest rig for mining trucks: common practice, no
source.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import msgspec

from daq.errors import RigError
from daq.rig.units import SCALES


class Range(msgspec.Struct, frozen=True):
    """What a value may be, in SI, and the units that people mistake it for."""

    low: float
    high: float
    unit: str
    slips: tuple[str, ...] = ()


LENGTH = ("in", "mm", "ft")
MASS = ("lb",)
FORCE = ("kN", "lbf")
SPEED = ("km/h", "mph")
HEAT = ("degC", "degF")
ROLL_SET = {
    "roll_radius_m": Range(0.05, 2.0, "m", LENGTH),
    "base_inertia_kg": Range(5.0, 60_000.0, "kg", MASS),
    "max_speed_mps": Range(3.0, 110.0, "m/s", SPEED),
    "max_force_n": Range(100.0, 500_000.0, "N", FORCE),
}
ABSORBER = {
    "arm_m": Range(0.03, 4.0, "m", LENGTH),
    "gear_ratio": Range(0.02, 50.0, "1"),
    "max_current_a": Range(0.2, 3000.0, "A", ("mA",)),
    "coil_lag_s": Range(0.002, 5.0, "s", ("ms",)),
}
CELL = {
    "capacity_n": Range(20.0, 500_000.0, "N", FORCE),
    "full_scale_mv_per_v": Range(0.2, 100.0, "mV/V"),
    "filter_delay_s": Range(0.0, 0.5, "s", ("ms",)),
}
MAP = {
    "peak_torque_nm": Range(5.0, 100_000.0, "N.m", ("lbf.ft",)),
    "critical_speed_radps": Range(3.0, 3000.0, "rad/s", ("rpm",)),
}
ROTOR = {
    "mass_kg": Range(1.0, 5000.0, "kg", MASS),
    "warn_k": Range(330.0, 1300.0, "K", HEAT),
    "limit_k": Range(380.0, 1400.0, "K", HEAT),
    "reentry_k": Range(290.0, 1100.0, "K", HEAT),
    "after_run_k": Range(290.0, 900.0, "K", HEAT),
}
COIL = {
    "warn_k": Range(320.0, 650.0, "K", HEAT),
    "limit_k": Range(330.0, 700.0, "K", HEAT),
}
LIMITS = {
    "max_speed_mps": Range(3.0, 110.0, "m/s", SPEED),
    "max_force_n": Range(100.0, 1_000_000.0, "N", FORCE),
    "max_power_w": Range(1_000.0, 10_000_000.0, "W", ("kW", "hp")),
    "low_speed_mps": Range(0.05, 10.0, "m/s", SPEED),
    "ease_off_s": Range(0.1, 120.0, "s", ("ms",)),
}
SITE = {"altitude_m": Range(-450.0, 6_000.0, "m", ("ft",))}


def check_plausible(rig: Any, source: str) -> None:
    """Raises RigError for the first value of a daq.rig.description.Rig that no rig has, with the
    likely slip of its unit."""
    for where, holder, ranges in _values(rig):
        for key, range_ in ranges.items():
            value = float(getattr(holder, key))
            if not range_.low <= value <= range_.high:
                raise RigError(
                    f"{source}: {where}{key} = {value:g} {range_.unit} is beyond any rig "
                    f"({range_.low:g} to {range_.high:g} {range_.unit}).",
                    likely_slip(value, range_),
                )


def likely_slip(value: float, range_: Range) -> str:
    """What to do: the unit the value was likely in, with what it would be."""
    for unit in range_.slips:
        scale = SCALES[unit]
        si = value * scale.factor + scale.offset
        if range_.low <= si <= range_.high:
            return f"If it was meant in {unit}, write {si:.6g}: this key is in {range_.unit}."
    return f"Give it in {range_.unit}; docs/rig.md explains the key."


def _values(rig: Any) -> Iterator[tuple[str, object, dict[str, Range]]]:
    for one in rig.roll_sets:
        yield f"roll set '{one.name}': ", one, ROLL_SET
    for absorber in rig.absorbers:
        yield from _of_absorber(absorber)
    yield "limits.", rig.limits, LIMITS
    yield "site.", rig.site, SITE


def _of_absorber(one: Any) -> Iterator[tuple[str, object, dict[str, Range]]]:
    where = f"absorber '{one.name}': "
    yield where, one, ABSORBER
    yield f"{where}cell.", one.cell, CELL
    yield f"{where}map.", one.map, MAP
    yield f"{where}heat.", one.heat, ROTOR
    yield f"{where}heat.coil.", one.heat.coil, COIL
