"""Psychrometrics against ASHRAE Fundamentals 2017 chapter 1, as printed in psychrolib's own tests
(rows PSY-01 to 11)."""

from __future__ import annotations

import psychrolib
import pytest
from CoolProp.CoolProp import PropsSI

from daq.rig.weather import (
    ZERO_CELSIUS_K,
    Weather,
    air_density_ideal,
    dewpoint_k,
    humidity_from_wet_bulb,
    humidity_ratio,
    saturation_pressure_cipm_pa,
    saturation_pressure_ice_pa,
    saturation_pressure_pa,
    standard_pressure_pa,
    vapour_pressure_pa,
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


@pytest.mark.parametrize(("celsius", "pascal"), [(-20, 103.24), (-5, 401.74)])
def test_saturation_over_ice(celsius: float, pascal: float) -> None:
    # PSY-01 below freezing: ASHRAE Table 3, seen; the older equation stays within 0.1 %
    ours = saturation_pressure_ice_pa(ZERO_CELSIUS_K + celsius)
    assert ours == pytest.approx(pascal, rel=1.05e-3)


@pytest.mark.parametrize(("celsius", "ratio"), [(5, 0.005425), (25, 0.020173), (50, 0.086863)])
def test_saturation_humidity_ratio(celsius: float, ratio: float) -> None:
    # PSY-02: ASHRAE Table 2, seen; 0.5 to 1 %
    ours = humidity_ratio(saturation_pressure_pa(ZERO_CELSIUS_K + celsius), 101_325.0)
    assert ours == pytest.approx(ratio, rel=1e-2)


def test_specific_volume_of_dry_air() -> None:
    # PSY-03: ASHRAE Table 2, seen
    volume = 1 / air_density_ideal(Weather(298.15, 101_325.0, 0.0))
    assert volume == pytest.approx(0.8443, rel=1e-3)


@pytest.mark.parametrize(
    ("metre", "pascal"),
    [(-500, 107_478), (0, 101_325), (500, 95_461), (1000, 89_875), (4000, 61_640)],
)
def test_standard_atmosphere(metre: float, pascal: float) -> None:
    # PSY-04: ASHRAE Table 1, seen
    assert standard_pressure_pa(metre) == pytest.approx(pascal, abs=1)


def test_example_of_dry_and_wet_bulb() -> None:
    # PSY-05: ASHRAE Example 1, seen; enthalpy is not ours
    humidity = humidity_from_wet_bulb(313.15, 293.15, 101_325.0)
    vapour = vapour_pressure_pa(313.15, humidity)
    assert humidity == pytest.approx(0.14, abs=0.01)
    assert humidity_ratio(vapour, 101_325.0) == pytest.approx(0.0065, abs=1e-4)
    assert dewpoint_k(vapour) - ZERO_CELSIUS_K == pytest.approx(7.0, abs=0.5)
    ratio = humidity_ratio(vapour, 101_325.0)
    volume = (1 + ratio) / air_density_ideal(Weather(313.15, 101_325.0, humidity))
    assert volume == pytest.approx(0.896, rel=1e-2)


def test_humidity_ratio() -> None:
    # PSY-06: seen in psychrolib's tests, reproduces
    assert humidity_ratio(3169.7, 95_461.0) == pytest.approx(0.0213603998, rel=1e-6)


def test_wet_bulb() -> None:
    # PSY-07: published 0.0192281274, library 0.0192247698
    humidity = humidity_from_wet_bulb(303.15, 298.15, 95_461.0)
    ratio = humidity_ratio(vapour_pressure_pa(303.15, humidity), 95_461.0)
    assert ratio == pytest.approx(0.0192281274, rel=3e-4)
    psychrolib.SetUnitSystem(psychrolib.SI)
    library = psychrolib.GetHumRatioFromTWetBulb(30.0, 25.0, 95_461.0)
    assert library == pytest.approx(0.0192281274, rel=3e-4)


def test_moist_density() -> None:
    # PSY-08: seen in psychrolib's tests
    vapour = 95_461.0 * 0.02 / (0.621945 + 0.02)
    humidity = vapour / saturation_pressure_cipm_pa(303.15)
    density = air_density_ideal(Weather(303.15, 95_461.0, humidity))
    assert density == pytest.approx(1.0841198635, rel=3e-4)


def test_room_air() -> None:
    # PSY-09: computed with psychrolib 2.5.0; our regulation's saturation is 0.09 % lower
    vapour = vapour_pressure_pa(298.15, 0.5)
    assert dewpoint_k(vapour) - ZERO_CELSIUS_K == pytest.approx(13.863973, abs=0.02)
    assert humidity_ratio(vapour, 101_325.0) == pytest.approx(0.009881044, rel=1.2e-3)
    humidity = humidity_from_wet_bulb(298.15, ZERO_CELSIUS_K + 17.889432, 101_325.0)
    assert humidity == pytest.approx(0.5, abs=1e-3)


@pytest.mark.parametrize(("celsius", "pascal"), [(20, 2339.318), (25, 3169.929), (30, 4246.971)])
def test_saturation_against_the_steam_formulation(celsius: float, pascal: float) -> None:
    # PSY-10: computed with CoolProp 8.0.0; the shortcuts of PSY-11 (Magnus, Buck) are not used
    reference = PropsSI("P", "T", ZERO_CELSIUS_K + celsius, "Q", 0, "Water")
    assert reference == pytest.approx(pascal, abs=0.01)
    ours = saturation_pressure_cipm_pa(ZERO_CELSIUS_K + celsius)
    assert ours == pytest.approx(reference, rel=1e-4)


def test_a_wet_bulb_cannot_be_warmer() -> None:
    with pytest.raises(ValueError, match="wet bulb"):
        humidity_from_wet_bulb(290.0, 291.0, 101_325.0)
