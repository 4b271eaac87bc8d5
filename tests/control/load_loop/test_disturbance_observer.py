"""The disturbance observers: calm on timing noise, quick on a change, true to the cells."""

from __future__ import annotations

import math

import numpy as np
import pytest

from control.load_loop.kernel import update_observers
from control.load_loop.loop import LoadLoop
from tests.control.control_stand import tarnhow

DT_S = 0.002
PITCH_M = 2.0 * math.pi * 0.5 / 60
MASS_KG = 1600.0
Floats = np.ndarray[tuple[int], np.dtype[np.float64]]


class Rolls:
    """A roll set whose edges are late or early by `noise_m` rms; `which` observer is asked.

    It is braked by `absorbed_n`, which the loop knows. The other roll set stands.
    """

    def __init__(self, speed_mps: float, noise_m: float, which: str = "road") -> None:
        self.speed, self.place, self.edge_m = speed_mps, 0.0, PITCH_M
        self.noise_m = noise_m
        self.draw = np.random.default_rng(4)
        loads = LoadLoop(tarnhow())
        loads.set_delays(0.5 * PITCH_M / max(speed_mps, 1.0), 0)
        self.loops, self.roll_sets, self.absorbers = loads.loop, loads.roll_sets, loads.absorbers
        self.loops["dt_s"] = DT_S
        self.roll_sets["inertia_kg"] = MASS_KG
        for name in ("loss_a", "loss_b", "loss_c"):
            self.roll_sets[name] = 0.0
        self.roll_sets["travel_m"] = self.roll_sets["shown_mps"] = math.nan
        self.state = self.roll_sets[0]
        self.which = which
        self.absorbed_n = 0.0
        self.truth_n = 0.0  # of the load cells

    def update(self, travel_m: float, age_s: float, shown_mps: float, late_s: float = 0.0) -> float:
        """One frame of the observers; the drive force as observed."""
        state, brake = self.state, self.absorbers[0]
        state["travel_m"], state["edge_age_s"], state["shown_mps"] = travel_m, age_s, shown_mps
        brake["force_tick_n"] = brake["force_now_n"] = self.absorbed_n
        brake["cell_correction_n"] = self.truth_n
        self.loops["shown_delay_s"] = late_s
        update_observers(self.loops[0], self.roll_sets, self.absorbers)
        return float(state[self.which]["drive_n"])

    def frame(self, drive_n: float) -> float:
        """One frame; the drive force as observed."""
        accel = (drive_n - self.absorbed_n) / MASS_KG
        place = self.place + (self.speed + 0.5 * accel * DT_S) * DT_S
        travel, age = math.nan, 0.0
        speed = self.speed + accel * DT_S
        while self.edge_m <= place:
            travel = PITCH_M if math.isnan(travel) else travel + PITCH_M
            age = (place - self.edge_m + self.noise_m * float(self.draw.standard_normal())) / speed
            self.edge_m += PITCH_M
        self.place, self.speed = place, speed
        return self.update(travel, age, speed)

    def frames(self, seconds: float, drive_n: float) -> Floats:
        return np.array([self.frame(drive_n) for _ in range(round(seconds / DT_S))])


def test_the_hold_s_observer_finds_a_steady_drive_force_and_a_step_of_it() -> None:
    rolls = Rolls(28.0, 0.0, "hold")
    rolls.absorbed_n = 5000.0
    assert rolls.frames(1.0, 5000.0)[-1] == pytest.approx(5000.0, abs=5.0)
    seen = rolls.frames(1.0, 4000.0)
    assert seen[-1] == pytest.approx(4000.0, abs=10.0)
    assert np.nonzero(seen < 4370.0)[0][0] * DT_S < 0.06, "63 % of the step within 60 ms"


def test_noise_of_the_edges_hardly_moves_a_held_speed_s_observed_force() -> None:
    """Twice the timer's noise, 2 us; the fast filter alone is some three times as restless."""
    rolls = Rolls(28.0, 56e-6, "hold")
    rolls.frames(4.0, 0.0)
    calm = rolls.frames(4.0, 0.0)
    fast = []
    for _ in range(2000):
        rolls.frame(0.0)
        fast.append(float(rolls.state["hold"]["fast"]["drive_n"]))
    assert float(np.std(calm)) < 30.0
    assert float(np.std(calm)) < 0.35 * float(np.std(fast))


def test_a_pedal_is_met_as_soon_as_the_fast_filter_alone_would_once_it_is_sure() -> None:
    """A ramp of 10 kN/s, as of a foot: used is what the fast filter says within 80 ms."""
    rolls = Rolls(8.3, 17e-6, "hold")
    rolls.frames(4.0, 0.0)
    for k in range(100):
        rolls.frame(-20.0 * k)
        state = rolls.state["hold"]
        if k > 40:
            assert state["drive_n"] == pytest.approx(float(state["fast"]["drive_n"]), abs=120.0)
    assert rolls.loops["hold"]["alertness"][0] > 0.5


@pytest.mark.parametrize("which", ["hold", "road"])
@pytest.mark.parametrize("left_n", [-5000.0, 5000.0])
def test_rolls_that_come_to_rest_leave_nothing_behind(which: str, left_n: float) -> None:
    rolls = Rolls(2.0, 0.0, which)
    rolls.roll_sets["loss_a"] = 60.0
    for speed in (*np.linspace(2.0, 0.0, 200), *np.zeros(60_000)):  # two minutes at rest
        rolls.update(math.nan, 0.0, float(speed), 0.025)
        if speed == 2.0:
            rolls.state[which]["slow"]["drive_n"] = left_n
    seen = rolls.state[which]
    assert [seen["speed_mps"], seen["drive_n"]] == pytest.approx([0.0, 60.0], abs=1.0)


@pytest.mark.parametrize("which", ["hold", "road"])
def test_a_number_lost_in_an_observer_is_found_again(which: str) -> None:
    rolls = Rolls(8.0, 0.0, which)
    for absorbed in (0.0, math.nan, 0.0):
        rolls.absorbed_n = absorbed
        rolls.update(math.nan, 0.0, 8.0, 0.025)
    assert rolls.state[which]["speed_mps"] == pytest.approx(8.0)


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
