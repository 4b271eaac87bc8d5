"""What a kind contributes to a Result, and what several kinds need to make it.

Data flow: Given and its course -> a module of this package -> KindResult -> daq.results.evaluate.
"""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np

from daq.results.band import Mean, exact, figure, scaled, seconds
from daq.results.flags import undelivered
from daq.results.given import Floats, Given, Mask, moving_mean
from daq.results.result import (
    CorrectionOut,
    CurveOut,
    Figure,
    Flag,
    PeakOut,
    Uncertainty,
    known,
)
from daq.texts.message import Text

GRID_S = 0.5
MOST_POINTS = 1200  # of a curve over time
ROLL_SPEED = "roll speed"


class KindResult(msgspec.Struct, eq=False):
    """What a kind contributes to a Result."""

    answer: Text
    rows: Mask  # the evaluated part
    main: str = ""
    figures: list[Figure] = []
    table: list[dict[str, Any]] = []
    curves: list[CurveOut] = []
    peaks: list[PeakOut] = []
    flags: list[Flag] = []
    uncertainty: Uncertainty | None = None
    limits: list[Text] = []
    gear_locked: bool = False
    in_gear: bool = True  # False: in neutral, engine and rolls have nothing to do with each other
    loaded: bool = True  # forces and powers matter to the answer


def applied(correction: CorrectionOut) -> bool:
    """Whether corrected numbers stand beside the observed ones."""
    return correction.rule != "none"


def named(label: str, correction: CorrectionOut) -> str:
    """What a corrected number is called: by its rule and factor."""
    return f"{label}, corrected by {correction.rule}, factor {correction.factor:.4f}"


def with_corrected(
    name: str, label: str, unit: str, mean: Mean, level: float, correction: CorrectionOut
) -> list[Figure]:
    """A mean as observed and, where a rule is applied, corrected beside it."""
    told = [figure(name, label, unit, mean, level)]
    if applied(correction):
        corrected = scaled(mean, correction.factor, correction.sigma)
        told.append(figure(f"{name}_corrected", named(label, correction), unit, corrected, level))
    return told


def headline(name: str, correction: CorrectionOut) -> str:
    """The main figure: the corrected one where that may be quoted."""
    return f"{name}_corrected" if applied(correction) and correction.valid else name


def over_time(given: Given, name: str, label: str, unit: str, values: Floats) -> CurveOut:
    """A channel over the run as means over equal parts of time, without a band."""
    grid_s = max(GRID_S, float(given.time_s[-1]) / MOST_POINTS)
    smooth = moving_mean(values, given.time_s, grid_s)
    grid = np.arange(0.0, float(given.time_s[-1]), grid_s)
    place = np.minimum(np.searchsorted(given.time_s, grid), smooth.size - 1)
    none: list[float | None] = [None] * len(grid)
    return CurveOut(
        name, label, unit, "time", "s", grid.tolist(), known(smooth[place]), none, none, none,
        none, f"centred mean over {grid_s:.2g} s, no shift in time",
    )  # fmt: skip


def shortfall_figures(given: Given) -> list[Figure]:
    """What the road asked for and the rig could not give: for how long, and how much at worst."""
    lasted_s, _, worst = undelivered(given)
    return [
        seconds("shortfall_time", "Time short of the road's force", lasted_s, given.step_s),
        exact("worst_shortfall", "Most force not delivered", worst, "N"),
    ]


def heat_figures(given: Given) -> list[Figure]:
    """The highest of every temperature that was measured."""
    found = []
    for name, _, kelvin in given.rotors():
        if np.isfinite(kelvin).any():
            highest = float(np.nanmax(kelvin))
            found.append(Figure(f"rotor_{name}", f"Hottest rotor {name}", highest, "K"))
    oil = given.meaning("oil-temperature")
    if oil is not None and np.isfinite(oil).any():
        found.append(Figure("oil", "Hottest oil", float(np.nanmax(oil)), "K"))
    return found
