"""`python -m daq.uncertainty`: the budget of one operating point, checked by Monte Carlo.

Data flow: rig file + speed, force, acceleration -> GUM budget (daq.uncertainty.budget), the same
from the vectorised evaluation that results use (daq.uncertainty.power), and draws after JCGM 101.
All in SI; only what is printed for people is converted, when they read US customary units.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from daq.errors import DrumlinError
from daq.quantities import UnitSystem
from daq.rig.description import Rig, load_rig
from daq.rig.units import SCALES
from daq.uncertainty.budget import Budget, Model, propagate
from daq.uncertainty.monte_carlo import compare, monte_carlo
from daq.uncertainty.power import RollSetColumns, evaluate, rig_sources

Array = npt.NDArray[np.float64]


class Point(msgspec.Struct, frozen=True):
    """An operating point: all roll sets at one speed, the absorber force shared equally."""

    speed_mps: float
    absorber_n: float  # at the roll surface, whole rig
    acceleration_mps2: float = 0.0
    force_rate_nps: float = 0.0  # how fast the absorber force changes, for alignment


# SI unit -> what readers of US customary units read; what is not here reads alike.
_US = {"W": "hp", "N": "lbf", "N.m": "lbf.ft", "m/s": "mph", "m": "in", "kg": "lb"}


def read_as(unit: str, units: UnitSystem) -> tuple[str, float]:
    """The unit a person reads, and how many of it one SI unit is (none of them has an offset)."""
    name = _US.get(unit, unit) if units is UnitSystem.US else unit
    return name, (1.0 / SCALES[name].factor if name != unit else 1.0)


def budget_in(budget: Budget, units: UnitSystem) -> Budget:
    """The budget as people of that system read it: result, sources and effects converted."""
    total, factor = read_as(budget.unit, units)
    rows = []
    for row in budget.rows:
        unit, each = read_as(row.unit, units)
        rows.append(
            msgspec.structs.replace(
                row, value=row.value * each, sigma=row.sigma * each, unit=unit,
                sensitivity=row.sensitivity * factor / each, contribution=row.contribution * factor,
            )
        )  # fmt: skip
    return msgspec.structs.replace(
        budget, unit=total, value=budget.value * factor, sigma=budget.sigma * factor,
        rows=tuple(rows),
    )  # fmt: skip


def power_model(rig: Rig, point: Point) -> Model:
    """Wheel power as a function of the rig's sources, in the order of `rig_sources`.

    What is held fixed is what the instruments read: roll turns and cell counts; the sources say
    how these become metres and newtons. Not linearised, so the Monte Carlo check means something.
    """
    share = point.absorber_n / len(rig.absorbers)
    rate = point.force_rate_nps / len(rig.absorbers)

    def model(x: Array) -> Array:
        power = np.zeros(np.shape(x)[1:])
        index = 0
        for s in rig.roll_sets:
            radius, inertia, loss, shift = x[index], x[index + 1], x[index + 2], x[index + 3]
            index += 4
            stretch = radius / s.roll_radius_m
            v, a = point.speed_mps * stretch, point.acceleration_mps2 * stretch
            force = np.zeros(np.shape(x)[1:])
            for absorber in rig.absorbers_of(s.name):
                slope = x[index] + x[-1] * absorber.cell.relative_sigma
                zero = x[index + 1]
                index += 2
                to_surface = absorber.arm_m * absorber.gear_ratio / s.roll_radius_m
                force = force + slope * (share + rate * shift) + zero * to_surface
            la, lb, lc = s.loss_n
            tractive = force / stretch + la + v * (lb + v * lc) + loss + inertia * a
            power = power + tractive * v
        return power

    return model


def point_budget(rig: Rig, point: Point, shared_calibration: float | None = None) -> Budget:
    """GUM budget of wheel power at an operating point, without noise."""
    sources = rig_sources(rig, shared_calibration=shared_calibration)
    return propagate("wheel power", "W", power_model(rig, point), sources)


def point_columns(rig: Rig, point: Point) -> list[RollSetColumns]:
    """The operating point as three samples of a run, for `evaluate`."""
    step = 0.002
    columns = []
    for s in rig.roll_sets:
        count = len(rig.absorbers_of(s.name))
        each = point.absorber_n / len(rig.absorbers)
        ramp = point.force_rate_nps / len(rig.absorbers) * step * np.array([-1.0, 0.0, 1.0])
        columns.append(
            RollSetColumns(
                np.full(3, point.speed_mps),
                np.full(3, point.acceleration_mps2),
                np.tile(each + ramp, (count, 1)),
            )
        )
    return columns


def report(
    rig: Rig, point: Point, trials: int, seed: int, shared_calibration: float | None = None
) -> dict[str, Any]:
    """All three ways to the same uncertainty, as one JSON-able object."""
    budget = point_budget(rig, point, shared_calibration)
    sources = rig_sources(rig, shared_calibration=shared_calibration)
    drawn = monte_carlo(power_model(rig, point), sources, trials=trials, seed=seed)
    agreement = compare(budget, drawn)
    effects = evaluate(rig, point_columns(rig, point), 0.002, shared_calibration=shared_calibration)
    vectorised = float(effects.total_power.sigma()[1])
    here = np.array([0.0, 1.0, 0.0])
    quantities = {
        part.quantity: part.budget(here)
        for part in (
            *effects.speed,
            *effects.absorber_force,
            *effects.tractive_force,
            *effects.wheel_torque,
            *effects.power,
            effects.total_force,
            effects.total_power,
        )
    }
    return {
        "name": "uncertainty",
        "rig": rig.name,
        "point": msgspec.to_builtins(point),
        "budget": msgspec.to_builtins(budget) | {"expanded": budget.expanded},
        "per_sample_sigma": vectorised,
        "quantities": {
            name: {
                "value": one.value,
                "unit": one.unit,
                "sigma": one.sigma,
                "expanded": one.expanded,
            }
            for name, one in quantities.items()
        },
        "monte_carlo": msgspec.to_builtins(drawn) | {"seed": seed},
        "agreement": msgspec.to_builtins(agreement),
    }


def main(arguments: Sequence[str] | None = None) -> int:
    """Entry point; returns the exit code (1 when draws and budget disagree, 2 for bad input)."""
    parser = argparse.ArgumentParser(
        prog="python -m daq.uncertainty",
        description="Uncertainty budget of wheel power at one operating point.",
    )
    parser.add_argument("--rig", type=Path, default=Path("rigs/tarnhow.toml"))
    parser.add_argument("--speed-mps", type=float, default=25.0)
    parser.add_argument("--force-n", type=float, default=8000.0, help="absorbers, whole rig")
    parser.add_argument("--acceleration-mps2", type=float, default=0.0)
    parser.add_argument("--force-rate-nps", type=float, default=0.0)
    parser.add_argument(
        "--shared-calibration",
        type=float,
        default=None,
        help="share 0..1 of the cells' slope variance in common; the rig file's when left out",
    )
    parser.add_argument("--trials", type=int, default=200_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--units",
        choices=[system.value for system in UnitSystem],
        default=UnitSystem.METRIC.value,
        help="of what is printed for people (metric: SI); JSON is SI",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    options = parser.parse_args(arguments)
    if not 1000 <= options.trials <= 10_000_000:
        parser.error("--trials must lie between 1000 and 10000000")
    numbers = (
        options.speed_mps,
        options.force_n,
        options.acceleration_mps2,
        options.force_rate_nps,
    )
    if not all(np.isfinite(numbers)) or options.speed_mps <= 0:
        parser.error("speed must be above 0, all numbers finite")
    if options.shared_calibration is not None and not 0.0 <= options.shared_calibration <= 1.0:
        parser.error("--shared-calibration must lie between 0 and 1")
    try:
        rig = load_rig(options.rig)
    except DrumlinError as error:
        print(error, file=sys.stderr)
        return 2
    point = Point(*numbers)
    shared = options.shared_calibration
    result = report(rig, point, options.trials, options.seed, shared)
    if options.json:
        print(msgspec.json.encode(result).decode())
    else:
        _print(result, point_budget(rig, point, shared), UnitSystem(options.units))
    return 0 if result["agreement"]["validated"] else 1


def _print(result: dict[str, Any], budget: Budget, units: UnitSystem) -> None:
    drawn, agreement = result["monte_carlo"], result["agreement"]
    print(budget_in(budget, units).table())
    print()
    for name, one in result["quantities"].items():
        unit, factor = read_as(one["unit"], units)
        print(
            f"{name:<34}{one['value'] * factor:>13.6g} {unit:<6} "
            f"+-{one['expanded'] * factor:.3g} (95 %)"
        )
    unit, factor = read_as(budget.unit, units)
    low, high = (end * factor for end in drawn["symmetric"])
    print(
        f"\nMonte Carlo, {drawn['trials']} draws: standard uncertainty "
        f"{drawn['sigma'] * factor:.3g} {unit}, 95 % within {low:.6g} to {high:.6g} {unit}; "
        f"the budget is "
        f"{'confirmed' if agreement['validated'] else 'not confirmed'}."
    )
