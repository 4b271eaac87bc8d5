"""Smoke opacity: light law, path conversion, the filter of peak smoke, judging snaps.

Data flow: opacity samples at a fixed rate -> filter -> peak of each snap -> verdict over snaps.
Opacities are ratios 0..1 unless the name says percent; k is in 1/m, paths in metres.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec
import numpy as np
import numpy.typing as npt

from daq.texts.message import Text, say

_GOLDEN = (math.sqrt(5) - 1) / 2  # 0.618034, the D of the filter


def absorption(opacity: float, path_m: float) -> float:
    """Light absorption coefficient k in 1/m; k = -ln(1 - N)/L (UN R24 / ISO 11614, from memory)."""
    if not 0 <= opacity < 1:
        raise ValueError("opacity must lie between 0 and below 1")
    return -math.log1p(-opacity) / path_m


def convert_path(opacity: float, measured_path_m: float, wanted_path_m: float) -> float:
    """Opacity a longer or shorter path would show; to 1 m this is 40 CFR 92.131(c)."""
    if opacity >= 1:
        return 1.0
    return -math.expm1(math.log1p(-opacity) * wanted_path_m / measured_path_m)


class BesselFilter(msgspec.Struct, frozen=True):
    """Second-order filter of peak smoke; Dir. 1999/96/EC Annex III App. 1, from memory.

    Y_i = Y_(i-1) + E (S_i + 2 S_(i-1) + S_(i-2) - 4 Y_(i-2)) + K (Y_(i-1) - Y_(i-2)).
    """

    e: float
    k: float
    sample_s: float
    cutoff_hz: float

    def apply(self, opacity: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Filtered trace, same shape; starts settled at the first sample."""
        out = np.empty(len(opacity))
        if len(opacity) == 0:
            return out
        s1 = s2 = y1 = y2 = float(opacity[0])
        for index, s in enumerate(opacity.tolist()):
            y = y1 + self.e * (s + 2 * s1 + s2 - 4 * y2) + self.k * (y1 - y2)
            out[index] = y
            s2, s1, y2, y1 = s1, s, y1, y
        return out

    def step_times(self) -> tuple[float, float]:
        """(t10, t90) of the answer to a unit step in seconds, linear between samples."""
        y1 = y2 = s1 = s2 = 0.0
        times: list[float] = []
        for index in range(1_000_000):
            y = y1 + self.e * (1 + 2 * s1 + s2 - 4 * y2) + self.k * (y1 - y2)
            for level in (0.1, 0.9)[len(times) :]:
                if y < level:
                    break
                times.append(self.sample_s * (index - 1 + (level - y1) / (y - y1)))
            if len(times) == 2:
                break
            s2, s1, y2, y1 = s1, 1.0, y1, y
        return times[0], times[1]


def filter_rise_s(overall_s: float, physical_s: float, electrical_s: float) -> float:
    """Rise time tF left for the filter: sqrt(X^2 - (tp^2 + te^2))."""
    left = overall_s**2 - physical_s**2 - electrical_s**2
    if left <= 0:
        raise ValueError("the opacity meter alone is slower than the filter asked for")
    return math.sqrt(left)


def bessel_pass(cutoff_hz: float, sample_s: float) -> BesselFilter:
    """Filter constants for one cut-off frequency."""
    w = 1 / math.tan(math.pi * sample_s * cutoff_hz)
    e = 1 / (1 + w * math.sqrt(3 * _GOLDEN) + _GOLDEN * w * w)
    return BesselFilter(e, 2 * e * (_GOLDEN * w * w - 1) - 1, sample_s, cutoff_hz)


def bessel_filter(
    sample_hz: float,
    overall_s: float = 0.5,
    physical_s: float = 0.020,
    electrical_s: float = 0.010,
    closeness: float = 0.001,
) -> BesselFilter:
    """Filter whose 10-90 % rise is tF within `closeness`, found by iterating its cut-off.

    The default is the 0.5 s filter of the snap test; sample at 20 Hz or faster.
    """
    if sample_hz * overall_s < 10:
        raise ValueError("sample the smoke at least ten times within the filter's rise")
    rise = filter_rise_s(overall_s, physical_s, electrical_s)
    cutoff = math.pi / (10 * rise)
    for _ in range(50):
        candidate = bessel_pass(cutoff, 1 / sample_hz)
        t10, t90 = candidate.step_times()
        error = (t90 - t10 - rise) / rise
        if abs(error) <= closeness:
            return candidate
        cutoff *= 1 + error
    raise ValueError("the smoke filter did not converge; sample faster")


class SnapVerdict(msgspec.Struct, frozen=True):
    """Outcome of a snap smoke test; percent opacity."""

    peaks_percent: tuple[float, ...]  # all snaps, filtered
    used: tuple[int, ...]  # indices of the three that count, empty when none agree
    mean_percent: float  # NaN when void
    spread_percent: float
    valid: bool
    reasons: tuple[Text, ...]


def judge_snaps(
    peaks_percent: Sequence[float],
    zero_shift_percent: float,
    spread_limit: float = 5.0,
    zero_limit: float = 2.0,
) -> SnapVerdict:
    """The first three consecutive snaps that agree; SAE J1667, from memory.

    Void when the meter's zero moved by more than 2 points or no three agree within 5 points.
    """
    reasons: list[Text] = []
    if abs(zero_shift_percent) > zero_limit:
        reasons.append(say("meter-zero-moved", shift=zero_shift_percent, allowed=zero_limit))
    used: tuple[int, ...] = ()
    value = spread = float("nan")
    for first in range(len(peaks_percent) - 2):
        three = peaks_percent[first : first + 3]
        if max(three) - min(three) <= spread_limit:
            used = (first, first + 1, first + 2)
            value, spread = sum(three) / 3, max(three) - min(three)
            break
    else:
        reasons.append(say("no-three-snaps-agree", within=spread_limit))
    valid = not reasons
    return SnapVerdict(
        tuple(peaks_percent), used, value if valid else float("nan"), spread, valid, tuple(reasons)
    )
