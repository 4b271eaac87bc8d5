"""Spool-up times do not depend on how late a channel is, and say how sure they are."""

from __future__ import annotations

import math

import numpy as np
import pytest

from daq.errors import Refused
from daq.results.kinds.spoolup import spool_up

TAU_S = 0.6


def rise(delay_s: float, noise: float = 0.0, seed: int = 2) -> tuple[np.ndarray, np.ndarray]:
    time = np.arange(0.0, 12.0, 0.002)
    since = np.clip(time - delay_s - 3.0, 0.0, None)
    y = 200.0 + 900.0 * (1.0 - np.exp(-since / TAU_S))
    return time, y + np.random.default_rng(seed).normal(0.0, 1.0, time.size) * noise


def test_first_order_rise_takes_the_published_time() -> None:
    # CT-07 (closed form): t10-90 of a first-order rise is 2.197225 tau.
    found = spool_up(*rise(0.0), "torque", (1.0, 2.9), (9.0, 12.0))
    assert found.rise_s == pytest.approx(2.197225 * TAU_S, rel=2e-3)
    t10, t50, t90 = (one.time_s - found.onset.time_s for one in (found.t10, found.t50, found.t90))
    assert t10 == pytest.approx(-TAU_S * math.log(0.9), abs=0.005)
    assert t50 == pytest.approx(TAU_S * math.log(2.0), abs=0.005)
    assert t90 == pytest.approx(TAU_S * math.log(10.0), abs=0.006)


def test_a_late_channel_tells_the_same_times_once_its_delay_is_removed() -> None:
    prompt = spool_up(*rise(0.0), "boost", (1.0, 2.9), (9.0, 12.0))
    late = spool_up(*rise(0.120), "boost", (1.0, 2.9), (9.0, 11.8), delay_s=0.120)
    assert late.t50.time_s == pytest.approx(prompt.t50.time_s, abs=0.002)


def test_the_stated_uncertainty_covers_the_noise() -> None:
    reference = spool_up(*rise(0.0), "torque", (1.0, 2.9), (9.0, 12.0)).t50.time_s
    found = [
        spool_up(*rise(0.0, 6.0, seed), "torque", (1.0, 2.9), (9.0, 12.0)).t50 for seed in range(40)
    ]
    scatter = np.std([one.time_s - reference for one in found])
    assert scatter == pytest.approx(np.mean([one.sigma_s for one in found]), rel=0.5)


def test_a_channel_that_does_not_rise_is_refused() -> None:
    time = np.arange(0.0, 12.0, 0.002)
    flat = 200.0 + np.random.default_rng(1).normal(0.0, 5.0, time.size)
    with pytest.raises(Refused) as refusal:
        spool_up(time, flat, "boost", (1.0, 2.9), (9.0, 12.0))
    assert refusal.value.code == "no-rise"


def test_an_empty_window_is_refused() -> None:
    with pytest.raises(Refused):
        spool_up(*rise(0.0), "torque", (20.0, 21.0), (9.0, 12.0))
