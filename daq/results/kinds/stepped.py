"""A stepped map: mean power and torque of each point that settled.

Data flow: Given -> the averaging phases of its course, each with its point -> table, points of
curves, the highest.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from daq.errors import Refused
from daq.quantities import RPM
from daq.results.band import (
    POWER,
    TORQUE,
    Mean,
    exact,
    figure,
    mean_of,
    reading,
    relative_sigma,
    scaled,
    uncertainty,
)
from daq.results.given import Given
from daq.results.kinds.found import KindResult, applied, headline, named, with_corrected
from daq.results.kinds.sweep import AXES, axis
from daq.results.result import CorrectionOut, CurveOut, Flag
from daq.texts.message import say


def stepped(given: Given, correction: CorrectionOut) -> KindResult:
    """Mean power and torque of each settled point. Raises Refused when no point settled."""
    plan = given.plan
    rpm, mps = plan.get("points_rpm") or (), plan.get("points_mps") or ()
    by_engine = bool(rpm)
    points = [float(one) / RPM for one in rpm] if by_engine else [float(one) for one in mps]
    x, x_name, x_unit, _, _ = axis(given, by_engine)
    level = given.settings.level
    table: list[dict[str, Any]] = []
    used = np.zeros(x.shape, dtype=bool)
    kept: list[tuple[float, Mean, Mean | None]] = []
    for phase in given.course.named("average"):
        rows = phase.rows(given.time_s)
        if not 1 <= phase.point <= len(points) or rows.sum() < 3:
            continue
        power, _ = mean_of(given, "power", rows)
        torque = None
        if np.isfinite(given.of("torque_nm")[rows]).any():
            torque = mean_of(given, "torque", rows)[0]
        used |= rows
        kept.append((float(np.nanmean(x[rows])), power, torque))
        one = figure("power", POWER, "W", power, level)
        row: dict[str, Any] = {
            "point": phase.point, "set": points[phase.point - 1], "x": kept[-1][0], "unit": x_unit,
            "settled_after_s": phase.begin_s, "power_w": one.value, "low_w": one.low,
            "high_w": one.high, "std_power_w": power.spread,
            "torque_nm": None if torque is None else torque.value,
        }  # fmt: skip
        if applied(correction):
            row["corrected_w"] = power.value * correction.factor
        table.append(row)
    settled = {row["point"] for row in table}
    flags = [
        Flag("point-void", say("point-never-settled", place=place), x=point, voids=True)
        for place, point in enumerate(points, start=1)
        if place not in settled
    ]
    if not kept:
        raise Refused(
            say("no-point-map-settled"), say("give-more-time-settle-or-wider"), "no-point"
        )
    curves: list[CurveOut] = []
    for name, label, unit, which in (("power", POWER, "W", 1), ("torque", TORQUE, "N.m", 2)):
        if all(each[which] is not None for each in kept):
            if applied(correction):
                curves.append(_points(
                    f"{name}_corrected", named(label, correction), unit, x_name, x_unit, given,
                    kept, which, correction.factor, correction.sigma,
                ))  # fmt: skip
            curves.append(_points(name, label, unit, x_name, x_unit, given, kept, which, 1.0, 0.0))
    best = max(kept, key=lambda each: each[1].value)
    main = headline("peak_power", correction)
    factor, factor_sigma = 1.0, 0.0
    if main != "peak_power":
        factor, factor_sigma = correction.factor, correction.sigma
    top = scaled(best[1], factor, factor_sigma)
    sure = relative_sigma(given, by_engine)
    figures = [
        *with_corrected("peak_power", f"Highest {POWER}", "W", best[1], level, correction),
        reading("peak_power_at", f"at {x_name}", best[0], x_unit, sure, level),
        exact("points", "Points settled", float(len(kept)), "1"),
    ]
    with_torque = [each for each in kept if each[2] is not None]
    if with_torque:
        at, _, strongest = max(with_torque, key=lambda each: each[2].value if each[2] else 0.0)
        assert strongest is not None  # noqa: S101 - filtered above
        figures += [
            *with_corrected("peak_torque", f"Highest {TORQUE}", "N.m", strongest, level,
                            correction),
            reading("peak_torque_at", f"at {x_name}", at, x_unit, sure, level),
        ]  # fmt: skip
    parts = mean_of(given, "power", used)[1]
    return KindResult(
        "", used, main, figures, table, curves, flags=flags,
        uncertainty=uncertainty(
            f"highest {POWER}", "W", top, parts, level, factor, factor_sigma
        ),
        limits=[say("between-points-nothing-was-measured-no"),
                AXES[by_engine]],
    )  # fmt: skip


def _points(
    name: str, label: str, unit: str, x_name: str, x_unit: str, given: Given,
    kept: list[tuple[float, Mean, Mean | None]], which: int, factor: float, factor_sigma: float,
) -> CurveOut:  # fmt: skip
    means = [scaled(each[which], factor, factor_sigma) for each in kept]  # type: ignore[arg-type]
    stated = [figure(name, label, unit, mean, given.settings.level) for mean in means]
    return CurveOut(
        name, label, unit, x_name, x_unit, [each[0] for each in kept],
        [one.value for one in stated], [one.low for one in stated], [one.high for one in stated],
        [mean.noise for mean in means], [mean.calibration for mean in means],
        "none: each point is a mean over its averaging time", marks=True,
    )  # fmt: skip
