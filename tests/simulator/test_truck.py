"""The simulated truck on the rolls: energy, gears, transfer case, driver."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from simulator.plant import Plant
from simulator.rig_and_truck import layout as at
from simulator.rig_and_truck.driver import NEUTRAL, Driver, Moment, TransferCase
from simulator.rig_and_truck.setup import nominal, random_rig, tarnhow
from tests.simulator.hosts import Host

RPM = 30.0 / math.pi


def held_at(plant: Plant, speed_mps: float, seconds: float, start_a: float = 12.0) -> Host:
    """Run with a plain integral hold of roll speed, as any host could."""
    host = Host(plant)
    host.run(0.1)
    host.open()
    amperes = start_a
    for _ in range(round(seconds * 50)):
        speed = plant.truth()["rear_speed_mps"]
        error = speed - speed_mps
        if speed < 0.8 * speed_mps:
            host.run(0.02, [0.0] * 4)
            continue
        amperes = min(max(amperes + 0.06 * error, 0.0), 30.0)
        host.run(0.02, [min(max(amperes + 8.0 * error, 0.0), 60.0)] * 4)
    return host


@pytest.fixture(scope="module")
def at_full_pedal() -> Plant:
    """Full pedal in 4th, held at about 1,900 rev/min for half a minute."""
    plant = Plant(tarnhow(1), seed=1)
    plant.driver.tell(pedal=1.0)
    held_at(plant, 20.75, 30.0)
    return plant


def test_the_engine_works_for_what_is_absorbed_lost_and_stored() -> None:
    plant = Plant(tarnhow(2), seed=2)
    world = plant.world
    host = Host(plant)
    host.run(0.1)
    host.open()
    before = world.stored_j() - world.truck[at.V_ENGINE_WORK] + sum(world.spent_j().values())
    for pedal, gear, brake, amperes, seconds in (
        (1.0, 4, 0.0, 0.0, 4.0),  # launch through the converter
        (1.0, 4, 0.0, 14.0, 4.0),  # loaded
        (1.0, 3, 0.0, 14.0, 3.0),  # a shift under load
        (0.0, 4, 0.0, 10.0, 3.0),  # lift
        (0.0, 4, 0.4, 0.0, 3.0),  # brake
    ):
        plant.driver.tell(pedal=pedal, gear=gear, brake=brake)
        host.run(seconds, [amperes] * 4)
        work = world.truck[at.V_ENGINE_WORK]
        balance = world.stored_j() + sum(world.spent_j().values()) - work - before
        assert abs(balance) < 5e-4 * work
    spent = world.spent_j()
    assert all(joule > 0.0 for joule in spent.values())
    assert spent["absorbed"] > 0.3 * work


def test_heat_in_the_rotors_is_the_work_absorbed() -> None:
    plant = Plant(nominal(), seed=1)
    plant.driver.tell(pedal=1.0)
    held_at(plant, 20.0, 12.0)
    assert plant.world.absorbers[:, at.A_ENERGY].sum() == pytest.approx(
        plant.world.spent_j()["absorbed"], rel=1e-3
    )


def test_full_pedal_at_1900_gives_an_ordinary_pickups_power(at_full_pedal: Plant) -> None:
    truth = at_full_pedal.truth()
    assert truth["engine_radps"] * RPM == pytest.approx(1900.0, abs=30.0)
    assert 195e3 < truth["power_w"] < 225e3
    assert 215e3 < truth["engine_power_w"] < 245e3
    assert 0.005 < truth["rear_slip"] < 0.03


def test_locked_in_direct_gear_engine_and_rolls_keep_the_ratio(at_full_pedal: Plant) -> None:
    truth = at_full_pedal.truth()
    world = at_full_pedal.world
    assert truth["turbine_radps"] == pytest.approx(truth["engine_radps"], rel=1e-4)
    wheel = world.rolls[1, at.R_WHEEL]
    assert truth["engine_radps"] / wheel == pytest.approx(3.73, rel=1e-4)


def test_tractive_force_is_absorbed_lost_or_accelerates(at_full_pedal: Plant) -> None:
    truth = at_full_pedal.truth()
    for roll, name in zip(at_full_pedal.setup.rolls, ("front", "rear"), strict=True):
        inertia = roll.mass_kg * truth[f"{name}_acceleration_mps2"]
        total = truth[f"{name}_absorber_n"] + truth[f"{name}_loss_n"] + inertia
        assert truth[f"{name}_tractive_n"] == pytest.approx(total, abs=1.0)


def test_boost_lags_behind_the_pedal() -> None:
    plant = Plant(nominal(), seed=1)
    plant.driver.tell(pedal=0.35)
    host = held_at(plant, 20.0, 12.0, 5.0)
    part = plant.truth()["boost_pa"]
    plant.driver.tell(pedal=1.0)
    host.run(0.3, [20.0] * 4)
    early = plant.truth()
    host.run(3.0, [20.0] * 4)
    late = plant.truth()
    assert part < early["boost_pa"] < 0.9 * late["boost_pa"]
    assert early["smoke"] > 1.15 * late["smoke"]  # short of air for a moment


def test_a_shift_interrupts_torque_and_takes_the_new_ratio() -> None:
    plant = Plant(nominal(), seed=1)
    plant.driver.tell(pedal=0.6)
    host = held_at(plant, 18.0, 12.0, 6.0)
    before = plant.truth()["rear_tractive_n"]
    plant.driver.tell(gear=3)
    pulls = []
    for _ in range(150):
        host.run(0.002, [8.0] * 4)
        pulls.append(plant.truth()["rear_tractive_n"])
    host.run(2.0, [8.0] * 4)
    assert min(pulls) < 0.3 * before
    ratio = plant.truth()["engine_radps"] / plant.world.rolls[1, at.R_WHEEL]
    assert ratio == pytest.approx(3.73 * 1.42, rel=1e-3)


def test_a_locked_case_ties_the_axles_and_an_open_one_does_not() -> None:
    apart = {}
    for case in (TransferCase.LOCKED, TransferCase.OPEN):
        plant = Plant(nominal(), seed=1)
        plant.driver.tell(pedal=0.5, case=case)
        host = Host(plant)
        host.run(0.1)
        host.open()
        host.run(6.0, [0.0] * 4)
        host.run(2.0, [12.0, 12.0, 4.0, 4.0])
        truth = plant.truth()
        apart[case] = abs(truth["front_speed_mps"] - truth["rear_speed_mps"])
    assert apart[TransferCase.LOCKED] < 0.3
    assert apart[TransferCase.OPEN] > 2.0


def test_a_truck_in_two_wheel_drive_leaves_the_front_rolls_alone() -> None:
    plant = Plant(nominal(), seed=1)
    plant.driver.tell(pedal=0.5, case=TransferCase.REAR_ONLY)
    Host(plant).run(4.0)
    truth = plant.truth()
    assert truth["rear_speed_mps"] > 5.0
    assert truth["front_speed_mps"] == 0.0


def test_the_truck_idles_at_rest_on_the_brake_and_creeps_without() -> None:
    plant = Plant(nominal(), seed=1)
    Host(plant).run(3.0)
    assert plant.truth()["rear_speed_mps"] == 0.0
    assert plant.truth()["engine_radps"] * RPM == pytest.approx(700.0, abs=40.0)
    plant.driver.tell(brake=0.0)
    Host(plant).run(5.0)
    assert 0.3 < plant.truth()["rear_speed_mps"] < 8.0


def test_lifting_the_foot_brakes_by_the_engine() -> None:
    plant = Plant(nominal(), seed=1)
    plant.driver.tell(pedal=0.6)
    host = held_at(plant, 20.0, 12.0, 6.0)
    plant.driver.tell(pedal=0.0)
    host.run(1.0, [0.0] * 4)
    truth = plant.truth()
    assert truth["engine_torque_nm"] < -50.0
    assert truth["rear_tractive_n"] < 0.0


def test_in_neutral_the_rolls_coast_longer_without_the_truck() -> None:
    lost = []
    for on_rolls in (True, False):
        plant = Plant(replace(nominal(), on_rolls=on_rolls), seed=1)
        plant.driver.tell(gear=NEUTRAL, brake=0.0)
        plant.spin(25.0, 25.0)
        Host(plant).run(4.0)
        lost.append(25.0 - plant.truth()["rear_speed_mps"])
    assert lost[0] > 2.0 * lost[1] > 0.0


def test_thin_air_costs_a_boosted_diesel_a_little() -> None:
    powers = []
    for pascal in (99_000.0, 84_000.0):
        setup = nominal()
        weather = replace(setup.weather, pressure_pa=pascal)
        plant = Plant(replace(setup, weather=weather), seed=1)
        plant.driver.tell(pedal=1.0)
        held_at(plant, 20.0, 12.0)
        powers.append(plant.truth()["engine_torque_nm"])
    assert 0.90 < powers[1] / powers[0] < 0.99


def test_the_script_moves_the_pedal_along_its_lines() -> None:
    driver, inputs = Driver(), [0.0] * at.I_COUNT
    script = [
        Moment(1.0, pedal=1.0, brake=0.0, gear=5),
        Moment(2.0, pedal=1.0),
        Moment(2.2, pedal=0.6, case=TransferCase.OPEN),
    ]
    driver.follow(script, now_s=10.0)
    seen = []
    for tenth in range(0, 25):
        driver.step(10.0 + 0.1 * tenth, 0.0, 0.1, inputs)  # type: ignore[arg-type]
        seen.append((round(inputs[at.I_PEDAL], 6), inputs[at.I_GEAR], inputs[at.I_CASE]))
    assert seen[5] == (0.5, 4, TransferCase.LOCKED)
    assert seen[10][:2] == (1.0, 5)
    assert seen[21] == (0.8, 5, TransferCase.LOCKED)
    assert seen[24] == (0.6, 5, TransferCase.OPEN)


def test_the_driver_by_eye_keeps_a_speed() -> None:
    plant = Plant(nominal(), seed=1)
    plant.driver.brake = 0.0
    plant.driver.drive_at = lambda _now_s: 14.0
    host = Host(plant)
    host.run(0.1)
    host.open()
    host.run(50.0, [4.0] * 4)
    assert plant.truth()["rear_speed_mps"] == pytest.approx(14.0, abs=0.3)


@pytest.mark.parametrize("words", [{"pedal": 1.2}, {"brake": -0.1}, {"gear": 7}])
def test_the_driver_refuses_the_impossible(words: dict[str, float]) -> None:
    driver = Driver()
    with pytest.raises(ValueError, match=r"0 to|1 to"):
        driver.tell(**words)  # type: ignore[arg-type]
    assert (driver.pedal, driver.gear) == (0.0, 4)


def test_a_full_launch_locks_the_converter_smoothly() -> None:
    plant = Plant(tarnhow(1), seed=1)
    plant.driver.tell(pedal=1.0)
    host = Host(plant)
    host.run(3.0)
    pulls = []
    for _ in range(100):
        host.run(0.02)
        pulls.append(plant.truth()["rear_tractive_n"])
    truth = plant.truth()
    assert truth["engine_radps"] == pytest.approx(truth["turbine_radps"], rel=1e-4)
    assert min(pulls) > 1500.0
    assert max(pulls) < 9500.0
    assert max(abs(b - a) for a, b in pairwise(pulls)) < 1200.0


def test_wild_driving_stays_finite_and_keeps_the_books() -> None:
    for seed in range(3):
        draw = np.random.default_rng(seed)
        plant = Plant(random_rig(seed), seed=seed)
        world = plant.world
        host = Host(plant)
        host.run(0.1)
        host.open()
        before = world.stored_j() - world.truck[at.V_ENGINE_WORK] + sum(world.spent_j().values())
        for _ in range(25):
            plant.driver.tell(
                pedal=float(draw.choice([0.0, 0.5, 1.0])),
                brake=float(draw.choice([0.0, 0.0, 0.4, 1.0])),
                gear=int(draw.integers(-1, 7)),
                case=TransferCase(int(draw.integers(0, 3))),
            )
            host.run(float(draw.uniform(0.2, 1.5)), list(draw.uniform(0.0, 60.0, 4)))
            assert np.isfinite(plant.truth_row()).all()
            assert (
                -1.0 < world.rolls[:, at.R_SPEED].min() <= world.rolls[:, at.R_SPEED].max() < 70.0
            )
        work = world.truck[at.V_ENGINE_WORK]
        balance = world.stored_j() + sum(world.spent_j().values()) - work - before
        assert abs(balance) < 1e-3 * work
