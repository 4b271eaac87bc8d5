"""Learning a tooth wheel: how fast, how well, and what it survives."""

from __future__ import annotations

import math

import numpy as np
import pytest

from daq.measure.speed.estimator import SPEED
from daq.measure.speed.tooth_errors import ToothLearner, ToothTable, best_turn
from tests.daq.synthetic import (
    PITCH_M,
    TEETH,
    Bench,
    accelerated,
    edge_ticks,
    wheel_offsets,
)


def _error(bench: Bench, offsets: np.ndarray) -> float:
    return float(np.std(bench.bank.learners[0].used - offsets))


def test_two_dozen_turns_at_20_mps_learn_pitch_error_and_run_out() -> None:
    offsets = wheel_offsets(1, 1e-3, 3e-3)
    bench = Bench()
    turns = 26
    ticks = edge_ticks(accelerated(20.0, 0.0), turns * TEETH, offsets=offsets)
    bench.run(ticks, int(ticks[-1] / 2000))
    assert offsets.std() > 2e-3
    assert _error(bench, offsets) < 3.5e-4  # 60 um jitter over 24 turns: 2.4e-4 pitches
    said = bench.bank.learners[0].sigma
    assert _error(bench, offsets) == pytest.approx(said, rel=0.4)


def test_it_learns_just_as_well_while_the_truck_speeds_up() -> None:
    offsets = wheel_offsets(2, 1e-3, 3e-3)
    bench = Bench()
    ticks = edge_ticks(accelerated(15.0, 3.0), 40 * TEETH, offsets=offsets)
    bench.run(ticks, int(ticks[-1] / 2000))
    assert _error(bench, offsets) < 4e-4


def test_a_driver_who_cannot_hold_still_does_not_spoil_the_table() -> None:
    offsets = wheel_offsets(3, 1e-3, 2e-3)
    # x(t) = 20 t + 0.02 sin(2 pi 1.3 t): a speed swing of 0.8 %, inverted by iteration
    swing, rate = 0.02, 2 * math.pi * 1.3

    def when(x: np.ndarray) -> np.ndarray:
        t = x / 20.0
        for _ in range(30):
            t = (x - swing * np.sin(rate * t)) / 20.0
        return t

    bench = Bench()
    ticks = edge_ticks(when, 60 * TEETH, offsets=offsets)
    bench.run(ticks, int(ticks[-1] / 2000))
    assert _error(bench, offsets) < 0.35 * offsets.std()


def test_driving_off_leaves_no_seam_in_the_table() -> None:
    """A pull that grows within one block is no cubic: its table would be a saw-tooth."""
    seconds = np.arange(0.0, 4.0, 1e-3)
    pull = 2.6 + 0.7 * (1.0 - np.exp(-seconds / 0.4))
    places = np.cumsum(1.2 + np.cumsum(pull) * 1e-3) * 1e-3

    def when(x: np.ndarray) -> np.ndarray:
        return np.interp(x, places, seconds)

    bench = Bench()  # of a perfect wheel
    ticks = edge_ticks(when, 8 * TEETH)
    worst = 0.0
    for _ in range(int(ticks[-1] / 2000)):
        bench.run(ticks, 1)
        worst = max(worst, float(np.abs(bench.bank.learners[0].used).max()))
    assert worst < 5e-4


def test_a_perfect_wheel_gets_no_table() -> None:
    bench = Bench()
    bench.run(edge_ticks(accelerated(20.0, 0.0), 60 * TEETH), 4500)
    assert np.std(bench.bank.learners[0].used) < 1e-4


def test_after_a_restart_the_stored_table_is_turned_until_it_fits() -> None:
    offsets = wheel_offsets(5, 1e-3, 2e-3)
    before = Bench()
    ticks = edge_ticks(accelerated(20.0, 0.0), 120 * TEETH, offsets=offsets)
    before.run(ticks, int(ticks[-1] / 2000))
    table = before.bank.learners[0].table()
    assert table is not None
    # the host restarts: it sees another count, with the wheel 17 teeth further on
    after = Bench(total=4711)
    after.bank.learners[0].restore(table)
    ticks = edge_ticks(accelerated(20.0, 0.0), 12 * TEETH, seed=9, offsets=offsets, first_tooth=17)
    after.run(ticks, int(ticks[-1] / 2000))
    learner = after.bank.learners[0]
    assert learner.realigned
    true = np.roll(offsets, 4711 - 17)  # the count that now goes with each tooth
    assert np.std(learner.used - true) < 2e-4  # ten turns alone would give 4e-4


def test_the_table_of_another_wheel_is_thrown_away() -> None:
    bench = Bench()
    stranger = wheel_offsets(77, 1e-3, 2e-3)
    bench.bank.learners[0].restore(ToothTable(tuple(stranger.tolist()), 1e-9, 50))
    offsets = wheel_offsets(6, 1e-3, 2e-3)
    ticks = edge_ticks(accelerated(20.0, 0.0), 40 * TEETH, offsets=offsets)
    bench.run(ticks, int(ticks[-1] / 2000))
    assert not bench.bank.learners[0].realigned
    assert bench.bank.learners[0].stored is None
    assert _error(bench, offsets) < 4e-4


@pytest.mark.parametrize(
    "table",
    [
        ToothTable((0.0,) * 10, 1e-9, 5),
        ToothTable((float("nan"),) * TEETH, 1e-9, 5),
        ToothTable((0.0,) * TEETH, -1.0, 5),
    ],
)
def test_a_damaged_table_is_not_taken(table: ToothTable) -> None:
    learner = ToothLearner(TEETH, np.zeros(TEETH))
    learner.restore(table)
    assert learner.stored is None


def test_an_edge_lost_without_notice_moves_the_table_along() -> None:
    offsets = wheel_offsets(8, 2e-3, 3e-3)
    bench = Bench()
    ticks = edge_ticks(accelerated(20.0, 0.0), 120 * TEETH, offsets=offsets)
    frames = int(ticks[-1] / 2000)
    bench.run(ticks, frames // 2)
    learned = bench.bank.learners[0].used.copy()
    # the count slips by one, unseen
    bench.bank.state[0, 3] += 1
    bench.bank.state[0, 1] = 0
    bench.bank.motion[0, 4] = 0.0
    rows = bench.run(ticks, frames // 2 - 200)
    assert bench.bank.learners[0].slips == 1
    assert np.std(bench.bank.learners[0].used - np.roll(learned, 1)) < 2e-4
    late = rows[rows[:, 0] > rows[-1, 0] - 1.0]
    assert (late[:, 1 + SPEED] - 20.0).std() < 1.5 * 7.4e-4


def test_turning_a_table_finds_the_shift_it_was_turned_by() -> None:
    table = wheel_offsets(9, 1e-3, 1e-3)
    for shift in (0, 1, 29, 59):
        found = np.roll(table, -shift)
        place, misfit, lead = best_turn(found, table, 1e-8)
        assert place == shift
        assert misfit < 1e-6
        assert lead > 40


def test_a_pickup_with_two_pulses_learns_their_unequal_spacing() -> None:
    uneven = np.array([0.02, -0.02])
    bench = Bench(teeth=2)
    ticks = edge_ticks(accelerated(2.0, 0.0), 400, offsets=uneven)  # 2 m/s: 38 pulses a second
    rows = bench.run(ticks, int(ticks[-1] / 2000))
    late = rows[rows[:, 0] > 6.0]
    assert np.abs(late[:, 1 + SPEED] - 2.0).max() < 0.002
    assert PITCH_M > 0
