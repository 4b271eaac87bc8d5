"""Units at the edges of the house: into SI where values come in, out of SI where people read.

Data flow: slow channels (unit named in the rig file or by the front end) -> `to_si` -> readings;
readings -> `for_display` -> page, reports, exports. Inside everything is SI.
Factors: NIST SP 811 appendix B (memory) and the exact definitions of the international yard and
pound; see docs/measurement.md.
"""

from __future__ import annotations

import math

import msgspec

from daq.errors import RigError
from daq.quantities import (
    FOOT,
    HORSEPOWER,
    INCH,
    INCH_OF_MERCURY,
    METRIC_HORSEPOWER,
    MILE,
    POUND,
    POUND_FORCE,
    REV_PER_MINUTE,
    UnitSystem,
)
from daq.readings import Unit


class Scale(msgspec.Struct, frozen=True, gc=False):
    """SI value = value * factor + offset."""

    unit: Unit
    factor: float
    offset: float = 0.0


_R = Unit.RATIO
SCALES: dict[str, Scale] = {
    "m/s": Scale(Unit.METRE_PER_SECOND, 1.0),
    "km/h": Scale(Unit.METRE_PER_SECOND, 1.0 / 3.6),
    "mph": Scale(Unit.METRE_PER_SECOND, MILE / 3600.0),
    "kn": Scale(Unit.METRE_PER_SECOND, 1852.0 / 3600.0),
    "ft/s": Scale(Unit.METRE_PER_SECOND, FOOT),
    "m/s2": Scale(Unit.METRE_PER_SECOND_2, 1.0),
    "ft/s2": Scale(Unit.METRE_PER_SECOND_2, FOOT),
    "mph/s": Scale(Unit.METRE_PER_SECOND_2, MILE / 3600.0),
    "N": Scale(Unit.NEWTON, 1.0),
    "kN": Scale(Unit.NEWTON, 1000.0),
    "lbf": Scale(Unit.NEWTON, POUND_FORCE),
    "N.m": Scale(Unit.NEWTON_METRE, 1.0),
    "lbf.ft": Scale(Unit.NEWTON_METRE, POUND_FORCE * FOOT),
    "lbf.in": Scale(Unit.NEWTON_METRE, POUND_FORCE * INCH),
    "W": Scale(Unit.WATT, 1.0),
    "kW": Scale(Unit.WATT, 1000.0),
    "hp": Scale(Unit.WATT, HORSEPOWER),
    "PS": Scale(Unit.WATT, METRIC_HORSEPOWER),
    "rad/s": Scale(Unit.RADIAN_PER_SECOND, 1.0),
    "rev/min": Scale(Unit.RADIAN_PER_SECOND, REV_PER_MINUTE),
    "rpm": Scale(Unit.RADIAN_PER_SECOND, REV_PER_MINUTE),
    "Hz": Scale(Unit.RADIAN_PER_SECOND, 2.0 * math.pi),
    "A": Scale(Unit.AMPERE, 1.0),
    "mA": Scale(Unit.AMPERE, 1e-3),
    "V": Scale(Unit.VOLT, 1.0),
    "mV": Scale(Unit.VOLT, 1e-3),
    "K": Scale(Unit.KELVIN, 1.0),
    "degC": Scale(Unit.KELVIN, 1.0, 273.15),
    "degF": Scale(Unit.KELVIN, 5.0 / 9.0, 273.15 - 32.0 * 5.0 / 9.0),
    "Pa": Scale(Unit.PASCAL, 1.0),
    "hPa": Scale(Unit.PASCAL, 100.0),
    "mbar": Scale(Unit.PASCAL, 100.0),
    "kPa": Scale(Unit.PASCAL, 1000.0),
    "bar": Scale(Unit.PASCAL, 1e5),
    "psi": Scale(Unit.PASCAL, POUND_FORCE / INCH**2),
    "inHg": Scale(Unit.PASCAL, INCH_OF_MERCURY),
    "inHg60F": Scale(Unit.PASCAL, 3376.85),  # at 60 degF
    "mmHg": Scale(Unit.PASCAL, 133.3224),
    "1": Scale(_R, 1.0),
    "ratio": Scale(_R, 1.0),
    "pct": Scale(_R, 0.01),
    "%": Scale(_R, 0.01),
    "1/m": Scale(Unit.PER_METRE, 1.0),
    "s": Scale(Unit.SECOND, 1.0),
    "ms": Scale(Unit.SECOND, 1e-3),
    "min": Scale(Unit.SECOND, 60.0),
    "kg": Scale(Unit.KILOGRAM, 1.0),
    "lb": Scale(Unit.KILOGRAM, POUND),
    "m": Scale(Unit.METRE, 1.0),
    "km": Scale(Unit.METRE, 1000.0),
    "mm": Scale(Unit.METRE, 1e-3),
    "ft": Scale(Unit.METRE, FOOT),
    "in": Scale(Unit.METRE, INCH),
    "mi": Scale(Unit.METRE, MILE),
    "kg/s": Scale(Unit.KILOGRAM_PER_SECOND, 1.0),
    "kg/h": Scale(Unit.KILOGRAM_PER_SECOND, 1.0 / 3600.0),
    "lb/h": Scale(Unit.KILOGRAM_PER_SECOND, POUND / 3600.0),
}

_SHOWN: dict[UnitSystem, dict[Unit, str]] = {
    UnitSystem.METRIC: {
        Unit.METRE_PER_SECOND: "km/h",
        Unit.METRE_PER_SECOND_2: "m/s2",
        Unit.NEWTON: "N",
        Unit.NEWTON_METRE: "N.m",
        Unit.WATT: "kW",
        Unit.RADIAN_PER_SECOND: "rev/min",
        Unit.AMPERE: "A",
        Unit.VOLT: "V",
        Unit.KELVIN: "degC",
        Unit.PASCAL: "kPa",
        Unit.RATIO: "pct",
        Unit.PER_METRE: "1/m",
        Unit.SECOND: "s",
        Unit.KILOGRAM: "kg",
        Unit.METRE: "m",
        Unit.KILOGRAM_PER_SECOND: "kg/h",
    },
    UnitSystem.US: {
        Unit.METRE_PER_SECOND: "mph",
        Unit.METRE_PER_SECOND_2: "mph/s",
        Unit.NEWTON: "lbf",
        Unit.NEWTON_METRE: "lbf.ft",
        Unit.WATT: "hp",
        Unit.RADIAN_PER_SECOND: "rev/min",
        Unit.AMPERE: "A",
        Unit.VOLT: "V",
        Unit.KELVIN: "degF",
        Unit.PASCAL: "inHg",
        Unit.RATIO: "pct",
        Unit.PER_METRE: "1/m",
        Unit.SECOND: "s",
        Unit.KILOGRAM: "lb",
        Unit.METRE: "ft",
        Unit.KILOGRAM_PER_SECOND: "lb/h",
    },
}


def scale_of(unit: str) -> Scale:
    """How a named unit leads to SI. Raises RigError when the name is not known."""
    scale = SCALES.get(unit)
    if scale is None:
        raise RigError(
            f"The unit '{unit}' is not known.", f"Use one of: {', '.join(sorted(SCALES))}."
        )
    return scale


def to_si(value: float, unit: str) -> float:
    """Value in SI (of `scale_of(unit).unit`). Raises RigError for an unknown unit."""
    scale = scale_of(unit)
    return value * scale.factor + scale.offset


def from_si(value: float, unit: str) -> float:
    """Value in the named unit from SI. Raises RigError for an unknown unit."""
    scale = scale_of(unit)
    return (value - scale.offset) / scale.factor


def display_unit(unit: Unit, system: UnitSystem) -> str:
    """The unit a person of that system reads."""
    return _SHOWN[system][unit]
