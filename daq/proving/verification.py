"""Formulas and limits of the regulation's rig verifications, 40 CFR 1066 subpart C.

Data flow: measured speeds, times and forces -> error or verdict, used by the proving and by
daq.results.kinds.coastdown. Pure and SI; the allowances keep the regulation's own numbers.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec

from daq.rig.units import HORSEPOWER, POUND
from daq.uncertainty.statistics import mean

HEAVY_LIMIT_KG = 20_000 * POUND  # 20,000 lb gross weight: wider allowances above
SPEED_ERROR_MPS = 0.02  # 1066.235
TIME_BASE_ERROR = 1e-5  # 1066.230
BASE_INERTIA_SINGLE = 0.010  # 1066.250(d)(1)
BASE_INERTIA_MEAN = 0.0020  # 1066.250(d)(2)
RESPONSE_S = 0.100  # 1066.245, to within 10 %
ACCELERATION_ERROR = 0.010  # 1066.265


def roll_speed(diameter_m: float, frequency_hz: float, pulses_per_turn: float = 1.0) -> float:
    """Surface speed in m/s from a pulse rate; 40 CFR 1066.235(c)."""
    return math.pi * diameter_m * frequency_hz / pulses_per_turn


def pulse_frequency(speed_mps: float, diameter_m: float, pulses_per_turn: float = 1.0) -> float:
    """Pulse rate in Hz at a surface speed; 40 CFR 1066.265(c)(1)."""
    return speed_mps * pulses_per_turn / (math.pi * diameter_m)


def relative_error(actual: float, reference: float) -> float:
    """(actual - reference) / reference, as 1066.230, .250 and .265 use it."""
    return (actual - reference) / reference


def base_inertia(force_n: float, start_mps: float, end_mps: float, seconds: float) -> float:
    """Base inertia in kg from a constant force and two timed speeds; 40 CFR 1066.250(c)."""
    change = abs(end_mps - start_mps)
    if change == 0 or seconds <= 0:
        raise ValueError("the speed must change in a time above zero")
    return abs(force_n) * seconds / change


class BaseInertia(msgspec.Struct, frozen=True):
    """Outcome of 40 CFR 1066.250: the mean of the rate means, and what failed."""

    mean_kg: float
    rate_means_kg: tuple[float, ...]
    count: int
    worst_relative: float  # of a single result against the reference
    mean_relative: float
    failures: tuple[str, ...]


def judge_base_inertia(by_rate: Sequence[Sequence[float]], reference_kg: float) -> BaseInertia:
    """Judge the results of each acceleration rate (three of ten) against the stated inertia."""
    rate_means = tuple(mean(results) for results in by_rate)
    overall = mean(rate_means)
    errors = [relative_error(value, reference_kg) for results in by_rate for value in results]
    worst = max(errors, key=abs)
    of_mean = relative_error(overall, reference_kg)
    failures = []
    if len(by_rate) < 3 or any(len(results) < 10 for results in by_rate):
        failures.append("fewer than three rates of ten results each")
    if abs(worst) > BASE_INERTIA_SINGLE:
        failures.append(f"a single result is off by {100 * worst:+.2f} %, allowed 1.0 %")
    if abs(of_mean) > BASE_INERTIA_MEAN:
        failures.append(f"the mean is off by {100 * of_mean:+.3f} %, allowed 0.20 %")
    return BaseInertia(overall, rate_means, len(errors), worst, of_mean, tuple(failures))


def friction_power_error(
    inertia_kg: float, start_mps: float, end_mps: float, seconds: float
) -> float:
    """Power in W by which friction compensation is off in a free coast; 40 CFR 1066.260.

    Negative when the rolls slow down, that is when losses are not fully compensated (our sign).
    """
    return inertia_kg / (2 * seconds) * (end_mps**2 - start_mps**2)


def friction_power_limit(heavy: bool) -> float:
    """Allowed friction compensation error, W: 0.15 hp, 0.6 hp for heavy machines."""
    return (0.6 if heavy else 0.15) * HORSEPOWER


def mean_acceleration(start_mps: float, end_mps: float, seconds: float) -> float:
    """Mean acceleration in m/s2 between two timed speeds; 40 CFR 1066.265(c)."""
    return (end_mps - start_mps) / seconds


def force_for_acceleration(inertia_kg: float, acceleration_mps2: float) -> float:
    """Force setting in N that gives an acceleration at base inertia; 40 CFR 1066.265(d)(1)."""
    return inertia_kg * abs(acceleration_mps2)


def mean_coastdown_force(
    inertia_kg: float, start_mps: float, end_mps: float, seconds: float
) -> float:
    """Mean force in N over a coastdown interval; 40 CFR 1066.270(c)(4)."""
    return inertia_kg * (start_mps - end_mps) / seconds


def coastdown_allowance(reference_n: float, heavy: bool = False) -> float:
    """Allowed error of a coastdown force in N; 40 CFR 1066.270(d): 1 % or 9.8 N (39.2 N)."""
    return max(0.01 * abs(reference_n), 39.2 if heavy else 9.8)


def loss_curve_moved(
    before_n: Sequence[float], after_n: Sequence[float], heavy: bool = False
) -> bool:
    """Whether a parasitic loss curve must be stored anew; 40 CFR 1066.255: 9.0 N (36.0 N)."""
    limit = 36.0 if heavy else 9.0
    return any(abs(b - a) > limit for a, b in zip(before_n, after_n, strict=True))


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


def fan_window(roll_speed_mps: float, tolerance_mps: float) -> tuple[float, float]:
    """Allowed cooling-air speeds in m/s around a roll speed; 40 CFR 1066.105(c)(2)."""
    return max(0.0, roll_speed_mps - tolerance_mps), roll_speed_mps + tolerance_mps
