"""The one form a measured number takes: value, unit, time, quality and standard uncertainty.

Data flows: estimators make readings, control uses them by their quality, people see their age.
"""

from __future__ import annotations

import enum

import msgspec


class Quality(enum.StrEnum):
    """How far a reading can be trusted."""

    GOOD = "good"
    AGING = "aging"  # older than one expected interval, still usable for display
    SUSPECT = "suspect"  # present but contradicted: saturated, noisy, disagreeing
    MISSING = "missing"  # no usable value; `value` is NaN


class Unit(enum.StrEnum):
    """SI units carried inside; conversion happens only where a person reads (daq.rig.units)."""

    METRE_PER_SECOND = "m/s"
    METRE_PER_SECOND_2 = "m/s2"
    NEWTON = "N"
    NEWTON_METRE = "N.m"
    WATT = "W"
    RADIAN_PER_SECOND = "rad/s"
    AMPERE = "A"
    VOLT = "V"
    KELVIN = "K"
    PASCAL = "Pa"
    RATIO = "1"
    PER_METRE = "1/m"
    SECOND = "s"
    KILOGRAM = "kg"
    METRE = "m"
    KILOGRAM_PER_SECOND = "kg/s"


class Reading(msgspec.Struct, frozen=True, gc=False):
    """One measured or derived number.

    `time_s` is device time (see daq.clock) at which the value holds, `sigma` its standard
    uncertainty in the same unit as far as noise is concerned (NaN when unknown).
    """

    value: float
    unit: Unit
    time_s: float
    quality: Quality
    sigma: float = float("nan")


def missing(unit: Unit, time_s: float) -> Reading:
    """A reading that says: nothing usable here."""
    return Reading(float("nan"), unit, time_s, Quality.MISSING)
