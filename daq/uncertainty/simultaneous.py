"""Bands that hold at all places of a curve together, from a few repeats.

Data flow: logarithms of repeated curves of two sides, shape (runs, bins) -> the noise of their
shape, pooled over repeats and neighbouring bins, and how far it reaches along the curve -> one
half-width per bin.

A run differs from the next in its level, all bins alike, and in its shape. Two repeats know the
level with one or two degrees of freedom, but they show the noise of the shape in every bin: pooled,
it is known well. The band is that of the greatest standardised deviation over all bins ("sup-t"),
with level and shape drawn as they are known: the level from Student's t, the shape from a normal
process with the pooled autocorrelation, its variance from its own degrees of freedom. (Sup-t bands
by simulation: Montiel Olea and Plagborg-Moller, J. Appl. Econometrics 34, 2019; from memory.)
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

DRAWS = 4000
WINDOW_SHARE = 1.0 / 3.0  # of the bins share one variance: noise at the ends may be larger
LEAST_WINDOW = 5


def half_widths(
    sides: tuple[Floats, Floats], level_u: float, level_dof: float, level: float = 0.95
) -> Floats:
    """Half-widths, shape (bins,), round the difference of the sides' means.

    `sides`: repeats of each side, shape (runs, bins), two runs at least; `level_u`, `level_dof`:
    standard uncertainty of the difference of the sides' mean levels and its degrees of freedom.
    The same input gives the same band: the draws are seeded.
    """
    count = sides[0].shape[1]
    noise = np.vstack([_shape_noise(side) for side in sides])
    dof = noise.shape[0] - 2
    correlation = _autocorrelation(noise)
    reach = 1.0 + 2.0 * float(np.sum(correlation[1:] ** 2 * (1.0 - np.arange(1, count) / count)))
    width = min(count, max(LEAST_WINDOW, round(WINDOW_SHARE * count)))
    variance = _moving_mean(np.sum(noise**2, axis=0) / dof, width)
    shape_dof = dof * max(1.0, width / reach)
    share = sum(1.0 / side.shape[0] for side in sides)
    shape_u = np.sqrt(variance * share)
    whole_u = np.sqrt(level_u**2 + shape_u**2)
    if not np.any(whole_u > 0.0):
        return np.zeros(count)
    random = np.random.default_rng(1)
    levels = _student(random, level_dof)
    scales = np.sqrt(shape_dof / random.chisquare(shape_dof, DRAWS))
    root = _root(correlation)
    shapes = random.standard_normal((DRAWS, root.shape[0])) @ root.T
    total = level_u * levels[:, None] + shape_u[None, :] * (scales[:, None] * shapes)
    inside = whole_u > 0.0
    greatest = np.max(np.abs(total[:, inside]) / whole_u[None, inside], axis=1)
    return np.asarray(float(np.quantile(greatest, level)) * whole_u)


def _shape_noise(side: Floats) -> Floats:
    """What each repeat's shape differs by from its side's mean; its level taken away."""
    apart = side - side.mean(axis=0)
    return np.asarray(apart - apart.mean(axis=1, keepdims=True))


def _autocorrelation(noise: Floats) -> Floats:
    """Autocorrelation along the bins, lag 0 first, pooled over repeats; always a possible one."""
    count = noise.shape[1]
    summed = np.array([np.sum(noise[:, : count - lag] * noise[:, lag:]) for lag in range(count)])
    if not summed[0] > 0.0:
        return np.concatenate([[1.0], np.zeros(count - 1)])
    return np.asarray(summed / summed[0])


def _moving_mean(values: Floats, width: int) -> Floats:
    """Mean over `width` neighbours, over as many at the ends, which have them on one side."""
    sums = np.concatenate([[0.0], np.cumsum(values)])
    starts = np.clip(np.arange(values.size) - width // 2, 0, values.size - width)
    return np.asarray((sums[starts + width] - sums[starts]) / width)


def _root(correlation: Floats) -> Floats:
    """A square root of the correlation matrix, shape (bins, bins)."""
    count = correlation.size
    lags = np.abs(np.arange(count)[:, None] - np.arange(count)[None, :])
    values, vectors = np.linalg.eigh(correlation[lags])
    return np.asarray(vectors * np.sqrt(np.clip(values, 0.0, None)))


def _student(random: np.random.Generator, dof: float) -> Floats:
    if math.isinf(dof):
        return random.standard_normal(DRAWS)
    return random.standard_t(dof, DRAWS)
