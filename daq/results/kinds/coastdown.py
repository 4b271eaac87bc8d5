"""Coastdown arithmetic: how long a mass coasts against A + B v + C v^2, and tables of intervals.

Data flow: coefficients -> times, distances, speeds (closed forms); a recorded coast -> times per
speed interval -> mean forces; road coastdowns -> coefficients at reference air. SI inside.
Finding inertia and losses from recorded coasts is daq.proving.coast_fit.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import msgspec
import numpy as np
import numpy.typing as npt

from daq.proving.verification import mean_coastdown_force
from daq.uncertainty.statistics import mean, standard_deviation

Array = npt.NDArray[np.float64]
Coefficients = tuple[float, float, float]  # A in N, B in N s/m, C in N s2/m2
REFERENCE_TEMPERATURE_K = 293.0  # 40 CFR 1066.310
REFERENCE_PRESSURE_PA = 98_210.0
REFERENCE_AIR_KG_M3 = 1.17


def coefficient_force(coefficients: Coefficients, speed_mps: float) -> float:
    """A + B v + C v^2 in N."""
    a, b, c = coefficients
    return a + speed_mps * (b + speed_mps * c)


def coastdown_time(
    mass_kg: float, coefficients: Coefficients, start_mps: float, end_mps: float
) -> float:
    """Seconds to coast from start to end speed: M times the integral of dv / F, in closed form.

    Raises ValueError when the force is not positive all the way: such a mass never gets there.
    """
    if start_mps < end_mps:
        raise ValueError("a coast starts at the higher speed")
    _check_positive(coefficients, start_mps, end_mps)
    a, b, c = coefficients
    if c == 0.0 and b == 0.0:
        return mass_kg * (start_mps - end_mps) / a
    if c == 0.0:
        return mass_kg / b * math.log((a + b * start_mps) / (a + b * end_mps))
    upper, lower = 2 * c * start_mps + b, 2 * c * end_mps + b
    discriminant = 4 * a * c - b * b
    if abs(discriminant) <= 1e-12 * b * b:
        return 2 * mass_kg * (1 / lower - 1 / upper)
    q = math.sqrt(abs(discriminant))
    if discriminant > 0:
        return 2 * mass_kg / q * (math.atan(upper / q) - math.atan(lower / q))
    ratio = (upper - q) * (lower + q) / ((upper + q) * (lower - q))
    return mass_kg / q * math.log(ratio)


def coastdown_distance(
    mass_kg: float, coefficients: Coefficients, start_mps: float, end_mps: float
) -> float:
    """Metres covered while coasting from start to end speed, in closed form."""
    seconds = coastdown_time(mass_kg, coefficients, start_mps, end_mps)
    a, b, c = coefficients
    if c == 0.0 and b == 0.0:
        return (start_mps + end_mps) / 2 * seconds
    if c == 0.0:
        return (mass_kg * (start_mps - end_mps) - a * seconds) / b
    ratio = coefficient_force(coefficients, start_mps) / coefficient_force(coefficients, end_mps)
    return mass_kg / (2 * c) * math.log(ratio) - b / (2 * c) * seconds


def speed_after(
    mass_kg: float, coefficients: Coefficients, start_mps: float, seconds: float
) -> float:
    """Speed in m/s after coasting for a time; standstill (0) once it has stopped."""
    if seconds >= coastdown_time(mass_kg, coefficients, start_mps, 0.0):
        return 0.0
    low, high = 0.0, start_mps
    speed = start_mps
    for _ in range(100):
        error = coastdown_time(mass_kg, coefficients, start_mps, speed) - seconds
        if error > 0:
            low = speed
        else:
            high = speed
        step = speed + error * coefficient_force(coefficients, speed) / mass_kg
        following = step if low < step < high else (low + high) / 2
        if abs(following - speed) <= 1e-13 * start_mps:
            return following
        speed = following
    return speed


def _check_positive(coefficients: Coefficients, start_mps: float, end_mps: float) -> None:
    _, b, c = coefficients
    lowest = min(
        coefficient_force(coefficients, start_mps), coefficient_force(coefficients, end_mps)
    )
    if c > 0 and end_mps < -b / (2 * c) < start_mps:
        lowest = min(lowest, coefficient_force(coefficients, -b / (2 * c)))
    if lowest <= 0:
        raise ValueError("the force must be above zero over the whole coast")


class Interval(msgspec.Struct, frozen=True):
    """One speed interval of a coast."""

    start_mps: float
    end_mps: float
    seconds: float
    force_n: float  # mean force M dv / t

    @property
    def middle_mps(self) -> float:
        return (self.start_mps + self.end_mps) / 2


def interval_table(
    mass_kg: float, coefficients: Coefficients, speeds_mps: Sequence[float]
) -> tuple[Interval, ...]:
    """What a coast should show between falling speeds: reference times and mean forces."""
    return tuple(
        Interval(
            upper,
            lower,
            seconds := coastdown_time(mass_kg, coefficients, upper, lower),
            mean_coastdown_force(mass_kg, upper, lower, seconds),
        )
        for upper, lower in itertools.pairwise(speeds_mps)
    )


def measured_intervals(
    mass_kg: float, time_s: Array, speed_mps: Array, speeds_mps: Sequence[float]
) -> tuple[Interval, ...]:
    """What a recorded coast did show. `speed_mps` should come from the smoother.

    The crossing of each speed is taken from a straight line through the half second around it, so
    that one noisy sample does not set it. Raises ValueError when a speed was not coasted through.
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
        raise ValueError(f"the coast did not pass {speed:.2f} m/s")
    centre = float(time_s[above[-1]])
    near = np.abs(time_s - centre) <= 0.25
    if np.count_nonzero(near) < 3:
        near = np.zeros(len(time_s), dtype=bool)
        near[above[-1] : above[-1] + 2] = True
    slope, offset = np.polyfit(time_s[near] - centre, speed_mps[near], 1)
    return centre + (speed - float(offset)) / float(slope)


def agreeing_runs(run_seconds: Sequence[float]) -> tuple[int, ...]:
    """Indices of runs within 2.0 standard deviations of the mean of their direction
    (40 CFR 1066.310); the caller judges each direction apart."""
    if len(run_seconds) < 3:
        return tuple(range(len(run_seconds)))
    centre, spread = mean(run_seconds), standard_deviation(run_seconds)
    return tuple(
        index for index, value in enumerate(run_seconds) if abs(value - centre) <= 2.0 * spread
    )


def drag_at_reference(drag: float, temperature_k: float, pressure_pa: float) -> float:
    """C term at 20 degC and 98.21 kPa from the C term of the day; 40 CFR 1066.310."""
    return drag * (temperature_k / REFERENCE_TEMPERATURE_K) * (REFERENCE_PRESSURE_PA / pressure_pa)


def drag_area(drag_reference: float) -> float:
    """CdA in m2 from the C term at reference air; 40 CFR 1066.310."""
    return 2 * drag_reference / REFERENCE_AIR_KG_M3
