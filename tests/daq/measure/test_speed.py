"""Roll speed from tooth edges: exactness, the bound of physics, and edges that come wrong."""

from __future__ import annotations

import math

import numpy as np
import pytest

from daq.measure.speed import fit
from daq.measure.speed.edges import EXTRA, INDEX, MISSING, RELOCKS
from daq.measure.speed.estimator import (
    ACCEL,
    DELAY_S,
    LOST,
    MOVING,
    NOISY,
    SPEED,
    SPEED_SD,
    STANDING,
    STATUS,
    WINDOW_S,
)
from tests.daq.synthetic import (
    PITCH_M,
    TEETH,
    TICK_HZ,
    Bench,
    accelerated,
    edge_ticks,
    wheel_offsets,
)

V, A, V_SD, STATE = 1 + SPEED, 1 + ACCEL, 1 + SPEED_SD, 1 + STATUS


def test_the_speed_holds_at_the_declared_delay_of_at_most_25_ms() -> None:
    assert DELAY_S <= 0.025
    bench = Bench()
    rows = bench.run(edge_ticks(accelerated(10.0, 3.0), 800, jitter_s=0.0), 700)[200:]
    truth = 10.0 + 3.0 * (rows[:, 0] - DELAY_S)
    assert np.abs(rows[:, V] - truth).max() < 1.5e-3  # timer of 1 us only
    late = 10.0 + 3.0 * rows[:, 0]
    assert np.abs(rows[:, V] - late).min() > 0.05  # and it is not the speed of now


@pytest.mark.parametrize("speed", [2.0, 3.0, 12.0, 30.0, 56.0])
def test_from_walking_pace_to_200_kmh_the_spread_is_what_the_bound_of_its_window_says(
    speed: float,
) -> None:
    jitter = 3e-6
    bench = Bench()
    seconds = 6.0
    count = int((seconds + 1) * speed / PITCH_M)
    rows = bench.run(edge_ticks(accelerated(speed, 0.0), count, jitter_s=jitter), 3000)[700:]
    # Cramer-Rao bound of a quadratic over one window, least-squares theory (SP-01 family:
    # regression over equidistant edges, computed from the normal matrix)
    step = PITCH_M / speed
    edges = max(5, int(WINDOW_S / step) + 1)
    since = np.arange(edges) * step + 0.5 * step - DELAY_S
    design = np.stack([np.ones(edges), since, since**2], axis=1)
    sigma = speed * math.sqrt(jitter**2 + (1.0 / TICK_HZ) ** 2 / 12)
    bound = sigma * math.sqrt(np.linalg.inv(design.T @ design)[1, 1])
    error = rows[:, V] - speed
    assert abs(error.mean()) < 0.5 * bound
    assert error.std() < 1.4 * bound
    assert (rows[:, STATE] == MOVING).all()


def test_the_stated_sigma_is_the_spread_that_is_seen() -> None:
    bench = Bench()
    rows = bench.run(edge_ticks(accelerated(20.0, 0.0), 4000), 4500)[1000:]
    seen = (rows[:, V] - 20.0).std()
    assert rows[:, V_SD].mean() == pytest.approx(seen, rel=0.3)


def test_acceleration_is_without_bias_while_the_rolls_speed_up() -> None:
    bench = Bench()
    rows = bench.run(edge_ticks(accelerated(5.0, 2.5), 1800), 1800)[300:]
    assert rows[:, A].mean() == pytest.approx(2.5, abs=0.01)


def test_the_fit_agrees_with_the_textbook_regression_of_a_period() -> None:
    # SP-01 of the check values (regression-counter theory, arXiv 1506.05009, seen in abstract):
    # relative sigma of a frequency by a straight-line fit over N edges
    for n, expected in ((10, 1.100964e-5), (60, 7.454595e-7), (101, 3.412949e-7)):
        period, jitter = 0.01, 1e-6
        slope_factor = 12.0 / (n * (n * n - 1.0))  # variance of the slope per variance of a point
        assert jitter / period * math.sqrt(slope_factor) == pytest.approx(expected, rel=1e-6)
        times = np.arange(n) * period
        times -= times.mean()
        result = np.zeros(16)
        fit.fit_quadratic(times, np.arange(n, dtype=float), n, -1, result)
        # at the middle of the window the quadratic knows the speed as well as the line does
        assert math.sqrt(result[3]) * period == pytest.approx(math.sqrt(slope_factor), rel=1e-9)


def test_32_bit_ticks_run_over_without_a_trace() -> None:
    start = 0xFFFFFFFF - 700_000
    ticks = edge_ticks(accelerated(20.0, 0.0), 1200) + start
    rows = Bench(start_tick=start).run(ticks, 1000)[100:]
    assert np.abs(rows[:, V] - 20.0).max() < 0.01


def test_the_16_bit_edge_total_runs_over_without_a_trace() -> None:
    bench = Bench(total=65_400)
    rows = bench.run(edge_ticks(accelerated(20.0, 0.0), 1200), 1000)[100:]
    assert np.abs(rows[:, V] - 20.0).max() < 0.01
    assert bench.bank.state[0, RELOCKS] == 0


def test_lost_frames_do_not_lose_the_tooth_phase() -> None:
    ticks = edge_ticks(accelerated(25.0, 0.0), 3200)
    whole = Bench()
    whole.run(ticks, 3000)
    holes = Bench()
    rows = holes.run(ticks, 3000, lose=lambda frame: 500 <= frame < 507 or frame % 97 == 3)
    assert holes.bank.state[0, INDEX] == whole.bank.state[0, INDEX]
    steady = rows[rows[:, 0] > 0.3]
    assert np.abs(steady[:, V] - 25.0).max() < 0.02


def test_doubled_edges_are_left_out() -> None:
    clean = edge_ticks(accelerated(15.0, 0.0), 2500)
    rng = np.random.default_rng(2)
    bounced = clean[rng.random(len(clean)) < 0.2] + 180
    bench = Bench()
    rows = bench.run(np.sort(np.concatenate([clean, bounced])), 2500)[200:]
    assert np.abs(rows[:, V] - 15.0).max() < 0.01
    assert bench.bank.state[0, EXTRA] > 0.9 * (bounced < bench.now).sum() - 3


def test_stray_edges_are_left_out() -> None:
    clean = edge_ticks(accelerated(15.0, 0.0), 2500)
    stray = clean[200:2300:97] + 1500  # somewhere between two teeth
    bench = Bench()
    rows = bench.run(np.sort(np.concatenate([clean, stray])), 2500)[200:]
    assert np.abs(rows[:, V] - 15.0).max() < 0.02
    assert bench.bank.state[0, RELOCKS] == 0


def test_a_missing_tooth_every_turn_does_not_disturb() -> None:
    clean = edge_ticks(accelerated(15.0, 0.0), 2500)
    gap = np.delete(clean, np.arange(30, len(clean), TEETH))
    bench = Bench()
    rows = bench.run(gap, 2500)[200:]
    assert np.abs(rows[:, V] - 15.0).max() < 0.02
    assert bench.bank.state[0, MISSING] >= 10
    assert (rows[:, STATE] != LOST).all()


def test_a_roll_starting_from_rest_is_followed_at_once_and_never_at_half_its_speed() -> None:
    for seed in range(5):
        ticks = edge_ticks(accelerated(0.0, 2.0 + seed), 400, seed=seed, start_s=0.5)
        rows = Bench().run(ticks, 1200)
        moving = rows[(rows[:, 0] > 1.3) & (rows[:, 0] < ticks[-1] / TICK_HZ - 0.05)]
        truth = (2.0 + seed) * (moving[:, 0] - DELAY_S - 0.5)
        assert np.abs(moving[:, V] / truth - 1.0).max() < 0.02


def test_a_roll_that_never_turned_stands() -> None:
    rows = Bench().run(np.zeros(0, np.int64), 50)
    assert (rows[:, V] == 0.0).all()
    assert (rows[:, STATE] == STANDING).all()


def test_slowing_to_a_stop_is_standing_and_not_a_lost_sensor() -> None:
    # 6 m/s braked at 4 m/s2: at rest after 1.5 s and 4.5 m
    ticks = edge_ticks(accelerated(6.0, -4.0), int(4.49 / PITCH_M))
    rows = Bench().run(ticks, 1800)
    assert (rows[:, STATE] != LOST).all()
    assert rows[-1, V] == 0.0
    assert rows[-1, STATE] == STANDING
    after = rows[rows[:, 0] > 1.6]
    bound = PITCH_M / (after[:, 0] - ticks[-1] / TICK_HZ)
    assert (after[:, V] <= bound + 1e-9).all()


@pytest.mark.parametrize("speed", [4.0, 12.0, 50.0])
def test_a_sensor_that_goes_mute_at_speed_is_lost_within_a_few_pitches(speed: float) -> None:
    ticks = edge_ticks(accelerated(speed, 0.0), int(speed / PITCH_M))
    rows = Bench().run(ticks, 1500)
    mute = rows[rows[:, 0] > ticks[-1] / TICK_HZ + 6.0 * PITCH_M / speed + 0.002]
    assert len(mute) > 100
    assert (mute[:, STATE] == LOST).all()
    assert (rows[rows[:, 0] < ticks[-1] / TICK_HZ][:, STATE] != LOST).all()


def test_a_lost_sensor_comes_back_with_its_edges() -> None:
    ticks = edge_ticks(accelerated(20.0, 0.0), 1500)
    hole = ticks[(ticks < 1_000_000) | (ticks > 2_500_000)]
    rows = Bench().run(hole, 1900)
    assert (rows[(rows[:, 0] > 1.2) & (rows[:, 0] < 2.4)][:, STATE] == LOST).all()
    back = rows[rows[:, 0] > 2.7]
    assert (back[:, STATE] == MOVING).all()
    assert np.abs(back[:, V] - 20.0).max() < 0.01


def test_a_step_of_load_is_not_smeared_when_its_force_is_known() -> None:
    # 1600 kg of rolls at 20 m/s; a brake takes hold with 3200 N at t = 1 s: a = -2 m/s2
    mass, speed, force = 1600.0, 20.0, 3200.0
    x1 = speed * 1.0

    def when(x: np.ndarray) -> np.ndarray:
        late = (speed - np.sqrt(np.maximum(speed**2 - 4.0 * (x - x1), 0.0))) / 2.0 + 1.0
        return np.where(x < x1, x / speed, late)

    ticks = edge_ticks(when, 700)
    worst = {}
    for known in (False, True):
        bench = Bench()
        if known:
            bench.bank.parameters[0, 5] = 1.0 / (mass * PITCH_M)
            bench.bank.parameters[0, 6] = 0.002  # age of the newest force
        errors = []
        for _ in range(800):
            now = (bench.now + 2000) / TICK_HZ
            bench.bank.push[0, bench.bank.push_row % 128] = force if now - 0.002 >= 1.0 else 0.0
            bench.bank.push_row += 1
            row = bench.run(ticks, 1)[0]
            at = row[0] - DELAY_S
            if 0.9 < at < 1.2 and abs(at - 1.0) > 0.003:
                errors.append(row[A] - (-2.0 if at > 1.0 else 0.0))
        worst[known] = max(abs(error) for error in errors)
    assert worst[False] > 0.8
    assert worst[True] < 0.15


def test_the_pitch_error_spoils_an_unlearned_wheel_and_not_a_learned_one() -> None:
    offsets = wheel_offsets(4, 1e-3, 2e-3)
    bench = Bench()
    ticks = edge_ticks(accelerated(20.0, 0.0), 6000, offsets=offsets)
    rows = bench.run(ticks, 7500)
    early = (rows[(rows[:, 0] > 0.15) & (rows[:, 0] < 0.3)][:, V] - 20.0).std()
    late = (rows[rows[:, 0] > 10.0][:, V] - 20.0).std()
    assert late < 0.3 * early
    assert late < 1.5 * 7.4e-4  # 1.5 x the bound at 20 m/s (bench.speed prints it)


def test_a_sensor_that_suddenly_sees_every_second_tooth_is_not_believed() -> None:
    ticks = edge_ticks(accelerated(20.0, 0.0), 3600)
    half = np.concatenate([ticks[:800], ticks[800:2000:2], ticks[2000:]])
    rows = Bench().run(half, 4600)
    time = rows[:, 0]
    t1, t2 = ticks[800] / TICK_HZ, ticks[2000] / TICK_HZ
    wrong = rows[(time > t1 + 0.1) & (time < t2)]
    assert np.median(wrong[:, V]) == pytest.approx(10.0, rel=0.01)
    assert (wrong[:, STATE] == NOISY).all()
    healed = rows[(time > t2 + 0.3) & (time < ticks[-1] / TICK_HZ)]
    assert (healed[:, STATE] == MOVING).all()
    assert np.abs(healed[:, V] - 20.0).max() < 0.02


@pytest.mark.parametrize("rate_hz", [300.0, 3000.0])
@pytest.mark.parametrize("speed", [6.0, 35.0])
def test_a_burst_of_random_edges_is_doubted_and_then_over(speed: float, rate_hz: float) -> None:
    ticks = edge_ticks(accelerated(speed, 0.0), int(4.0 * speed / PITCH_M))
    for seed, burst_s in enumerate((0.05, 0.15, 0.4, 0.05, 0.15, 0.4)):
        chance = np.random.default_rng(seed)
        begin, end = 2.0 * TICK_HZ, (2.0 + burst_s) * TICK_HZ
        noise = chance.uniform(begin, end, chance.poisson(rate_hz * burst_s)).astype(ticks.dtype)
        rows = Bench().run(
            np.unique(np.concatenate([ticks[ticks < begin], noise, ticks[ticks >= end]])), 1950
        )
        time = rows[:, 0]
        assert (rows[(time > 2.0) & (time < 2.0 + burst_s + 0.02)][:, STATE] == NOISY).any()
        after = rows[(time > 2.0 + burst_s + 0.6)]
        assert (after[:, STATE] == MOVING).all()
        assert np.abs(after[:, V] - speed).max() < 0.02


def test_bounces_on_every_tooth_do_not_disturb_a_start_from_rest() -> None:
    clean = edge_ticks(accelerated(0.0, 2.0), 300, start_s=0.3)
    rows = Bench().run(np.sort(np.concatenate([clean, clean + 180])), 1000)
    assert (rows[:, STATE] != NOISY).all()
    moving = rows[(rows[:, 0] > 1.0) & (rows[:, 0] < 1.9)]
    truth = 2.0 * (moving[:, 0] - DELAY_S - 0.3)
    assert np.abs(moving[:, V] / truth - 1.0).max() < 0.02


@pytest.mark.parametrize("first_m", [0.002, 0.02, 0.04])
def test_no_edge_of_a_truck_driving_off_is_taken_for_a_bounce(first_m: float) -> None:
    """A converter takes up its pull: speeds as a simulated truck drove off."""
    seconds = np.arange(0.0, 3.0, 1e-3)
    at_s = [0.0, 0.14, 0.49, 0.64, 0.84, 0.92, 1.05, 1.16, 1.35, 3.0]
    speeds = [0.0, 0.043, 0.277, 0.417, 0.634, 0.723, 0.875, 1.01, 1.24, 3.22]
    places = np.cumsum(np.interp(seconds, at_s, speeds)) * 1e-3
    bench = Bench()
    ticks = edge_ticks(lambda x: np.interp(x - PITCH_M + first_m, places, seconds), 60)
    rows = bench.run(ticks, int(ticks[-1] / 2000))
    assert bench.bank.state[0, EXTRA] == 0
    assert NOISY not in rows[:, STATE]


@pytest.mark.parametrize("creep_mps", [0.3, 0.4, 0.6])
def test_rolls_that_creep_under_a_light_brake_are_followed_off_and_to_a_halt(
    creep_mps: float,
) -> None:
    """As a truck does whose brake is let go, and then stood on, within one or two teeth."""
    seconds = np.arange(0.0, 9.0, 1e-3)
    at_s = [0.0, 4.0, 4.1, 4.8, 4.9, 5.2, 7.0, 7.1, 9.0]
    speeds = [creep_mps, creep_mps, creep_mps + 0.3, 3.0, 3.0, creep_mps, creep_mps, 0.8, 7.0]
    places = np.cumsum(np.interp(seconds, at_s, speeds)) * 1e-3
    bench = Bench()
    ticks = edge_ticks(lambda x: np.interp(x, places, seconds), int(places[-1] / PITCH_M) - 1)
    rows = bench.run(ticks, int(8.8 * 500))
    assert NOISY not in rows[:, STATE]
    assert bench.bank.state[0, EXTRA] == bench.bank.state[0, MISSING] == 0
    assert bench.bank.state[0, INDEX] == np.searchsorted(ticks, bench.now, side="right")
