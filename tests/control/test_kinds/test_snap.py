"""Snap smoke: what the rate of the smoke channel does to the verdict, and what it would do."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import msgspec
import numpy as np
import pytest

from control.load_loop.loop import asking_nothing
from control.test_kinds.plans import SnapSmoke
from control.test_kinds.snap import LEAST_HZ, SnapTest
from daq.measure.measured import Measured
from daq.readings import Quality, Reading, Unit
from daq.results.kinds.smoke import bessel_filter
from daq.rig.description import load_rig
from tests.api.fake_loop import measured

RIG = msgspec.structs.replace(
    load_rig(Path(__file__).parents[3] / "rigs" / "tarnhow.toml"), frame_hz=100
)
DT_S = 0.01


def _snaps(values_hz: float, idle: Callable[[float], float] = lambda _: 80.0) -> SnapTest:
    """Three snaps of 30 % smoke, the channel renewed `values_hz` times a second; idle over time."""
    test = SnapTest("run", SnapSmoke(idle_s=5.0, probe_s=0.5), RIG)
    plain = measured(0.0)
    every = round(1.0 / (values_hz * DT_S))
    smoke = Reading(0.0, Unit.RATIO, 0.0, Quality.GOOD)
    for count in range(20_000):
        now_s = count * DT_S
        floored = test.phase == "snap" and 0.5 < test.phase_s < 2.0
        if count % every == 0:
            smoke = Reading(0.3 if floored else 0.01, Unit.RATIO, now_s, Quality.GOOD)
        test.update(
            _seen(plain, 250.0 if floored else idle(now_s), smoke),
            asking_nothing(len(RIG.absorbers)),
            DT_S,
            held=False,
        )
        if test.done:
            return test
    raise AssertionError(f"still in {test.phase}")


def _seen(plain: Measured, engine_radps: float, smoke: Reading) -> Measured:
    engine = Reading(engine_radps, Unit.RADIAN_PER_SECOND, smoke.time_s, Quality.GOOD)
    return msgspec.structs.replace(plain, engine_speed=engine, slow={"smoke-opacity": smoke})


@pytest.mark.parametrize(
    ("values_hz", "slow", "void"), [(50.0, False, ""), (20.0, False, ""), (10.0, True, "")]
)
def test_a_smoke_channel_below_twenty_values_a_second_is_told(
    values_hz: float, slow: bool, void: str
) -> None:
    told = _snaps(values_hz).summary()
    assert told["smoke_values_per_s"] == pytest.approx(values_hz, rel=0.03)
    assert told["smoke_slow"] is slow
    assert told["void"] == void
    assert told["mean_percent"] == pytest.approx(30.0, rel=0.02)


@pytest.mark.parametrize(
    "idle",
    [
        lambda now_s: 55.0 if now_s < 2.5 else 80.0,  # the gear still drags as the test begins
        lambda now_s: max(80.0, 200.0 - 20.0 * now_s),  # revs that still fall
        lambda now_s: 80.0 if now_s < 6.0 else 100.0,  # a compressor comes in
    ],
    ids=["dragged", "falling", "raised"],
)
def test_idle_is_found_whatever_the_engine_does_around_the_start(
    idle: Callable[[float], float],
) -> None:
    told = _snaps(50.0, idle).summary()
    assert told["void"] == ""
    assert told["snaps"] == 3
    assert float(str(told["idle_rpm"])) == pytest.approx(idle(100.0) * 9.55, rel=0.05)


def test_a_smoke_channel_below_eight_values_a_second_makes_the_run_void() -> None:
    told = _snaps(5.0).summary()
    assert told["valid"] is False
    assert told["void"] == "smoke-slow"


def test_twenty_values_a_second_keep_the_peak_of_a_short_puff_to_one_per_cent() -> None:
    """And ten do not: why LEAST_HZ is what it is."""
    fine, frames = 1000.0, 500.0
    time_s = np.arange(0.0, 3.0, 1.0 / fine)
    at = np.arange(0.0, 3.0, 1.0 / frames)
    worst = {}
    for hertz in (10.0, LEAST_HZ):
        errors = []
        for width_s in (0.1, 0.2, 0.4, 0.8):
            puff = ((time_s >= 0.5) & (time_s < 0.5 + width_s)).astype(float)
            puff = np.convolve(puff, np.ones(40) / 40.0)[: puff.size]  # the meter's own 40 ms
            true = bessel_filter(fine).apply(puff).max()
            for phase_s in np.linspace(0.0, 1.0 / hertz, 8, endpoint=False):
                stamps = np.arange(phase_s, 3.0, 1.0 / hertz)
                held = np.searchsorted(stamps, at, side="right") - 1
                values = np.interp(stamps, time_s, puff)[np.maximum(held, 0)]
                errors.append(abs(bessel_filter(frames).apply(values).max() / true - 1.0))
        worst[hertz] = max(errors)
    assert worst[LEAST_HZ] < 0.012
    assert worst[10.0] > 0.03
