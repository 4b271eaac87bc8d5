"""The rig's own channels in a result, by arithmetic: start, end, mean, least, greatest, slope."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from daq.results.evaluate import evaluate
from daq.results.result import ChannelOut, Result
from tests.daq.results.test_evaluate import RATIO, run

PLAN = {"kind": "steady-hold", "speed_mps": 20.0, "seconds": 60.0, "settle_s": 10.0}
PHASES = (("take-up", 0.0), ("settle", 5.0), ("hold", 15.0))


def held(**over: Any) -> Result:
    given = run(PLAN, 75.0, lambda t: RATIO * 20.0 + 0 * t, lambda t: 60_000.0 + 0 * t,
                phases=PHASES, **over)  # fmt: skip
    return evaluate(given, "1")


def channel(result: Result, name: str) -> ChannelOut:
    return next(one for one in result.channels if one.name == name)


def test_a_channel_is_told_over_the_evaluated_part_alone() -> None:
    """Oil at 90 degC until the hold, then 3 K a minute."""
    oil = channel(
        held(slow_oil_temperature=lambda t: 363.15 + 0.05 * np.maximum(t - 15.0, 0.0)),
        "oil-temperature",
    )
    assert oil.unit == "K"
    assert oil.slope_per_s == pytest.approx(0.05)
    assert oil.start == pytest.approx(363.15 + 0.05 * 0.5, abs=1e-3)
    assert oil.end == pytest.approx(363.15 + 0.05 * 59.5, abs=1e-3)
    assert oil.mean == pytest.approx(363.15 + 0.05 * 30.0, abs=1e-3)
    assert oil.least == pytest.approx(363.15, abs=1e-3)
    assert oil.greatest == pytest.approx(366.15, abs=1e-3)
    assert oil.curve.x[-1] > 74.0, "its course is that of the whole run"


def test_gaps_are_left_out_and_a_channel_without_values_is_not_there() -> None:
    def boost(t: Any) -> Any:
        return np.where((t > 30.0) & (t < 40.0), np.nan, 150_000.0)

    result = held(slow_boost=boost, slow_oil_temperature=lambda t: np.full(t.size, np.nan))
    assert channel(result, "boost").mean == pytest.approx(150_000.0)
    assert channel(result, "boost").slope_per_s == pytest.approx(0.0, abs=1e-6)
    assert "oil-temperature" not in {one.name for one in result.channels}


def test_power_stands_beside_them_over_the_same_time() -> None:
    result = held()
    assert result.power_over_time is not None
    assert result.power_over_time.x == result.channels[0].curve.x
