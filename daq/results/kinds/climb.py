"""A grade climb: did it keep up with the target speed, for how long, and what got hot.

Data flow: Given -> the climb phase of its course -> figures. The approach on the level before it is
no part of the answer.
"""

from __future__ import annotations

import numpy as np

from daq.errors import Refused
from daq.results.band import (
    POWER,
    figure,
    mean_of,
    plain_mean,
    reading,
    relative_speed_sigma,
    seconds,
    share_of,
    uncertainty,
)
from daq.results.given import Given, stretches, told
from daq.results.kinds.found import (
    ROLL_SPEED,
    KindResult,
    heat_figures,
    over_time,
    shortfall_figures,
)
from daq.results.result import CorrectionOut, Flag
from daq.texts.message import say


def climb(given: Given, correction: CorrectionOut) -> KindResult:
    """The climb itself. Raises Refused when the run never came to it."""
    del correction  # a climb is about what happened, not about a reference day
    (target, keep) = told(given.plan, "target_mps", "keep_mps")
    if target is None:
        raise Refused(say("plan-climb-has-no-target-speed"), say("give"), "plan-climb")
    keep = 1.0 if keep is None else keep
    phase = given.course.last("climb")
    rows = phase.rows(given.time_s) if phase is not None else np.zeros(given.time_s.shape, bool)
    if phase is None or rows.sum() < 3:
        raise Refused(
            say("truck-never-reached-on-level-climb", target_mps=target),
            say("choose-lower-target-speed"),
            "not-reached",
        )
    speed, step_s, level = given.speed(), given.step_s, given.settings.level
    behind = stretches(rows & (speed < target - keep), given.time_s, 1.0)
    mean, parts = mean_of(given, "power", rows, steady=False)
    driven = speed[rows]
    scale = relative_speed_sigma(given)
    figures = [
        figure("mean_power", f"Mean {POWER}", "W", mean, level),
        share_of("keeps_up", "Share of the time it kept up", driven >= target - keep, level,
                 scatters=False),
        seconds("climbed", "Time climbed", phase.end_s - phase.begin_s, step_s),
        reading("distance", "Distance", float(np.nansum(driven) * step_s), "m", scale, level),
        plain_mean(given, "mean_speed", "Mean speed", "speed", speed, rows, steady=False),
        reading("least_speed", "Least speed", float(np.nanmin(driven)), "m/s", scale, level),
        seconds("kept_for", "Kept up for",
                (behind[0][0] if behind else phase.end_s) - phase.begin_s, step_s),
    ]  # fmt: skip
    figures += shortfall_figures(given)
    figures += heat_figures(given)
    flags = [
        Flag("behind", say("more-than-below-target", keep_mps=keep), a, b) for a, b in behind[:4]
    ]
    return KindResult(
        "", rows, "keeps_up", figures,
        curves=[over_time(given, "speed", ROLL_SPEED, "m/s", speed),
                over_time(given, "power", POWER, "W", given.of("power_w"))],
        flags=flags,
        uncertainty=uncertainty(f"mean {POWER}", "W", mean, parts, level),
        limits=[say("rolls-can-brake-more-than-grade"),
                say("cooling-air-in-shop-not-road")],
    )  # fmt: skip
