"""Snap smoke: peaks of the snaps through the 0.5 s filter, and the verdict over them.

Data flow: Given -> the zeros and snaps of its course -> filter and verdict of
daq.results.kinds.smoke.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from daq.errors import Refused
from daq.results.band import coverage, exact
from daq.results.course import ZERO_S
from daq.results.given import Floats, Given
from daq.results.kinds import smoke
from daq.results.kinds.found import KindResult, over_time
from daq.results.result import CorrectionOut, Figure, Flag, number
from daq.texts.message import say

METER_SIGMA = 0.5  # points of opacity, of a meter in good order: common practice, no source
# 20 and 8 values a second, less what equal neighbours hide; what too few do:
# control.test_kinds.snap.
SMOKE_LEAST_HZ, SMOKE_VOID_HZ = 18.0, 7.0


def snap(given: Given, correction: CorrectionOut) -> KindResult:
    """Peaks of the snaps through the 0.5 s filter, and the verdict over them."""
    del correction
    opacity = given.meaning("smoke-opacity")
    engine = given.of("engine_speed_radps")
    if opacity is None or not np.isfinite(opacity).any():
        raise Refused(say("run-holds-no-smoke-readings"), say("connect-meter"), "no-smoke-channel")
    if not np.isfinite(engine).any():
        raise Refused(say("run-holds-no-engine-speed"), say("connect-pickup"), "no-engine-speed")
    held = np.interp(given.time_s, given.time_s[np.isfinite(opacity)],
                     opacity[np.isfinite(opacity)])  # fmt: skip
    course = given.course
    zero, last = (_zero(given, held, name) for name in ("zero", "zero again"))
    if not math.isfinite(zero):
        raise Refused(say("meter-zero-was-not-read"), say("repeat-test-its-end"), "no-zero")
    sample_hz = 1.0 / float(np.median(np.diff(given.time_s)))
    filtered = smoke.bessel_filter(sample_hz).apply(np.clip(held - zero, 0.0, 1.0))
    snaps = course.named("snap")
    if course.number("snaps") > 0 and not course.counted_back:
        snaps = snaps[: round(course.number("snaps") + course.number("restarts"))]
    peaks = []
    table: list[dict[str, Any]] = []
    settings = given.settings
    for number_, one in enumerate(snaps, start=1):
        part = one.rows(given.time_s)
        if not part.any():
            continue
        top = float(filtered[part].max())
        if settings.smoke_path_m and settings.wanted_path_m:
            top = smoke.convert_path(top, settings.smoke_path_m, settings.wanted_path_m)
        peaks.append(100.0 * top)
        row: dict[str, Any] = {"snap": number_, "begin_s": one.begin_s, "peak_percent": 100.0 * top}
        if settings.wanted_path_m and top < 1.0:
            row["absorption_per_m"] = smoke.absorption(top, settings.wanted_path_m)
        table.append(row)
    verdict = smoke.judge_snaps(
        peaks,
        100.0 * (last - zero) if math.isfinite(last) else 0.0,
        float(given.plan.get("spread_percent", 5.0)),
    )
    for index in verdict.used:
        table[index]["used"] = True
    rows = np.ones(given.time_s.shape, dtype=bool)
    step = coverage(settings.level) * METER_SIGMA
    flags = [Flag("smoke-void", reason, voids=True)
             for reason in verdict.reasons]  # fmt: skip
    changes = np.count_nonzero(np.diff(held)) / max(float(given.time_s[-1]), 1.0)
    if changes < SMOKE_LEAST_HZ:
        flags.append(
            Flag("smoke-slow", say("smoke-channel-changes-seldom", changes=changes),
                 voids=bool(changes < SMOKE_VOID_HZ))
        )  # fmt: skip
    mean, shift = number(verdict.mean_percent), number(100.0 * (last - zero))
    figures = [
        Figure("peak_smoke", "Mean of three snaps", mean, "%", *_around(mean, step / math.sqrt(3))),
        exact("spread", "Spread of the three", number(verdict.spread_percent), "%"),
        exact("snaps", "Snaps", float(len(peaks)), "1"),
        Figure("zero_shift", "Shift of the meter's zero", shift, "%", *_around(shift, step)),
    ]
    return KindResult(
        "", rows, "peak_smoke", figures, table,
        [over_time(given, "smoke", "smoke opacity", "1", held - zero),
         over_time(given, "engine", "engine speed", "rad/s", engine)],
        flags=flags, in_gear=False, loaded=False,
        limits=[say("smoke-as-meter-own-path-sees")],
    )  # fmt: skip


def _zero(given: Given, opacity: Floats, name: str) -> float:
    """The meter's zero: over the second half of its phase, as in the running test."""
    phase = given.course.last(name)
    if phase is None:
        return math.nan
    late = given.time_s > phase.end_s - 0.5 * min(ZERO_S, phase.end_s - phase.begin_s)
    rows = phase.rows(given.time_s) & late
    return float(np.mean(opacity[rows])) if rows.any() else math.nan


def _around(value: float | None, half: float) -> tuple[float | None, float | None]:
    return (None, None) if value is None else (value - half, value + half)
