"""The loop's own measurement of its beat, in times of our choosing."""

from __future__ import annotations

import math

from api.runtime.timing import LoopTiming
from control.telemetry import LoopHealth


def test_a_regular_beat_shows_its_period_and_no_overrun() -> None:
    pulse = LoopTiming(0.002)
    for beat in range(1001):
        assert pulse.beat(beat * 0.002) is None
    health = pulse.fill(LoopHealth(), 10.0)
    assert math.isclose(health.period_p50_ms, 2.0, rel_tol=1e-6)
    assert math.isclose(health.period_max_ms, 2.0, rel_tol=1e-6)
    assert health.overruns == 0


def test_a_late_beat_is_counted_and_the_work_that_made_it_late_is_named() -> None:
    pulse = LoopTiming(0.002)
    pulse.beat(0.0)
    pulse.ran("telemetry", 0.0001)
    pulse.ran("garbage collection", 0.006)
    pulse.ran("frames", 0.0002)
    late = pulse.beat(0.008)
    assert late is not None
    assert (late.work, late.work_s) == ("garbage collection", 0.006)
    assert math.isclose(late.gap_s, 0.008)
    assert pulse.fill(LoopHealth(), 1.0).overruns == 1
    assert pulse.beat(0.010) is None


def test_a_lost_link_is_not_a_late_loop() -> None:
    pulse = LoopTiming(0.002)
    pulse.beat(0.0)
    pulse.beat(0.002)
    pulse.pause()
    assert pulse.beat(5.0) is None
    assert math.isclose(pulse.max_ms, 2.0, rel_tol=1e-6)


def test_the_worst_period_is_that_since_the_restart() -> None:
    pulse = LoopTiming(0.002)
    pulse.beat(0.0)
    pulse.beat(0.05)
    pulse.restart()
    assert math.isnan(pulse.max_ms)
    pulse.beat(1.0)
    pulse.beat(1.002)
    assert math.isclose(pulse.max_ms, 2.0, rel_tol=1e-6)
