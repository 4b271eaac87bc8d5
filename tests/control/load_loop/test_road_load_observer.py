"""The observer of a simulated road: calm on timing noise, quick on a step, true to the cells."""

from __future__ import annotations

import math

import numpy as np
import pytest

from control.load_loop import road_load_observer as road
from control.load_loop.records import ROLL_SET

DT_S = 0.002
PITCH_M = 2.0 * math.pi * 0.5 / 60
MASS_KG = 1600.0


class Rolls:
    """A roll set whose edges are late or early by `noise_m` rms; nothing brakes it."""

    def __init__(self, speed_mps: float, noise_m: float) -> None:
        self.speed, self.place, self.edge_m = speed_mps, 0.0, PITCH_M
        self.noise_m = noise_m
        self.draw = np.random.default_rng(4)
        self.state = np.zeros(1, ROLL_SET)[0]
        self.state["inertia_kg"] = MASS_KG
        self.truth_n = 0.0  # of the load cells

    def frame(self, drive_n: float) -> float:
        """One frame; the drive force as observed."""
        accel = drive_n / MASS_KG
        place = self.place + (self.speed + 0.5 * accel * DT_S) * DT_S
        travel, age = math.nan, 0.0
        speed = self.speed + accel * DT_S
        while self.edge_m <= place:
            travel = PITCH_M if math.isnan(travel) else travel + PITCH_M
            age = (place - self.edge_m + self.noise_m * float(self.draw.standard_normal())) / speed
            self.edge_m += PITCH_M
        self.place, self.speed = place, speed
        state = self.state
        state["travel_m"], state["edge_age_s"], state["shown_mps"] = travel, age, speed
        road.update_road_load_observer(state, DT_S, 0.0, self.truth_n)
        return float(state["road_drive_n"])

    def frames(
        self, seconds: float, drive_n: float
    ) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        return np.array([self.frame(drive_n) for _ in range(round(seconds / DT_S))])


@pytest.mark.parametrize("speed_mps", [6.0, 12.0, 25.0])
def test_timing_noise_hardly_shows_while_nothing_happens(speed_mps: float) -> None:
    rolls = Rolls(speed_mps, 6e-6)
    rolls.frames(3.0, 0.0)
    calm = rolls.frames(3.0, 0.0)
    # The same edges through the quick filter alone are several times as restless.
    assert float(np.std(calm)) < 20.0
    assert float(np.mean(calm)) == pytest.approx(0.0, abs=10.0)


@pytest.mark.parametrize("step_n", [1500.0, -1500.0])
def test_a_step_is_followed_within_a_tenth_of_a_second_without_overshoot(step_n: float) -> None:
    rolls = Rolls(15.0, 6e-6)
    rolls.frames(4.0, 0.0)
    seen = rolls.frames(0.6, step_n) / step_n
    outside = np.nonzero(np.abs(seen - 1.0) > 0.1)[0]
    assert (outside[-1] + 1) * DT_S < 0.1
    assert float(seen.max()) < 1.1


def test_a_slow_change_is_followed_too() -> None:
    rolls = Rolls(15.0, 6e-6)
    rolls.frames(3.0, 0.0)
    for k in range(1000):  # 400 N in two seconds, within the usual noise at each moment
        rolls.frame(0.4 * k)
    assert rolls.frame(400.0) == pytest.approx(400.0, abs=60.0)


def test_what_the_cells_revise_is_revised_in_the_pull_at_once() -> None:
    rolls = Rolls(15.0, 0.0)
    rolls.frames(2.0, 500.0)
    before = rolls.frame(500.0)
    rolls.truth_n = 120.0  # the absorbers gave more than their map said
    assert rolls.frame(500.0) - before == pytest.approx(120.0, abs=10.0)


def test_a_few_false_edges_are_forgotten_with_them() -> None:
    rolls = Rolls(22.0, 6e-5)
    rolls.frames(4.0, 0.0)
    usual = float(np.std(rolls.frames(1.0, 0.0)))
    rolls.place -= 4e-4  # what is seen of the wheel stays behind for two frames
    struck = rolls.frames(2 * DT_S, 0.0)
    rolls.place += 4e-4
    after = rolls.frames(0.15, 0.0)[10:]
    assert float(np.abs(struck).max()) > 10.0 * usual  # told at once, as a step is
    assert float(np.sqrt(np.mean(after**2))) < 3.0 * usual


def test_noise_is_calmed_again_soon_after_a_step() -> None:
    spread = []
    for seed in range(20):
        rolls = Rolls(22.0, 6e-6)
        rolls.draw = np.random.default_rng(seed)
        rolls.frames(3.0, 0.0)
        spread.append(rolls.frames(0.3, 1500.0)[100:] - 1500.0)  # from 0.2 s on
    assert float(np.sqrt(np.mean(np.square(spread)))) < 4.0


def test_rolls_that_crept_for_long_do_not_make_everything_after_it_an_event() -> None:
    rolls = Rolls(0.6, 6e-5)
    rolls.frames(20.0, 0.0)
    rolls.frames(8.0, 1.5 * MASS_KG)
    rolls.frames(2.0, 0.0)
    always_calm = Rolls(12.6, 6e-5)
    always_calm.frames(4.0, 0.0)
    usual = float(np.std(always_calm.frames(2.0, 0.0)))
    assert float(np.std(rolls.frames(2.0, 0.0))) < 1.5 * usual
