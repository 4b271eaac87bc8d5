"""Speed for results: the smoother against closed-form motions."""

from __future__ import annotations

import math

import numpy as np
import pytest

from daq.measure.speed.estimator import WheelConfig
from daq.measure.speed.smoother import EdgeTrack, collect_edges, smooth
from daq.wire.frames import Sample
from tests.daq.synthetic import (
    FRAME_TICKS,
    PITCH_M,
    TEETH,
    TICK_HZ,
    accelerated,
    edge_ticks,
    wheel_offsets,
)


def _track(ticks: np.ndarray, offsets: np.ndarray | None = None, sigma: float = 0.0) -> EdgeTrack:
    return EdgeTrack(
        ticks / TICK_HZ,
        np.arange(1, len(ticks) + 1),
        np.zeros(TEETH) if offsets is None else offsets,
        sigma,
        TEETH,
        PITCH_M,
    )


def test_uniform_acceleration_is_followed_without_bias_and_within_the_stated_sigma() -> None:
    track = _track(edge_ticks(accelerated(8.0, 2.0), 3000))
    query = np.arange(0.5, 7.0, 0.002)
    result = smooth(track, query)
    error = result.speed - (8.0 + 2.0 * query)
    assert abs(error.mean()) < 2e-4
    assert np.sqrt(np.mean(error**2)) < 2.0 * result.speed_sigma.mean()
    assert result.acceleration.mean() == pytest.approx(2.0, abs=1e-3)


def test_it_beats_the_live_estimate_and_has_no_delay() -> None:
    from tests.daq.synthetic import Bench

    ticks = edge_ticks(accelerated(20.0, 0.0), 4000)
    live = Bench().run(ticks, 4500)[1000:]
    query = live[:, 0]
    result = smooth(_track(ticks), query)
    assert (result.speed - 20.0).std() < 0.3 * (live[:, 1] - 20.0).std()


def test_a_motion_that_swings_is_kept_and_not_smoothed_away() -> None:
    swing, rate = 0.05, 2 * math.pi * 2.0

    def when(x: np.ndarray) -> np.ndarray:
        t = x / 15.0
        for _ in range(40):
            t = (x - swing * np.sin(rate * t)) / 15.0
        return t

    query = np.arange(1.0, 6.0, 0.004)
    result = smooth(_track(edge_ticks(when, 2000)), query)
    true = 15.0 + swing * rate * np.cos(rate * query)
    assert np.abs(result.speed - true).max() < 0.03  # of a swing of +-0.63 m/s
    assert (result.speed - true).std() < 0.006
    true_accel = -swing * rate**2 * np.sin(rate * query)
    assert (result.acceleration - true_accel).std() < 0.2  # of +-7.9 m/s2


def test_nothing_is_invented_where_the_wheel_stood() -> None:
    first = edge_ticks(accelerated(10.0, 0.0), 200)
    second = edge_ticks(accelerated(10.0, 0.0), 200, start_s=3.0)
    result = smooth(_track(np.concatenate([first, second])), np.arange(0.1, 4.0, 0.1))
    standing = (result.time_s > 1.1) & (result.time_s < 2.95)
    assert np.isnan(result.speed[standing]).all()
    moving = (result.time_s > 0.15) & (result.time_s < 1.0)
    assert np.abs(result.speed[moving] - 10.0).max() < 0.01


def test_an_empty_recording_gives_nothing_and_no_error() -> None:
    result = smooth(_track(np.zeros(0, np.int64)), np.array([1.0, 2.0]))
    assert np.isnan(result.speed).all()


def test_edges_are_collected_from_samples_with_the_offsets_learned_from_them() -> None:
    offsets = wheel_offsets(3, 1e-3, 2e-3)
    ticks = edge_ticks(accelerated(20.0, 0.0), 4000, offsets=offsets)
    samples = []
    passed = 0
    for frame in range(int(ticks[-1] / FRAME_TICKS)):
        now = (frame + 1) * FRAME_TICKS
        upto = int(np.searchsorted(ticks, now, side="right"))
        if frame % 101 != 7:  # now and then a frame is lost
            arrived = tuple(int(t) for t in ticks[passed:upto])
            samples.append(Sample(frame, now, 1, 0, 0, 0, (upto & 0xFFFF,), (arrived,), (), (), ()))
        passed = upto
    track = collect_edges(WheelConfig(TEETH, PITCH_M), 0, TICK_HZ, samples)
    assert len(track.time_s) > 3800
    assert np.std(track.offsets - offsets) < 3e-4
    query = np.arange(1.0, 9.0, 0.002)
    learned = smooth(track, query)
    assert (learned.speed - 20.0).std() < 3e-4
