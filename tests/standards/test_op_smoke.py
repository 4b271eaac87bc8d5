"""Smoke opacity: light law, path conversion, the peak filter (rows OP-01 to 24)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal

from daq.results.kinds.smoke import (
    absorption,
    bessel_filter,
    bessel_pass,
    convert_path,
    filter_rise_s,
    judge_snaps,
)

INCH = 0.0254


def test_absorption_from_opacity() -> None:
    # OP-02: computed; k form as in UN R24 / ISO 11614, from memory
    assert absorption(0.20, 0.43) == pytest.approx(0.518938, abs=1e-6)
    assert absorption(0.30, 5 * INCH) == pytest.approx(2.808464, abs=1e-6)


def test_path_conversion() -> None:
    # OP-03: computed
    assert 100 * convert_path(0.40, 4 * INCH, 5 * INCH) == pytest.approx(47.193296, abs=1e-6)
    assert 100 * convert_path(0.50, 3 * INCH, 5 * INCH) == pytest.approx(68.501974, abs=1e-6)
    assert convert_path(1.0, 1.0, 2.0) == 1.0


def test_conversion_to_one_metre() -> None:
    # OP-04: 40 CFR 92.131(c), seen (equation a graphic)
    assert 100 * convert_path(0.20, 0.43, 1.0) == pytest.approx(40.484803, abs=1e-6)
    assert 100 * convert_path(0.30, 0.127, 1.0) == pytest.approx(93.970247, abs=1e-6)


def test_snaps_that_agree_give_their_mean() -> None:
    # OP-07: SAE J1667, from memory (three-snap mean seen, secondary)
    verdict = judge_snaps([31.0, 22.0, 24.0, 26.5], zero_shift_percent=0.5)
    assert verdict.valid
    assert verdict.used == (1, 2, 3)
    assert verdict.mean_percent == pytest.approx(24.1666667)
    assert verdict.spread_percent == pytest.approx(4.5)


@pytest.mark.parametrize(
    ("peaks", "shift", "words"),
    [
        ([20.0, 25.1, 20.0], 0.0, "agree within 5"),
        ([20.0, 21.0], 0.0, "agree within 5"),
        ([20.0, 21.0, 22.0], 2.1, "zero moved"),
    ],
)
def test_snaps_that_disagree_or_a_moved_zero_are_void(
    peaks: list[float], shift: float, words: str
) -> None:
    # OP-07
    verdict = judge_snaps(peaks, shift)
    assert not verdict.valid
    assert math.isnan(verdict.mean_percent)
    assert any(words in str(reason) for reason in verdict.reasons)


@pytest.mark.parametrize(("order", "loss", "meets"), [(2, 24.0993, False), (3, 36.1247, True)])
def test_which_low_pass_a_full_flow_meter_needs(order: int, loss: float, meets: bool) -> None:
    # OP-09 and 10: 40 CFR 1033.525, seen; reference: scipy.signal. Not product code: it says what
    # filter to ask of a meter.
    b, a = signal.butter(order, 2 * math.pi * 10.0, analog=True)
    _, response = signal.freqs(b, a, [2 * math.pi * 40.0])
    decibel = -20 * math.log10(abs(response[0]))
    assert decibel == pytest.approx(loss, abs=1e-4)
    assert (decibel >= 27.0) is meets


def test_filter_rise_and_first_cut_off() -> None:
    # OP-20: Dir. 1999/96/EC Annex III App. 1, from memory, reproduces (exact pi: 0.318161)
    rise = filter_rise_s(1.0, 0.15, 0.05)
    assert rise == pytest.approx(0.987421, abs=2e-6)
    assert math.pi / (10 * rise) == pytest.approx(0.318152, abs=2e-5)


def test_first_pass_of_the_published_example() -> None:
    # OP-21 and 22: same; the print rounds pi and the sample time (E 7.07948e-5, K 0.970783)
    first = bessel_pass(0.318152, 0.006667)
    assert 1 / math.tan(math.pi * 0.006667 * 0.318152) == pytest.approx(150.0766, rel=3e-4)
    assert first.e == pytest.approx(7.07948e-5, rel=3e-4)
    assert first.k == pytest.approx(0.970783, rel=3e-4)
    t10, t90 = bessel_pass(0.318152, 1 / 150).step_times()
    assert t10 == pytest.approx(0.200939, abs=1e-4)
    assert t90 == pytest.approx(1.276109, abs=1e-4)
    assert ((t90 - t10) - 0.987421) / (t90 - t10) == pytest.approx(0.08161, abs=1e-4)


def test_second_pass_of_the_published_example() -> None:
    # OP-23: same
    second = bessel_pass(0.344126, 1 / 150)
    assert second.e == pytest.approx(8.272777e-5, rel=2e-4)
    assert second.k == pytest.approx(0.968410, rel=2e-4)
    t10, t90 = second.step_times()
    assert t10 == pytest.approx(0.185523, abs=1e-4)
    assert t90 == pytest.approx(1.179562, abs=1e-4)
    assert abs((t90 - t10) - 0.987421) / (t90 - t10) < 0.01


def test_half_second_filter() -> None:
    # OP-24: computed
    found = bessel_filter(100.0)
    assert filter_rise_s(0.5, 0.020, 0.010) == pytest.approx(0.499500, abs=1e-6)
    t10, t90 = found.step_times()
    assert t90 - t10 == pytest.approx(0.499500, rel=1e-3)
    assert found.cutoff_hz == pytest.approx(0.684807, rel=2e-3)
    row = bessel_pass(0.684807, 0.01)
    assert row.e == pytest.approx(7.147141e-4, rel=1e-5)
    assert row.k == pytest.approx(0.9066838, rel=1e-6)
    low, high = row.step_times()
    assert high - low == pytest.approx(0.499435, abs=1e-5)


def test_filter_has_unit_gain_and_starts_settled() -> None:
    found = bessel_filter(100.0)
    flat = found.apply(np.full(200, 0.37))
    assert flat == pytest.approx(np.full(200, 0.37), abs=1e-12)
    step = found.apply(np.concatenate([np.zeros(10), np.ones(600)]))
    assert step[-1] == pytest.approx(1.0, abs=1e-6)
    # a puff of 0.2 s is cut down, one of 2 s is not; damping keeps the overshoot below 1 %
    puff = np.zeros(600)
    puff[100:120] = 1.0
    assert found.apply(puff).max() < 0.45
    puff[100:300] = 1.0
    assert found.apply(puff).max() == pytest.approx(1.0, abs=0.01)


def test_filter_of_a_slow_meter_or_a_slow_clock_is_refused() -> None:
    with pytest.raises(ValueError, match="slower"):
        filter_rise_s(0.5, 0.4, 0.4)
    with pytest.raises(ValueError, match="ten times"):
        bessel_filter(10.0)
