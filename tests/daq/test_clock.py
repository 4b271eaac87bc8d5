"""Device ticks become 64-bit seconds, and host time is found for them through a poor line."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.clock import REFUSED_IN_A_ROW, WAITING, WINDOW, HostMap, TickClock

HZ = 10_000_000


def test_ticks_grow_on_across_the_wrap_of_the_counter() -> None:
    clock = TickClock(HZ)
    assert clock.extend(2**32 - 10_000) == 2**32 - 10_000
    assert clock.extend(10_000) == 2**32 + 10_000
    assert clock.seconds(2**32 + 10_000) == pytest.approx(429.4977296, abs=1e-7)


def test_an_edge_before_the_newest_tick_is_dated_back_and_moves_nothing() -> None:
    clock = TickClock(HZ)
    clock.extend(2**32 - 10)
    assert clock.extend(20) == 2**32 + 20
    assert clock.extend(2**32 - 5) == 2**32 - 5
    assert clock.extend(30) == 2**32 + 30


@given(st.integers(0, 2**32 - 1), st.lists(st.integers(0, 2**31 - 1), max_size=50))
@settings(deadline=None)
def test_any_steps_below_half_a_turn_add_up_exactly(start: int, steps: list[int]) -> None:
    clock = TickClock(1_000_000)
    true = clock.extend(start)
    for step in steps:
        true += step
        assert clock.extend(true % 2**32) == true


def test_a_tick_rate_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="positive"):
        TickClock(0)


def exchange(
    host: HostMap, token: int, host_s: float, there_s: float, back_s: float, rate: float = 1.0
) -> bool:
    """Ask at `host_s`; the device, whose zero is host second 1000, reads it `there_s` later."""
    device_s = (host_s + there_s - 1000.0) / rate
    host.asked(token, host_s)
    return host.answered(token, round(device_s * HZ) % 2**32, host_s + there_s + back_s)


def test_host_time_follows_a_slow_crystal_through_a_line_with_jitter() -> None:
    rng = random.Random(3)
    host = HostMap(TickClock(HZ))
    rate = 1.0 + 40e-6  # host seconds per device second
    for token in range(200):
        exchange(
            host,
            token,
            1000.0 + 0.5 * token,
            rng.expovariate(1 / 0.0003),
            rng.expovariate(1 / 0.0003),
            rate,
        )
    device_s = 100.0
    assert host.host_s(device_s) == pytest.approx(1000.0 + device_s * rate, abs=0.0005)
    assert host.device_s(host.host_s(device_s)) == pytest.approx(device_s, abs=1e-9)
    assert host.rate_ppm == pytest.approx(40.0, abs=25.0)
    assert host.sigma_s < 0.0005


def test_the_usb_adapters_latency_timer_shows_in_the_round_trip() -> None:
    rng = random.Random(4)
    host = HostMap(TickClock(HZ))
    for token in range(50):
        exchange(host, token, 1000.0 + 0.5 * token, 0.0002, rng.uniform(0.001, 0.016))
    assert 0.004 < host.round_trip_s(0.5) < 0.013
    assert host.round_trip_s(1.0) > host.round_trip_s(0.5) > host.round_trip_s(0.0)


def test_slow_exchanges_have_no_vote_in_the_line() -> None:
    """A late answer puts the middle of its exchange off by half the delay: up to 0.4 ms here."""
    host = HostMap(TickClock(HZ))
    for token in range(40):
        exchange(host, token, 1000.0 + 0.5 * token, 0.0001, 0.0009 if token % 2 else 0.0001)
    assert host.refused == 0, "too little off for an outlier"
    for device_s in (0.0, 10.0, 19.5):
        assert host.host_s(device_s) == pytest.approx(1000.0 + device_s, abs=2e-6)


def test_one_wild_answer_is_refused_and_moves_nothing() -> None:
    host = HostMap(TickClock(HZ))
    for token in range(20):
        assert exchange(host, token, 1000.0 + token, 0.0002, 0.0002)
    before = host.host_s(15.0)
    host.asked(99, 1020.0)
    assert not host.answered(99, round(25.0 * HZ), 1020.0004)  # five seconds off
    assert host.host_s(15.0) == before
    assert host.refused == 1


def test_a_clock_that_really_jumped_is_followed_after_a_few_refusals() -> None:
    host = HostMap(TickClock(HZ))
    for token in range(20):
        exchange(host, token, 1000.0 + token, 0.0002, 0.0002)
    for token in range(20, 20 + REFUSED_IN_A_ROW + 3):
        host.asked(token, 1000.0 + token)
        host.answered(token, round((token + 5.0) * HZ), 1000.0004 + token)
    assert host.restarts == 1
    assert host.host_s(30.0) == pytest.approx(1025.0002, abs=1e-6)


def test_an_answer_to_no_question_and_an_answer_twice_are_nothing() -> None:
    host = HostMap(TickClock(HZ))
    assert not host.answered(1, 0, 5.0)
    host.asked(2, 5.0)
    assert host.answered(2, 100, 5.001)
    assert not host.answered(2, 200, 5.002)
    assert host.accepted == 1


def test_questions_without_answers_are_given_up_and_counted() -> None:
    host = HostMap(TickClock(HZ))
    for token in range(WAITING + 10):
        host.asked(token, float(token))
    assert host.unanswered == 10
    assert not host.answered(0, 0, 20.0)


def test_nothing_is_known_before_the_first_answer() -> None:
    host = HostMap(TickClock(HZ))
    assert not host.ready
    assert math.isnan(host.host_s(1.0))
    assert math.isnan(host.round_trip_s(0.5))


def test_the_window_is_bounded_and_old_exchanges_fall_out() -> None:
    host = HostMap(TickClock(HZ))
    for token in range(WINDOW + 20):
        exchange(host, token, 1000.0 + token, 0.0005 if token < 20 else 0.0001, 0.0001)
    assert host.accepted == WINDOW + 20
    assert host.round_trip_s(1.0) == pytest.approx(0.0002, abs=1e-9)
