"""Load cell, bridge and converter arithmetic (rows LC-01 to 11)."""

from __future__ import annotations

import pytest

from daq.proving.calibration import (
    FULL_SCALE_COUNTS,
    CalibrationArm,
    DeadWeight,
    counts_to_mv_per_v,
    reference_force,
)
from daq.rig.description import LoadCell
from daq.rig.units import from_si, to_si


def test_bridge_output_of_a_common_cell() -> None:
    # LC-01: convention, computed: 2 mV/V at 10 V, 5000 lbf
    cell = LoadCell("c", full_scale_mv_per_v=2.0, newton_per_mv_per_v=to_si(5000, "lbf") / 2.0)
    full = counts_to_mv_per_v(FULL_SCALE_COUNTS, cell.full_scale_mv_per_v)
    assert full * 1e-3 * 10.0 == pytest.approx(20e-3)
    per_lbf_v = full * 1e-3 * 10.0 / from_si(full * cell.newton_per_mv_per_v, "lbf")
    assert per_lbf_v == pytest.approx(4e-6)
    assert full * cell.newton_per_mv_per_v == pytest.approx(to_si(5000, "lbf"))


def test_one_count_in_volts() -> None:
    # LC-04: computed: 24 bits over +-20 mV, that is +-2 mV/V at 10 V
    per_code = counts_to_mv_per_v(1, 2.0) * 1e-3 * 10.0
    assert per_code == pytest.approx(2.384186e-9, rel=1e-6)


def test_torque_to_force() -> None:
    # LC-11: computed
    arms = CalibrationArm(0.75, 0.75, 45.0, hanging_torque_nm=1000.0)
    assert reference_force(arms, DeadWeight(0.0, 0.0)) == pytest.approx(1333.333333, abs=1e-6)
    roll = CalibrationArm(0.75, 0.4522, 45.0, hanging_torque_nm=1000.0)
    assert reference_force(roll, DeadWeight(0.0, 0.0)) == pytest.approx(2211.410880, abs=1e-6)
