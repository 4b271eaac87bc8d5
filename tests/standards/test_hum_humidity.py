"""Water vapour of 40 CFR 1065.645 (rows HUM-01 to 05; its coefficients come from memory)."""

from __future__ import annotations

import pytest

from daq.errors import Refused
from daq.rig.weather import (
    ZERO_CELSIUS_K,
    Weather,
    check_weather,
    dewpoint_k,
    dry_pressure_pa,
    saturation_pressure_pa,
    vapour_pressure_pa,
)


def test_vapour_pressure_from_dewpoint() -> None:
    # HUM-01: 1065.645(b), seen
    pressure = saturation_pressure_pa(ZERO_CELSIUS_K + 9.5)
    assert pressure / 1000 == pytest.approx(1.186581, abs=1e-6)
    assert pressure / 99_980 == pytest.approx(0.011868, abs=5e-7)


def test_vapour_pressure_from_relative_humidity() -> None:
    # HUM-02: 1065.645(c), seen
    assert saturation_pressure_pa(293.15) / 1000 == pytest.approx(2.3371, abs=5e-5)
    vapour = vapour_pressure_pa(293.15, 0.5077)
    assert vapour / 99_980 == pytest.approx(0.01186772, abs=5e-9)


def test_dewpoint_from_relative_humidity() -> None:
    # HUM-04: from memory, reproduces
    vapour = vapour_pressure_pa(293.15, 0.3961)
    assert vapour == pytest.approx(925.717, abs=1e-3)
    assert dewpoint_k(vapour) == pytest.approx(279.00, abs=0.005)
    assert dewpoint_k(vapour) == pytest.approx(279.001024, abs=1e-5)


@pytest.mark.parametrize(
    ("celsius", "kpa"),
    [
        (0, 0.61069),
        (5, 0.87181),
        (10, 1.22709),
        (15, 1.70420),
        (20, 2.33708),
        (25, 3.16682),
        (30, 4.24272),
        (35, 5.62329),
        (40, 7.37733),
        (50, 12.33899),
        (100, 101.32508),
    ],
)
def test_saturation_table(celsius: float, kpa: float) -> None:
    # HUM-05: computed from the equation
    pressure = saturation_pressure_pa(ZERO_CELSIUS_K + celsius)
    assert pressure / 1000 == pytest.approx(kpa, abs=1e-5)


def test_dewpoint_undoes_saturation() -> None:
    for celsius in range(0, 46, 5):
        back = dewpoint_k(saturation_pressure_pa(ZERO_CELSIUS_K + celsius))
        assert back == pytest.approx(ZERO_CELSIUS_K + celsius, abs=0.025)


def test_dry_pressure() -> None:
    # PC-43: 30 degC, 50 %, total 100 kPa; computed
    assert dry_pressure_pa(Weather(303.15, 100_000.0, 0.5)) == pytest.approx(97_878.640, abs=0.1)


@pytest.mark.parametrize(
    "weather",
    [
        Weather(25.0, 100_000.0, 0.5),  # degrees Celsius given as kelvin
        Weather(298.15, 100.0, 0.5),  # kilopascal given as pascal
        Weather(298.15, 100_000.0, 50.0),  # percent given as ratio
        Weather(float("nan"), 100_000.0, 0.5),
        Weather(298.15, float("nan"), 0.5),
        Weather(298.15, 100_000.0, float("nan")),
    ],
)
def test_impossible_weather_is_refused(weather: Weather) -> None:
    with pytest.raises(Refused, match="cannot be right"):
        check_weather(weather)
