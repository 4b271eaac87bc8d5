"""Dead-weight calibration of a load cell: from masses on an arm to the LoadCell numbers.

Data flow: loads (mass, count, direction) + arm, local g, buoyancy -> torque -> force at the cell ->
straight line over the converter's mV/V -> slope and zero for the rig file, with residuals,
linearity (40 CFR 1066.220), hysteresis, difference between the two load directions and a budget.
After 40 CFR 1065.310 and 1065.630: mass x local g, arm level, at least six load steps, both ways.

Caution: hanging weights on an arm can hurt. Roll shaft locked, nobody below the weights; the
machine's maker and local rules come first.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Annotated

import msgspec
import numpy as np
from msgspec import Meta

from daq.errors import Refused
from daq.rig.description import LoadCell
from daq.rig.gravity import buoyancy_factor, dead_weight_torque, local_gravity
from daq.texts.message import Text, say
from daq.uncertainty.budget import Budget, Source, assemble
from daq.uncertainty.statistics import TORQUE_LINEARITY, Linearity, fit_line, linearity

FULL_SCALE_COUNTS = 2**23
FEWEST_STEPS = 6  # 40 CFR 1065.310

Relative = Annotated[float, Meta(ge=0, le=1)]  # a relative standard uncertainty


class DeadWeight(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One load step: what hung on the arm and what the converter said (mean over some seconds)."""

    mass_kg: Annotated[float, Meta(ge=0, le=100_000)]
    count: Annotated[float, Meta(ge=-(2**31), le=2**31)]
    rising: bool = True  # reached by adding weights
    side: Annotated[int, Meta(ge=-1, le=1)] = (
        1  # 1: braking direction, -1: the other way, 0: calibration arm taken off
    )


class CalibrationArm(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How the weights act on the cell, with standard uncertainties.

    The calibration arm reaches from the absorber's axis to the weights, the cell sits at
    `cell_arm_m`. `hanging_torque_nm` is the torque of the calibration arm itself when it was not
    on for the zero; the regulation wants it to 1 %, arm and force to 0.5 %.
    """

    calibration_arm_m: Annotated[float, Meta(gt=0, le=20)]
    cell_arm_m: Annotated[float, Meta(ge=0.01, le=20)]
    latitude_deg: Annotated[float, Meta(ge=-90, le=90)]
    altitude_m: Annotated[float, Meta(ge=-500, le=9000)] = 0.0
    hanging_torque_nm: Annotated[float, Meta(ge=-100_000, le=100_000)] = 0.0
    air_kg_m3: Annotated[float, Meta(ge=0.5, le=1.6)] = 1.2
    weight_kg_m3: Annotated[float, Meta(ge=500, le=25_000)] = 8000.0
    mass_relative_sigma: Relative = 1e-4  # all weights together, as one set
    arm_sigma_m: Annotated[float, Meta(ge=0, le=1)] = 2e-4
    cell_arm_sigma_m: Annotated[float, Meta(ge=0, le=1)] = 0.0
    gravity_relative_sigma: Relative = 2e-5  # latitude formula against a surveyed value
    hanging_relative_sigma: Relative = 0.01
    level_sigma_deg: Annotated[float, Meta(ge=0, le=45)] = 0.5  # how level the arm is


class Residual(msgspec.Struct, frozen=True):
    """One load step against the fitted line, force at the cell."""

    reference_n: float
    measured_n: float
    rising: bool

    @property
    def error_n(self) -> float:
        return self.measured_n - self.reference_n


class Calibration(msgspec.Struct, frozen=True):
    """Outcome of one calibration of one cell."""

    newton_per_mv_per_v: float
    zero_count: float
    relative_sigma: float  # of the slope: weights, arm, g, level, fit
    residuals: tuple[Residual, ...]
    linearity: Linearity
    hysteresis_n: float  # largest rising/falling difference at one load
    direction_difference: float  # (slope pulled - slope pushed) / slope, NaN for one side only
    budget: Budget  # of the force at the largest load
    flags: tuple[str, ...]

    @property
    def passed(self) -> bool:
        return self.linearity.passed and not self.flags

    def rig_lines(self, date: str) -> str:
        """Lines for the absorber's [absorbers.cell] part of the rig file."""
        return (
            f"newton_per_mv_per_v = {self.newton_per_mv_per_v:.6f}\n"
            f"zero_count = {self.zero_count:.1f}\n"
            f"relative_sigma = {self.relative_sigma:.6f}\n"
            f'calibrated_on = "{date}"\n'
        )


def counts_to_mv_per_v(count: float, full_scale_mv_per_v: float) -> float:
    """Bridge output in mV/V from a signed 24-bit count."""
    return count * full_scale_mv_per_v / FULL_SCALE_COUNTS


def reference_force(setup: CalibrationArm, load: DeadWeight) -> float:
    """Force at the cell in N from a mass on the calibration arm, hanging torque included;
    negative on the arm's other side, zero with the arm off."""
    gravity = local_gravity(setup.latitude_deg, setup.altitude_m)
    buoyancy = buoyancy_factor(setup.air_kg_m3, setup.weight_kg_m3)
    torque = dead_weight_torque(load.mass_kg, setup.calibration_arm_m, gravity, buoyancy)
    return load.side * (torque + setup.hanging_torque_nm) / setup.cell_arm_m


def _check(loads: Sequence[DeadWeight], setup: CalibrationArm) -> None:
    def refuse(problem: Text, remedy: Text) -> None:
        raise Refused(problem, remedy, "calibration")

    if setup.calibration_arm_m <= 0 or setup.cell_arm_m <= 0:
        refuse(say("arm-has-no-length"), say("measure-both-arms-from-absorbers-axis"))
    numbers = [number for load in loads for number in (load.mass_kg, load.count)]
    if not all(math.isfinite(number) for number in numbers):
        refuse(say("mass-or-count-is-not-number"), say("repeat-that-load-step"))
    if any(load.mass_kg < 0 or load.side not in (-1, 0, 1) for load in loads):
        refuse(say("mass-is-below-zero-or-side"), say("sides-are-1-1-or-0"))
    if any(load.side == 0 and load.mass_kg > 0 for load in loads):
        refuse(say("mass-cannot-hang-on-arm-that"), say("give-side-it-hung-on"))
    different = len({load.side * load.mass_kg for load in loads})
    if different < FEWEST_STEPS:
        refuse(
            say("only-different-loads", different=different),
            say("use-at-least-evenly-spaced-40", fewest_steps=FEWEST_STEPS),
        )
    if any(abs(load.count) >= FULL_SCALE_COUNTS - 1 for load in loads):
        refuse(say("converter-was-at-its-limit"), say("use-smaller-loads-or-lower-gain"))


def calibrate(loads: Sequence[DeadWeight], setup: CalibrationArm, cell: LoadCell) -> Calibration:
    """Calibrate one cell. Raises Refused (code "calibration") when the loads cannot do it.

    The line is fitted as mV/V over force, because the weights are far better known than the
    converter's noise; its inverse is the slope of the rig file. The sign of the slope follows the
    wiring: the sign of an arm is the rig file's `arm_sign`, so loads that brake are positive here.
    """
    _check(loads, setup)
    forces = [reference_force(setup, load) for load in loads]
    signals = [counts_to_mv_per_v(load.count, cell.full_scale_mv_per_v) for load in loads]
    line = fit_line(forces, signals)
    if line.slope == 0.0 or line.r_squared < 0.9:
        raise Refused(
            say("converter-hardly-follows-weights"),
            say("check-that-right-cell-is-wired"),
            "calibration",
        )
    slope = 1.0 / line.slope
    # reference forces include the hanging torque, so the line's zero is that of the bare absorber
    zero = line.intercept / cell.full_scale_mv_per_v * FULL_SCALE_COUNTS
    measured = [(signal - line.intercept) * slope for signal in signals]
    residuals = tuple(
        Residual(reference, value, load.rising)
        for reference, value, load in zip(forces, measured, loads, strict=True)
    )
    largest = max(abs(force) for force in forces)
    straight = linearity(forces, measured, max(largest, cell.capacity_n), TORQUE_LINEARITY)
    budget = _budget(setup, forces, line.slope_sigma / abs(line.slope))
    hysteresis = _hysteresis(residuals)
    difference = _direction_difference(forces, signals)
    flags = _flags(loads, forces, cell, hysteresis, difference)
    return Calibration(
        slope,
        zero,
        budget.sigma / abs(budget.value),
        residuals,
        straight,
        hysteresis,
        difference,
        budget,
        flags,
    )


def _budget(setup: CalibrationArm, forces: Sequence[float], fit_relative: float) -> Budget:
    force = max(forces, key=abs)
    tilt = math.radians(setup.level_sigma_deg)
    hanging = setup.hanging_torque_nm / setup.cell_arm_m
    weights = abs(force) - hanging
    arm_relative = setup.arm_sigma_m / setup.calibration_arm_m
    cell_relative = setup.cell_arm_sigma_m / setup.cell_arm_m
    rows = [
        ("weights", setup.mass_relative_sigma, weights, "certificate of the weights"),
        ("calibration arm", arm_relative, weights, "measured length"),
        ("cell arm", cell_relative, -abs(force), "measured length"),
        ("local g", setup.gravity_relative_sigma, weights, "latitude formula, 1065.630"),
        # cos(tilt) is 1 - tilt^2/2: never longer, its mean square size is taken as the sigma
        ("arm not level", tilt * tilt / 2, -weights, "spirit level"),
        ("hanging torque", setup.hanging_relative_sigma, hanging, "weighed arm"),
        ("fit", fit_relative, abs(force), "scatter of the load steps"),
    ]
    sources = [
        Source(name, 1.0, sigma, "1", len(forces) - 2 if name == "fit" else math.inf, origin=origin)
        for name, sigma, _, origin in rows
    ]
    return assemble(
        "force at the cell, largest load",
        "N",
        abs(force),
        sources,
        np.array([sigma * effect for _, sigma, effect, _ in rows]),
    )


def _hysteresis(residuals: Sequence[Residual]) -> float:
    largest = 0.0
    for up in residuals:
        if not up.rising:
            continue
        falling = [
            down.measured_n
            for down in residuals
            if not down.rising and math.isclose(down.reference_n, up.reference_n, rel_tol=1e-9)
        ]
        if falling:
            largest = max(largest, abs(sum(falling) / len(falling) - up.measured_n))
    return largest


def _direction_difference(forces: Sequence[float], signals: Sequence[float]) -> float:
    slopes = []
    for sign in (1, -1):
        side = [
            (force, signal)
            for force, signal in zip(forces, signals, strict=True)
            if sign * force >= 0
        ]
        if len({force for force, _ in side}) < 3:
            return math.nan
        slopes.append(fit_line([force for force, _ in side], [signal for _, signal in side]).slope)
    return (slopes[0] - slopes[1]) / ((slopes[0] + slopes[1]) / 2)


def _flags(
    loads: Sequence[DeadWeight],
    forces: Sequence[float],
    cell: LoadCell,
    hysteresis_n: float,
    difference: float,
) -> tuple[str, ...]:
    flags = []
    top = max(abs(force) for force in forces)
    if top < 0.5 * cell.capacity_n:
        flags.append(
            f"largest load is {100 * top / cell.capacity_n:.0f} % of the cell's capacity; "
            "load it to at least half"
        )
    if all(load.rising for load in loads):
        flags.append("loads only rose; take the same steps falling to see hysteresis")
    # twice the 0.05 % of an ordinary industrial cell (typical, from memory)
    if hysteresis_n > 0.001 * top:
        flags.append(
            f"hysteresis {hysteresis_n:.2f} N is above 0.1 % of the largest load; "
            "look for friction in the arm's bearing, oscillate it gently before reading"
        )
    if abs(difference) > 0.002:
        flags.append(
            f"the two load directions differ by {100 * difference:+.2f} %; "
            "check the cell's mounting for side load"
        )
    return tuple(flags)
