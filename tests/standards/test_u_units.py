"""Unit conversions by NIST SP 811 and the exact definitions (rows U-01 to 10)."""

from __future__ import annotations

import math

import pytest

from daq.rig.units import from_si, to_si


@pytest.mark.parametrize(
    ("unit", "si"),
    [
        ("hp", 745.69987158227022),  # U-01: SP 811 B.8, from memory; exact from definitions
        ("PS", 735.49875),  # U-02: same
        ("lbf", 4.4482216152605),  # U-03: exact
        ("lbf.ft", 1.3558179483314004),
        ("lbf.in", 0.1129848290276167),
        ("mph", 0.44704),  # U-08: exact
        ("mi", 1609.344),
        ("psi", 6894.757293168),  # U-09: SP 811, from memory
        ("mmHg", 133.3224),
        ("inHg", 3386.389),
        ("inHg60F", 3376.85),
    ],
)
def test_factor(unit: str, si: float) -> None:
    assert to_si(1.0, unit) == pytest.approx(si, rel=1e-12)
    assert from_si(si, unit) == pytest.approx(1.0, rel=1e-12)


def test_knot() -> None:
    # U-08: exact
    assert to_si(1.0, "kn") == pytest.approx(0.514444, abs=5e-7)


def test_constants_of_power_from_torque_and_speed() -> None:
    # U-04 and 05: computed
    horsepower = to_si(1, "lbf.ft") * to_si(1, "rev/min") / to_si(1, "hp")
    assert 1 / horsepower == pytest.approx(5252.113122, abs=1e-6)
    kilowatt = to_si(1, "N.m") * to_si(1, "rev/min") / to_si(1, "kW")
    assert 1 / kilowatt == pytest.approx(9549.296586, abs=1e-6)
    assert 60_000 / (2 * math.pi) == pytest.approx(9549.296586, abs=1e-6)


def test_horsepower_from_pound_force_and_miles_per_hour() -> None:
    # U-06: exact 375; computed
    power = to_si(1000, "lbf") * to_si(60, "mph")
    assert from_si(power, "hp") == pytest.approx(160.0, rel=1e-14)


def test_power_at_500_pound_feet() -> None:
    # U-07: computed
    power = to_si(500, "lbf.ft") * to_si(3000, "rev/min")
    assert from_si(power, "hp") == pytest.approx(285.599332, abs=1e-6)


def test_kilowatt_in_horsepower() -> None:
    # U-10: computed
    assert from_si(1000.0, "hp") == pytest.approx(1.341022090, abs=1e-9)
