"""Rig verifications reproduce worked examples of 40 CFR part 1066 subpart C (rows CFR-01 to 18)."""

from __future__ import annotations

import pytest

from daq.proving import verification as v
from daq.results.kinds.coastdown import coastdown_time
from daq.rig.units import to_si

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


def test_base_inertia_is_the_mean_of_three_rate_means() -> None:
    # CFR-06: 40 CFR 1066.250(c), seen
    rates = [[1000.0 + rate] * 10 for rate in (0.0, 1.0, 5.0)]
    outcome = v.judge_base_inertia(rates, 1002.0)
    assert outcome.count == 30
    assert outcome.mean_kg == pytest.approx(1002.0, abs=1e-12)
    assert outcome.failures == ()
    one_off = [[1000.0] * 9 + [1010.2], [1000.0] * 10, [1000.0] * 10]
    assert "single" in v.judge_base_inertia(one_off, 1000.0).failures[0]
    assert "mean" in v.judge_base_inertia([[1002.1] * 10] * 3, 1000.0).failures[0]
    assert v.judge_base_inertia([[1000.0] * 9] * 3, 1000.0).failures


def test_friction_compensation_power() -> None:
    # CFR-07: form of 40 CFR 1066.260 (a graphic, symbols seen); sign ours
    power = v.friction_power_error(2000 * POUND, mph(50.0), mph(49.5), 60.00)
    assert power / to_si(1, "hp") == pytest.approx(-0.10079437, rel=1e-6)
    assert power / 1.3558179483314004 == pytest.approx(-55.436904, rel=1e-6)
    assert abs(power) < v.friction_power_limit(heavy=False)


@pytest.mark.parametrize(
    ("pounds", "heavy", "drop"), [(2000, False, 0.745933), (20_000, True, 0.297030)]
)
def test_speed_drop_that_just_reaches_the_friction_limit(
    pounds: float, heavy: bool, drop: float
) -> None:
    # CFR-08: limits of 40 CFR 1066.260, seen; drop computed
    power = v.friction_power_error(pounds * POUND, mph(50), mph(50 - drop), 60.0)
    assert -power == pytest.approx(v.friction_power_limit(heavy), rel=1e-5)


@pytest.mark.parametrize(("inches_per_s", "hz"), [(176, 1.167136), (704, 4.668545)])
def test_start_and_stop_frequency(inches_per_s: float, hz: float) -> None:
    # CFR-09: form of 40 CFR 1066.265(c)(1), variables seen
    frequency = v.pulse_frequency(inches_per_s * 0.0254, 48 * 0.0254)
    assert frequency == pytest.approx(hz, abs=1e-6)
    sixty = v.pulse_frequency(inches_per_s * 0.0254, 48 * 0.0254, 60)
    assert sixty == pytest.approx(60 * hz, rel=1e-6)
    assert v.roll_speed(48 * 0.0254, sixty, 60) == pytest.approx(inches_per_s * 0.0254)


def test_acceleration_and_its_error() -> None:
    # CFR-10 and 11: 40 CFR 1066.265(c), form and inputs seen
    rate = v.mean_acceleration(mph(10), mph(40), 30.03)
    assert rate / mph(1) == pytest.approx(0.999001, abs=1e-6)
    assert 100 * v.relative_error(0.999, 1.0) == pytest.approx(-0.1000, abs=1e-9)


def test_force_setting_for_one_mph_per_second() -> None:
    # CFR-12: 40 CFR 1066.265(d)(1), seen: 135.25 lbf
    force = v.force_for_acceleration(2967 * POUND, -mph(1))
    assert force / to_si(1, "lbf") == pytest.approx(135.251863, abs=2e-3)
    assert force / to_si(1, "lbf") == pytest.approx(135.25, abs=0.01)


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


def test_largest_error_at_a_low_force() -> None:
    # CFR-15: 40 CFR 1066.270(d)(1), seen, prints 1.14 %; 2.2/192 is 1.1458 % (the print truncates)
    assert pytest.approx(1.145833, abs=1e-6) == 100 * 2.2 / 192
    share = 100 * v.coastdown_allowance(to_si(192, "lbf")) / to_si(192, "lbf")
    assert share == pytest.approx(1.145833, abs=2e-3)  # 9.8 N is 2.203 lbf
    assert share == pytest.approx(1.14, abs=0.01)


def test_allowance_changes_over_where_one_percent_reaches_it() -> None:
    # CFR-16: computed from the rule of 40 CFR 1066.270(d), seen
    assert v.coastdown_allowance(979.0) == 9.8
    assert v.coastdown_allowance(980.0) == pytest.approx(9.8)
    assert v.coastdown_allowance(2000.0) == 20.0
    assert v.coastdown_allowance(3919.0, heavy=True) == 39.2
    assert v.coastdown_allowance(3920.0, heavy=True) == pytest.approx(39.2)


def test_readiness_coastdown_time() -> None:
    # CFR-17: 40 CFR 1066.275 settings, time computed
    seconds = coastdown_time(2967 * POUND, (to_si(20, "lbf"), 0.0, 0.0), mph(55), mph(45))
    assert seconds == pytest.approx(67.625931, abs=1e-5)
    assert seconds < 600


def test_cooling_air_window() -> None:
    # CFR-18: 40 CFR 1066.105(c)(2)(iv), seen
    low, high = v.fan_window(mph(20.2), mph(4.0))
    assert low / mph(1) == pytest.approx(16.2)
    assert high / mph(1) == pytest.approx(24.2)


def test_loss_curve_is_stored_anew_when_a_point_moves_nine_newtons() -> None:
    # TGT-14: 40 CFR 1066.255, seen
    assert not v.loss_curve_moved([50.0, 60.0], [58.9, 60.0])
    assert v.loss_curve_moved([50.0, 60.0], [50.0, 50.9])
    assert not v.loss_curve_moved([50.0, 60.0], [50.0, 24.1], heavy=True)
    assert v.loss_curve_moved([50.0, 60.0], [50.0, 23.9], heavy=True)


def test_settling_time_counts_the_last_excursion() -> None:
    # TGT-11: 40 CFR 1066.245 (2020), seen
    times = [0.00, 0.02, 0.04, 0.06, 0.08, 0.10]
    assert v.settling_time(times, [0, 80, 105, 112, 101, 100], 100) == pytest.approx(0.08)
    assert v.settling_time(times, [99, 101, 100, 100, 100, 100], 100) == 0.0
    assert v.settling_time(times, [0, 80, 105, 112, 101, 80], 100) == float("inf")
