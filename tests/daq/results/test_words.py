"""Figures as people read them, metric or US; U-05 and the exact definitions (computed)."""

from __future__ import annotations

import pytest

from daq.quantities import SHOWN, SHOWN_US, UnitSystem, shown
from daq.results.result import Figure
from daq.results.words import asked_of, said, with_interval

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


@pytest.mark.parametrize(
    ("metric", "us"),
    [
        ("More than 3.6 km/h below the target.", "More than 2.2 mph below the target."),
        (
            "Smoothed over ±0.8 km/h by a local quadratic.",
            "Smoothed over ±0.5 mph by a local quadratic.",
        ),
        ("Within 10 K of its limit (350 °C).", "Within 18 °F of its limit (662 °F)."),
        ("It took 223.7 ± 0.7 kW at 1,900 rpm.", "It took 300.0 ± 0.9 hp at 1,900 rpm."),
        ("From 100 to 30 km/h at 3.6 km/h a second.", "From 62 to 19 mph at 2.2 mph a second."),
        ("At −10.0 °C and 101.3 kPa.", "At 14.0 °F and 29.9 inHg."),
        ("Absorber N1 of rig K 2 held 5 Nm.", "Absorber N1 of rig K 2 held 5 Nm."),
    ],
)
def test_sentences_of_ours_read_in_us_units(metric: str, us: str) -> None:
    """Factors: 1 mi = 1609.344 m, 1 hp = 745.7 W, 1 inHg = 3386.389 Pa."""
    assert said(metric, US) == us
    assert said(metric, UnitSystem.METRIC) == metric


@pytest.mark.parametrize(
    ("plan", "metric", "us"),
    [
        ({"kind": "steady-hold", "speed_mps": 26.8224, "seconds": 60.0},
         "Hold 96.6 km/h for 60 s.", "Hold 60.0 mph for 60 s."),
        ({"kind": "stepped-map", "points_mps": [20.0, 26.8224]},
         "Hold one point after the other: 72, 97 km/h.",
         "Hold one point after the other: 44.7, 60 mph."),
        ({"kind": "power-sweep", "from_mps": 20.0, "to_mps": 30.0, "mps_per_s": 1.0},
         "Full pedal from 72 to 108 km/h at 3.6 km/h a second.",
         "Full pedal from 44.7 to 67.1 mph at 2.2 mph a second."),
        ({"kind": "coastdown", "from_mps": 26.8224, "to_mps": 8.9408, "force_n": 444.8222},
         "Coast from 97 to 32 km/h against 445 N.", "Coast from 60 to 20 mph against 100 lbf."),
        ({"kind": "grade-climb", "target_mps": 17.8816, "grade": {"percent": 6.0}},
         "Climb a grade of 6 % at 64 km/h.", "Climb a grade of 6 % at 40 mph."),
    ],
)  # fmt: skip
def test_what_was_asked_is_said_in_both_systems(
    plan: dict[str, object], metric: str, us: str
) -> None:
    assert asked_of(plan) == metric
    assert asked_of(plan, US) == us


def test_what_rounds_to_nothing_has_no_sign() -> None:
    assert shown(-0.01, "%") == "0.0 %"
    assert shown(-0.06, "%") == "−0.1 %"
