"""Psychrometrics against ASHRAE Fundamentals 2017 chapter 1, as printed in psychrolib's own tests
(rows PSY-01 to 11)."""

from __future__ import annotations

import pytest
from CoolProp.CoolProp import PropsSI

from daq.rig.weather import (
    ZERO_CELSIUS_K,
    saturation_pressure_cipm_pa,
    saturation_pressure_pa,
)


@pytest.mark.parametrize(("celsius", "pascal"), [(5, 872.6), (25, 3169.7)])
def test_saturation_of_the_density_formula(celsius: float, pascal: float) -> None:
    # PSY-01: ASHRAE Table 3, seen; 300 ppm
    ours = saturation_pressure_cipm_pa(ZERO_CELSIUS_K + celsius)
    assert ours == pytest.approx(pascal, rel=3e-4)


@pytest.mark.parametrize(
    ("celsius", "pascal"), [(5, 872.6), (25, 3169.7), (50, 12351.3), (100, 101418.0)]
)
def test_saturation_of_the_regulation(celsius: float, pascal: float) -> None:
    # PSY-01 again: the equation of 40 CFR 1065.645 is older and stays within 0.1 %
    ours = saturation_pressure_pa(ZERO_CELSIUS_K + celsius)
    assert ours == pytest.approx(pascal, rel=1.05e-3)


@pytest.mark.parametrize(("celsius", "pascal"), [(20, 2339.318), (25, 3169.929), (30, 4246.971)])
def test_saturation_against_the_steam_formulation(celsius: float, pascal: float) -> None:
    # PSY-10: computed with CoolProp 8.0.0; the shortcuts of PSY-11 (Magnus, Buck) are not used
    reference = PropsSI("P", "T", ZERO_CELSIUS_K + celsius, "Q", 0, "Water")
    assert reference == pytest.approx(pascal, abs=0.01)
    ours = saturation_pressure_cipm_pa(ZERO_CELSIUS_K + celsius)
    assert ours == pytest.approx(reference, rel=1e-4)
