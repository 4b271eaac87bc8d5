"""Monte Carlo propagation of distributions, JCGM 101: the check on a GUM budget.

Data flow: model and sources (as daq.uncertainty.budget takes them) -> draws -> mean, standard
uncertainty and coverage intervals -> comparison with the budget after JCGM 101 clause 8. Seeded, so
a figure can be had again.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec
import numpy as np
import numpy.typing as npt

from daq.uncertainty.budget import Budget, Model, Shape, Source, correlation_matrix

Array = npt.NDArray[np.float64]


class Propagated(msgspec.Struct, frozen=True):
    """What the draws say. Intervals hold `level` of the probability."""

    trials: int
    mean: float
    sigma: float
    level: float
    symmetric: tuple[float, float]  # equal probability outside on both sides
    shortest: tuple[float, float]


class MonteCarloCheck(msgspec.Struct, frozen=True):
    """JCGM 101 8.1: a budget is validated when both ends agree within the tolerance."""

    low_difference: float
    high_difference: float
    tolerance: float  # half a unit of the last significant digit of the standard uncertainty
    validated: bool


def draw(
    sources: Sequence[Source],
    trials: int,
    seed: int,
    correlations: Sequence[tuple[str, str, float]] = (),
) -> Array:
    """Draws of shape (sources, trials). Finite degrees of freedom give a scaled t distribution
    (JCGM 101 6.4.9); correlated sources must be normal."""
    generator = np.random.default_rng(seed)
    matrix = correlation_matrix(sources, correlations)
    standard = generator.standard_normal((len(sources), trials))
    coupled = np.abs(matrix - np.eye(len(sources))).sum(axis=0) > 0
    if np.any(coupled):
        values, vectors = np.linalg.eigh(matrix)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        standard = root @ standard
    out = np.empty((len(sources), trials))
    for index, source in enumerate(sources):
        if coupled[index]:
            if source.shape != Shape.NORMAL:
                raise ValueError(f"'{source.name}' is correlated and so must be normal")
            unit = standard[index]
        elif source.shape == Shape.RECTANGULAR:
            unit = generator.uniform(-math.sqrt(3.0), math.sqrt(3.0), trials)
        elif math.isfinite(source.dof):
            unit = generator.standard_t(source.dof, trials)
        else:
            unit = standard[index]
        out[index] = source.value + source.sigma * unit
    return out


def monte_carlo(
    model: Model,
    sources: Sequence[Source],
    *,
    trials: int = 200_000,
    seed: int = 1,
    correlations: Sequence[tuple[str, str, float]] = (),
    level: float = 0.95,
) -> Propagated:
    """Propagate the sources' distributions through the model."""
    if trials < 1000:
        raise ValueError("a coverage interval needs at least 1000 trials")
    return summarise(model(draw(sources, trials, seed, correlations)), level)


def summarise(results: Array, level: float = 0.95) -> Propagated:
    """Mean, standard uncertainty and intervals of drawn results; JCGM 101 7.6 and 7.7."""
    ordered = np.sort(results)
    trials = len(ordered)
    inside = min(trials - 1, round(level * trials))
    left = (trials - inside) // 2
    widths = ordered[inside:] - ordered[: trials - inside]
    best = int(np.argmin(widths))
    return Propagated(
        trials,
        float(np.mean(ordered)),
        float(np.std(ordered, ddof=1)),
        level,
        (float(ordered[left]), float(ordered[left + inside])),
        (float(ordered[best]), float(ordered[best + inside])),
    )


def compare(budget: Budget, drawn: Propagated, digits: int = 2) -> MonteCarloCheck:
    """Whether a budget's interval agrees with the drawn one to `digits` significant digits."""
    if budget.sigma > 0:
        exponent = math.floor(math.log10(budget.sigma)) - (digits - 1)
        tolerance = 0.5 * 10.0**exponent
    else:
        tolerance = 0.0
    low = abs(budget.interval[0] - drawn.symmetric[0])
    high = abs(budget.interval[1] - drawn.symmetric[1])
    return MonteCarloCheck(low, high, tolerance, low <= tolerance and high <= tolerance)
