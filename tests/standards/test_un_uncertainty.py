"""Uncertainty against JCGM 100 and 101, GTC, uncertainties and scipy (rows UN-01 to 15)."""

from __future__ import annotations

import math

import GTC
import numpy as np
import pytest
from scipy import stats
from uncertainties import ufloat

from daq.uncertainty import statistics as s
from daq.uncertainty.budget import (
    Array,
    Shape,
    Source,
    correlation_matrix,
    effective_dof,
    propagate,
)
from daq.uncertainty.monte_carlo import compare, monte_carlo

# GUM H.2: five sets of voltage, current and phase; raw data from memory, reproduce
SETS = np.array(
    [
        [5.007, 19.663e-3, 1.0456],
        [4.994, 19.639e-3, 1.0438],
        [5.005, 19.640e-3, 1.0468],
        [4.990, 19.685e-3, 1.0428],
        [4.999, 19.678e-3, 1.0433],
    ]
)
INPUTS = [
    Source("V", 4.999, 3.2e-3, "V"),
    Source("I", 19.661e-3, 9.5e-6, "A"),
    Source("phi", 1.04446, 7.5e-4, "rad"),
]
PAIRS = [("V", "I", -0.36), ("V", "phi", 0.86), ("I", "phi", -0.65)]


def resistance(x: Array) -> Array:
    return np.asarray(x[0] * np.cos(x[2]) / x[1])


def reactance(x: Array) -> Array:
    return np.asarray(x[0] * np.sin(x[2]) / x[1])


def type_a(table: Array) -> tuple[Array, Array, Array]:
    """Means, standard uncertainties of the means and their correlation; JCGM 100 4.2, 5.2.3."""
    covariance = np.cov(table, rowvar=False) / len(table)
    return table.mean(axis=0), np.sqrt(np.diag(covariance)), np.corrcoef(table, rowvar=False)


def impedance(x: Array) -> Array:
    return np.asarray(x[0] / x[1])


def test_type_a_evaluation_of_simultaneous_sets() -> None:
    # UN-01: JCGM 100 H.2
    means, sigmas, correlation = type_a(SETS)
    assert means == pytest.approx([4.9990, 19.6610e-3, 1.04446], rel=1e-6)
    assert sigmas[0] == pytest.approx(0.0032, abs=5e-5)
    assert sigmas[1] == pytest.approx(0.0095e-3, abs=5e-8)
    assert sigmas[2] == pytest.approx(0.00075, abs=5e-6)
    assert correlation[0, 1] == pytest.approx(-0.355, abs=5e-4)
    assert correlation[0, 2] == pytest.approx(0.858, abs=5e-4)
    assert correlation[1, 2] == pytest.approx(-0.645, abs=5e-4)


def test_impedance_evaluated_set_by_set() -> None:
    # UN-02: JCGM 100 H.2 approach 2, from memory, reproduces
    results = np.stack([resistance(SETS.T), reactance(SETS.T), impedance(SETS.T)], axis=1)
    means, sigmas, correlation = type_a(results)
    assert means == pytest.approx([127.73163, 219.84689, 254.26005], abs=5e-6)
    assert sigmas == pytest.approx([0.07127, 0.29549, 0.23625], abs=1e-5)
    assert correlation[0, 1] == pytest.approx(-0.5883, abs=5e-5)
    assert correlation[0, 2] == pytest.approx(-0.4851, abs=5e-5)
    assert correlation[1, 2] == pytest.approx(0.9925, abs=5e-5)


def test_impedance_by_propagation_with_correlations() -> None:
    # UN-03: inputs seen in GTC's documentation; expected computed with GTC
    expected = {
        "R": (resistance, 127.7321699, 0.0699787),
        "X": (reactance, 219.8465119, 0.2957168),
        "Z": (impedance, 254.2597019, 0.2366030),
    }
    for name, (model, value, sigma) in expected.items():
        budget = propagate(name, "ohm", model, INPUTS, PAIRS)
        assert budget.value == pytest.approx(value, abs=1e-6)
        assert budget.sigma == pytest.approx(sigma, abs=1e-6)


def test_propagation_agrees_with_two_other_libraries() -> None:
    # references: GTC, uncertainties
    v, i, phi = GTC.multiple_ureal(
        [source.value for source in INPUTS], [source.sigma for source in INPUTS], 4
    )
    GTC.set_correlation(-0.36, v, i)
    GTC.set_correlation(0.86, v, phi)
    GTC.set_correlation(-0.65, i, phi)
    reference = v * GTC.cos(phi) / i
    budget = propagate("R", "ohm", resistance, INPUTS, PAIRS)
    assert budget.value == pytest.approx(GTC.value(reference), rel=1e-12)
    assert budget.sigma == pytest.approx(GTC.uncertainty(reference), rel=1e-6)
    force, speed = ufloat(5000, 10), ufloat(20.0, 0.02)
    other = propagate(
        "P", "W", lambda x: x[0] * x[1], [Source("F", 5000, 10), Source("v", 20, 0.02)]
    )
    assert other.sigma == pytest.approx((force * speed).std_dev, rel=1e-9)


def test_ignoring_correlations_is_the_trap() -> None:
    # UN-04: computed; 2.8 times too big
    budget = propagate("R", "ohm", resistance, INPUTS)
    assert budget.sigma == pytest.approx(0.1941179, abs=1e-6)


@pytest.mark.parametrize(
    ("r", "sigma"), [(0, 223.606798), (0.5, 264.575131), (-0.5, 173.205081), (1, 300.0)]
)
def test_power_from_force_and_speed(r: float, sigma: float) -> None:
    # UN-05: law of propagation, computed
    sources = [Source("F", 5000.0, 10.0, "N"), Source("v", 20.0, 0.02, "m/s")]
    budget = propagate("P", "W", lambda x: x[0] * x[1], sources, [("F", "v", r)])
    assert budget.value == pytest.approx(100_000.0)
    assert budget.sigma == pytest.approx(sigma, abs=1e-6)


def test_first_order_is_close_to_the_exact_spread_of_a_product() -> None:
    # UN-06: computed: exact sd adds u_F^2 u_v^2; Monte Carlo sees the exact one
    near = [Source("F", 5000.0, 10.0), Source("v", 20.0, 0.02)]
    first = propagate("P", "W", lambda x: x[0] * x[1], near).sigma
    assert math.hypot(first, 10.0 * 0.02) == pytest.approx(223.606887, abs=1e-6)
    wide = [Source("F", 500.0, 50.0), Source("v", 5.0, 0.5)]
    first = propagate("P", "W", lambda x: x[0] * x[1], wide).sigma
    assert first == pytest.approx(353.553391, abs=1e-6)
    exact = math.hypot(first, 50.0 * 0.5)
    assert exact == pytest.approx(354.436172, abs=1e-6)
    drawn = monte_carlo(lambda x: x[0] * x[1], wide, trials=400_000, seed=5)
    assert drawn.sigma == pytest.approx(exact, rel=4e-3)


def test_effective_degrees_of_freedom_and_expanded_uncertainty() -> None:
    # UN-07 and 08: JCGM 100 H.1.6 and G.4, from memory; 16.7 printed needs the unrounded uc
    parts = np.array([25.0, 9.7, 2.9, 16.6])
    dofs = np.array([18.0, 25.6, 50.0, 2.0])
    combined = float(np.sqrt(np.sum(parts**2)))
    assert combined == pytest.approx(31.6711, abs=5e-5)
    assert effective_dof(parts, dofs, combined) == pytest.approx(16.76, abs=0.005)
    assert effective_dof(parts, dofs, combined) == pytest.approx(16.7, abs=0.1)
    assert effective_dof(parts, dofs, 32.0) == pytest.approx(17.47, abs=0.005)
    sources = [
        Source(name, 0.0, float(u), "nm", float(dof))
        for name, u, dof in zip("abcd", parts, dofs, strict=True)
    ]
    budget = propagate("length", "nm", lambda x: x.sum(axis=0), sources, level=0.99)
    assert budget.dof == pytest.approx(16.76, abs=0.005)
    factor = s.coverage_factor(16, 0.99)
    assert factor == pytest.approx(2.9208, abs=5e-5)
    assert factor * combined == pytest.approx(93.0, abs=1.0)
    assert budget.expanded == pytest.approx(92.5, abs=1.0)


@pytest.mark.parametrize(
    ("dof", "factor"),
    [(1, 13.97), (2, 4.53), (5, 2.65), (10, 2.28), (20, 2.13), (50, 2.05)],
)
def test_coverage_factors(dof: float, factor: float) -> None:
    # UN-09: JCGM 100 Table G.2, from memory
    assert s.coverage_factor(dof, 0.9545) == pytest.approx(factor, abs=6e-3)
    assert s.coverage_factor(math.inf, 0.95) == pytest.approx(1.959964, abs=1e-6)
    assert s.coverage_factor(math.inf, 0.9973) == pytest.approx(3.000, abs=1e-3)


def test_monte_carlo_of_four_normal_sources() -> None:
    # UN-10: JCGM 101 9.2, from memory
    sources = [Source(name, 0.0, 1.0) for name in "abcd"]
    drawn = monte_carlo(lambda x: x.sum(axis=0), sources, trials=1_000_000, seed=1)
    assert drawn.sigma == pytest.approx(2.0, abs=0.02)
    assert drawn.symmetric == pytest.approx((-3.919928, 3.919928), abs=0.02)
    assert drawn.shortest == pytest.approx((-3.92, 3.92), abs=0.06)
    budget = propagate("sum", "", lambda x: x.sum(axis=0), sources)
    assert compare(budget, drawn).validated


def test_monte_carlo_of_four_rectangular_sources_shortens_the_interval() -> None:
    # UN-11: JCGM 101 9.2, from memory; 3.879407 exact by the Irwin-Hall law
    sources = [Source(name, 0.0, 1.0, shape=Shape.RECTANGULAR) for name in "abcd"]
    drawn = monte_carlo(lambda x: x.sum(axis=0), sources, trials=1_000_000, seed=2)
    assert drawn.sigma == pytest.approx(2.0, abs=0.02)
    assert drawn.symmetric == pytest.approx((-3.879407, 3.879407), abs=0.02)


def test_monte_carlo_keeps_correlations() -> None:
    # UN-03 by draws
    drawn = monte_carlo(resistance, INPUTS, trials=400_000, seed=3, correlations=PAIRS)
    assert drawn.sigma == pytest.approx(0.0699787, rel=4e-3)
    assert compare(propagate("R", "ohm", resistance, INPUTS, PAIRS), drawn).validated
    assert not compare(propagate("R", "ohm", resistance, INPUTS), drawn).validated


def test_two_samples_with_unequal_variances() -> None:
    # UN-13: as printed in a public statistics tutorial, from memory; reproduces
    first = s.Summary(20.14458, 6.41470, 249)
    second = s.Summary(30.48101, 6.10771, 79)
    unequal = s.welch(first, second)
    assert -unequal.difference / unequal.standard_error == pytest.approx(-12.94627, abs=1e-5)
    assert unequal.dof == pytest.approx(136.87499, abs=1e-3)
    unequal_t = unequal.difference / unequal.standard_error
    assert s.t_two_sided(unequal_t, unequal.dof) == pytest.approx(1.571e-25, rel=1e-3)


def test_small_sample_gain() -> None:
    # UN-14: computed with scipy.stats.ttest_ind
    before, after = [412.1, 414.0, 411.5], [431.8, 429.9, 432.6]
    outcome = s.welch(s.summary(before), s.summary(after))
    assert outcome.difference == pytest.approx(18.90, abs=1e-9)
    assert s.standard_deviation(before) == pytest.approx(1.305118, abs=1e-5)
    assert s.standard_deviation(after) == pytest.approx(1.386843, abs=1e-5)
    assert outcome.standard_error == pytest.approx(1.0994948, abs=1e-6)
    assert outcome.difference / outcome.standard_error == pytest.approx(17.189712, abs=1e-5)
    assert outcome.dof == pytest.approx(3.985335, abs=1e-5)
    p = s.t_two_sided(outcome.difference / outcome.standard_error, outcome.dof)
    assert p == pytest.approx(6.8967e-5, rel=1e-4)
    assert outcome.half_width() == pytest.approx(3.057122, abs=1e-5)
    reference = stats.ttest_ind(after, before, equal_var=False)
    t = outcome.difference / outcome.standard_error
    assert t == pytest.approx(reference.statistic, rel=1e-10)
    assert p == pytest.approx(reference.pvalue, rel=1e-9)


def test_classic_pairs() -> None:
    # UN-15: Student 1908, data from memory; well known results reproduce
    first = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    second = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
    apart = s.welch(s.summary(first), s.summary(second))
    assert -apart.difference / apart.standard_error == pytest.approx(-1.860813, abs=1e-6)
    assert apart.dof == pytest.approx(17.776474, abs=1e-6)
    p = s.t_two_sided(apart.difference / apart.standard_error, apart.dof)
    assert p == pytest.approx(0.079394, abs=1e-6)


def test_contradictory_correlations_are_refused() -> None:
    sources = [Source(name, 0.0, 1.0) for name in "abc"]
    with pytest.raises(ValueError, match="contradict"):
        correlation_matrix(sources, [("a", "b", 0.9), ("b", "c", 0.9), ("a", "c", -0.9)])
    with pytest.raises(ValueError, match="no such pair"):
        correlation_matrix(sources, [("a", "x", 0.1)])
