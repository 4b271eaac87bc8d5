"""Coil heat: closed forms, truth richer than the model, voltage as thermometer, load taken off."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest

from control.load_loop.loop import LoadLoop
from control.thermal.coil import COPPER_J_PER_KG_K, CoilMemory, CoilObserver, resistance_ratio
from control.thermal.manager import ThermalManager
from control.thermal.record import RotorRecord
from control.thermal.rotor import model_of
from control.thermal.rotor_observer import RotorObserver
from daq.rig.description import CoilHeat
from tests.control.control_stand import tarnhow
from tests.control.thermal.test_manager import measured

AMBIENT_K = 295.15
COIL = CoilHeat(1.2, 30.0, 15.0, 0.8, 413.15, 433.15)
MOST_A = 30.0


class TrueCoil:
    """Winding on a core of iron, in air and beside a rotor: two nodes where the model has one."""

    def __init__(self, ohm: float = 1.25, air: float = 17.0) -> None:
        self.ohm, self.air = ohm, air
        self.coil_k = self.core_k = AMBIENT_K

    def work(self, seconds: float, current_a: float, rotor_k: float) -> None:
        dt = 0.25
        for _ in range(round(seconds / dt)):
            heat = current_a**2 * self.ohm * (1.0 + 0.00393 * (self.coil_k - 293.15))
            over = 70.0 * (self.coil_k - self.core_k)
            self.coil_k += dt * (heat - over + 0.8 * (rotor_k - self.coil_k)) / 5800.0
            self.core_k += dt * (over - self.air * (self.core_k - AMBIENT_K)) / 7400.0

    def volt(self, current_a: float) -> float:
        return current_a * self.ohm * (1.0 + 0.00393 * (self.coil_k - 293.15))


def drive(
    true: TrueCoil, seen: CoilObserver, duty: list[tuple[float, float]], measured: bool
) -> list[float]:
    """Duty of seconds and ampere; the errors of the estimate, K, one a turn."""
    rng = np.random.default_rng(4)
    errors = []
    for seconds, current in duty:
        for _ in range(round(seconds / 0.5)):
            true.work(0.5, current, 400.0)
            told = current * (1.0 + float(rng.normal(0.0, 0.002)))
            seen.predict(0.5, told**2, AMBIENT_K, 400.0)
            if measured:
                seen.hear(true.volt(current) + float(rng.normal(0.0, 0.02)), told, told**2)
            errors.append(seen.coil_k - true.coil_k)
    return errors


DUTY = [(600.0, 25.0), (300.0, 8.0), (600.0, 28.0), (600.0, 0.0), (300.0, 20.0)]


def test_copper_a_hundred_kelvin_warmer_has_1_393_times_the_resistance() -> None:
    # EC-14 of the check values; the coefficient is from memory
    assert resistance_ratio(393.15) == pytest.approx(1.393, abs=1e-9)


def test_at_constant_current_the_coil_follows_the_exact_solution() -> None:
    coil = CoilObserver(msgspec.structs.replace(COIL, to_rotor_w_per_k=0.0), MOST_A, AMBIENT_K)
    for _ in range(600):
        coil.predict(1.0, 625.0, AMBIENT_K, AMBIENT_K)
    heat = 625.0 * 1.2
    away = 15.0 - heat * 0.00393
    rise = heat * (1.0 + 0.00393 * (AMBIENT_K - 293.15)) / away
    tau = 30.0 * COPPER_J_PER_KG_K / away
    assert coil.coil_k == pytest.approx(AMBIENT_K + rise * (1.0 - math.exp(-600.0 / tau)), abs=1e-6)


def test_voltage_over_current_finds_the_temperature_of_a_coil_that_is_not_as_described() -> None:
    seen, blind = (CoilObserver(COIL, MOST_A, AMBIENT_K) for _ in range(2))
    with_volts = drive(TrueCoil(air=11.0), seen, DUTY, True)
    without = drive(TrueCoil(air=11.0), blind, DUTY, False)
    assert max(abs(error) for error in with_volts[200:]) < 8.0
    assert max(abs(error) for error in without) > 10.0  # resistance, cooling: not as described
    assert seen.sigma_k < 6.0  # the cold resistance is known no better than the cold start
    # what is not measured is stated as unsure as it is
    worst = max(abs(error) for error in without)
    assert worst < 3.0 * blind.sigma_k + 15.0
    assert seen.factors[2] == pytest.approx(1.25 / 1.2, abs=0.025)


def test_the_time_left_to_a_coil_is_true_once_its_voltage_has_been_heard() -> None:
    true, seen = TrueCoil(air=11.0), CoilObserver(COIL, MOST_A, AMBIENT_K)
    drive(true, seen, DUTY, True)
    drive(true, seen, [(60.0, 30.0)], True)
    best, low, high = seen.headroom(900.0, AMBIENT_K, 400.0, 7200.0)
    left = 0.0
    while true.coil_k < COIL.limit_k:
        true.work(1.0, 30.0, 400.0)
        left += 1.0
    assert best == pytest.approx(left, rel=0.15)
    assert low < left < high


def test_a_voltage_that_makes_no_sense_changes_no_estimate() -> None:
    coil = CoilObserver(COIL, MOST_A, AMBIENT_K)
    before = coil.coil_k
    for volt, current, square in (
        (60.0, 20.0, 400.0),  # three ohm: far outside the gate
        (math.nan, 20.0, 400.0), (-3.0, 20.0, 400.0),
        (1.0, 1.0, 1.0),  # too little current to tell
        (24.0, 20.0, 300.0),  # the current is moving
    ):  # fmt: skip
        coil.hear(volt, current, square)
    assert coil.coil_k == before
    assert coil.heard == 0
    assert coil.refused == 1


def test_the_coil_survives_a_restart_cooled_by_the_time_off() -> None:
    coil = CoilObserver(COIL, MOST_A, AMBIENT_K)
    drive(TrueCoil(), coil, DUTY[:1], True)
    kept = msgspec.json.decode(msgspec.json.encode(coil.memory()), type=type(coil.memory()))
    again = CoilObserver(COIL, MOST_A, 303.15, kept)
    assert again.coil_k == pytest.approx(coil.coil_k)
    again.was_off(3600.0, AMBIENT_K, AMBIENT_K)
    assert AMBIENT_K < again.coil_k < AMBIENT_K + 10.0
    assert again.sigma_k > coil.sigma_k
    assert again.factors == pytest.approx(coil.factors)


RIG = tarnhow()


def keeper_at(
    coil_k: float, forcing_a: float = 60.0, resistance_ohm: float = 1.2
) -> ThermalManager:
    """The demo rig's keeper after one turn of each absorber, with coils known to be that warm."""
    coil = msgspec.structs.replace(  # one that air cools poorly: full current is too much for it
        RIG.absorbers[0].heat.coil, resistance_ohm=resistance_ohm, to_air_w_per_k=8.0
    )
    rig = msgspec.structs.replace(
        RIG,
        absorbers=tuple(
            msgspec.structs.replace(
                one, forcing_a=forcing_a, heat=msgspec.structs.replace(one.heat, coil=coil)
            )
            for one in RIG.absorbers
        ),
    )
    sure = np.diag([1.0, 1e-4, 1e-4, 1e-6]).ravel()
    kept = CoilMemory(coil_k, (0.0, 0.0, 0.0), tuple(sure.tolist()))
    rotor = RotorObserver(model_of(RIG.absorbers[0].heat), AMBIENT_K).memory()
    records = {one.name: RotorRecord(rotor, coil=kept) for one in rig.absorbers}
    loads = LoadLoop(rig)
    keeper = ThermalManager(rig, records, 0.0, loads)
    for place in range(8):  # two turns of each
        loads.absorbers["work_s"] += 0.5
        loads.absorbers["work_j"] += 0.5 * 110e3
        loads.absorbers["work_rad"] += 0.5 * 140.0
        loads.absorbers["work_a2s"] += 0.5 * MOST_A**2
        keeper.turn(measured(10.0 + 0.125 * place, ambient_temperature=AMBIENT_K), True, 0.0, True)
    return keeper


def test_a_cool_coil_takes_nothing_away_and_a_hot_one_caps_the_load_and_says_so() -> None:
    cool = keeper_at(330.0).view(0, 0.0, 0.0)
    assert cool.coil_k == pytest.approx(330.0, abs=1.0)
    hot = keeper_at(446.0)
    view = hot.view(0, 0.0, 0.0)
    assert view.cap_w < 0.7 * cool.cap_w
    assert view.heat_level == "hot"
    assert "coil 17" in str(hot.codes["rotor-near-limit"])
    assert str(hot.advice()).startswith("Ease the pedal")
    # where the losses alone keep the coil at its limit the cap meets them, without a jump before
    caps = [keeper_at(kelvin).view(0, 0.0, 0.0).cap_w for kelvin in (444.5, 445.5, 446.5, 447.5)]
    assert caps == sorted(caps, reverse=True)
    assert keeper_at(449.0).view(0, 0.0, 0.0).cap_w < caps[-1]


def test_a_warm_coil_is_told_before_it_limits() -> None:
    assert keeper_at(410.0).summary(()).advice == ""
    warm = keeper_at(422.0)
    assert str(warm.summary(()).advice).startswith("Plan a pause: front-left coil 14")
    assert (
        str(warm.advice()) == ""
    )  # it does not stand in the way of what the test asks of the driver


def test_a_supply_with_little_reserve_cannot_push_the_full_current_through_a_hot_coil() -> None:
    reserve = keeper_at(400.0, forcing_a=60.0).view(0, 0.0, 0.0)
    little = keeper_at(400.0, forcing_a=32.0).view(0, 0.0, 0.0)
    assert little.capacity_nm < 0.97 * reserve.capacity_nm  # 32 A / 1.42 is less than 30 A
    assert reserve.capacity_nm == pytest.approx(little.capacity_cold_nm, rel=0.05)


def test_lag_and_ceiling_of_a_hot_coil_are_shorter_and_lower() -> None:
    loads = LoadLoop(RIG)
    loads.set_coil(0, 1.393)
    assert loads.absorbers["coil_lag_s"][0] == pytest.approx(0.15 / 1.393)
    assert loads.absorbers["ceiling_a"][0] == pytest.approx(60.0 / 1.393)


def test_a_rig_that_describes_no_coil_says_nothing_of_it() -> None:
    view = keeper_at(440.0, resistance_ohm=0.0).view(0, 0.0, 0.0)
    assert math.isnan(view.coil_k)
    assert view.limited_by == "rotor"
