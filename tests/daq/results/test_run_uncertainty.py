"""A run's columns become uncertainty per sample and per result."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from daq.results.run_uncertainty import run_columns, run_effects
from daq.results.series.columns import columns_of
from daq.rig.description import Rig, load_rig

RIG_FILE = Path(__file__).parents[3] / "rigs" / "tarnhow.toml"


@pytest.fixture(scope="module")
def rig() -> Rig:
    return load_rig(RIG_FILE)


def table(rig: Rig, n: int = 1000) -> dict[str, np.ndarray]:
    t = np.arange(n) / 500
    run: dict[str, np.ndarray] = {"time_s": t}
    for name in ("front", "rear"):
        run[f"rolls_{name}_speed_mps"] = 20.0 + t
        run[f"rolls_{name}_acceleration_mps2"] = np.ones(n, np.float32)
        run[f"rolls_{name}_absorber_force_n"] = np.full(n, 4000.0, np.float32)
        run[f"rolls_{name}_tractive_sigma_n"] = np.full(n, 60.0, np.float32)
        for side in ("left", "right"):
            share = 0.55 if side == "left" else 0.44  # a little late, so they do not add up
            run[f"absorber_{name}_{side}_force_n"] = np.full(n, share * 4000, np.float32)
    assert set(run) <= {column.name for column in columns_of(rig)}
    return run


def test_absorbers_share_the_aligned_force(rig: Rig) -> None:
    columns = run_columns(rig, table(rig))
    assert len(columns) == 2
    assert columns[0].absorber_n.shape == (2, 1000)
    assert columns[0].absorber_n.sum(axis=0) == pytest.approx(np.full(1000, 4000.0))
    assert columns[0].absorber_n[0, 0] - columns[0].absorber_n[1, 0] == pytest.approx(440.0)


def test_a_run_gives_budgets_for_its_results(rig: Rig) -> None:
    effects = run_effects(rig, table(rig))
    v = effects.speed[0].values
    a, b, c = rig.roll_sets[0].loss_n
    expected = (4000.0 + a + b * v + c * v * v + 1550.0) * v
    assert effects.power[0].values == pytest.approx(expected, rel=1e-6)
    budget = effects.total_power.budget()
    assert budget.value == pytest.approx(float(np.mean(effects.total_power.values)))
    assert 0 < budget.sigma < 0.005 * budget.value
    assert budget.sigma < float(np.mean(effects.total_power.sigma()))
    assert "front loss" in budget.table()
    assert "noise" in budget.table()


def test_fewer_rows_tell_the_same(rig: Rig) -> None:
    all_rows = run_effects(rig, table(rig, 5000)).total_power.budget()
    some = run_effects(rig, table(rig, 5000), every=25).total_power.budget()
    assert some.value == pytest.approx(all_rows.value, rel=1e-3)
    assert some.sigma == pytest.approx(all_rows.sigma, rel=0.02)


def test_a_run_of_another_rig_is_not_mistaken_for_this_one(rig: Rig) -> None:
    other = {name.replace("front", "middle"): column for name, column in table(rig).items()}
    with pytest.raises(KeyError, match="front"):
        run_effects(rig, other)
