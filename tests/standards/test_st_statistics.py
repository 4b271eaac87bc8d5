"""Statistics reproduce 40 CFR 1065.602 and agree with scipy (rows ST-01 to 08)."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from daq.uncertainty import statistics as s

DATA = [10.60, 11.91, 11.09]


def test_mean_spread_and_rms() -> None:
    # ST-01: 40 CFR 1065.602(b) to (d), seen
    assert s.mean(DATA) == pytest.approx(11.20, abs=5e-5)
    assert s.standard_deviation(DATA) == pytest.approx(0.6619, abs=5e-5)
    assert s.standard_deviation(DATA) == pytest.approx(0.661891, abs=1e-6)


def test_intercept() -> None:
    # ST-03: 40 CFR 1065.602(i), seen: a0 = ybar - a1 xbar through means 1055.3 and 1050.1
    x = [1055.3 - 100, 1055.3, 1055.3 + 100]
    y = [1050.1 - 101.10, 1050.1, 1050.1 + 101.10]
    line = s.fit_line(x, y)
    assert line.slope == pytest.approx(1.0110, abs=1e-12)
    assert line.intercept == pytest.approx(-16.8083, abs=1e-4)


def test_unpaired_t() -> None:
    # ST-04: 40 CFR 1065.602(f)(1), numbers from memory, reproduce
    outcome = s.welch(s.Summary(1123.8, 10.583, 7), s.Summary(1205.3, 9.399, 11))
    assert outcome.difference / outcome.standard_error == pytest.approx(16.63, abs=0.005)
    assert outcome.difference / outcome.standard_error == pytest.approx(16.625383, abs=1e-6)
    assert outcome.dof == pytest.approx(11.757583, abs=1e-6)


@pytest.mark.parametrize(
    ("dof", "at_90", "at_95"),
    [
        (1, 6.314, 12.706),
        (2, 2.920, 4.303),
        (5, 2.015, 2.571),
        (10, 1.812, 2.228),
        (16, 1.746, 2.120),
        (30, 1.697, 2.042),
        (100, 1.660, 1.984),
        (math.inf, 1.645, 1.960),
    ],
)
def test_critical_t(dof: float, at_90: float, at_95: float) -> None:
    # ST-07: 40 CFR 1065.602 Table 1, seen
    assert s.coverage_factor(dof, 0.90) == pytest.approx(at_90, abs=5e-4)
    assert s.coverage_factor(dof, 0.95) == pytest.approx(at_95, abs=5e-4)


@pytest.mark.parametrize("dof", [0.5, 1, 1.7, 3.985335, 10, 17.776474, 60, 1000, 1e5])
@pytest.mark.parametrize("level", [0.05, 0.5, 0.9, 0.95, 0.9545, 0.99, 0.9973, 0.99999])
def test_t_quantile_agrees_with_an_independent_library(dof: float, level: float) -> None:
    # reference: scipy.stats.t
    quantile = s.coverage_factor(dof, level)
    assert quantile == pytest.approx(stats.t.ppf(0.5 + level / 2, dof), rel=1e-9)
    assert s.t_two_sided(quantile, dof) == pytest.approx(1 - level, rel=1e-9)


@pytest.mark.parametrize("t", [1e-6, 0.01, 0.5, 1.0, 3.0, 12.62, 40.0])
@pytest.mark.parametrize("dof", [1.0, 4.2, 30.0, 326.0, 1e4])
def test_p_values_keep_their_digits_in_both_tails(t: float, dof: float) -> None:
    # reference: scipy.stats.t
    assert s.t_two_sided(t, dof) == pytest.approx(2 * stats.t.sf(t, dof), rel=1e-9)
    assert s.t_two_sided(-t, dof) == s.t_two_sided(t, dof)


X = [100.0 * step for step in range(11)]
Y = [1.8, 101.5, 202.0, 301.7, 402.5, 502.5, 603.0, 702.8, 802.8, 903.5, 1003.4]


def test_linearity_regression() -> None:
    # ST-08: computed; passes 40 CFR 1066.220 Table 1 for torque (TGT-20, seen)
    outcome = s.linearity(X, Y, 1000.0, s.TORQUE_LINEARITY)
    assert outcome.line.slope == pytest.approx(1.0019181818, abs=1e-9)
    assert outcome.line.intercept == pytest.approx(1.5409090909, abs=1e-9)
    assert outcome.line.standard_error == pytest.approx(0.2522424679, abs=1e-9)
    assert outcome.line.r_squared == pytest.approx(0.9999994814, abs=1e-9)
    assert outcome.intercept_term == pytest.approx(1.5409090909, abs=1e-9)
    assert outcome.passed


def test_line_errors_agree_with_an_independent_library() -> None:
    # reference: scipy.stats.linregress
    line = s.fit_line(X, Y)
    reference = stats.linregress(X, Y)
    assert line.slope_sigma == pytest.approx(reference.stderr, rel=1e-9)
    assert line.intercept_sigma == pytest.approx(reference.intercept_stderr, rel=1e-9)


@pytest.mark.parametrize(
    ("limits", "slope", "passes"),
    [
        (s.TORQUE_LINEARITY, 1.0099, True),
        (s.TORQUE_LINEARITY, 1.0101, False),
        (s.TORQUE_LINEARITY, 0.9901, True),
        (s.TORQUE_LINEARITY, 0.9899, False),
        (s.SPEED_LINEARITY, 1.0199, True),
        (s.SPEED_LINEARITY, 1.0201, False),
        (s.SPEED_LINEARITY, 0.9801, True),
        (s.SPEED_LINEARITY, 0.9799, False),
    ],
)
def test_slope_limits(limits: s.LinearityLimits, slope: float, passes: bool) -> None:
    # TGT-19 and 20: 40 CFR 1066.220 Table 1, seen
    assert s.linearity(X, [slope * x for x in X], 1000.0, limits).passed is passes


@pytest.mark.parametrize(
    ("limits", "offset", "passes"),
    [
        (s.TORQUE_LINEARITY, 9.9, True),
        (s.TORQUE_LINEARITY, 10.1, False),
        (s.SPEED_LINEARITY, 0.49, True),
        (s.SPEED_LINEARITY, 0.51, False),
    ],
)
def test_intercept_limits(limits: s.LinearityLimits, offset: float, passes: bool) -> None:
    # TGT-19 and 20
    assert s.linearity(X, [x + offset for x in X], 1000.0, limits).passed is passes


def test_each_linearity_criterion_can_fail() -> None:
    # TGT-19 and 20: 40 CFR 1066.220 Table 1, seen
    def failures(y: list[float], limits: s.LinearityLimits = s.TORQUE_LINEARITY) -> str:
        return " ".join(s.linearity(X, y, 1000.0, limits).failures)

    assert failures([x + 11.0 for x in X]).startswith("intercept term")
    assert failures([1.012 * x for x in X]).startswith("slope")
    zigzag = [x + (15 if i % 2 else -15) for i, x in enumerate(X)]
    assert "standard error" in failures(zigzag)
    assert "r squared" in failures([x + (200 if i % 2 else -200) for i, x in enumerate(X)])
    assert failures([1.012 * x for x in X], s.SPEED_LINEARITY) == ""
    assert "intercept" in failures([x + 0.6 for x in X], s.SPEED_LINEARITY)
