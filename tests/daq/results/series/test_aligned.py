"""Force is brought to speed after the run: the lag of a measured acceleration is taken away."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from daq.results.series.aligned import LEAD_S, aligned
from daq.results.series.columns import Chunk
from daq.rig.description import load_rig

RIG = load_rig(Path(__file__).parents[4] / "rigs" / "tarnhow.toml")
SETS = ("rolls_front", "rolls_rear")


def _run(time: np.ndarray, absorbed_n: float = 900.0) -> tuple[Chunk, np.ndarray]:
    """Columns of a pull that grows and falls, seen LEAD_S late; and the true pull of both sets."""

    def pull(t: np.ndarray) -> np.ndarray:
        return 4000.0 + 900.0 * np.sin(1.3 * t)

    speed = 15.0 + 0.5 * time
    columns: Chunk = {"time_s": time, "engine_speed_radps": 10.0 * speed}
    for roll_set, name in zip(RIG.roll_sets, SETS, strict=True):
        inertial = pull(time - LEAD_S) - absorbed_n
        columns |= {
            f"{name}_speed_mps": speed,
            f"{name}_acceleration_mps2": inertial / roll_set.base_inertia_kg,
            f"{name}_absorber_force_n": np.full(time.size, absorbed_n),
            f"{name}_loss_force_n": np.full(time.size, 50.0),
            f"{name}_inertia_force_n": inertial,
            f"{name}_tractive_force_n": inertial + absorbed_n + 50.0,
            f"{name}_power_w": (inertial + absorbed_n + 50.0) * speed,
        }
    return columns, 2.0 * (pull(time) + 50.0)


def test_a_pull_that_changes_is_put_where_it_belongs() -> None:
    time = np.arange(0.0, 6.0, 0.002)
    columns, true = _run(time)
    before = sum(columns[f"{name}_tractive_force_n"] for name in SETS)
    found = aligned(RIG, columns)
    inner = slice(0, -20)
    assert np.abs(before - true)[inner].max() > 50.0
    assert found["tractive_force_n"][inner] == pytest.approx(true[inner], abs=0.2)
    speed = 15.0 + 0.5 * time
    assert found["power_w"][inner] == pytest.approx((true * speed)[inner], rel=1e-4)
    assert found["torque_nm"][inner] == pytest.approx((true / 10.0)[inner], rel=1e-4)


def test_acceleration_and_inertia_stay_one_thing() -> None:
    found = aligned(RIG, _run(np.arange(0.0, 6.0, 0.002))[0])
    for roll_set, name in zip(RIG.roll_sets, SETS, strict=True):
        inertial = roll_set.base_inertia_kg * found[f"{name}_acceleration_mps2"]
        assert found[f"{name}_inertia_force_n"] == pytest.approx(inertial, abs=1e-6)


def test_what_was_recorded_is_left_as_it_is() -> None:
    columns, _ = _run(np.arange(0.0, 2.0, 0.002))
    kept = {name: values.copy() for name, values in columns.items()}
    aligned(RIG, columns)
    for name, values in kept.items():
        assert np.array_equal(columns[name], values), name


def test_nothing_is_read_across_a_gap_and_thin_rows_do() -> None:
    time = np.concatenate((np.arange(0.0, 2.0, 0.002), np.arange(5.0, 7.0, 0.002)))
    columns, _ = _run(time)
    found = aligned(RIG, columns)
    edge = int(np.searchsorted(time, 5.0))
    last = found["rolls_front_inertia_force_n"][edge - 5 : edge]
    assert np.array_equal(last, columns["rolls_front_inertia_force_n"][edge - 5 : edge])
    thin = np.arange(0.0, 60.0, 0.04)
    columns, true = _run(thin)
    assert aligned(RIG, columns)["tractive_force_n"][:-2] == pytest.approx(true[:-2], abs=3.0)


def test_columns_of_another_rig_are_left_alone() -> None:
    columns, _ = _run(np.arange(0.0, 2.0, 0.002))
    del columns["rolls_rear_speed_mps"]
    assert aligned(RIG, columns) is columns
