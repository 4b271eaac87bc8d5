"""What the running test said at its end beside what the result says, in every run.

Data flow: the test's own summary (Course.told) and the figures of a Result -> Agreement, one row
for each number that both state -> a flag where they differ by more than the result's interval and
what the quick live figure may be off by itself. Two programs worked them out: the core while the
truck ran, from each frame as it came, and the evaluation from the whole recording.
"""

from __future__ import annotations

import math
from typing import Any

import msgspec

from daq.quantities import RPM
from daq.results.course import Course
from daq.results.result import Agreement, Figure, Flag
from daq.texts.message import amount, say

FRAMES = 3.0  # so many frames a time told live may be off
_SAME = 1e-9


class FigurePair(msgspec.Struct, frozen=True):
    """A figure, the summary's name of it, its factor into SI, and what live may be off by."""

    figure: str
    live: str
    factor: float = 1.0
    share: float = 0.0  # of the value
    absolute: float = 0.0  # in the figure's unit


# The live figures follow each frame; the result has the pull of the tyres without its lag of 25 ms
# (daq.results.series.aligned) and smooths curves. How much that moves each is stated here, and
# bench.day holds it.
PAIRS: dict[str, tuple[FigurePair, ...]] = {
    "steady-hold": (
        FigurePair("mean_power", "mean_power_w", share=2e-4),
        FigurePair("mean_held", "mean_rpm", 1.0 / RPM, share=2e-4),
        FigurePair("mean_held", "mean_speed_mps", share=2e-4),
        FigurePair("mean_held", "mean_force_n", share=1e-3),
        FigurePair("mean_held", "mean_absorber_power_w", share=1e-3),
        FigurePair("mean_torque", "mean_engine_torque_nm", share=5e-4),
        FigurePair("in_tolerance", "in_tolerance", absolute=0.02),
    ),
    "power-sweep": (
        FigurePair("peak_power", "peak_power_w", share=0.01),
        FigurePair("peak_torque", "peak_engine_torque_nm", share=0.015),
    ),
    "spool-up": (
        FigurePair("rise_10_90", "rise_10_90_s", absolute=0.15),
        FigurePair("force_after", "full_tractive_n", share=0.02),
    ),
    "grade-climb": (
        FigurePair("mean_power", "mean_power_w", share=2e-3),
        FigurePair("keeps_up", "kept_up_share", absolute=0.01),
        FigurePair("mean_speed", "mean_speed_mps", share=1e-3),
        FigurePair("least_speed", "lowest_speed_mps", share=3e-3),
        FigurePair("climbed", "elapsed_s"),
    ),
    "speed-trace": (
        FigurePair("excursions", "excursions", absolute=1.0),
        FigurePair("longest_excursion", "longest_excursion_s", absolute=0.2),
        FigurePair("rms_error", "speed_error_rms_mps", absolute=0.02),
        FigurePair("distance", "driven_m", share=2e-3),
        FigurePair("positive_work", "positive_work_j", share=5e-3),
    ),
    "coastdown": (
        FigurePair("coast", "coast_s", share=2e-3, absolute=0.05),
        FigurePair("mass", "mass_kg"),
    ),
    "snap-smoke": (
        FigurePair("peak_smoke", "mean_percent"),
        FigurePair("spread", "spread_percent", absolute=0.5),
        FigurePair("zero_shift", "zero_shift_percent"),
        FigurePair("snaps", "snaps"),
    ),
}  # fmt: skip


def compared(
    kind: str, course: Course, figures: list[Figure], table: list[dict[str, Any]], step_s: float
) -> list[Agreement]:
    """Every number that both the running test and the result state."""
    by_name = {one.name: one for one in figures}
    found = [
        _one(pair, by_name[pair.figure], course.number(pair.live), step_s)
        for pair in PAIRS.get(kind, ())
        if pair.figure in by_name and math.isfinite(course.number(pair.live))
    ]
    for row in table:  # points of a map, parts of a hold
        if "power_w" not in row:
            continue
        which = "part" if kind == "steady-hold" else "point"
        live = course.number(
            f"{which}_{row['point']}_{'mean_power_w' if which == 'part' else 'power_w'}"
        )
        if math.isfinite(live):
            name = f"{which} {row['point']}"
            one = Figure(name, name, row["power_w"], "W", row["low_w"], row["high_w"])
            found.append(_one(FigurePair(name, "", share=1e-3), one, live, step_s))
    return found


def _one(pair: FigurePair, figure: Figure, told: float, step_s: float) -> Agreement:
    live = told * pair.factor
    value = figure.value
    slack = pair.absolute + pair.share * abs(live) + _SAME * abs(live)
    if figure.unit == "s":
        slack += FRAMES * step_s
    low = value if figure.low is None else figure.low
    high = value if figure.high is None else figure.high
    agrees = value is None or (
        low is not None and high is not None and low - slack <= live <= high + slack
    )
    return Agreement(pair.figure, figure.label, live, value, figure.unit, slack, agrees)


def differences(rows: list[Agreement]) -> list[Flag]:
    """A flag for each number on which the two do not agree."""
    return [
        Flag(
            "live-differs",
            say(
                "running-test-said-result-says-trust",
                label=one.label,
                live=amount(one.live, one.unit),
                value=amount(one.value, one.unit),
            ),
        )
        for one in rows
        if not one.agrees
    ]
