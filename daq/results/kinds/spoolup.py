"""How fast an engine takes load: onset, t10, t50 and t90 of torque or boost after a floored pedal.

Data flow: one channel of a spool-up (its delay known) -> level before, level after -> onset ->
crossing times by local straight lines -> SpoolUp. Delays are taken off here once, so that torque
and boost share one time axis.
"""

from __future__ import annotations

import math

import msgspec
import numpy as np
import numpy.typing as npt

from daq.errors import Refused
from daq.texts.message import say

Floats = npt.NDArray[np.float64]

ONSET_SIGMAS = 5.0
LINE_S = 0.03  # half-width of the straight line laid through a crossing


class Crossing(msgspec.Struct, frozen=True):
    time_s: float  # device time, delay taken off
    sigma_s: float  # from the channel's noise over its slope


class ChannelRise(msgspec.Struct, frozen=True):
    """Rise of one channel."""

    channel: str
    before: float
    after: float
    onset: Crossing
    t10: Crossing
    t50: Crossing
    t90: Crossing
    delay_removed_s: float

    @property
    def rise_s(self) -> float:
        """From 10 to 90 per cent; does not depend on the onset."""
        return self.t90.time_s - self.t10.time_s


def spool_up(
    time_s: Floats,
    values: Floats,
    channel: str,
    before_s: tuple[float, float],
    after_s: tuple[float, float],
    delay_s: float = 0.0,
    blur_s: float = 0.0,
) -> ChannelRise:
    """Evaluate one rise.

    `time_s`, `values`: shape (N,). `before_s` and `after_s`: device-time windows of the light load
    before and the full load after. `delay_s`: declared age of the channel; `blur_s`: over
    which each of its values is a mean. Raises Refused when a
    window is empty, the channel does not rise out of its noise, or a level is never crossed.
    """
    usable = np.isfinite(values) & np.isfinite(time_s)
    time, y = time_s[usable] - delay_s, values[usable]
    low_part = y[(time >= before_s[0]) & (time <= before_s[1])]
    high_part = y[(time >= after_s[0]) & (time <= after_s[1])]
    if low_part.size < 10 or high_part.size < 10:
        raise Refused(
            say("too-few-samples-before-or-after", channel=channel),
            say("hold-light-load-full-load-for"),
            "spool-up-window",
        )
    low, high = float(np.median(low_part)), float(np.median(high_part))
    noise = 1.4826 * float(np.median(np.abs(low_part - low)))  # robust standard deviation
    if high - low <= max(20.0 * noise, 1e-12):
        raise Refused(
            say("does-not-rise-clearly-out-its", channel=channel),
            say("check-sensor-or-begin-from-lighter"),
            "no-rise",
        )
    begin = int(np.searchsorted(time, before_s[1]))
    times = []
    for share in (0.1, 0.5, 0.9):
        times.append(_crossing(time, y, low + share * (high - low), begin, noise, channel))
    onset = _onset(time, y, low, noise, begin, times[0])
    # a mean over blur_s begins to rise up to half of that before what it is the mean of
    onset = Crossing(onset.time_s, math.hypot(onset.sigma_s, blur_s / math.sqrt(12.0)))
    return ChannelRise(channel, low, high, onset, times[0], times[1], times[2], delay_s)


def _crossing(
    time: Floats, y: Floats, level: float, begin: int, noise: float, channel: str
) -> Crossing:
    """Last upward crossing before the level is kept, on a straight line through its neighbours."""
    above = np.flatnonzero(y[begin:] >= level)
    if above.size == 0:
        raise Refused(
            say("never-reaches", channel=channel, level=level),
            say("hold-full-load-longer"),
            "no-crossing",
        )
    rough = time[begin + int(above[0])]
    near = np.abs(time - rough) <= LINE_S
    t, v = time[near], y[near]
    if t.size < 3:
        return Crossing(float(rough), math.inf)
    slope, offset = np.polyfit(t - rough, v, 1)
    if slope <= 0.0:
        return Crossing(float(rough), math.inf)
    at = float(rough + (level - offset) / slope)
    at = min(max(at, float(t[0])), float(t[-1]))
    return Crossing(at, noise / float(slope) / math.sqrt(t.size))


def _onset(
    time: Floats, y: Floats, low: float, noise: float, begin: int, t10: Crossing
) -> Crossing:
    """Last moment before t10 at which the channel still lay within its noise of the light load."""
    end = int(np.searchsorted(time, t10.time_s))
    inside = np.flatnonzero(y[:end] <= low + ONSET_SIGMAS * max(noise, 1e-12))
    index = int(inside[-1]) if inside.size else max(begin - 1, 0)
    step = float(np.median(np.diff(time[max(0, end - 50) : end + 1]))) if end > 1 else 0.0
    return Crossing(float(time[index]), max(step, 0.0))
