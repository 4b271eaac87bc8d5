"""Formulas and limits of the regulation's rig verifications, 40 CFR 1066 subpart C.

Data flow: measured speeds, times and forces -> error or verdict, used by the proving and by
daq.results.kinds.coastdown. Pure and SI; the allowances keep the regulation's own numbers.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

SPEED_ERROR_MPS = 0.02  # 1066.235
TIME_BASE_ERROR = 1e-5  # 1066.230
BASE_INERTIA_MEAN = 0.0020  # 1066.250(d)(2)
RESPONSE_S = 0.100  # 1066.245, to within 10 %


def roll_speed(diameter_m: float, frequency_hz: float, pulses_per_turn: float = 1.0) -> float:
    """Surface speed in m/s from a pulse rate; 40 CFR 1066.235(c)."""
    return math.pi * diameter_m * frequency_hz / pulses_per_turn


def relative_error(actual: float, reference: float) -> float:
    """(actual - reference) / reference, as 1066.230, .250 and .265 use it."""
    return (actual - reference) / reference


def base_inertia(force_n: float, start_mps: float, end_mps: float, seconds: float) -> float:
    """Base inertia in kg from a constant force and two timed speeds; 40 CFR 1066.250(c)."""
    change = abs(end_mps - start_mps)
    if change == 0 or seconds <= 0:
        raise ValueError("the speed must change in a time above zero")
    return abs(force_n) * seconds / change


def mean_coastdown_force(
    inertia_kg: float, start_mps: float, end_mps: float, seconds: float
) -> float:
    """Mean force in N over a coastdown interval; 40 CFR 1066.270(c)(4)."""
    return inertia_kg * (start_mps - end_mps) / seconds


def settling_time(times_s: Sequence[float], forces_n: Sequence[float], final_n: float) -> float:
    """Seconds after the first time until no later sample leaves +-10 %; 40 CFR 1066.245.

    Infinite when the last sample still is outside.
    """
    outside = [
        index for index, value in enumerate(forces_n) if abs(value - final_n) > 0.1 * abs(final_n)
    ]
    if not outside:
        return 0.0
    if outside[-1] + 1 == len(times_s):
        return math.inf
    return times_s[outside[-1] + 1] - times_s[0]
