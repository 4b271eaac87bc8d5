"""A cell calibrated by dead weights reads true, and says how true."""

from __future__ import annotations

import math
import tomllib

import numpy as np
import pytest

from daq.errors import Refused
from daq.proving.calibration import (
    FULL_SCALE_COUNTS,
    CalibrationArm,
    DeadWeight,
    calibrate,
    reference_force,
)
from daq.rig.description import LoadCell
from daq.rig.gravity import local_gravity

SETUP = CalibrationArm(
    calibration_arm_m=1.2, cell_arm_m=0.6, latitude_deg=54.4, altitude_m=190.0,
    hanging_torque_nm=30.0,
)  # fmt: skip
CELL = LoadCell("front-left", full_scale_mv_per_v=4.0, capacity_n=3000.0)
TRUE_SLOPE = 1503.2  # N per mV/V
TRUE_ZERO = 8123.0
STEPS = (0.0, 20.0, 40.0, 60.0, 80.0, 100.0, 120.0)


def count(force: float, slope: float = TRUE_SLOPE) -> float:
    return TRUE_ZERO + force / slope / CELL.full_scale_mv_per_v * FULL_SCALE_COUNTS


def loads(
    sides: tuple[int, ...] = (1, -1),
    noise: float = 20.0,
    falling_extra_n: float = 0.0,
    pushed_slope: float = TRUE_SLOPE,
) -> list[DeadWeight]:
    generator = np.random.default_rng(4)
    taken = []
    for side in sides:
        for rising in (True, False):
            for mass in STEPS if rising else STEPS[::-1]:
                blank = DeadWeight(mass, 0.0, rising, side)
                force = reference_force(SETUP, blank)
                extra = 0.0 if rising or mass in (STEPS[0], STEPS[-1]) else falling_extra_n
                slope = TRUE_SLOPE if side > 0 else pushed_slope
                reading = count(force + extra, slope) + generator.normal(0, noise)
                taken.append(DeadWeight(mass, reading, rising, side))
    return taken


def test_slope_and_zero_come_back() -> None:
    outcome = calibrate(loads(), SETUP, CELL)
    assert outcome.newton_per_mv_per_v == pytest.approx(TRUE_SLOPE, rel=2e-5)
    assert outcome.zero_count == pytest.approx(TRUE_ZERO, abs=20)
    assert outcome.passed, outcome.flags
    assert max(abs(residual.error_n) for residual in outcome.residuals) < 0.1
    assert len(outcome.residuals) == 28


def test_reference_force_counts_local_gravity_buoyancy_arm_and_hanging_torque() -> None:
    # 40 CFR 1065.310 and 1065.630
    g = local_gravity(54.4, 190.0)
    expected = (100.0 * g * (1 - 1.2 / 8000) * 1.2 + 30.0) / 0.6
    assert reference_force(SETUP, DeadWeight(100.0, 0.0)) == pytest.approx(expected, rel=1e-12)
    other = reference_force(SETUP, DeadWeight(100.0, 0.0, side=-1))
    assert other == pytest.approx(-expected, rel=1e-12)
    assert reference_force(SETUP, DeadWeight(0.0, 0.0, side=0)) == 0.0


def test_forgetting_the_hanging_torque_shows_between_the_two_sides() -> None:
    bare = CalibrationArm(1.2, 0.6, 54.4, 190.0, hanging_torque_nm=0.0)
    outcome = calibrate(loads(), bare, CELL)
    assert max(abs(residual.error_n) for residual in outcome.residuals) > 10.0


def test_budget_names_every_source_and_their_sum_is_the_cells_sigma() -> None:
    outcome = calibrate(loads(), SETUP, CELL)
    names = {row.name for row in outcome.budget.rows}
    assert names == {
        "weights", "calibration arm", "cell arm", "local g", "arm not level", "hanging torque",
        "fit",
    }  # fmt: skip
    parts = [row.contribution for row in outcome.budget.rows]
    force = max(abs(residual.reference_n) for residual in outcome.residuals)
    assert outcome.relative_sigma == pytest.approx(math.hypot(*parts) / force, rel=1e-9)
    # 0.2 mm on 1.2 m and 0.1 per mille of mass dominate
    assert 1.5e-4 < outcome.relative_sigma < 3e-4
    assert "certificate of the weights" in outcome.budget.table()


def test_calibration_gives_the_numbers_of_the_rig_file() -> None:
    outcome = calibrate(loads(), SETUP, CELL)
    lines = tomllib.loads(outcome.rig_lines("2026-11-02"))
    assert lines["newton_per_mv_per_v"] == pytest.approx(outcome.newton_per_mv_per_v)
    assert lines["zero_count"] == pytest.approx(outcome.zero_count, abs=0.06)
    assert lines["relative_sigma"] == pytest.approx(outcome.relative_sigma, rel=0.1)
    assert lines["calibrated_on"] == "2026-11-02"


def test_scatter_of_the_steps_is_the_fits_part_of_the_budget() -> None:
    def fit_part(noise: float) -> float:
        budget = calibrate(loads(noise=noise), SETUP, CELL).budget
        return next(row.contribution for row in budget.rows if row.name == "fit")

    # 28 steps evenly over +-F: sigma of F from the slope is noise / sqrt(28 x mean square share)
    forces = [reference_force(SETUP, load) for load in loads()]
    newton = 400.0 * CELL.full_scale_mv_per_v / FULL_SCALE_COUNTS * TRUE_SLOPE
    expected = newton * max(forces) / math.sqrt(sum(force**2 for force in forces))
    assert fit_part(400.0) == pytest.approx(expected, rel=0.35)
    assert fit_part(400.0) == pytest.approx(20 * fit_part(20.0), rel=0.02)


def test_hysteresis_is_measured_and_flagged() -> None:
    outcome = calibrate(loads(falling_extra_n=6.0), SETUP, CELL)
    assert outcome.hysteresis_n == pytest.approx(6.0, abs=0.3)
    assert not outcome.passed
    assert any("hysteresis" in flag for flag in outcome.flags)


def test_two_load_directions_that_differ_are_flagged() -> None:
    outcome = calibrate(loads(pushed_slope=TRUE_SLOPE * 1.004), SETUP, CELL)
    assert outcome.direction_difference == pytest.approx(0.004, abs=2e-4)
    assert any("directions differ" in flag for flag in outcome.flags)
    one_sided = calibrate(loads(sides=(1,)), SETUP, CELL)
    assert math.isnan(one_sided.direction_difference)


def test_shortcuts_are_flagged() -> None:
    rising = [load for load in loads() if load.rising]
    assert any("only rose" in flag for flag in calibrate(rising, SETUP, CELL).flags)
    big = LoadCell("big", capacity_n=20_000.0)
    assert any("capacity" in flag for flag in calibrate(loads(), SETUP, big).flags)


@pytest.mark.parametrize(
    ("bad", "words"),
    [
        (loads()[:3], "different loads"),
        ([*loads(), DeadWeight(10.0, 2.0**23 - 1)], "limit"),
        ([*loads(), DeadWeight(math.nan, 0.0)], "not a number"),
        ([*loads(), DeadWeight(-10.0, 0.0)], "below zero"),
        ([*loads(), DeadWeight(10.0, 0.0, side=0)], "off"),
        ([DeadWeight(mass, 500.0 * (k % 2)) for k, mass in enumerate(STEPS)], "hardly follows"),
    ],
)
def test_unusable_loads_are_refused(bad: list[DeadWeight], words: str) -> None:
    with pytest.raises(Refused, match=words):
        calibrate(bad, SETUP, CELL)
    with pytest.raises(Refused, match="no length"):
        calibrate(loads(), CalibrationArm(0.0, 0.6, 45.0), CELL)
