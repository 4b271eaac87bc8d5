"""What people read in place of SI: customary units, exact by definition, and their digits.

Data flow: SI values -> `shown` -> the command line, reports, sentences (daq.texts). Inside
everything is SI. Factors: NIST SP 811 appendix B (memory) and the exact definitions of the
international yard and pound; see docs/measurement.md.
"""

from __future__ import annotations

import enum
import math

G0 = 9.80665  # m/s2, standard gravity, exact by convention
FOOT = 0.3048  # m, exact
INCH = FOOT / 12.0
MILE = 5280.0 * FOOT
POUND = 0.45359237  # kg, exact
POUND_FORCE = POUND * G0
HORSEPOWER = 550.0 * FOOT * POUND_FORCE  # mechanical horsepower, W
METRIC_HORSEPOWER = 75.0 * G0  # W
INCH_OF_MERCURY = 3386.389  # Pa, conventional, at 32 degF
REV_PER_MINUTE = 2.0 * math.pi / 60.0


class UnitSystem(enum.StrEnum):
    """What a person chose to read."""

    METRIC = "metric"
    US = "us"


RPM = 60.0 / (2.0 * math.pi)
KMH = 3.6

# SI unit -> what people read: unit, factor, offset, digits
SHOWN: dict[str, tuple[str, float, float, int]] = {
    "W": ("kW", 1e-3, 0.0, 1),
    "N.m": ("N·m", 1.0, 0.0, 0),
    "N": ("N", 1.0, 0.0, 0),
    "rad/s": ("rpm", RPM, 0.0, 0),
    "rad/s/s": ("rpm/s", RPM, 0.0, 0),
    "m/s": ("km/h", KMH, 0.0, 1),
    "m/s/s": ("km/h per s", KMH, 0.0, 2),
    "K": ("°C", 1.0, -273.15, 1),
    "Pa": ("kPa", 1e-3, 0.0, 2),
    "J": ("MJ", 1e-6, 0.0, 2),
    "m": ("km", 1e-3, 0.0, 2),
    "s": ("s", 1.0, 0.0, 2),
    "kg": ("kg", 1.0, 0.0, 0),
    "kg/s": ("kg/h", 3600.0, 0.0, 2),
    "%": ("%", 1.0, 0.0, 1),
    "1": ("", 1.0, 0.0, 3),
}
# the same for readers of US customary units; what is not here reads alike
SHOWN_US: dict[str, tuple[str, float, float, int]] = {
    "W": ("hp", 1.0 / HORSEPOWER, 0.0, 1),
    "N.m": ("lbf·ft", 1.0 / (POUND_FORCE * FOOT), 0.0, 0),
    "N": ("lbf", 1.0 / POUND_FORCE, 0.0, 0),
    "m/s": ("mph", 3600.0 / MILE, 0.0, 1),
    "m/s/s": ("mph per s", 3600.0 / MILE, 0.0, 2),
    "K": ("°F", 1.8, -459.67, 1),
    "Pa": ("inHg", 1.0 / INCH_OF_MERCURY, 0.0, 2),
    "J": ("kBtu", 1.0 / 1055.05585262e3, 0.0, 2),
    "m": ("mi", 1.0 / MILE, 0.0, 2),
    "kg": ("lb", 1.0 / POUND, 0.0, 0),
    "kg/s": ("lb/h", 3600.0 / POUND, 0.0, 2),
}


def scale(unit: str, units: UnitSystem) -> tuple[str, float, float, int]:
    """Unit, factor, offset and digits that people of a system read for an SI unit."""
    if units is UnitSystem.US and unit in SHOWN_US:
        return SHOWN_US[unit]
    return SHOWN.get(unit, (unit, 1.0, 0.0, 3))


def unit_shown(unit: str, units: UnitSystem = UnitSystem.METRIC) -> str:
    """The unit people read in place of an SI unit."""
    return scale(unit, units)[0]


def shown_value(value: float, unit: str, units: UnitSystem = UnitSystem.METRIC) -> float:
    """A number in the unit people read."""
    _, factor, offset, _ = scale(unit, units)
    return value * factor + offset


def fine(value: float, unit: str, units: UnitSystem = UnitSystem.METRIC) -> str:
    """A small difference with two telling digits."""
    name, factor, _, _ = scale(unit, units)
    return f"{float(f'{value * factor:.2g}'):g} {name}".strip()


def shown(
    value: float | None,
    unit: str,
    *,
    spread: bool = False,
    bare: bool = False,
    units: UnitSystem = UnitSystem.METRIC,
) -> str:
    """A number with its unit for people; `spread` for differences, which have no offset."""
    if value is None:
        return "—"
    name, factor, offset, digits = scale(unit, units)
    text = number(value * factor + (0.0 if spread else offset), digits)
    return text if bare or not name else f"{text} {name}"


def number(value: float, digits: int) -> str:
    """A number as printed; what rounds to nothing has no sign."""
    if round(value, digits) == 0.0:
        value = 0.0
    return f"{value:,.{digits}f}".replace("-", "−")


def signed_percent(share: float, digits: int = 1) -> str:
    """A relative change in per cent with its sign, without "%"; nothing has no sign."""
    value = round(100.0 * share, digits)
    return f"{value:+.{digits}f}" if value else f"{0.0:.{digits}f}"
