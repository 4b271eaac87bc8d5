"""Intervals of evaluated numbers: what calibration leaves open and what noise adds.

Data flow: Given and the rows of a mean or a curve -> daq.uncertainty.power effects -> calibration
part (signed effects of each source under the evaluation's own weights) and noise part (from the
run itself) -> Figure, CurveOut, Uncertainty. Torque referred to the engine takes the engine speed's
own uncertainty; a weather correction brings that of its factor.
"""

from __future__ import annotations

import math

import msgspec
import numpy as np

from daq.results.curves import Curve, Peak
from daq.results.given import Floats, Given, Mask
from daq.results.result import (
    CurveOut,
    Figure,
    Part,
    PeakOut,
    Uncertainty,
    known,
    number,
)
from daq.uncertainty.power import Effects
from daq.uncertainty.statistics import coverage_factor

POWER = "wheel power"
TORQUE = "wheel torque referred to the engine"
BATCHES = 20  # of a mean, for its scatter from the run itself


class Mean(msgspec.Struct, frozen=True):
    """A mean with the two parts of its standard uncertainty."""

    value: float
    calibration: float
    noise: float
    spread: float  # standard deviation of the single rows

    @property
    def sigma(self) -> float:
        return math.hypot(self.calibration, self.noise)


def coverage(level: float) -> float:
    """Coverage factor of an interval whose standard uncertainty is well known."""
    return coverage_factor(math.inf, level)


def quantity(
    given: Given, name: str, rows: Mask
) -> tuple[Effects, np.ndarray[tuple[int], np.dtype[np.intp]]]:
    """Effects of "power", "force" or "torque" over some rows, thinned, and which rows they are."""
    if name == "torque":
        rows = rows & (given.of("engine_speed_radps") > 1.0)
    found, chosen = given.effects(rows)
    if name == "force":
        return found.total_force, chosen
    if name == "power":
        return found.total_power, chosen
    engine = given.of("engine_speed_radps")[chosen]
    return found.total_power.torque(engine, given.settings.engine_speed_sigma), chosen


def mean_of(given: Given, name: str, rows: Mask, *, steady: bool = True) -> tuple[Mean, list[Part]]:
    """Mean of power (W), force (N) or torque (N.m) over rows, and its largest parts.

    The noise part is what the instruments state. Where something was to be `steady`, it is at
    least the scatter of the run's batch means; where it was not (a climb), what varied was real.
    Raises Refused without usable rows.
    """
    effects, _ = quantity(given, name, rows)
    budget = effects.budget()
    noise = abs(budget.rows[-1].contribution)
    calibration = math.sqrt(max(0.0, budget.sigma**2 - noise**2))
    values = effects.values
    if steady:
        noise = max(noise, batch_error(values))
    parts = [
        Part(row.name, row.contribution, row.origin)
        for row in sorted(budget.rows, key=lambda row: -abs(row.contribution))
        if row.contribution
    ]
    return Mean(
        float(np.mean(values)),
        calibration,
        noise,
        float(np.std(values, ddof=1)),
    ), with_noise(parts, noise)


def batch_error(values: Floats) -> float:
    """Standard error of a mean by the scatter of its batch means, 0 for short series."""
    size = values.size // BATCHES
    if size < 2:
        return 0.0
    means = values[: size * BATCHES].reshape(BATCHES, size).mean(axis=1)
    return float(means.std(ddof=1)) / math.sqrt(BATCHES)


def figure(name: str, label: str, unit: str, mean: Mean, level: float) -> Figure:
    """A mean as a figure with its interval."""
    half = coverage(level) * mean.sigma
    return Figure(name, label, mean.value, unit, mean.value - half, mean.value + half)


def exact(name: str, label: str, value: float | None, unit: str) -> Figure:
    """A count, or what was planned: nothing about it is uncertain."""
    return Figure(name, label, value, unit, value, value)


def seconds(name: str, label: str, value: float, step_s: float) -> Figure:
    """A time between two events, known to one row at each end."""
    return Figure(name, label, value, "s", max(0.0, value - step_s), value + step_s)


def reading(
    name: str, label: str, value: float, unit: str, relative_sigma: float, level: float
) -> Figure:
    """A number whose uncertainty is a share of it."""
    if not math.isfinite(value):
        return Figure(name, label, None, unit)
    half = coverage(level) * relative_sigma * abs(value)
    return Figure(name, label, value, unit, value - half, value + half)


def spread_of(name: str, label: str, values: Floats, unit: str, level: float) -> Figure:
    """Standard deviation of single rows; its interval by how batches of the run differ in it."""
    fine = values[np.isfinite(values)]
    if fine.size < 3:
        return Figure(name, label, None, unit)
    value = float(fine.std(ddof=1))
    size = fine.size // BATCHES
    half = math.inf
    if size >= 3:
        each = fine[: size * BATCHES].reshape(BATCHES, size).var(axis=1, ddof=1)
        half = coverage(level) * float(each.std(ddof=1)) / math.sqrt(BATCHES) / (2.0 * value or 1.0)
    half = min(half, value)
    return Figure(name, label, value, unit, value - half, value + half)


def share_of(name: str, label: str, held: Mask, level: float, *, scatters: bool = True) -> Figure:
    """Share of rows at which something held. `scatters`: another run would differ as the batches
    of this one do; else it is what happened, known to a row."""
    value = float(np.mean(held)) if held.size else math.nan
    half = 1.0 / max(held.size, 1)
    if scatters:
        half += coverage(level) * batch_error(held.astype(np.float64))
    return Figure(name, label, number(value), "1", max(0.0, value - half), min(1.0, value + half))


def relative_speed_sigma(given: Given) -> float:
    """Relative standard uncertainty that the roll radii leave in a speed or a distance."""
    return max(one.roll_radius_sigma_m / one.roll_radius_m for one in given.rig.roll_sets)


def relative_sigma(given: Given, by_engine: bool) -> float:
    """The same of the axis of a curve: engine speed or roll speed."""
    return given.settings.engine_speed_sigma if by_engine else relative_speed_sigma(given)


def plain_mean(
    given: Given,
    name: str,
    label: str,
    quantity: str,
    values: Floats,
    rows: Mask,
    *,
    steady: bool = True,
) -> Figure:
    """Mean of what was held: rpm, speed, force or power of the absorbers, with its interval."""
    part = values[rows]
    part = part[np.isfinite(part)]
    unit = {"rpm": "rad/s", "speed": "m/s", "force": "N", "power": "W"}[quantity]
    if not part.size:
        return Figure(name, label, None, unit)
    value = float(part.mean())
    if quantity in ("rpm", "speed"):
        calibration = abs(value) * relative_sigma(given, quantity == "rpm")
    else:  # of the cells alone: what losses and inertia leave open is none of it
        found, _ = given.effects(rows)
        shares = [each.effects.mean(axis=1) for each in found.absorber_force]
        if quantity == "power":
            shares = [
                (each.effects * speed.values).mean(axis=1)
                for each, speed in zip(found.absorber_force, found.speed, strict=True)
            ]
        calibration = float(np.sqrt(np.sum(np.sum(shares, axis=0) ** 2)))
    noise = batch_error(part) if steady else 0.0
    half = coverage(given.settings.level) * math.hypot(calibration, noise)
    return Figure(name, label, value, unit, value - half, value + half)


def uncertainty(
    label: str,
    unit: str,
    mean: Mean,
    parts: list[Part],
    level: float,
    factor: float = 1.0,
    factor_sigma: float = 0.0,
) -> Uncertainty:
    """The statement beside the main figure; `mean` and `parts` as corrected by the factor."""
    k = coverage(level)
    if factor_sigma > 0.0:
        weather = Part("weather factor", mean.value / factor * factor_sigma, "weather instruments")
        parts = sorted([*parts, weather], key=lambda part: -abs(part.effect))
    return Uncertainty(
        label, unit, mean.value, mean.calibration, mean.noise, level, k, k * mean.sigma, parts
    )


def with_noise(parts: list[Part], noise: float) -> list[Part]:
    """Parts of a budget with the noise that the evaluation itself found."""
    kept = [part for part in parts if part.name != "noise"]
    return sorted([*kept, Part("noise", noise, "this run")], key=lambda part: -abs(part.effect))


def scaled(mean: Mean, factor: float, factor_sigma: float) -> Mean:
    """A mean times an uncertain factor, such as a weather correction."""
    return Mean(
        mean.value * factor,
        math.hypot(mean.calibration * factor, mean.value * factor_sigma),
        mean.noise * factor,
        mean.spread * factor,
    )


def calibration_sigma(
    given: Given, name: str, rows: Mask, x: Floats, bins: Floats, half_width: float
) -> Floats:
    """Calibration part of the standard uncertainty at each bin, under weights like the curve's."""
    effects, chosen = quantity(given, name, rows)
    where = x[chosen]
    found = np.full(bins.shape, np.nan)
    for index, centre in enumerate(bins):
        weight = np.maximum(0.0, 1.0 - ((where - centre) / half_width) ** 2)
        total = float(weight.sum())
        if total > 0.0:
            found[index] = math.sqrt(float(np.sum((effects.effects @ (weight / total)) ** 2)))
    return found


def curve_out(
    name: str,
    label: str,
    of: Curve,
    calibration: Floats,
    level: float,
    factor: float = 1.0,
    factor_sigma: float = 0.0,
) -> CurveOut:
    """A curve with its band, times a correction factor where one applies."""
    value = of.value * factor
    system = np.hypot(calibration * factor, of.value * factor_sigma)
    noise = of.noise_sigma * factor
    half = coverage(level) * np.hypot(system, noise)
    return CurveOut(
        name,
        label,
        of.y_unit,
        of.x_name,
        of.x_unit,
        of.bins.tolist(),
        known(value),
        known(value - half),
        known(value + half),
        known(noise),
        known(system),
        of.smoothing,
    )


def peak_out(of: CurveOut, peak: Peak) -> PeakOut:
    """The peak of a curve with the band's width at its place."""
    place = int(np.argmin(np.abs(np.array(of.x) - peak.x)))
    low, high = of.low[place], of.high[place]
    half = (high - low) / 2.0 if low is not None and high is not None else math.nan
    return PeakOut(
        of.name,
        peak.x,
        of.x_unit,
        peak.value,
        of.unit,
        number(peak.value - half),
        number(peak.value + half),
        peak.x_low,
        peak.x_high,
    )
