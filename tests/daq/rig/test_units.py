"""What a person reads: metric or US customary, from SI and back."""

from __future__ import annotations

import pytest

from daq.errors import RigError
from daq.quantities import HORSEPOWER
from daq.rig.units import SCALES, from_si, to_si


def test_horsepower_from_pounds_feet_and_revolutions() -> None:
    # U-04, U-06, U-07 of the check values, computed from exact definitions
    torque = to_si(500.0, "lbf.ft")
    power = torque * to_si(3000.0, "rev/min")
    assert from_si(power, "hp") == pytest.approx(285.599332, rel=1e-8)
    assert from_si(to_si(1000.0, "lbf") * to_si(60.0, "mph"), "hp") == pytest.approx(160.0)
    assert HORSEPOWER / (to_si(1.0, "lbf.ft") * to_si(1.0, "rev/min")) == pytest.approx(
        5252.113122, rel=1e-9
    )


def test_kilowatts_from_newton_metres_and_revolutions() -> None:
    # U-05: kW = N m x rpm / 9549.296586
    assert 1000.0 / to_si(1.0, "rev/min") == pytest.approx(9549.296586, rel=1e-9)
    assert from_si(1000.0, "hp") == pytest.approx(1.341022090, rel=1e-9)  # U-10
    assert to_si(1.0, "kn") == pytest.approx(0.514444, rel=1e-6)  # U-08


@pytest.mark.parametrize("unit", sorted(SCALES))
def test_every_unit_goes_there_and_back(unit: str) -> None:
    for value in (-40.0, 0.0, 1.0, 1234.5):
        assert from_si(to_si(value, unit), unit) == pytest.approx(value, abs=1e-9, rel=1e-12)


def test_an_unknown_unit_is_refused_with_the_known_ones() -> None:
    with pytest.raises(RigError, match=r"furlong.*km/h"):
        to_si(1.0, "furlong")
