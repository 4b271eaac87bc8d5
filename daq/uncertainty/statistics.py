"""Statistics of the proving and of before/after comparisons, with no library beyond `math`/numpy.

Data flow: samples or summaries -> small frozen results. The t quantile is written out here because
one function does not justify a further dependency of the size of a scientific library; the tests
hold it against an independent reference to 1e-9.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec
import numpy as np
import numpy.typing as npt

Values = Sequence[float] | npt.NDArray[np.float64]


def mean(values: Values) -> float:
    """Arithmetic mean; 40 CFR 1065.602(b)."""
    if len(values) == 0:
        raise ValueError("a mean needs at least one value")
    return math.fsum(values) / len(values)


def standard_deviation(values: Values) -> float:
    """Sample standard deviation (N - 1); 40 CFR 1065.602(c)."""
    if len(values) < 2:
        raise ValueError("a standard deviation needs at least two values")
    centre = mean(values)
    return math.sqrt(math.fsum((x - centre) ** 2 for x in values) / (len(values) - 1))


# --- Student's t -----------------------------------------------------------------------------


def _beta_fraction(a: float, b: float, x: float) -> float:
    """Continued fraction of the incomplete beta function by Lentz's method."""
    tiny = 1e-300
    c, d = 1.0, 1.0 - (a + b) * x / (a + 1)
    d = 1.0 / (d if abs(d) > tiny else tiny)
    value = d
    for m in range(1, 5000):
        for numerator in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1.0 + numerator * d
            d = 1.0 / (d if abs(d) > tiny else tiny)
            c = 1.0 + numerator / c
            c = c if abs(c) > tiny else tiny
            step = c * d
            value *= step
        if abs(step - 1.0) < 1e-16:
            break
    return value


def _incomplete_beta(a: float, b: float, x: float, y: float) -> float:
    """Regularised incomplete beta function I_x(a, b); y = 1 - x, given apart to keep its digits."""
    if x <= 0.0:
        return 0.0
    if y <= 0.0:
        return 1.0
    log = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log(y)
    front = math.exp(log)
    if x < (a + 1) / (a + b + 2):
        return front * _beta_fraction(a, b, x) / a
    return 1.0 - front * _beta_fraction(b, a, y) / b


def t_two_sided(t: float, dof: float) -> float:
    """Probability that |T| exceeds |t| with `dof` degrees of freedom (inf: normal)."""
    if math.isinf(dof):
        return math.erfc(abs(t) / math.sqrt(2))
    total = dof + t * t
    return _incomplete_beta(dof / 2, 0.5, dof / total, t * t / total)


def _t_density(t: float, dof: float) -> float:
    if math.isinf(dof):
        return math.exp(-t * t / 2) / math.sqrt(2 * math.pi)
    log = (
        math.lgamma((dof + 1) / 2)
        - math.lgamma(dof / 2)
        - 0.5 * math.log(dof * math.pi)
        - (dof + 1) / 2 * math.log1p(t * t / dof)
    )
    return math.exp(log)


def coverage_factor(dof: float, level: float = 0.95) -> float:
    """Two-sided t quantile: k with P(|T| <= k) = level; 40 CFR 1065.602 Table 1, GUM annex G.

    Bracketed Newton steps on the survival probability, to about 1e-12. `dof` may be fractional
    or infinite.
    """
    if not dof > 0:
        raise ValueError("degrees of freedom must be above zero")
    if not 0 < level < 1:
        raise ValueError("the level must lie between 0 and 1")
    # beyond 1e7 the t and the normal quantile agree to better than 1e-6
    if dof > 1e7:
        dof = math.inf
    outside = 1.0 - level
    low, high = 0.0, 2.0
    while t_two_sided(high, dof) > outside:
        low, high = high, high * 2
    t = (low + high) / 2
    for _ in range(200):
        excess = t_two_sided(t, dof) - outside
        if excess > 0:
            low = t
        else:
            high = t
        step = t + excess / (2 * _t_density(t, dof))
        following = step if low < step < high else (low + high) / 2
        if abs(following - t) <= 1e-14 * max(1.0, t):
            return following
        t = following
    return t


class Summary(msgspec.Struct, frozen=True):
    """A set of repeats, summed up."""

    mean: float
    sd: float  # sample standard deviation, N - 1
    n: int


class MeanDifference(msgspec.Struct, frozen=True):
    """Second mean less first, with its standard error and degrees of freedom."""

    difference: float
    standard_error: float
    dof: float  # infinite when nothing scatters

    def half_width(self, level: float = 0.95) -> float:
        """Half-width of the confidence interval of the difference."""
        if self.standard_error == 0.0:
            return 0.0
        return coverage_factor(self.dof, level) * self.standard_error


def welch(first: Summary, second: Summary, common_sigma: float = 0.0) -> MeanDifference:
    """Unpaired comparison with unequal variances; 40 CFR 1065.602(f)(1).

    `common_sigma`: standard uncertainty of the difference from outside both sets, with unlimited
    degrees of freedom (JCGM 100 G.4, Welch-Satterthwaite). Each set needs two values or more.
    """
    parts = (first.sd**2 / first.n, second.sd**2 / second.n)
    variance = parts[0] + parts[1] + common_sigma**2
    weight = parts[0] ** 2 / (first.n - 1) + parts[1] ** 2 / (second.n - 1)
    dof = variance**2 / weight if weight > 0.0 else math.inf
    return MeanDifference(second.mean - first.mean, math.sqrt(variance), dof)


def summary(values: Values) -> Summary:
    """Mean, spread and number of a set of repeats."""
    return Summary(mean(values), standard_deviation(values), len(values))


# --- regression and linearity ----------------------------------------------------------------


class FittedLine(msgspec.Struct, frozen=True):
    """Least-squares line y = intercept + slope x; 40 CFR 1065.602(h) to (k)."""

    slope: float
    intercept: float
    standard_error: float  # SEE, N - 2
    r_squared: float
    slope_sigma: float
    intercept_sigma: float
    n: int


def fit_line(x: Values, y: Values) -> FittedLine:
    """Straight line through points. Raises ValueError for fewer than three or no spread in x."""
    n = len(x)
    if n != len(y):
        raise ValueError("x and y must have the same length")
    if n < 3:
        raise ValueError("a line with its error needs at least three points")
    x_mean, y_mean = mean(x), mean(y)
    dx = [value - x_mean for value in x]
    dy = [value - y_mean for value in y]
    sxx = math.fsum(value * value for value in dx)
    if sxx == 0.0:
        raise ValueError("all x values are equal")
    slope = math.fsum(a * b for a, b in zip(dx, dy, strict=True)) / sxx
    residual = math.fsum((b - slope * a) ** 2 for a, b in zip(dx, dy, strict=True))
    total = math.fsum(value * value for value in dy)
    see = math.sqrt(residual / (n - 2))
    return FittedLine(
        slope,
        y_mean - slope * x_mean,
        see,
        1.0 if total == 0.0 else 1 - residual / total,
        see / math.sqrt(sxx),
        see * math.sqrt(1 / n + x_mean**2 / sxx),
        n,
    )


class LinearityLimits(msgspec.Struct, frozen=True):
    """Limits of 40 CFR 1066.220 Table 1; the first and third are shares of the maximum."""

    intercept_share: float
    slope_low: float
    slope_high: float
    error_share: float
    r_squared: float


SPEED_LINEARITY = LinearityLimits(0.0005, 0.98, 1.02, 0.02, 0.990)
TORQUE_LINEARITY = LinearityLimits(0.01, 0.99, 1.01, 0.01, 0.990)


class Linearity(msgspec.Struct, frozen=True):
    line: FittedLine
    intercept_term: float  # |x_min (a1 - 1) + a0|, x_min the reference nearest to zero
    failures: tuple[str, ...]

    @property
    def passed(self) -> bool:
        return not self.failures


def linearity(
    reference: Values, measured: Values, maximum: float, limits: LinearityLimits
) -> Linearity:
    """Linearity verification of 40 CFR 1066.220 with its four criteria."""
    line = fit_line(reference, measured)
    term = abs(min(reference, key=abs) * (line.slope - 1) + line.intercept)
    failures = []
    if term > limits.intercept_share * maximum:
        failures.append(
            f"intercept term {term:.4g} is above {limits.intercept_share * maximum:.4g}"
        )
    if not limits.slope_low <= line.slope <= limits.slope_high:
        failures.append(
            f"slope {line.slope:.5f} is outside {limits.slope_low} to {limits.slope_high}"
        )
    if line.standard_error > limits.error_share * maximum:
        failures.append(
            f"standard error {line.standard_error:.4g} is above {limits.error_share * maximum:.4g}"
        )
    if line.r_squared < limits.r_squared:
        failures.append(f"r squared {line.r_squared:.5f} is below {limits.r_squared}")
    return Linearity(line, term, tuple(failures))
