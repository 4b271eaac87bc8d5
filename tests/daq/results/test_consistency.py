"""Drift of the rig is seen before a customer sees it."""

from __future__ import annotations

import numpy as np
import pytest

from daq.errors import Refused
from daq.results.consistency import chart, cusum, individuals_sigma

# NIST/SEMATECH e-Handbook 6.3.2.3, worked CUSUM example (from memory): target 325, k 0.3175.
HANDBOOK = (
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
)  # fmt: skip


def test_cusum_paths_are_those_of_the_handbook() -> None:
    high, low = cusum(HANDBOOK, 325.0, 0.3175)
    assert high[4] == pytest.approx(0.03, abs=0.005)
    assert high[12] == pytest.approx(3.01, abs=0.005)
    assert high[13] == pytest.approx(4.94, abs=0.005)  # first beyond h = 4.1959
    assert low[3] == pytest.approx(0.3325, abs=1e-9)


def test_sigma_of_individuals_comes_from_moving_ranges() -> None:
    assert individuals_sigma([1.0, 2.0, 1.0, 2.0]) == pytest.approx(1.0 / 1.128)


def test_limits_of_individuals_are_those_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.2, flow rates of ten batches (from memory)."""
    flow = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
    found = chart(flow, baseline=10)
    assert found.centre == pytest.approx(50.81)
    assert found.upper == pytest.approx(55.8041, abs=5e-4)
    assert found.lower == pytest.approx(45.8159, abs=5e-4)
    assert not [one for one in found.findings if one.rule == "beyond limits"]


def steady(n: int, seed: int = 5) -> list[float]:
    return (300.0 + np.random.default_rng(seed).normal(0.0, 1.0, n)).tolist()


def test_a_steady_rig_raises_no_finding() -> None:
    assert chart(steady(40), baseline=20).findings == ()


def test_a_jump_is_seen_at_once() -> None:
    values = [*steady(20), 310.0]
    found = chart(values, baseline=20).findings
    assert any(f.rule == "beyond limits" and f.index == 20 for f in found)


def test_a_slow_drift_is_seen_before_it_leaves_the_limits() -> None:
    rng = np.random.default_rng(8)
    values = [*steady(20), *(300.0 + 0.12 * np.arange(25) + rng.normal(0.0, 1.0, 25)).tolist()]
    found = chart(values, baseline=20).findings
    drift = min(f.index for f in found if f.rule == "drift up")
    jumps = [f.index for f in found if f.rule == "beyond limits"]
    assert drift <= min(jumps, default=99)


def test_eight_on_one_side_are_named() -> None:
    values = [*steady(20), *[300.8] * 8]
    assert any(f.rule == "one side" for f in chart(values, baseline=20).findings)


def test_too_few_runs_are_refused() -> None:
    with pytest.raises(Refused):
        chart([1.0] * 5)
    with pytest.raises(Refused):
        chart([1.0] * 9 + [float("nan")])
