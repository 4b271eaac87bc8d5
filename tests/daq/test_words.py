"""Figures as people read them, metric or US; U-05 and the exact definitions (computed)."""

from __future__ import annotations

import pytest

from daq.results.result import Figure
from daq.results.words import SHOWN, SHOWN_US, shown, with_interval
from daq.units import UnitSystem

US = UnitSystem.US


@pytest.mark.parametrize(
    ("value", "unit", "metric", "us"),
    [
        (223_710.0, "W", "223.7 kW", "300.0 hp"),  # 550 ft.lbf/s
        (1355.8, "N.m", "1,356 N·m", "1,000 lbf·ft"),
        (44_482.0, "N", "44,482 N", "10,000 lbf"),
        (44.704, "m/s", "160.9 km/h", "100.0 mph"),
        (293.15, "K", "20.0 °C", "68.0 °F"),
        (101_325.0, "Pa", "101.33 kPa", "29.92 inHg"),
        (209.4395, "rad/s", "2,000 rpm", "2,000 rpm"),
        (453.592, "kg", "454 kg", "1,000 lb"),
    ],
)
def test_a_figure_reads_in_the_units_of_its_reader(
    value: float, unit: str, metric: str, us: str
) -> None:
    assert shown(value, unit) == metric
    assert shown(value, unit, units=US) == us


def test_an_interval_is_converted_with_its_figure() -> None:
    one = Figure("mean_power", "Mean", 223_710.0, "W", 223_710.0 - 745.7, 223_710.0 + 745.7)
    assert with_interval(one, US) == "300.0 ± 1.0 hp"
    assert with_interval(one) == "223.7 ± 0.7 kW"


def test_a_difference_of_temperatures_takes_no_offset() -> None:
    assert shown(10.0, "K", spread=True, units=US) == "18.0 °F"


def test_us_units_are_of_quantities_that_are_shown() -> None:
    assert set(SHOWN_US) <= set(SHOWN)
