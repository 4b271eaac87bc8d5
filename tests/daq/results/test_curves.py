"""A curve keeps the height and place of what was driven, whichever way the sweep ran."""

from __future__ import annotations

import numpy as np
import pytest

from daq.errors import Refused
from daq.results.curves import Curve, curve, evenly, peak


def torque(rpm: np.ndarray) -> np.ndarray:
    return 1100.0 - 1.2e-4 * (rpm - 1750.0) ** 2


def sweep(rising: bool, noise: float = 0.0, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    rpm = np.linspace(1300.0, 3000.0, 10_000)
    if not rising:
        rpm = rpm[::-1]
    y = torque(rpm) + np.random.default_rng(seed).normal(0.0, 1.0, rpm.size) * noise
    return rpm, y


def test_a_quadratic_is_reproduced_exactly() -> None:
    bins = evenly(1400, 2900, 50)
    found = curve(*sweep(True), bins, 100.0)
    assert np.allclose(found.value, torque(bins), atol=1e-6)


def test_rising_and_falling_sweeps_give_the_same_curve() -> None:
    bins = evenly(1400, 2900, 50)
    up, down = curve(*sweep(True), bins, 80.0), curve(*sweep(False), bins, 80.0)
    assert np.allclose(up.value, down.value, atol=1e-6)


def test_the_peak_is_found_between_bins() -> None:
    found = peak(curve(*sweep(True), evenly(1400, 2900, 100), 150.0))
    assert found.x == pytest.approx(1750.0, abs=1.0)
    assert found.value == pytest.approx(1100.0, abs=0.01)
    assert found.x_low <= found.x <= found.x_high


def test_stated_noise_is_what_repeats_scatter_by() -> None:
    bins = evenly(1400, 2900, 100)
    runs = [curve(*sweep(True, 8.0, seed), bins, 100.0) for seed in range(40)]
    scatter = np.std([run.value for run in runs], axis=0, ddof=1)
    stated = np.mean([run.noise_sigma for run in runs], axis=0)
    assert np.median(scatter / stated) == pytest.approx(1.0, abs=0.15)


def test_correlated_noise_is_not_taken_for_many_independent_samples() -> None:
    bins = evenly(1400, 2900, 100)
    rng = np.random.default_rng(4)
    values, stated = [], []
    for _ in range(40):
        rpm, y = sweep(True)
        white = rng.normal(0.0, 8.0, y.size + 60)
        y = y + np.convolve(white, np.ones(61) / np.sqrt(61.0), "valid")[: y.size]
        found = curve(rpm, y, bins, 100.0)
        values.append(found.value)
        stated.append(found.noise_sigma)
    ratio = np.median(np.std(values, axis=0, ddof=1) / np.mean(stated, axis=0))
    assert ratio == pytest.approx(1.0, abs=0.35)


def test_no_bin_beyond_the_data_is_invented() -> None:
    found = curve(*sweep(True), evenly(1000, 3400, 100), 120.0)
    covered = found.bins[np.isfinite(found.value)]
    assert covered.min() >= 1300.0
    assert covered.max() <= 3000.0


def test_rows_without_a_reading_are_left_out() -> None:
    rpm, y = sweep(True)
    y = y.copy()
    y[::3] = np.nan
    found = curve(rpm, y, evenly(1400, 2900, 50), 100.0)
    assert np.allclose(found.value, torque(found.bins), atol=1e-6)


def test_a_run_without_readings_is_refused() -> None:
    with pytest.raises(Refused):
        curve(np.full(100, np.nan), np.ones(100), evenly(1000, 2000, 50), 50.0)
    with pytest.raises(Refused):
        evenly(2000, 1000, 50)


def test_a_noisy_bin_at_the_end_does_not_take_the_peak_from_a_sure_one() -> None:
    """Unless it is clearly higher: power may well rise to the end of a sweep."""
    bins = np.arange(10.0)
    value = 100.0 - 0.2 * (bins - 5.0) ** 2
    sigma = np.full(10, 0.1)
    value[-1], sigma[-1] = 100.5, 0.6
    counts = np.full(10, 100)

    def top(last: float) -> float:
        values = np.append(value[:-1], last)
        made = Curve("x", "1", "y", "1", bins, values, sigma, counts, 1.0, "")
        return peak(made).x

    assert top(100.5) == pytest.approx(5.0)
    assert top(103.0) == pytest.approx(9.0)


def test_a_higher_noisy_neighbour_does_not_push_the_peak_out_of_the_run() -> None:
    """A parabola through a rise that goes on would have its top far beyond the last bin."""
    bins = np.arange(10.0)
    value = np.array([60.0, 70.0, 78.0, 85.0, 90.0, 94.0, 97.0, 99.0, 100.0, 100.9])
    noise = np.full(10, 0.1)
    noise[9] = 2.0
    counts = np.full(10, 100)
    found = peak(Curve("x", "1", "y", "1", bins, value, noise, counts, 1.0, ""))
    assert found.x == 8.0
    assert found.value == 100.0
