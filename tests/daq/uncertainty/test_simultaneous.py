"""Bands over a whole curve: drawn curves of known noise judge them."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest

from daq.uncertainty.simultaneous import half_widths
from daq.uncertainty.statistics import summary, welch

BINS = 24


def curves(
    random: np.random.Generator, runs: int, level: float, shape: float, along: float
) -> npt.NDArray[np.float64]:
    """Repeats: a level of their own, and noise whose correlation falls by `along` a bin."""
    noise = random.standard_normal((runs, BINS))
    for at in range(1, BINS):
        noise[:, at] = along * noise[:, at - 1] + math.sqrt(1 - along**2) * noise[:, at]
    return level * random.standard_normal((runs, 1)) + shape * noise


@pytest.mark.parametrize(
    ("repeats", "level", "shape", "along"), [(2, 2.0, 1.0, 0.6), (3, 0.3, 1.0, 0.8)]
)
def test_the_whole_curve_lies_inside_as_often_as_promised(
    repeats: int, level: float, shape: float, along: float
) -> None:
    random = np.random.default_rng(5)
    inside = []
    for _ in range(150):
        sides = [curves(random, repeats, level, shape, along) for _ in range(2)]
        one, other = (summary(side.mean(axis=1).tolist()) for side in sides)
        found = welch(one, other, 0.0)
        halves = half_widths((sides[0], sides[1]), found.standard_error, found.dof)
        apart = sides[1].mean(axis=0) - sides[0].mean(axis=0)
        inside.append(bool(np.all(np.abs(apart) <= halves)))
    assert 0.89 <= np.mean(inside) <= 1.0  # 150 draws of 0.95: standard deviation 0.018


def test_noise_at_one_end_widens_the_band_there() -> None:
    random = np.random.default_rng(6)
    spread = np.where(np.arange(BINS) < BINS // 2, 1.0, 6.0)
    one, other = (spread * random.standard_normal((3, BINS)) for _ in range(2))
    halves = half_widths((one, other), 0.1, 4.0)
    assert halves[-1] > 3.0 * halves[0]


def test_the_same_curves_give_the_same_band_and_equal_ones_none() -> None:
    random = np.random.default_rng(7)
    sides = (random.standard_normal((2, BINS)), random.standard_normal((2, BINS)))
    assert np.array_equal(half_widths(sides, 0.1, 2.0), half_widths(sides, 0.1, 2.0))
    flat = np.ones((2, BINS))
    assert half_widths((flat, flat), 0.0, math.inf).tolist() == [0.0] * BINS
