"""The observer learns a rotor that is not the one described, and knows a bad sensor."""

from __future__ import annotations

import math

import numpy as np
import pytest

from control.thermal.limiter import ThermalLevel, ThermalLimiter
from control.thermal.rotor import RotorModel, advance, model_of, time_to
from control.thermal.rotor_observer import RotorObserver, SensorVerdict
from daq.rig.description import RotorHeat

AMBIENT_K = 295.0
HEAT = RotorHeat(mass_kg=75.0, area_m2=1.3, still_w_per_k=8.0, windage_w_per_k_per_radps=0.35)


class OtherRotor:
    """A rotor of other numbers than the described one, the truth of these tests."""

    def __init__(self, seed: int = 1) -> None:
        self.rng = np.random.default_rng(seed)
        guess = model_of(HEAT)
        self.model = RotorModel(
            rim_kg=guess.rim_kg * 1.12, body_kg=guess.body_kg * 1.12, rim_share=0.9,
            conduction_w_per_k=guess.conduction_w_per_k * 0.8, still_w_per_k=11.0,
            windage_w_per_k_per_radps=0.27, radiating_m2=0.8,
        )  # fmt: skip
        self.state = np.array([AMBIENT_K] * 3)

    def work(self, seconds: float, power: float, radps: float, observer: RotorObserver,
             sensor: bool = True, offset_k: float = 0.0) -> None:  # fmt: skip
        for _ in range(int(seconds * 2)):
            advance(self.model.vector(), self.state, 0.5, power, radps, False, AMBIENT_K)
            observer.predict(0.5, power, radps, False, AMBIENT_K)
            if sensor:
                reading = self.state[0] + offset_k + self.rng.normal(0.0, 2.0)
                observer.correct(float(reading), 0.5)


def learned(seed: int = 1) -> tuple[OtherRotor, RotorObserver]:
    truth, observer = OtherRotor(seed), RotorObserver(model_of(HEAT), AMBIENT_K)
    truth.work(240, 45e3, 130.0, observer)
    truth.work(400, 0.0, 60.0, observer)
    truth.work(200, 30e3, 90.0, observer)
    truth.work(600, 0.0, 0.0, observer)
    return truth, observer


def test_after_work_and_cool_down_headroom_is_known_within_five_per_cent() -> None:
    truth, observer = learned()
    truth.work(60, 50e3, 130.0, observer)
    said = observer.headroom(HEAT.limit_k, 50e3, 130.0, False, AMBIENT_K)
    true = time_to(
        truth.model.vector(), *truth.state, HEAT.limit_k, 50e3, 130.0, False,
        AMBIENT_K, 14400.0,
    )  # fmt: skip
    assert said.seconds == pytest.approx(true, rel=0.05)
    assert said.low_s < true < said.high_s


def test_learning_narrows_the_interval() -> None:
    fresh = RotorObserver(model_of(HEAT), AMBIENT_K)
    before = fresh.headroom(HEAT.limit_k, 50e3, 130.0, False, AMBIENT_K)
    _, observer = learned()
    after = observer.headroom(HEAT.limit_k, 50e3, 130.0, False, AMBIENT_K)
    assert after.high_s / after.low_s < 0.6 * before.high_s / before.low_s


def test_without_a_sensor_the_estimate_says_how_unsure_it_is() -> None:
    truth, observer = OtherRotor(), RotorObserver(model_of(HEAT), AMBIENT_K)
    truth.work(240, 45e3, 130.0, observer, sensor=False)
    assert observer.sensor is SensorVerdict.NONE
    assert observer.sigma_k > 15.0
    assert abs(observer.rim_k - truth.state[0]) < 3.0 * observer.sigma_k


def test_a_sensor_that_slips_is_found_and_no_longer_believed() -> None:
    truth, observer = learned()
    truth.work(60, 50e3, 130.0, observer)
    truth.work(120, 50e3, 130.0, observer, offset_k=-150.0)
    assert observer.sensor is SensorVerdict.SLIPPED
    assert abs(observer.rim_k - truth.state[0]) < 20.0


def test_a_sensor_put_back_in_place_is_trusted_again() -> None:
    truth, observer = learned()
    truth.work(60, 20e3, 130.0, observer, offset_k=-200.0)
    assert observer.sensor is SensorVerdict.SLIPPED
    truth.work(120, 20e3, 130.0, observer)
    assert observer.sensor is SensorVerdict.TRUSTED


def test_a_silent_sensor_has_failed() -> None:
    truth, observer = learned()
    truth.work(30, 20e3, 130.0, observer, sensor=False)
    assert observer.sensor is SensorVerdict.FAILED


@pytest.mark.parametrize("reading", [math.nan, -1.0, 9999.0])
def test_an_impossible_reading_changes_no_estimate(reading: float) -> None:
    _, observer = learned()
    before = observer.rim_k
    observer.correct(reading, 0.5)
    assert observer.rim_k == before


def test_the_estimate_survives_a_restart() -> None:
    _, observer = learned()
    again = RotorObserver(model_of(HEAT), AMBIENT_K, observer.memory())
    assert again.rim_k == observer.rim_k
    assert again.sigma_k == pytest.approx(observer.sigma_k)
    assert again.factors == observer.factors


def test_the_guard_holds_a_rotor_below_its_limit_without_a_step() -> None:
    truth, observer = learned()
    guard = ThermalLimiter(HEAT)
    asked, power, worst_step, peak = 90e3, 0.0, 0.0, 0.0
    levels = set()
    for tick in range(1200):
        cap = guard.judge(observer, 130.0, False, AMBIENT_K, asked)
        levels.add(cap.level)
        wanted = min(asked, cap.power_w)
        if tick > 5:
            worst_step = max(worst_step, abs(wanted - power))
        power = wanted
        truth.work(0.5, power, 130.0, observer)
        peak = max(peak, float(truth.state[0]))
    assert peak < HEAT.limit_k + 10.0
    assert peak > HEAT.limit_k - 40.0
    assert ThermalLevel.HOT in levels
    assert worst_step < 0.1 * asked


def test_after_the_limit_load_returns_only_below_the_reentry_temperature() -> None:
    guard = ThermalLimiter(HEAT)
    observer = RotorObserver(model_of(HEAT), HEAT.limit_k + 1.0)
    assert guard.judge(observer, 100.0, False, AMBIENT_K, 1e4).level is ThermalLevel.LIMIT
    warm = RotorObserver(model_of(HEAT), HEAT.reentry_k + 20.0)
    assert guard.judge(warm, 100.0, False, AMBIENT_K, 1e4).power_w == 0.0
    cool = RotorObserver(model_of(HEAT), HEAT.reentry_k - 1.0)
    assert guard.judge(cool, 100.0, False, AMBIENT_K, 1e4).power_w > 0.0
