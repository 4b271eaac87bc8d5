"""Time and mean force of a recorded coast per speed interval; 40 CFR 1066.270.

Data flow: speed of the smoother -> crossings of the speeds -> Interval. SI inside. Inertia and
losses from recorded coasts are found by daq.proving.coast_fit.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import msgspec
import numpy as np
import numpy.typing as npt

from daq.errors import Refused
from daq.proving.verification import mean_coastdown_force
from daq.texts.message import say

Array = npt.NDArray[np.float64]


class Interval(msgspec.Struct, frozen=True):
    """One speed interval of a coast."""

    start_mps: float
    end_mps: float
    seconds: float
    force_n: float  # mean force M dv / t

    @property
    def middle_mps(self) -> float:
        return (self.start_mps + self.end_mps) / 2


def measured_intervals(
    mass_kg: float, time_s: Array, speed_mps: Array, speeds_mps: Sequence[float]
) -> tuple[Interval, ...]:
    """What a recorded coast did show. `speed_mps` should come from the smoother.

    The crossing of each speed is taken from a straight line through the half second around it, so
    that one noisy sample does not set it. Raises Refused when a speed was not coasted through.
    """
    crossings = [_crossing(time_s, speed_mps, speed) for speed in speeds_mps]
    pairs = itertools.pairwise(zip(speeds_mps, crossings, strict=True))
    return tuple(
        Interval(upper, lower, t2 - t1, mean_coastdown_force(mass_kg, upper, lower, t2 - t1))
        for (upper, t1), (lower, t2) in pairs
    )


def _crossing(time_s: Array, speed_mps: Array, speed: float) -> float:
    above = np.flatnonzero(speed_mps >= speed)
    if len(above) == 0 or above[-1] + 1 >= len(speed_mps):
        raise Refused(
            say("coast-did-not-pass", speed_mps=speed), say("let-coast-its-last-speed"), "no-coast"
        )
    centre = float(time_s[above[-1]])
    near = np.abs(time_s - centre) <= 0.25
    if np.count_nonzero(near) < 3:
        near = np.zeros(len(time_s), dtype=bool)
        near[above[-1] : above[-1] + 2] = True
    slope, offset = np.polyfit(time_s[near] - centre, speed_mps[near], 1)
    return centre + (speed - float(offset)) / float(slope)
