"""Uncertainty after JCGM 100 (GUM): sources, sensitivities, correlations, a budget to read.

Data flow: a model and its sources -> Budget (value, standard and expanded uncertainty, one row per
source). What the rig's own sources are is daq.uncertainty.power; the Monte Carlo check (JCGM 101)
is daq.uncertainty.monte_carlo; `python -m daq.uncertainty.budget` prints the budget of one
operating point with it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import msgspec
import numpy as np
import numpy.typing as npt

from daq.uncertainty.statistics import coverage_factor

Array = npt.NDArray[np.float64]
Model = Callable[[Array], Array]
"""Takes sources of shape (k,) or (k, trials), gives shape () or (trials,)."""


class Shape:
    """Distribution of a source, for the Monte Carlo check."""

    NORMAL = "normal"
    RECTANGULAR = "rectangular"


class Source(msgspec.Struct, frozen=True):
    """One input quantity with its standard uncertainty (1 sigma) and where it comes from."""

    name: str
    value: float
    sigma: float
    unit: str = ""
    dof: float = math.inf
    shape: str = Shape.NORMAL
    origin: str = ""


class BudgetRow(msgspec.Struct, frozen=True):
    """One line of a budget; `contribution` = sensitivity x sigma, signed, in the result's unit."""

    name: str
    value: float
    sigma: float
    unit: str
    dof: float
    sensitivity: float
    contribution: float
    origin: str = ""


class Budget(msgspec.Struct, frozen=True):
    """A result with its uncertainty, and why it is that large."""

    quantity: str
    unit: str
    value: float
    sigma: float  # combined standard uncertainty
    dof: float  # effective
    level: float
    coverage: float  # k
    rows: tuple[BudgetRow, ...]
    correlations: tuple[tuple[str, str, float], ...] = ()

    @property
    def expanded(self) -> float:
        """k times the standard uncertainty: half-width of the interval at `level`."""
        return self.coverage * self.sigma

    @property
    def interval(self) -> tuple[float, float]:
        return self.value - self.expanded, self.value + self.expanded

    def table(self) -> str:
        """The budget as text, largest contribution first."""
        total = self.sigma**2 or 1.0
        lines = [
            f"{self.quantity}: {self.value:.6g} {self.unit}, standard uncertainty "
            f"{self.sigma:.3g} {self.unit}, {100 * self.level:g} % within +-{self.expanded:.3g} "
            f"{self.unit} (k = {self.coverage:.2f}, degrees of freedom {_dof(self.dof)})",
            "",
            f"{'source':<34}{'value':>13}{'1 sigma':>12} {'unit':<8}{'effect':>12}{'share':>8}"
            "  from",
        ]
        stated = [row for row in self.rows if row.sigma > 0]
        for row in sorted(stated, key=lambda row: -abs(row.contribution)):
            share = 100 * row.contribution**2 / total
            lines.append(
                f"{row.name:<34}{row.value:>13.6g}{row.sigma:>12.3g} {row.unit:<8}"
                f"{row.contribution:>12.3g}{share:>7.1f}%  {row.origin}"
            )
        lines.extend(
            f"correlated: {one} with {other}, r = {r:+.3f}" for one, other, r in self.correlations
        )
        if self.correlations:
            lines.append("Shares of correlated sources do not add up to 100 %.")
        return "\n".join(lines)


def _dof(value: float) -> str:
    return "infinite" if math.isinf(value) else f"{value:.1f}"


def sensitivities(model: Model, sources: Sequence[Source]) -> Array:
    """Partial derivatives at the sources' values, by central differences of 0.01 sigma."""
    point = np.array([source.value for source in sources], dtype=np.float64)
    slopes = np.zeros(len(sources))
    for index, source in enumerate(sources):
        step = 0.01 * source.sigma
        if step == 0.0:
            continue
        up, down = point.copy(), point.copy()
        up[index] += step
        down[index] -= step
        slopes[index] = float(model(up) - model(down)) / (up[index] - down[index])
    return slopes


def correlation_matrix(sources: Sequence[Source], pairs: Sequence[tuple[str, str, float]]) -> Array:
    """Correlation matrix from named pairs. Raises ValueError when it is not one."""
    place = {source.name: index for index, source in enumerate(sources)}
    matrix = np.eye(len(sources))
    for one, other, r in pairs:
        if one not in place or other not in place or one == other:
            raise ValueError(f"no such pair of sources: {one}, {other}")
        matrix[place[one], place[other]] = matrix[place[other], place[one]] = r
    if float(np.linalg.eigvalsh(matrix)[0]) < -1e-9:
        raise ValueError("the correlation coefficients contradict each other")
    return matrix


def effective_dof(contributions: Array, dofs: Array, sigma: float) -> float:
    """Welch-Satterthwaite: uc^4 / sum(ui^4 / nu_i); JCGM 100 G.4, independent sources."""
    below = float(np.sum(np.asarray(contributions) ** 4 / np.asarray(dofs)))
    return math.inf if below == 0.0 else sigma**4 / below


def propagate(
    quantity: str,
    unit: str,
    model: Model,
    sources: Sequence[Source],
    correlations: Sequence[tuple[str, str, float]] = (),
    *,
    level: float = 0.95,
) -> Budget:
    """Law of propagation of uncertainty, JCGM 100 5.1.2 and 5.2.2, as a budget.

    Effective degrees of freedom assume independence (G.4); correlated sources enter them as if
    they were independent, which the budget does not hide: it lists the correlations.
    """
    point = np.array([source.value for source in sources], dtype=np.float64)
    slopes = sensitivities(model, sources)
    sigmas = np.array([source.sigma for source in sources])
    return assemble(
        quantity,
        unit,
        float(model(point)),
        sources,
        slopes * sigmas,
        correlations=correlations,
        level=level,
    )


def assemble(
    quantity: str,
    unit: str,
    value: float,
    sources: Sequence[Source],
    contributions: Array,
    *,
    correlations: Sequence[tuple[str, str, float]] = (),
    level: float = 0.95,
) -> Budget:
    """Budget from signed contributions (sensitivity x sigma) already known, one per source."""
    matrix = correlation_matrix(sources, correlations)
    sigma = math.sqrt(max(0.0, float(contributions @ matrix @ contributions)))
    dof = effective_dof(contributions, np.array([source.dof for source in sources]), sigma)
    rows = tuple(
        BudgetRow(
            source.name,
            source.value,
            source.sigma,
            source.unit,
            source.dof,
            float(contribution / source.sigma) if source.sigma > 0 else 0.0,
            float(contribution),
            source.origin,
        )
        for source, contribution in zip(sources, contributions, strict=True)
    )
    return Budget(
        quantity,
        unit,
        value,
        sigma,
        dof,
        level,
        coverage_factor(max(1.0, dof), level),
        rows,
        tuple(correlations),
    )
