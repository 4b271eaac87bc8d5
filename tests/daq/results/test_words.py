"""Figures as people read them, metric or US; U-05 and the exact definitions (computed)."""

from __future__ import annotations

import pytest

from daq.quantities import SHOWN, SHOWN_US, UnitSystem, shown
from daq.results.result import Figure
from daq.results.words import asked_of, interval
from daq.texts.message import render

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
    assert render(interval(one), US) == "300.0 ± 1.0 hp"
    assert render(interval(one)) == "223.7 ± 0.7 kW"


def test_a_difference_of_temperatures_takes_no_offset() -> None:
    assert shown(10.0, "K", spread=True, units=US) == "18.0 °F"


def test_us_units_are_of_quantities_that_are_shown() -> None:
    assert set(SHOWN_US) <= set(SHOWN)


@pytest.mark.parametrize(
    ("plan", "metric", "us"),
    [
        ({"kind": "steady-hold", "speed_mps": 26.8224, "seconds": 60.0},
         "Hold 96.6 km/h for 60 s.", "Hold 60.0 mph for 60 s."),
        ({"kind": "stepped-map", "points_mps": [20.0, 26.8224]},
         "Hold one point after the other: 72, 96.6 km/h.",
         "Hold one point after the other: 44.7, 60 mph."),
        ({"kind": "power-sweep", "from_mps": 20.0, "to_mps": 30.0, "mps_per_s": 1.0},
         "Full pedal from 72 to 108 km/h at 3.6 km/h a second.",
         "Full pedal from 44.7 to 67.1 mph at 2.2 mph a second."),
        ({"kind": "coastdown", "from_mps": 26.8224, "to_mps": 8.9408, "force_n": 444.8222},
         "Coast from 96.6 to 32.2 km/h against 445 N.", "Coast from 60 to 20 mph against 100 lbf."),
        ({"kind": "grade-climb", "target_mps": 17.8816, "grade": {"percent": 6.0}},
         "Climb a grade of 6 % at 64.4 km/h.", "Climb a grade of 6 % at 40 mph."),
    ],
)  # fmt: skip
def test_what_was_asked_is_said_in_both_systems(
    plan: dict[str, object], metric: str, us: str
) -> None:
    assert render(asked_of(plan)) == metric
    assert render(asked_of(plan), US) == us


def test_what_rounds_to_nothing_has_no_sign() -> None:
    assert shown(-0.01, "%") == "0.0 %"
    assert shown(-0.06, "%") == "−0.1 %"
