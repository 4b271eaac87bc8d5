"""Tuning from the rig's numbers, and the margins of the linearised loop."""

from __future__ import annotations

import math
import re

import msgspec
import numpy as np
import pytest

from control.load_loop import constants as c
from control.load_loop.loop import LoadLoop
from control.load_loop.tuning import (
    ALERT_LEAST,
    CALM_LEAST,
    FREQUENCIES,
    PlantParameters,
    TruckInertia,
    TuneUp,
    answer_to_place,
    derive,
    margins,
    open_loop,
    set_point_noise,
    spread_of,
    tune_up_steps,
)
from tests.control.control_stand import ROOT, tarnhow

MARGINS = ("gain", "phase_deg", "modulus_margin")
NUMBERS = PlantParameters(3200.0, 0.15, 0.012, 0.003, 2, 0.002)


def tune_up(spread: float) -> TuneUp:
    """All steps of a tune-up of NUMBERS."""
    steps = tune_up_steps(NUMBERS, spread)
    while True:
        try:
            next(steps)
        except StopIteration as end:
            found: TuneUp = end.value
            return found


def test_margins_of_a_known_loop_are_those_of_the_textbook() -> None:
    # 1 / (s (s + 1)^2): phase -180 degrees at 1 rad/s, where its size is 1/2 (closed form).
    s = 1j * FREQUENCIES
    found = margins(np.asarray(1.0 / (s * (s + 1.0) ** 2), dtype=np.complex128))
    assert found.gain == pytest.approx(2.0, rel=1e-3)
    # |L| = 1 where w (1 + w^2) = 1: w = 0.6823; phase = 90 - 2 atan(w) = 21.4 degrees.
    assert found.crossover_per_s == pytest.approx(0.6823, rel=1e-3)
    assert found.phase_deg == pytest.approx(21.39, abs=0.05)
    assert found.stable


def test_margins_of_an_integrator_with_delay_are_those_of_the_closed_form() -> None:
    # k e^-Ts / s: gain margin pi / (2 k T), phase margin 90 - k T in degrees, delay margin from it.
    k, dead = 5.0, 0.1
    found = margins(k * np.exp(-dead * 1j * FREQUENCIES) / (1j * FREQUENCIES))
    assert found.gain == pytest.approx(math.pi / (2 * k * dead), rel=2e-3)
    assert found.phase_deg == pytest.approx(90.0 - math.degrees(k * dead), abs=0.2)
    assert found.delay_s == pytest.approx((math.pi / 2 - k * dead) / k, rel=5e-3)


def test_a_loop_past_its_gain_margin_is_called_unstable() -> None:
    found = margins(20.0 * np.exp(-0.1j * FREQUENCIES) / (1j * FREQUENCIES))
    assert not found.stable


@pytest.mark.parametrize(("gain", "stable"), [(10.0, True), (0.4, False)])
def test_a_loop_larger_than_one_at_180_degrees_may_be_stable(gain: float, stable: bool) -> None:
    # gain (s + 1)^2 / s^3: by Routh stable above 1/2, though larger than 1 at -180 degrees.
    s = 1j * FREQUENCIES
    found = margins(gain * (s + 1.0) ** 2 / s**3)
    assert found.stable is stable
    assert (found.phase_deg > 0.0) is stable
    assert found.gain == (math.inf if stable else 0.0)


def test_a_lag_that_nothing_explains_costs_the_margin() -> None:
    s, tuning = 1j * FREQUENCIES, derive(NUMBERS)
    cautious = margins(open_loop(tuning, NUMBERS, NUMBERS, s))
    explained = margins(open_loop(tuning, NUMBERS, NUMBERS, s, 0.0))
    assert cautious.gain < 2.0 < explained.gain
    assert cautious.modulus_margin < 0.5 < explained.modulus_margin


@pytest.mark.parametrize("alertness", [0.0, 1.0])
def test_scipy_finds_the_same_margins_from_the_state_space(alertness: float) -> None:
    from bench.robust import by_scipy, numbers_of

    rig = tarnhow()
    numbers = numbers_of(rig, None)
    tuning = derive(numbers, alertness=alertness)
    own = margins(open_loop(tuning, numbers, numbers, 1j * FREQUENCIES))
    theirs = by_scipy(rig, alertness)
    assert own.phase_deg == pytest.approx(theirs["phase_margin_deg"], abs=5.0)
    assert own.modulus_margin == pytest.approx(theirs["modulus_margin"], rel=0.1)
    if math.isfinite(own.gain):
        assert own.gain == pytest.approx(theirs["gain_margin"], rel=0.1)
    else:
        assert theirs["gain_margin"] > 10.0


def test_a_calm_loop_answers_a_wheel_s_run_out_with_little_more_than_its_size() -> None:
    # Run-out of a wheel whose errors are not learned is a wrong place once a turn: 16.7 rad/s at
    # 30 km/h. An observer that takes it for a drive force on the move answers with twice as much.
    s = 1j * FREQUENCIES
    calm = derive(NUMBERS, alertness=0.0)
    answer = np.abs(answer_to_place(calm, NUMBERS, NUMBERS, s))
    assert answer.max() < 1.6
    light = spread_of(NUMBERS, 0.3)[1]
    assert np.abs(answer_to_place(calm, NUMBERS, light, s)).max() < 2.5
    with_rate = msgspec.structs.replace(calm, rate_part=1.0)
    assert np.abs(answer_to_place(with_rate, NUMBERS, NUMBERS, s)).max() > 2.2


def rig_at(kmh: float, flight: int, coil_s: float, dead_s: float) -> PlantParameters:
    """The demo rig at a roll speed, with set points on their way, behind a supply."""
    age_s = 0.5 * (2.0 * math.pi * 0.5 / 60) / (kmh / 3.6)
    return PlantParameters(3200.0, coil_s, 0.012, age_s, flight, 0.002, 0.0, dead_s)


SUPPLIES = {
    "voltage": (0.15, 0.0),
    "phase-controlled, full wave, 50 Hz": (0.15, 0.005),
    "phase-controlled, half wave, 50 Hz": (0.15, 0.010),
    "chopper, 30 Hz": (1.0 / (2.0 * math.pi * 30.0), 0.0),
    "amplifier, 20 ms": (0.02, 0.0),
}


@pytest.mark.parametrize("supply", SUPPLIES)
def test_margins_are_kept_over_speeds_delays_and_supplies(supply: str) -> None:
    """With all of the lag that the tuning allows for really there; calm and alert."""
    s = 1j * FREQUENCIES
    for kmh in (10.0, 30.0, 60.0, 100.0, 150.0):
        for flight in (0, 1, 2, 3):
            rig = rig_at(kmh, flight, *SUPPLIES[supply])
            for alertness, least in ((0.0, CALM_LEAST), (1.0, ALERT_LEAST)):
                tuning = derive(rig, alertness=alertness)
                found = margins(open_loop(tuning, rig, rig, s))
                assert found.keeps(least), (kmh, flight, alertness, found)
                apart = margins(open_loop(tuning, rig, rig, s, between_sets=True))
                assert apart.keeps(CALM_LEAST), (kmh, flight, alertness, apart)


@pytest.mark.parametrize("supply", SUPPLIES)
def test_the_page_tells_the_least_margins_that_the_tuning_has(supply: str) -> None:
    page = (ROOT / "docs" / "control.md").read_text(encoding="utf-8")
    row = next(line for line in page.splitlines() if line.startswith(f"| {supply} | inf,"))
    told = [float(one) for one in re.findall(r"inf|[0-9.]+", row.split("|", 2)[2])]
    s = 1j * FREQUENCIES
    found: list[float] = []
    answers: list[float] = []
    for alertness in (0.0, 1.0):
        each, most = [], 0.0
        for kmh in (10.0, 30.0, 60.0, 100.0, 150.0):
            for flight in (0, 1, 2, 3):
                rig = rig_at(kmh, flight, *SUPPLIES[supply])
                tuning = derive(rig, alertness=alertness)
                each.append(margins(open_loop(tuning, rig, rig, s)))
                most = max(most, float(np.abs(answer_to_place(tuning, rig, rig, s)).max()))
        found += [min(getattr(one, name) for one in each) for name in MARGINS]
        answers.append(most)
    for each_told, least in zip(told, [*found, *answers], strict=True):
        step = 1.0 if least > 10.0 else 0.1 if least in answers else 0.01
        assert each_told == least or abs(each_told - least) <= 0.51 * step


def test_the_page_tells_the_margins_of_the_roll_sets_against_each_other() -> None:
    page = (ROOT / "docs" / "control.md").read_text(encoding="utf-8")
    told = re.search(r"At least (\d+) degrees and a modulus of ([0-9.]+)\s+over the same", page)
    assert told is not None
    s = 1j * FREQUENCIES
    found = [
        margins(open_loop(derive(rig, alertness=alertness), rig, rig, s, between_sets=True))
        for supply in SUPPLIES
        for kmh in (10.0, 30.0, 60.0, 100.0, 150.0)
        for flight in (0, 1, 2, 3)
        for alertness in (0.0, 1.0)
        for rig in (rig_at(kmh, flight, *SUPPLIES[supply]),)
    ]
    assert float(told[1]) == pytest.approx(min(one.phase_deg for one in found), abs=0.6)
    assert float(told[2]) == pytest.approx(min(one.modulus_margin for one in found), abs=0.006)


@pytest.mark.parametrize("supply", SUPPLIES)
def test_the_road_s_loop_keeps_its_margins_over_speeds_delays_and_supplies(supply: str) -> None:
    """Its observers have no rate, and a speed off the reference is brought back slowly."""
    s = 1j * FREQUENCIES
    for kmh in (10.0, 30.0, 100.0, 150.0):
        for flight in (0, 3):
            rig = rig_at(kmh, flight, *SUPPLIES[supply])
            for alertness, pole, least in (
                (0.0, c.ROAD_SLOW_PER_S, (10.0, 60.0, 0.8)),
                (1.0, c.ROAD_FAST_PER_S, (1.6, 60.0, 0.38)),
            ):
                tuning = msgspec.structs.replace(
                    derive(rig, alertness=alertness),
                    observer_per_s=pole,
                    rate_part=0.0,
                    feedback_per_s=c.TRACK_PER_S,
                )
                found = margins(open_loop(tuning, rig, rig, s))
                assert found.keeps(least), (kmh, flight, alertness, found)


def test_the_noise_gain_of_the_force_loop_is_that_of_its_lead() -> None:
    rig = rig_at(30.0, 2, 0.15, 0.0)
    # Calm: 150 ms led to 30 ms; alert: to 10 ms, and the field's lead doubles what is wanted.
    assert set_point_noise(derive(rig, alertness=0.0), rig) == pytest.approx((5.0, 4.0))
    assert set_point_noise(derive(rig, alertness=1.0), rig) == pytest.approx((30.0, 14.0))


def test_the_load_loop_uses_the_tuning_that_is_derived() -> None:
    loads = LoadLoop(tarnhow())
    loads.set_delays(0.003, 2)
    plant = loads.plant_parameters()
    calm, alert = derive(plant, alertness=0.0), derive(plant, alertness=1.0)
    row, detector, absorber = loads.roll_sets[0], loads.loop["hold"], loads.absorbers[0]
    assert detector["slow_per_s"] == pytest.approx(calm.observer_per_s)
    assert detector["fast_per_s"] == pytest.approx(alert.observer_per_s)
    assert row["feedback_per_s"] == pytest.approx(alert.feedback_per_s)
    assert row["calm_lookahead_s"] == pytest.approx(calm.lookahead_s)
    assert row["alert_lookahead_s"] == pytest.approx(alert.lookahead_s)
    assert absorber["calm_follow_s"] == pytest.approx(calm.follow_s)
    assert absorber["alert_follow_s"] == pytest.approx(alert.follow_s)


def test_a_rig_known_more_closely_may_be_tuned_faster() -> None:
    loose, close = tune_up(0.3), tune_up(0.02)
    assert close.observer_share > loose.observer_share
    assert close.worst.keeps(ALERT_LEAST)
    assert close.margins.stable


def test_a_longer_lag_or_delay_calls_for_a_slower_loop() -> None:
    base = derive(NUMBERS)
    for change in ({"coil_lag_s": 0.3}, {"age_s": 0.01}, {"flight_frames": 6}):
        slower = derive(msgspec.structs.replace(NUMBERS, **change))
        assert slower.feedback_per_s < base.feedback_per_s
        assert slower.observer_per_s <= base.observer_per_s


def test_lighter_rolls_than_assumed_cost_margin() -> None:
    s = 1j * FREQUENCIES
    light = spread_of(NUMBERS, 0.3)[1]
    assert light.inertia_kg < NUMBERS.inertia_kg
    tuning = derive(NUMBERS)
    as_is = margins(open_loop(tuning, NUMBERS, NUMBERS, s))
    assert margins(open_loop(tuning, NUMBERS, light, s)).modulus_margin < as_is.modulus_margin


def test_the_truck_s_inertia_is_learned_from_steps_of_the_absorbers() -> None:
    truck = TruckInertia()
    random = np.random.default_rng(4)
    speed = 25.0
    for k in range(4000):
        accel = -1.5 if (k // 250) % 2 else -0.2
        speed += accel * 0.002
        pull = -160.0 - 4.0 * speed - 190.0 * accel + 20.0 * random.standard_normal()
        truck.add(pull, speed, accel)
    truck.add(math.nan, 20.0, 0.0)
    found = truck.result()
    assert found is not None
    mass, sigma = found
    assert mass == pytest.approx(190.0, abs=4.0 * sigma)
    assert sigma < 20.0


def test_too_few_frames_teach_no_inertia() -> None:
    assert TruckInertia().result() is None
