"""Rig verifications reproduce worked examples of 40 CFR part 1066 subpart C (rows CFR)."""

from __future__ import annotations

import pytest

from daq.proving import verification as v
from daq.rig.units import to_si
from tests.standards.reference import coastdown_time

POUND = 0.45359237
SLUG = 14.593902937


def mph(value: float) -> float:
    return to_si(value, "mph")


def test_roll_speed_of_the_regulation_example() -> None:
    # CFR-01 and 02: 40 CFR 1066.235(c)(1), seen
    speed = v.roll_speed(0.90440, 2.9231)
    assert speed == pytest.approx(8.305276570875, rel=1e-12)
    assert speed == pytest.approx(8.3053, abs=5e-5)
    assert pytest.approx(0.0053, abs=1e-9) == 8.3053 - 8.3000
    assert v.SPEED_ERROR_MPS > 0.0053


def test_time_base_at_its_limit() -> None:
    # CFR-03: rule of 40 CFR 1066.230, seen
    assert v.relative_error(1000.010, 1000.0) == pytest.approx(v.TIME_BASE_ERROR, abs=1e-9)


def test_base_inertia_of_a_timed_run() -> None:
    # CFR-04: result printed in 40 CFR 1066.250(c)(6), seen; inputs from memory. The print carries
    # truncated factors (32.90), exact arithmetic gives 32.9053.
    inertia = v.base_inertia(to_si(1.500, "lbf"), mph(10), mph(40), 30.00)
    assert inertia / POUND == pytest.approx(32.905277, abs=1e-6)
    assert inertia / POUND == pytest.approx(32.90, abs=0.01)


def test_base_inertia_error() -> None:
    # CFR-05: 40 CFR 1066.250, inputs seen
    assert 100 * v.relative_error(32.90, 32.96) == pytest.approx(-0.18203883, abs=1e-6)


def test_slug() -> None:
    # CFR-13: computed from the definitions of foot, pound and standard gravity
    slug = to_si(1, "lbf") / 0.3048
    assert slug == pytest.approx(14.593902937, rel=1e-9)
    assert slug / POUND == pytest.approx(32.174048556, rel=1e-9)
    assert 2000 * POUND / slug == pytest.approx(62.1619003, rel=1e-9)


def test_mean_coastdown_force() -> None:
    # CFR-14: 40 CFR 1066.270(c)(4), seen, prints 182.2 lbf from rounded inputs
    force = v.mean_coastdown_force(2000 * POUND, mph(25), mph(15), 5.00)
    assert force == pytest.approx(811.095732, rel=1e-8)
    assert force / to_si(1, "lbf") == pytest.approx(182.2, abs=0.2)
    rounded = v.mean_coastdown_force(62.16 * SLUG, 36.66 * 0.3048, 22.0 * 0.3048, 5.00)
    assert rounded / to_si(1, "lbf") == pytest.approx(182.253, abs=1e-3)


def test_readiness_coastdown_time() -> None:
    # CFR-17: 40 CFR 1066.275 settings, time computed
    seconds = coastdown_time(2967 * POUND, (to_si(20, "lbf"), 0.0, 0.0), mph(55), mph(45))
    assert seconds == pytest.approx(67.625931, abs=1e-5)
    assert seconds < 600


def test_settling_time_counts_the_last_excursion() -> None:
    # TGT-11: 40 CFR 1066.245 (2020), seen
    times = [0.00, 0.02, 0.04, 0.06, 0.08, 0.10]
    assert v.settling_time(times, [0, 80, 105, 112, 101, 100], 100) == pytest.approx(0.08)
    assert v.settling_time(times, [99, 101, 100, 100, 100, 100], 100) == 0.0
    assert v.settling_time(times, [0, 80, 105, 112, 101, 80], 100) == float("inf")
