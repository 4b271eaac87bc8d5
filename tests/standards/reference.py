"""Closed forms and conversions that tests compare the product with; not part of the product.

A coast against A + B v + C v^2 (calculus) and coefficients as US certification lists print them.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

from control.test_kinds.road_load import RoadLoad, effective_mass
from daq.proving.verification import mean_coastdown_force
from daq.quantities import POUND, POUND_FORCE
from daq.results.kinds.coastdown import Interval

Coefficients = tuple[float, float, float]  # A in N, B in N s/m, C in N s2/m2
_MPH = 0.44704


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


def from_us_customary(
    a_lbf: float, b_lbf_per_mph: float, c_lbf_per_mph2: float, mass_lb: float, tyres: int = 4
) -> RoadLoad:
    """RoadLoad from coefficients as US certification lists print them."""
    mass = mass_lb * POUND
    return RoadLoad(
        a_lbf * POUND_FORCE,
        b_lbf_per_mph * POUND_FORCE / _MPH,
        c_lbf_per_mph2 * POUND_FORCE / _MPH**2,
        mass,
        effective_mass(mass, tyres),
    )
