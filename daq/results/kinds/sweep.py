"""A power sweep: curves of power and torque over the sweep itself, and their peaks.

Data flow: Given -> the sweep phase of its course -> local quadratics with bands -> peaks.
"""

from __future__ import annotations

import math

import msgspec
import numpy as np

from daq.errors import Refused
from daq.quantities import RPM
from daq.results.band import (
    POWER,
    TORQUE,
    Mean,
    calibration_sigma,
    curve_out,
    mean_of,
    peak_out,
    reading,
    relative_sigma,
    uncertainty,
    with_noise,
)
from daq.results.curves import curve, evenly, peak
from daq.results.given import Floats, Given, told
from daq.results.kinds.found import ROLL_SPEED, KindResult, applied, headline, named
from daq.results.result import CorrectionOut, CurveOut, Figure, Flag, PeakOut, Uncertainty
from daq.texts.message import amount, say

END_SHARE = 0.03  # so much may be missing at the end: the test stops where its own speed passed
LEAST_SHARE = 0.2  # of the planned range: less is no sweep
AXES = {
    True: say("axis-engine-speed"),
    False: say("axis-speed-load-loop-holds-mean"),
}


def axis(given: Given, by_engine: bool) -> tuple[Floats, str, str, float, float]:
    """Column, name, unit, smoothing half-width and step of the curves' axis, in SI."""
    settings = given.settings
    if by_engine:
        return (
            given.of("engine_speed_radps"),
            "engine speed",
            "rad/s",
            settings.smooth_rpm / RPM,
            settings.step_rpm / RPM,
        )
    return (
        given.speed(),
        ROLL_SPEED,
        "m/s",
        settings.smooth_mps,
        settings.step_mps,
    )


def sweep(given: Given, correction: CorrectionOut) -> KindResult:
    """Curves and peaks over the sweep. Raises Refused when there is no sweep in the run."""
    start_rpm, stop_rpm = told(given.plan, "from_rpm", "to_rpm")
    start, stop = told(given.plan, "from_mps", "to_mps")
    by_engine = start_rpm is not None and stop_rpm is not None
    if by_engine:
        start, stop = (start_rpm or 0.0) / RPM, (stop_rpm or 0.0) / RPM
    if start is None or stop is None:
        raise Refused(say("plan-sweep-names-no-range"), say("give-its-from"), "plan-sweep")
    x, x_name, x_unit, half_width, step = axis(given, by_engine)
    phase = given.course.last("sweep")
    rows = phase.rows(given.time_s) if phase is not None else np.zeros(x.shape, dtype=bool)
    rows &= np.isfinite(x)
    inside = x[rows]
    if inside.size < 100 or np.ptp(inside) < LEAST_SHARE * abs(stop - start):
        raise Refused(
            say("no-sweep-in-run-speed-never"),
            say("repeat-test-keep-pedal-down-until"),
            "no-sweep",
        )
    way = 1.0 if stop > start else -1.0
    got = float(np.nanmax(way * (inside - start))) / abs(stop - start)
    low, high = float(np.nanmin(inside)), float(np.nanmax(inside))
    bins = evenly(low, high, step)
    level = given.settings.level
    main = headline("peak_power", correction)
    factor, factor_sigma = 1.0, 0.0
    if main != "peak_power":
        factor, factor_sigma = correction.factor, correction.sigma
    curves: list[CurveOut] = []
    peaks: list[PeakOut] = []
    figures: list[Figure] = []
    statement: Uncertainty | None = None
    for name, label, column in (("power", POWER, "power_w"), ("torque", TORQUE, "torque_nm")):
        y = given.of(column)
        if not np.isfinite(y[rows]).any():
            continue
        unit = "W" if name == "power" else "N.m"
        made = curve(x[rows], y[rows], bins, half_width, (x_name, label), (x_unit, unit))
        calibration = calibration_sigma(given, name, rows, x, bins, half_width)
        observed = curve_out(name, label, made, calibration, level)
        outs = [(name, "", observed)]
        if applied(correction):
            corrected = curve_out(
                f"{name}_corrected", named(label, correction), made, calibration, level,
                correction.factor, correction.sigma,
            )  # fmt: skip
            outs.insert(0, (f"{name}_corrected", "corrected", corrected))
        top = peak(made)
        for key, word, out in outs:
            times = correction.factor if word else 1.0
            high_point = peak_out(
                out,
                msgspec.structs.replace(
                    top, value=top.value * times, noise_sigma=top.noise_sigma * times
                ),
            )
            curves.append(out)
            peaks.append(high_point)
            figures += [
                Figure(f"peak_{key}", f"Highest {out.label}", high_point.value, unit,
                       high_point.low, high_point.high),
                Figure(f"peak_{key}_at", f"at {x_name}", high_point.x, x_unit,
                       high_point.x_low, high_point.x_high),
            ]  # fmt: skip
        if name == "power":
            place = int(np.nanargmax(made.value))
            mean = Mean(
                top.value * factor,
                math.hypot(float(calibration[place]) * factor, top.value * factor_sigma),
                top.noise_sigma * factor,
                0.0,
            )
            near = rows & (np.abs(x - top.x) <= half_width)
            parts = with_noise(mean_of(given, "power", near)[1], mean.noise)
            statement = uncertainty(
                f"highest {POWER}", "W", mean, parts, level, factor, factor_sigma
            )
    lasted = float(np.ptp(given.time_s[rows]))
    figures.append(
        reading("rate", "Mean rate of the sweep", (high - low) / lasted, f"{x_unit}/s",
                given.step_s / lasted + relative_sigma(given, by_engine), level)
    )  # fmt: skip
    found = KindResult(
        "", rows, main, figures, curves=curves, peaks=peaks, uncertainty=statement,
        gear_locked=True,
        limits=[
            say("sweep-not-steady-boost-smoke-lag"),
            say("curves-are-smoothed-over-by-local", width=amount(half_width,x_unit)),
            AXES[by_engine],
        ],
    )  # fmt: skip
    if got < 1.0 - END_SHARE:
        found.flags.append(Flag("incomplete", say("sweep-did-not-cover-its-whole"), voids=True))
    return found
