"""Speed from pulses: the estimator's own variance against the theory (rows SP-01 to 08).

Regression-counter theory seen in abstract form (arXiv 1506.05009); algebra and numbers computed.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from daq.measure.speed.fit import fit_quadratic
from daq.proving.coast_fit import whole_turns

PERIOD_S = 0.01  # 100 Hz
JITTER_S = 1e-6


def slope_and_factor(times: np.ndarray, places: np.ndarray) -> tuple[float, float]:
    """(speed in pitches/s, its variance factor) at time 0 by the product's fit."""
    out = np.zeros(9)
    fit_quadratic(times, places, len(times), -1, out)
    return float(out[1]), float(out[3])


def relative_sigma(n: int) -> float:
    """What the estimator states for n edges, asked in the middle of them."""
    places = np.arange(n) - (n - 1) / 2
    speed, factor = slope_and_factor(places * PERIOD_S, places)
    return math.sqrt(factor) * (JITTER_S / PERIOD_S) / speed


@pytest.mark.parametrize(
    ("n", "sigma"),
    [(2, 1.414214e-4), (10, 1.100964e-5), (60, 7.454595e-7), (101, 3.412949e-7)],
)
def test_estimator_states_the_bound(n: int, sigma: float) -> None:
    # SP-01: relative sigma of frequency at 100 Hz and 1 us
    assert relative_sigma(n) == pytest.approx(sigma, rel=1e-6)


@pytest.mark.parametrize(
    ("n", "endpoint", "gain"),
    [
        (10, 1.571348e-7, 1.427248),
        (60, 2.396972e-8, 3.215429),
        (101, 1.414214e-8, 4.143670),
    ],
)
def test_the_fit_beats_first_to_last_edge(n: int, endpoint: float, gain: float) -> None:
    # SP-02 and 03: sigma of the period from the end points, and what the fit gains
    times = np.array([-1.0, 1.0]) * (n - 1) / 2 * PERIOD_S
    speed, factor = slope_and_factor(times, np.array([-1.0, 1.0]) * (n - 1) / 2)
    period_sigma = math.sqrt(factor) * JITTER_S / PERIOD_S / speed**2
    assert period_sigma == pytest.approx(endpoint, rel=1e-6)
    assert period_sigma * speed / relative_sigma(n) == pytest.approx(gain, abs=1e-5)


def test_spread_over_many_draws_is_the_stated_one() -> None:
    # SP-04: N = 60, 20 000 trials, seed 1: theory 7.4546e-9 s
    generator = np.random.default_rng(1)
    places = np.arange(60) - 29.5
    noise = generator.normal(0.0, JITTER_S, (20_000, 60))
    out = np.zeros(9)
    periods = np.empty(len(noise))
    for k, row in enumerate(noise):
        fit_quadratic(places * PERIOD_S + row, places, 60, -1, out)
        periods[k] = 1.0 / out[1]
    assert np.std(periods) == pytest.approx(7.4546e-9, rel=0.02)


def test_an_eccentric_wheel_cancels_over_whole_turns() -> None:
    # SP-08: 0.1 mm on 100 mm radius: +-0.1 % once per turn
    teeth, turns, speed = 60, 12, 20.0
    circumference = math.pi * 0.90440
    phase = 2 * math.pi * np.arange(teeth * turns + 1) / teeth
    travel = circumference / teeth * np.arange(teeth * turns + 1)
    # local speed seen is (1 + 0.001 cos) of the true one, so an edge comes early by its integral
    times = (travel - 0.001 * circumference / (2 * math.pi) * np.sin(phase)) / speed
    single = circumference / teeth / np.diff(times)
    assert np.max(np.abs(single / speed - 1)) == pytest.approx(0.001, rel=0.01)
    at, path = whole_turns(times, teeth, circumference)
    assert np.diff(path) / np.diff(at) == pytest.approx(np.full(turns, speed), rel=1e-12)
