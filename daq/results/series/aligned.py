"""Force and power of a finished run, brought to the instant of the speed they are multiplied with.

Data flow: columns as measured live -> the pull of the tyres without its lag -> the same columns.

Live, acceleration is that of a quadratic through the last WINDOW_S of edges
(daq.measure.speed.estimator): one number for all of the window, so it belongs to the window's
middle, while the row holds at DELAY_S. Changes of the absorbers' force are taken out before the fit
and put back in time; what lags is the rest, the pull of the tyres. A finished run has the rows that
follow: the pull of a row is read from that LEAD_S later. Nothing is smoothed by this. On a sweep it
takes away an error of some hundredths of a per cent that has the sign of the torque curve's slope,
on a spool-up 25 ms of delay.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from daq.measure.speed.estimator import DELAY_S, WINDOW_S
from daq.results.series.columns import Chunk, slug
from daq.rig.description import Rig
from daq.texts.message import say

LEAD_S = 0.5 * WINDOW_S - DELAY_S
STATED = say(
    "acceleration-measured-over-ms-results-take",
    window_ms=1000.0 * WINDOW_S,
    lead_ms=1000.0 * LEAD_S,
)
GAP_S = 0.1  # rows further apart do not belong together

Floats = npt.NDArray[np.float64]


def aligned(rig: Rig, columns: Chunk) -> Chunk:
    """Columns with force, power and torque aligned; as they are when the rig's are not there."""
    names = [f"rolls_{slug(one.name)}" for one in rig.roll_sets]
    needed = (
        "speed_mps", "acceleration_mps2", "absorber_force_n", "inertia_force_n",
        "tractive_force_n", "power_w",
    )  # fmt: skip
    if "time_s" not in columns or any(f"{n}_{k}" not in columns for n in names for k in needed):
        return columns
    time = np.asarray(columns["time_s"], dtype=np.float64)
    if time.size < 2:
        return columns
    found = dict(columns)
    force = np.zeros(time.size)
    power = np.zeros(time.size)
    for one, name in zip(rig.roll_sets, names, strict=True):
        inertial = np.asarray(columns[f"{name}_inertia_force_n"], dtype=np.float64)
        absorbed = np.asarray(columns[f"{name}_absorber_force_n"], dtype=np.float64)
        late = _later(time, absorbed + inertial) - absorbed
        change = np.where(np.isfinite(late), late, inertial) - inertial
        tractive = np.asarray(columns[f"{name}_tractive_force_n"], dtype=np.float64) + change
        watts = tractive * np.asarray(columns[f"{name}_speed_mps"], dtype=np.float64)
        found[f"{name}_inertia_force_n"] = inertial + change
        rate = np.asarray(columns[f"{name}_acceleration_mps2"], dtype=np.float64)
        found[f"{name}_acceleration_mps2"] = rate + change / one.base_inertia_kg
        found[f"{name}_tractive_force_n"] = tractive
        found[f"{name}_power_w"] = watts
        force += tractive
        power += watts
    engine = np.asarray(columns["engine_speed_radps"], dtype=np.float64)
    found["tractive_force_n"] = force
    found["power_w"] = power
    with np.errstate(invalid="ignore", divide="ignore"):
        found["torque_nm"] = np.where(engine > 1.0, power / engine, np.nan)
    return found


def _later(time: Floats, values: Floats) -> Floats:
    """`values` LEAD_S later, the last one held at the end of the run; NaN across a gap."""
    at = np.minimum(time + LEAD_S, time[-1])
    after = np.minimum(np.searchsorted(time, at), time.size - 1)
    before = np.maximum(after - 1, 0)
    step = time[after] - time[before]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(step > 0.0, (at - time[before]) / step, 0.0)
    read = values[before] + np.clip(share, 0.0, 1.0) * (values[after] - values[before])
    return np.where(step <= GAP_S, read, np.nan)
