"""When tyres count as slipping: beyond what they creep, below what another gear does, for a while.

Limits: common practice, no source.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from daq.measure.slip import DEBOUNCE_S, GEARBOX, ROLL_DIFFERENCE, SLIP, SlipDetector
from daq.readings import Quality, Reading, Unit
from daq.results.flags import flags_of
from daq.results.given import given_of
from daq.results.result import EvaluationSettings
from tests.daq.synthetic import tarnhow

FRAME_S = 0.002


def ratio(value: float, quality: Quality = Quality.GOOD) -> Reading:
    return Reading(value, Unit.RATIO, 0.0, quality)


def flagged_after(
    watch: SlipDetector, slip: float, apart: float, seconds: float, start_s: float = 0.0
) -> list[bool]:
    return [
        watch.update(ratio(slip), ratio(apart), start_s + FRAME_S * k)
        for k in range(round(seconds / FRAME_S))
    ]


def test_creep_of_tyres_under_load_is_not_slip() -> None:
    assert not any(flagged_after(SlipDetector(), 0.8 * SLIP, 0.8 * ROLL_DIFFERENCE, 2.0))


@pytest.mark.parametrize(("slip", "apart"), [(1.5 * SLIP, 0.0), (-1.5 * SLIP, 0.0), (0.0, 0.08)])
def test_slip_is_flagged_where_it_begins_and_cleared_where_it_ends(
    slip: float, apart: float
) -> None:
    watch = SlipDetector()
    flags = flagged_after(watch, slip, apart, 1.0)
    assert flags.index(True) * FRAME_S == pytest.approx(DEBOUNCE_S, abs=2 * FRAME_S)
    after = flagged_after(watch, 0.0, 0.0, 1.0, start_s=1.0)
    assert after.index(False) * FRAME_S == pytest.approx(DEBOUNCE_S, abs=2 * FRAME_S)
    assert not any(after[after.index(False) :])


def test_another_gear_is_not_called_slip() -> None:
    assert not any(flagged_after(SlipDetector(), 1.5 * GEARBOX, 0.0, 2.0))
    assert not any(flagged_after(SlipDetector(), -0.37, 0.0, 2.0))


def test_a_blip_and_a_reading_that_is_not_good_flag_nothing() -> None:
    watch = SlipDetector()
    assert not any(flagged_after(watch, 0.05, 0.0, 0.8 * DEBOUNCE_S))
    assert not any(flagged_after(watch, 0.0, 0.0, 1.0, start_s=0.8 * DEBOUNCE_S))
    for quality in (Quality.SUSPECT, Quality.MISSING):
        poor = SlipDetector()
        for k in range(500):
            assert not poor.update(
                ratio(0.05, quality), ratio(math.nan, Quality.MISSING), FRAME_S * k
            )


def test_the_result_names_where_in_the_run_the_tyres_slipped() -> None:
    time_s = 100.0 + FRAME_S * np.arange(2500)
    slipping = (time_s > 102.0) & (time_s < 102.8)
    given = given_of(tarnhow(), {}, {"time_s": time_s, "tyre_slip": slipping}, EvaluationSettings())
    rows = np.ones(time_s.shape, dtype=bool)
    flags = [one for one in flags_of(given, rows, gear_locked=False, in_gear=True, loaded=False)
             if one.code == "slip"]  # fmt: skip
    assert len(flags) == 1
    assert flags[0].from_s == pytest.approx(2.0, abs=0.01)
    assert flags[0].to_s == pytest.approx(2.8, abs=0.01)
    quiet = given_of(
        tarnhow(), {}, {"time_s": time_s, "tyre_slip": slipping & False}, EvaluationSettings()
    )
    assert not [one for one in flags_of(quiet, rows, gear_locked=False, in_gear=True, loaded=False)
                if one.code == "slip"]  # fmt: skip
    neutral = flags_of(given, rows, gear_locked=False, in_gear=False, loaded=False)
    assert not [one for one in neutral if one.code == "slip"], "nothing to slip in neutral"
