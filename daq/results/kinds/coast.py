"""A coastdown: times between falling speeds and the mean force that they mean for what turns.

Data flow: Given -> the coast phase of its course -> crossings of speeds -> intervals after
daq.results.kinds.coastdown.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from daq.errors import Refused
from daq.results.band import coverage, reading, seconds
from daq.results.given import Floats, Given, moving_mean, told
from daq.results.kinds.coastdown import measured_intervals
from daq.results.kinds.found import KindResult
from daq.results.result import CorrectionOut, CurveOut, Figure, number
from daq.texts.message import say

LEAST_S = 1.0
CROSSING_S = 0.01  # how well the moment of a crossing is known: of two lines over 0.5 s (no source)


def coast(given: Given, correction: CorrectionOut) -> KindResult:
    """Times between falling speeds and the mean force that they mean for what turns."""
    del correction
    (start, stop, interval) = told(given.plan, "from_mps", "to_mps", "interval_mps")
    if start is None or stop is None:
        raise Refused(say("plan-coast-names-no-speeds"), say("give-them"), "plan-coast")
    interval = interval or 4.4704
    speeds = [*np.arange(start, stop, -interval).tolist(), stop]
    if len(speeds) > 2 and speeds[-2] - stop < 1e-6:
        del speeds[-2]
    phase = given.course.last("coast")
    rows = phase.rows(given.time_s) if phase is not None else np.zeros(given.time_s.shape, bool)
    smooth = moving_mean(given.speed(), given.time_s, 0.2)
    above = np.flatnonzero(rows & (smooth >= start))
    if not above.size or np.ptp(given.time_s[rows]) < LEAST_S:
        raise Refused(say("coast-never-began"), say("drive-up-its-first-speed"), "no-coast")
    last = int(np.flatnonzero(rows)[-1]) + 1
    time, coasting = _carried_on(given.time_s[:last], smooth[:last])
    first = max(0, int(above[-1]) - 500)
    own = sum(one.base_inertia_kg for one in given.rig.roll_sets)
    sigma = math.sqrt(sum(s.base_inertia_sigma_kg**2 for s in given.rig.roll_sets)) / own
    mass = given.course.number("mass_kg")  # against a road load: that of the vehicle simulated
    mass = mass if mass > 0.0 else own
    intervals = measured_intervals(mass, time[first:], coasting[first:], speeds)
    k = coverage(given.settings.level)
    tractive = given.of("tractive_force_n")
    table: list[dict[str, Any]] = []
    at = float(given.time_s[above[-1]])
    for one in intervals:
        part = (given.time_s >= at) & (given.time_s <= at + one.seconds)
        half = k * one.force_n * sigma
        table.append({
            "from_mps": one.start_mps, "to_mps": one.end_mps, "seconds": one.seconds,
            "force_n": one.force_n, "low_n": one.force_n - half, "high_n": one.force_n + half,
            "measured_tractive_n": number(float(np.nanmean(tractive[part]))),
        })  # fmt: skip
        at += one.seconds
    total = sum(one.seconds for one in intervals)
    rows &= given.time_s >= given.time_s[first]
    rows &= given.time_s <= at
    figures = [
        seconds("coast", "Time from first to last speed", total, CROSSING_S),
        reading("mass", "Mass that coasts, at the roll surface", mass, "kg", sigma,
                given.settings.level),
        Figure("mean_force", "Mean force", mass * (start - stop) / total, "N",
               mass * (start - stop) / total * (1 - k * sigma),
               mass * (start - stop) / total * (1 + k * sigma)),
    ]  # fmt: skip
    middle = [one.middle_mps for one in intervals]
    force = CurveOut(
        "force", "mean force per interval", "N", "roll speed", "m/s", middle,
        [one.force_n for one in intervals], [row["low_n"] for row in table],
        [row["high_n"] for row in table], [None] * len(middle),
        [one.force_n * sigma for one in intervals], "none", marks=True,
    )  # fmt: skip
    return KindResult(
        "", rows, "coast", figures, table, [force], in_gear=False,
        limits=[say("force-on-mass-stated-rolls-own"),
                say("intervals-after-40-cfr-1066-310")],
    )  # fmt: skip


def _carried_on(time_s: Floats, speed_mps: Floats) -> tuple[Floats, Floats]:
    """The series with 0.3 s of straight line behind it: a run ends as its last speed is passed, and
    the smoothed speed has then not quite got there."""
    last = time_s >= time_s[-1] - 0.6
    last &= time_s <= time_s[-1] - 0.1
    slope, offset = np.polyfit(time_s[last] - time_s[-1], speed_mps[last], 1)
    edge = time_s <= time_s[-1] - 0.1
    ahead = time_s[-1] + np.arange(-0.1, 0.3, 0.01)
    return (
        np.concatenate((time_s[edge], ahead)),
        np.concatenate((speed_mps[edge], offset + slope * (ahead - time_s[-1]))),
    )
