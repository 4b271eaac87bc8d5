"""A speed trace: how the driven speed kept to it, 40 CFR 1066.425.

Data flow: Given -> the trace phase of its course -> excursions, distance, work.
"""

from __future__ import annotations

import numpy as np

from daq.errors import Refused
from daq.results.band import (
    coverage,
    exact,
    mean_of,
    reading,
    relative_speed_sigma,
    seconds,
    share_of,
)
from daq.results.given import Given
from daq.results.kinds.cycles import EXCURSION_S, ReferenceTrace, judge_following, trace_limits
from daq.results.kinds.found import MOST_POINTS, KindResult, shortfall_figures
from daq.results.result import CorrectionOut, CurveOut, Figure, Flag, known
from daq.texts.message import say


def trace(given: Given, correction: CorrectionOut) -> KindResult:
    """How the driven speed kept to its trace, 40 CFR 1066.425."""
    del correction
    points = given.plan.get("points") or ()
    if len(points) < 2:
        raise Refused(say("plan-holds-no-trace"), say("give-its-points"), "trace")
    table = np.array(points, dtype=np.float64)
    times = table[:, 0] - table[0, 0]
    asked = ReferenceTrace(times, table[:, 1], np.zeros(len(times)))
    band = float(given.plan.get("band_mps", 0.89408))
    speed = given.speed()
    phase = given.course.last("trace")
    rows = phase.rows(given.time_s) if phase is not None else np.zeros(given.time_s.shape, bool)
    if phase is None or rows.sum() < 3:
        raise Refused(say("trace-was-not-begun"), say("come-its-first-speed-wait"), "trace")
    offset = phase.begin_s
    at_s, driven = given.time_s[rows] - offset, speed[rows]
    following = judge_following(asked, at_s, driven, band)
    low_at, high_at = trace_limits(asked, at_s, band)
    outside = (driven < low_at) | (driven > high_at)
    wanted = np.interp(at_s, times, table[:, 1])
    error = driven - wanted
    step, level = given.step_s, given.settings.level
    power = given.of("power_w")[rows]
    scale = relative_speed_sigma(given)
    mean = mean_of(given, "power", rows, steady=False)[0]
    work_j = float(np.nansum(np.maximum(power, 0.0)) * step)
    work_half = coverage(level) * mean.sigma * float(np.ptp(at_s))
    figures = [
        seconds("longest_excursion", "Longest excursion", following.longest_s, step),
        exact("excursions", "Excursions", float(len(following.excursions)), "1"),
        share_of("outside_share", "Share of the time outside", outside, level, scatters=False),
        reading("rms_error", "Speed error, rms", float(np.sqrt(np.nanmean(error**2))), "m/s",
                scale, level),
        reading("distance", "Distance driven", float(np.nansum(driven) * step), "m", scale, level),
        exact("asked_distance", "Distance of the trace", asked.distance_m, "m"),
        Figure("positive_work", "Positive wheel work", work_j, "J",
               work_j - work_half, work_j + work_half),
        *shortfall_figures(given),
    ]  # fmt: skip
    flags = [
        Flag(
            "excursion", say("outside-band-for-s", length=length), offset + at, offset + at + length
        )
        for at, length in following.excursions[:6]
    ]
    if not following.within:
        flags.append(
            Flag("out-of-band", say("excursion-more-than-s-run-does", most=EXCURSION_S), voids=True)
        )  # fmt: skip
    grid = np.linspace(0.0, asked.duration_s, min(MOST_POINTS, max(200, int(asked.duration_s))))
    low, high = trace_limits(asked, grid, band)
    none: list[float | None] = [None] * len(grid)
    wanted_curve = CurveOut(
        "asked", "trace and its limits", "m/s", "time", "s", grid.tolist(),
        known(np.interp(grid, times, table[:, 1])), known(low), known(high), none, none,
        "none",
    )  # fmt: skip
    driven_curve = CurveOut(
        "driven", "driven speed", "m/s", "time", "s", grid.tolist(),
        known(np.interp(grid, at_s, driven)), none, none, none, none, "none",
    )  # fmt: skip
    return KindResult(
        "", rows, "longest_excursion", figures, curves=[wanted_curve, driven_curve], flags=flags,
        limits=[say("only-trace-itself-judged-coming-its")],
    )  # fmt: skip
