"""Uncertainty of a recorded run: from its columns to effects on speed, force, torque and power.

Data flow: columns of a run (daq.results.series.columns, one row per frame) + its rig ->
RollSetColumns -> daq.uncertainty.power.evaluate. Any weights an evaluation applies to the values
(means, smoothed bins, differences) go to `Effects.budget` unchanged.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from daq.results.series.columns import slug
from daq.rig.description import Rig
from daq.uncertainty.power import NOISE_CORRELATION_S, RigEffects, RollSetColumns, evaluate

Array = npt.NDArray[np.float64]
SPEED_NOISE_MPS = 0.001  # of the causal speed, where the run holds no column for it


def run_columns(
    rig: Rig, table: Mapping[str, npt.NDArray[Any]], speed_noise_mps: float = SPEED_NOISE_MPS
) -> list[RollSetColumns]:
    """Columns of a run in rig order of roll sets; raises KeyError for a run of another rig.

    The absorbers' own columns are a few milliseconds younger than the aligned force of their roll
    set, so they only say how that force is shared.
    """
    found = []
    for s in rig.roll_sets:
        name = f"rolls_{slug(s.name)}"
        aligned = np.asarray(table[f"{name}_absorber_force_n"], dtype=np.float64)
        each = np.array(
            [
                np.asarray(table[f"absorber_{slug(absorber.name)}_force_n"], dtype=np.float64)
                for absorber in rig.absorbers_of(s.name)
            ]
        )
        each += (aligned - each.sum(axis=0)) / len(each)
        # holds the noise of cells and of base inertia x acceleration together
        noise = np.asarray(table[f"{name}_tractive_sigma_n"], dtype=np.float64)
        of_rate: Array | float = 0.0
        of_speed: Array | float = speed_noise_mps
        if f"{name}_acceleration_sigma_mps2" in table:  # not in runs evaluated long ago
            of_rate = np.asarray(table[f"{name}_acceleration_sigma_mps2"], dtype=np.float64)
            of_speed = np.asarray(table[f"{name}_speed_sigma_mps"], dtype=np.float64)
            noise = np.sqrt(np.maximum(noise**2 - (s.base_inertia_kg * of_rate) ** 2, 0.0))
        found.append(
            RollSetColumns(
                np.asarray(table[f"{name}_speed_mps"], dtype=np.float64),
                np.asarray(table[f"{name}_acceleration_mps2"], dtype=np.float64),
                each,
                speed_noise_mps=of_speed,
                acceleration_noise_mps2=of_rate,
                absorber_noise_n=noise,
            )
        )
    return found


def run_effects(
    rig: Rig,
    table: Mapping[str, npt.NDArray[Any]],
    *,
    every: int = 1,
    alignment_sigma_s: float | None = None,
    noise_correlation_s: float = NOISE_CORRELATION_S,
    shared_calibration: float | None = None,
) -> RigEffects:
    """Effects of every uncertainty source on every quantity of a run.

    `every` = n takes each n-th row only, and weights then belong to those rows. A row needs about
    1.7 kB with two roll sets; noise is shared over `noise_correlation_s` anyhow, so an hour at 500
    rows/s loses nothing with every = 25. Rows without a usable force or speed (NaN) give NaN; leave
    them out before weighing.
    """
    if every > 1:
        table = {name: column[::every] for name, column in table.items()}
    time = np.asarray(table["time_s"], dtype=np.float64)
    step = float(np.median(np.diff(time))) if len(time) > 1 else 1.0 / rig.frame_hz
    return evaluate(
        rig,
        run_columns(rig, table),
        step,
        alignment_sigma_s=alignment_sigma_s,
        noise_correlation_s=noise_correlation_s,
        shared_calibration=shared_calibration,
    )
