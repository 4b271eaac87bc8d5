"""Rolls, absorbers and tooth wheels of the simulated rig against formulas and the truth."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from daq.wire.frames import Sample
from simulator.plant import Plant
from simulator.rig_and_truck import layout as at
from simulator.rig_and_truck.driver import NEUTRAL
from simulator.rig_and_truck.setup import Setup, nominal, tarnhow
from tests.simulator.hosts import Host


def bare_rolls(
    mass_kg: float, loss_n: tuple[float, float, float], tick_hz: int = 1_000_000
) -> Setup:
    """Both roll sets alike, no truck on them, absorbers without residual drag, no noise in time."""
    setup = nominal()
    rolls = tuple(
        replace(roll, mass_kg=mass_kg, loss_n=loss_n, jitter_s=0.0) for roll in setup.rolls
    )
    absorbers = tuple(replace(each, residual_nm=0.0) for each in setup.absorbers)
    return replace(
        setup,
        rolls=(rolls[0], rolls[1]),
        absorbers=absorbers,
        on_rolls=False,
        front_end=replace(setup.front_end, frame_hz=250, tick_hz=tick_hz),
    )


def coast(plant: Plant, from_mps: float, to_mps: float) -> tuple[float, float]:
    """Seconds and metres that the front rolls take, interpolated within the last frame."""
    plant.spin(from_mps, from_mps)
    start_m = plant.world.rolls[0, at.R_DISTANCE]
    start_s = plant.now_s
    speed, metres = from_mps, 0.0
    while True:
        before, before_m = speed, metres
        plant.step()
        speed = plant.world.rolls[0, at.R_SPEED]
        metres = plant.world.rolls[0, at.R_DISTANCE] - start_m
        if speed <= to_mps:
            share = (before - to_mps) / (before - speed)
            period = plant.world.period_s
            seconds = plant.now_s - start_s - period * (1.0 - share)
            return seconds, before_m + share * (metres - before_m)


def test_a_drive_from_outside_speeds_up_all_rolls_alike_and_counts_as_tractive_force() -> None:
    plant = Plant(bare_rolls(1500.0, (0.0, 0.0, 0.0)), seed=1)
    plant.spin(5.0, 5.0)
    plant.world.inputs[at.I_PUSH] = 6000.0  # 2 m/s2 on twice 1,500 kg
    begun_s = plant.now_s
    while plant.now_s < begun_s + 2.0:
        plant.step()
    truth = plant.truth()
    gained = 2.0 * (plant.now_s - begun_s)
    assert truth["front_speed_mps"] - 5.0 == pytest.approx(gained, rel=1e-6)
    assert truth["rear_speed_mps"] - 5.0 == pytest.approx(gained, rel=1e-6)
    assert truth["front_tractive_n"] + truth["rear_tractive_n"] == pytest.approx(6000.0)


def test_free_rolls_coast_down_as_the_closed_form_says() -> None:
    # m dv/dt = -(A + C v2): closed form (calculus), 2,500 kg, 300 N, 0.60, 35 to 5 m/s.
    plant = Plant(bare_rolls(2500.0, (300.0, 0.0, 0.60)), seed=1)
    seconds, metres = coast(plant, 35.0, 5.0)
    assert seconds == pytest.approx(145.771610635, rel=2e-5)
    assert metres == pytest.approx(2478.300139, rel=2e-5)


def test_free_rolls_with_three_loss_terms_coast_as_the_closed_form_says() -> None:
    # 5,500 lb with the coefficients of a published test-car list, 80 to 10 mph: computed.
    loss = (226.54792686521725, 1.5900720609310752, 0.9488749464351989)
    plant = Plant(bare_rolls(2494.758035, loss), seed=1)
    seconds, metres = coast(plant, 80 * 0.44704, 10 * 0.44704)
    assert seconds == pytest.approx(143.225034183, rel=2e-5)
    assert metres == pytest.approx(2219.115917, rel=2e-5)


def test_rolls_come_to_rest_and_stay_there() -> None:
    plant = Plant(bare_rolls(1600.0, (70.0, 1.0, 0.02)), seed=1)
    plant.spin(0.2, 0.2)
    for _ in range(2500):
        plant.step()
    assert plant.world.rolls[:, at.R_SPEED].tolist() == [0.0, 0.0]


def test_a_turn_of_the_rolls_shows_sixty_edges() -> None:
    plant = Plant(tarnhow(3), seed=3)
    plant.spin(15.0, 12.0)
    plant.driver.tell(gear=NEUTRAL, brake=0.0)
    host = Host(plant)
    host.run(0.5)
    before = host.last
    distances = plant.world.rolls[:, at.R_DISTANCE].copy()
    host.run(8.0)
    moved = plant.world.rolls[:, at.R_DISTANCE] - distances
    for wheel, roll in enumerate(plant.setup.rolls):
        turns = moved[wheel] / (2.0 * math.pi * roll.radius_m)
        seen = host.last.edge_totals[wheel] - before.edge_totals[wheel]
        assert seen == pytest.approx(60.0 * turns, abs=1.0)


def test_edges_and_totals_agree_and_ticks_rise_within_their_frame() -> None:
    plant = Plant(tarnhow(5), seed=5)
    plant.spin(45.0, 20.0)
    host = Host(plant)
    host.run(2.0)
    samples = host.of(Sample)
    counted = [0, 0, 0]
    for before, sample in pairwise(samples):
        for wheel, edges in enumerate(sample.edges):
            ages = [(sample.tick - edge) & 0xFFFFFFFF for edge in edges]
            assert ages == sorted(ages, reverse=True)
            assert all(0 <= age < 2000 for age in ages)
            counted[wheel] += len(edges)
            assert (sample.edge_totals[wheel] - before.edge_totals[wheel]) & 0xFFFF == len(edges)
    assert counted[0] > counted[1] > 0


def test_edge_times_are_exact_to_the_tick_on_a_perfect_wheel() -> None:
    setup = bare_rolls(1600.0, (0.0, 0.0, 0.0))
    plant = Plant(setup, seed=1)
    plant.spin(20.0, 33.0)
    host = Host(plant)
    host.run(3.0)
    for wheel, speed in ((0, 20.0), (1, 33.0)):
        edges = np.array([edge for sample in host.of(Sample) for edge in sample.edges[wheel]])
        pitch_s = 2.0 * math.pi / 60.0 * 0.5 / speed
        expected = edges[0] + np.arange(len(edges)) * pitch_s * 1e6
        assert np.abs(edges - expected).max() <= 1.0  # the tick is 1 us


def test_pitch_errors_repeat_each_turn_and_stay_within_their_limit() -> None:
    setup = bare_rolls(1600.0, (0.0, 0.0, 0.0), tick_hz=50_000_000)
    real = tarnhow(8)
    rolls = tuple(replace(roll, jitter_s=0.0) for roll in setup.rolls)
    plant = Plant(replace(setup, rolls=(rolls[0], rolls[1]), teeth=real.teeth), seed=1)
    plant.spin(30.0, 30.0)
    host = Host(plant)
    host.run(1.5)
    edges = np.array([edge for sample in host.of(Sample) for edge in sample.edges[0]])
    periods = np.diff(edges)[:600].reshape(10, 60)
    assert np.ptp(periods, axis=0).max() <= 2.0  # ticks of 20 ns
    error = periods.mean(axis=0) / periods.mean() - 1.0
    assert 3e-4 < np.abs(error).max() < 0.001 + 0.0013  # pitch error and run-out together


def test_the_coil_goes_to_its_set_point_by_its_own_lag() -> None:
    # 1 - exp(-t/(L/R)) at 0.1 s with L/R = 0.2 s: closed form.
    setup = nominal()
    absorbers = tuple(
        replace(each, coil_lag_s=0.2, current_noise_a=0.0) for each in setup.absorbers
    )
    host = Host(Plant(replace(setup, absorbers=absorbers), seed=1))
    host.run(0.1)
    host.open()
    host.run(0.1, [20.0] * 4)
    assert host.last.currents[0] * 0.01 / 20.0 == pytest.approx(0.393469340, abs=3e-4)


def test_forcing_brings_current_sooner_but_never_above_the_coils_limit() -> None:
    times = []
    for asked in (24.0, 60.0):
        plant = Plant(nominal(), seed=1)
        host = Host(plant)
        host.run(0.1)
        host.open()
        seconds = 0.0
        while host.last.currents[0] < 2160:
            host.run(0.002, [asked] * 4)
            seconds += 0.002
        times.append(seconds)
        host.run(2.0, [asked] * 4)
        assert max(host.last.currents) <= 3010
    assert times[1] < 0.3 * times[0]


def test_the_load_cell_shows_the_torque_of_either_arm() -> None:
    plant = Plant(nominal(), seed=1)
    plant.spin(15.0, 15.0)
    plant.driver.tell(gear=NEUTRAL, brake=0.0)
    host = Host(plant)
    host.run(0.1)
    host.open()
    host.run(2.0, [12.0] * 4)
    truth = plant.truth()
    for index, absorber in enumerate(plant.setup.absorbers):
        newton = truth[f"{absorber.name}_torque_nm"] / absorber.arm_m
        shown = host.last.counts[index] / (2.0**23 / (4.0 * 1500.0)) * absorber.arm_sign
        assert shown == pytest.approx(newton, rel=0.02)
        assert newton > 300.0


def test_a_step_of_torque_rings_the_arm_at_its_resonance() -> None:
    setup = nominal()
    quiet = tuple(
        replace(each, noise_n=0.0, ripple_n=0.0, filter_s=0.0005) for each in setup.absorbers
    )
    plant = Plant(replace(setup, absorbers=quiet), seed=1)
    plant.spin(15.0, 15.0)
    plant.world.absorbers[0, at.A_FLUX] = plant.world.absorbers[0, at.A_CURRENT] = 20.0
    cells = []
    for _ in range(250):
        plant.world.absorber_parameters[0, at.P_FORCED_CURRENT] = 20.0
        plant.step()
        cells.append(plant.world.absorbers[0, at.A_CELL])
    swing = np.array(cells) - np.array(cells)[100:].mean()
    crossings = np.flatnonzero((swing[:-1] < 0) & (swing[1:] >= 0))[:5]
    assert (len(crossings) - 1) / np.ptp(crossings) * 500 == pytest.approx(38.0, rel=0.05)


def test_a_working_absorber_fades_below_its_critical_speed() -> None:
    plant = Plant(nominal(), seed=1)
    cold = plant.world
    forces = []
    for kelvin in (293.15, 593.15):
        plant = Plant(nominal(), seed=1)
        cold = plant.world
        plant.spin(10.0, 10.0)
        cold.absorbers[:, [at.A_SKIN, at.A_BULK, at.A_HUB]] = kelvin
        cold.absorber_parameters[:, at.P_FORCED_CURRENT] = 15.0
        for _ in range(100):
            plant.step()
        forces.append(plant.truth()["front_absorber_n"])
    assert 0.4 < forces[1] / forces[0] < 0.8


def test_the_true_rig_lies_within_the_tolerances_of_its_description() -> None:
    described, zeros = nominal(), []
    for seed in range(40):
        real = tarnhow(seed)
        for roll, plan in zip(real.rolls, described.rolls, strict=True):
            assert abs(roll.mass_kg - plan.mass_kg) < 4.5 * 1.6
            assert abs(roll.radius_m - plan.radius_m) < 4.5 * 0.0001
        slopes = [absorber.slope_error for absorber in real.absorbers]
        assert max(map(abs, slopes)) < 4.5 * 0.0005
        zeros += [absorber.zero_counts for absorber in real.absorbers]
    assert 0.6 < np.std(zeros) / (0.4 * 2.0**23 / 6000.0) < 1.4


def test_equal_seeds_give_equal_bytes_and_others_do_not() -> None:
    def bytes_of(seed: int) -> bytes:
        plant = Plant(tarnhow(4), seed=seed)
        plant.driver.tell(pedal=0.7)
        return b"".join([plant.advance() for _ in range(400)])

    assert bytes_of(11) == bytes_of(11)
    assert bytes_of(11) != bytes_of(12)


def test_a_saved_state_runs_on_exactly_as_before() -> None:
    plant = Plant(tarnhow(4), seed=4)
    plant.driver.tell(pedal=0.7)
    for _ in range(300):
        plant.step()
    saved = plant.world.save()
    first = [plant.world.advance(0.0) for _ in range(200)]
    plant.world.restore(saved)
    assert [plant.world.advance(0.0) for _ in range(200)] == first


def test_cold_bearings_lose_more_until_they_have_run() -> None:
    setup = bare_rolls(1e6, (70.0, 1.0, 0.02))
    rolls = tuple(replace(roll, start_chill=1.0, chill_s=20.0) for roll in setup.rolls)
    plant = Plant(replace(setup, rolls=(rolls[0], rolls[1])), seed=1)
    plant.spin(20.0, 20.0)
    plant.step()
    cold = plant.truth()["front_loss_n"]
    for _ in range(250 * 100):
        plant.step()
    assert plant.truth()["front_loss_n"] / cold == pytest.approx(1.0 / 1.12, rel=0.01)
