"""Air density of CIPM-2007 against CoolProp and psychrolib (rows AIR-01 to 09)."""

from __future__ import annotations

import psychrolib
import pytest
from CoolProp.HumidAirProp import HAPropsSI

from daq.rig.weather import (
    ZERO_CELSIUS_K,
    Weather,
    air_density,
    saturation_pressure_cipm_pa,
)

# t degC, p Pa, RH, CIPM-2007, CoolProp, psychrolib: all computed; the formula's
# coefficients (Metrologia 45 (2008) 149-155) were seen in two open implementations
ROWS = [
    (20, 101325, 0.5, 1.199314, 1.199359, 1.198898),
    (20, 101325, 0.0, 1.204557, 1.204603, 1.204152),
    (25, 99000, 0.0, 1.157118, 1.157161, 1.156791),
    (25, 100000, 0.3, 1.164615, 1.164659, 1.164276),
    (15, 101325, 0.0, 1.225521, 1.225567, 1.225046),
    (35, 95000, 0.4, 1.064629, 1.064668, 1.064407),
    (0, 101325, 0.8, 1.290696, 1.290743, 1.289962),
    (30, 101325, 0.9, 1.148181, 1.148226, 1.147828),
    (20, 98210, 0.0, 1.167513, 1.167557, 1.167133),
]


@pytest.mark.parametrize(("t", "p", "rh", "cipm", "coolprop", "library"), ROWS)
def test_density(
    t: float, p: float, rh: float, cipm: float, coolprop: float, library: float
) -> None:
    weather = Weather(ZERO_CELSIUS_K + t, p, rh)
    ours = air_density(weather)
    assert ours == pytest.approx(cipm, abs=1e-6)
    reference = 1 / HAPropsSI("Vha", "T", ZERO_CELSIUS_K + t, "P", p, "R", rh)
    assert reference == pytest.approx(coolprop, abs=1e-6)
    assert ours == pytest.approx(reference, rel=4e-5)
    psychrolib.SetUnitSystem(psychrolib.SI)
    moist = psychrolib.GetMoistAirDensity(t, psychrolib.GetHumRatioFromRelHum(t, rh, p), p)
    assert moist == pytest.approx(library, abs=1e-6)
    assert ours == pytest.approx(moist, rel=7e-4)


def test_saturation_inside_the_formula() -> None:
    # AIR-01 intermediate: computed
    assert saturation_pressure_cipm_pa(293.15) == pytest.approx(2339.163, abs=1e-3)
