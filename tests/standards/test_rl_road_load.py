"""Road load reproduces 40 CFR 1066.210 with published coefficients (rows RL-01 to 11, DATA)."""

from __future__ import annotations

import math

import pytest

from control.test_kinds.road_load import (
    COLD_TEST_FACTOR,
    RoadLoad,
    check_grade,
    check_road_load,
    effective_mass,
    force,
    scaled,
    with_load,
)
from daq.errors import Refused
from daq.rig.units import to_si
from tests.standards.reference import from_us_customary

LBF = 4.4482216152605
MPH = 0.44704
# DATA-01: EPA test-car list 2022 (US government data), seen: coefficients of one pickup
PICKUP = from_us_customary(50.93, 0.1598, 0.04263, 5500)


@pytest.mark.parametrize(
    ("mph", "lbf"),
    [(10, 56.791), (30, 94.091), (50, 165.495), (65, 241.42875), (75, 302.70875)],
)
def test_polynomial(mph: float, lbf: float) -> None:
    # RL-01: computed from DATA-01
    assert force(PICKUP, mph * MPH) / LBF == pytest.approx(lbf, rel=1e-9)


def test_coefficients_in_si() -> None:
    # RL-02 and 03: computed from exact definitions
    assert PICKUP.a_n == pytest.approx(226.54792686521725, rel=1e-12)
    assert PICKUP.b_n_per_mps == pytest.approx(1.5900720609310752, rel=1e-12)
    assert PICKUP.c_n_per_mps2 == pytest.approx(0.9488749464351989, rel=1e-12)
    assert PICKUP.b_n_per_mps / 3.6 == pytest.approx(0.44168668359, rel=1e-9)
    assert PICKUP.c_n_per_mps2 / 3.6**2 == pytest.approx(0.07321565945, rel=1e-9)


@pytest.mark.parametrize(
    ("mph", "hp", "watt"), [(50, 22.066, 16454.613), (65, 41.847650, 31205.787)]
)
def test_power(mph: float, hp: float, watt: float) -> None:
    # RL-04: computed
    power = force(PICKUP, mph * MPH) * mph * MPH
    assert power / to_si(1, "hp") == pytest.approx(hp, rel=1e-6)
    assert power == pytest.approx(watt, rel=1e-6)


def test_all_terms() -> None:
    # RL-05: form of 40 CFR 1066.210(d)(3) (2024, symbols seen; the cosine's place from memory)
    total_n = force(PICKUP, 45 * MPH, 1.5 * MPH, 5.0)
    steady_n = force(PICKUP, 45 * MPH, 0.0, 5.0)
    still_n = force(PICKUP, 0.0, 0.0, 5.0)
    assert still_n == pytest.approx(226.265272 + 1221.734729, rel=1e-7)  # rolling and grade
    assert steady_n - still_n == pytest.approx(31.987162 + 383.996067, rel=1e-7)  # linear and air
    assert total_n - steady_n == pytest.approx(1824.967956, rel=1e-7)  # inertia
    assert total_n == pytest.approx(3688.951186, rel=1e-7)
    assert total_n / LBF == pytest.approx(829.309217, rel=1e-7)
    assert total_n * 45 * MPH == pytest.approx(74209.893, rel=1e-7)


@pytest.mark.parametrize(
    ("percent", "lbf"),
    [
        (2, 399.920),
        (5, 998.752),
        (6, 1197.846),
        (7, 1396.583),
        (12, 2382.904),  # also TOW-08: limit force of a 20,000 lb launch on 12 %
        (30, 5746.958),
    ],
)
def test_grade(percent: float, lbf: float) -> None:
    # RL-06: computed
    newton = force(from_us_customary(0, 0, 0, 20_000), 0.0, 0.0, percent)
    assert newton / LBF == pytest.approx(lbf, abs=0.001)


@pytest.mark.parametrize(("percent", "error"), [(6, 0.1798), (12, 0.7174), (30, 4.4031)])
def test_grade_uses_the_sine_not_the_tangent(percent: float, error: float) -> None:
    # RL-07: computed: what a tangent would be off by
    load = RoadLoad(0, 0, 0, 1000, 1000)
    grade_n = force(load, 0.0, 0.0, percent)
    tangent_n = 1000 * 9.80665 * percent / 100
    assert 100 * (tangent_n / grade_n - 1) == pytest.approx(error, abs=1e-3)


def test_tow_hold() -> None:
    # RL-08: computed; 20,000 lb on 6 % at 40 mph
    load = from_us_customary(50.93, 0.1598, 0.04263, 20_000)
    newton = force(load, 40 * MPH, 0.0, 6.0)
    assert newton / LBF == pytest.approx(1323.284387, rel=1e-6)
    assert newton * 40 * MPH / to_si(1, "hp") == pytest.approx(141.150335, rel=1e-6)


def test_inertia_power() -> None:
    # RL-09: computed
    mass = to_si(5500, "lb")
    newton = force(RoadLoad(0, 0, 0, mass, mass), 60 * MPH, 3 * MPH)
    assert newton == pytest.approx(3345.769896, rel=1e-6)
    assert newton / LBF == pytest.approx(752.158994, rel=1e-6)
    assert newton * 60 * MPH == pytest.approx(89741.578, rel=1e-6)


def test_effective_mass() -> None:
    # CD-01: 40 CFR 1066.310(b)(7), seen
    assert effective_mass(2494.758035, 4) == pytest.approx(2721.558035, abs=1e-6)
    assert effective_mass(0.0, 18) == pytest.approx(1020.6, abs=1e-6)


def test_cold_test_coefficients_are_ten_percent_up() -> None:
    # RL-11: 40 CFR 1066.305(b)(2), seen; the pair is published (DATA-02, seen)
    warm = from_us_customary(60.95, 0.3701, 0.04105, 5250)
    cold = from_us_customary(67.05, 0.4071, 0.04516, 5250)
    ours = scaled(warm, COLD_TEST_FACTOR)
    assert ours.a_n == pytest.approx(cold.a_n, rel=2e-4)
    assert ours.b_n_per_mps == pytest.approx(cold.b_n_per_mps, rel=2e-4)
    assert ours.c_n_per_mps2 == pytest.approx(cold.c_n_per_mps2, rel=2e-4)
    assert ours.mass_kg == warm.mass_kg


@pytest.mark.parametrize(
    ("etw", "target", "hp50"),
    [
        (5500, (50.93, 0.1598, 0.04263), 22.066),
        (5250, (60.95, 0.3701, 0.04105), 24.277),
        (5250, (67.05, 0.4071, 0.04516), 26.707),
        (6000, (28.88, 0.9008, 0.03259), 20.719),
        (6000, (49.58, 0.9149, 0.03436), 24.163),
        (6500, (48.58, 0.5713, 0.04447), 25.109),
        (6000, (56.52, 0.7778, 0.02388), 20.681),
        (6500, (49.594, 0.36746, 0.033395), 20.194),
        (4750, (32.65, 0.5184, 0.02857), 17.333),
    ],
)
def test_power_at_50_mph_of_published_vehicles(
    etw: float, target: tuple[float, float, float], hp50: float
) -> None:
    # DATA-01 to 08: EPA test-car list 2022, seen; power computed
    load = check_road_load(from_us_customary(*target, etw))
    power = force(load, 50 * MPH) * 50 * MPH
    assert power / to_si(1, "hp") == pytest.approx(hp50, abs=5e-4)


@pytest.mark.parametrize("set_values", [(-16.97, 0.6006, 0.03105), (24.6, -0.4335, 0.04996)])
def test_negative_set_coefficients_are_kept(set_values: tuple[float, float, float]) -> None:
    # DATA-02 and 03: set coefficients of the same list, seen, are negative for real vehicles
    load = check_road_load(from_us_customary(*set_values, 6000))
    assert force(load, 0.0) / LBF == pytest.approx(set_values[0])
    slow, fast = force(load, 5 * MPH), force(load, 60 * MPH)
    a, b, c = set_values
    assert slow / LBF == pytest.approx(a + 5 * b + 25 * c)
    assert fast / LBF == pytest.approx(a + 60 * b + 3600 * c)


def test_the_vehicles_own_loss_is_target_less_set() -> None:
    # DATA-01: 26.615 lbf at 50 mph, computed
    set_load = from_us_customary(32.72, 0.0762, 0.04094, 5500)
    own = force(PICKUP, 50 * MPH) - force(set_load, 50 * MPH)
    assert own / LBF == pytest.approx(26.615, abs=5e-4)


@pytest.mark.parametrize(
    ("load", "words"),
    [
        (RoadLoad(math.nan, 0, 0, 2000, 2000), "finite"),
        (RoadLoad(200, 0, 0.5, -2000, 2000), "mass"),
        (RoadLoad(200, 0, 0.5, 2000, 1500), "effective mass"),
        (RoadLoad(200, 0, 0.5, 2000, 4000), "effective mass"),
        (RoadLoad(200, -20, 0.1, 2000, 2200), "speeds up"),
        (RoadLoad(200, 0, 50.0, 2000, 2200), "weighs"),
    ],
)
def test_impossible_vehicles_are_refused(load: RoadLoad, words: str) -> None:
    with pytest.raises(Refused, match=words):
        check_road_load(load)


@pytest.mark.parametrize("percent", [80.0, -36.0, math.nan, math.inf])
def test_impossible_grades_are_refused(percent: float) -> None:
    with pytest.raises(Refused, match="grade"):
        check_grade(percent)


def test_a_trailer_adds_rolling_drag_weight_and_rotating_mass() -> None:
    towed = with_load(PICKUP, trailer_kg=4000, trailer_tyres=4, drag_area_change_m2=2.0)
    assert towed.mass_kg == pytest.approx(PICKUP.mass_kg + 4000)
    assert towed.effective_mass_kg == pytest.approx(PICKUP.effective_mass_kg + 4000 + 4 * 56.7)
    assert towed.a_n == pytest.approx(PICKUP.a_n + 0.008 * 4000 * 9.80665)
    assert towed.c_n_per_mps2 == pytest.approx(PICKUP.c_n_per_mps2 + 1.17)


def test_a_tail_wind_faster_than_the_truck_pushes() -> None:
    air = RoadLoad(0.0, 0.0, PICKUP.c_n_per_mps2, PICKUP.mass_kg, PICKUP.effective_mass_kg)
    assert force(air, 5.0) > 0 > force(air, 5.0, headwind_mps=-12.0)
    assert force(air, 30.0, air_kg_m3=1.17 / 2) == pytest.approx(force(air, 30.0) / 2)
