"""The rig's own channels in a result: oil, coolant, exhaust, boost, fuel, rotors, whatever it has.

Data flow: slow columns of a run, over the part that its kind evaluates -> one ChannelOut each, with
its course over the run beside that of wheel power. Their sensors state no uncertainty, so none is
made up here.
"""

from __future__ import annotations

import numpy as np

from daq.results.band import POWER
from daq.results.given import Floats, Given, Mask
from daq.results.kinds.found import over_time
from daq.results.result import ChannelOut, CurveOut, Number
from daq.results.series.columns import slug
from daq.rig.units import scale_of

END_S = 1.0
SLOPE_S = 2.0  # a slope of less than this says nothing
FEWEST_ROWS = 3


def channels_of(given: Given, rows: Mask) -> list[ChannelOut]:
    """Every slow channel that gave a value in these rows."""
    found = []
    for channel in given.rig.slow:
        values = given.of(f"slow_{slug(channel.name)}")
        usable = rows & np.isfinite(values)
        if usable.sum() < FEWEST_ROWS:
            continue
        time, part = given.time_s[usable], values[usable]
        unit = scale_of(channel.unit).unit.value
        found.append(
            ChannelOut(
                channel.name,
                channel.meaning,
                unit,
                float(part[time <= time[0] + END_S].mean()),
                float(part[time >= time[-1] - END_S].mean()),
                float(part.mean()),
                float(part.min()),
                float(part.max()),
                _slope(time, part),
                over_time(given, f"channel_{slug(channel.name)}", channel.name, unit, values),
            )
        )
    return found


def _slope(time_s: Floats, values: Floats) -> Number:
    """Of the line of least squares, per second."""
    if time_s[-1] - time_s[0] < SLOPE_S:
        return None
    off = time_s - time_s.mean()
    return float(off @ (values - values.mean()) / (off @ off))


def power_over_time(given: Given) -> CurveOut:
    """Wheel power over the whole run."""
    return over_time(given, "power", POWER, "W", given.of("power_w"))
