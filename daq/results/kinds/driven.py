"""Steady hold, grade climb, speed trace, coastdown and snap smoke: from columns to figures.

Data flow: Given -> the part that counts -> figures, tables and flags of the kind, as Found for
daq.results.evaluate. Formulas belong to daq.results.kinds.hold, daq.results.kinds.cycles,
daq.results.kinds.coastdown, daq.results.kinds.smoke.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from daq.errors import Refused
from daq.results.band import POWER, TORQUE, figure, mean_of, scaled, uncertainty
from daq.results.flags import undelivered
from daq.results.given import Floats, Given, moving_mean, stretches, told
from daq.results.kinds import smoke
from daq.results.kinds.coastdown import measured_intervals
from daq.results.kinds.cycles import EXCURSION_S, ReferenceTrace, judge_following, trace_limits
from daq.results.kinds.hold import ARRIVED_FOR_S, ARRIVED_RELATIVE
from daq.results.kinds.swept import KindResult, factor_of
from daq.results.result import CorrectionOut, CurveOut, Figure, Flag, known, number
from daq.results.words import RPM

GRID_S = 0.5
MOST_POINTS = 1200  # of a curve over time
SNAP_END = 1.3  # back below so many times idle, a snap is over
ZERO_S = 3.0
# 20 and 8 values a second, less what equal neighbours hide; what too few do:
# control.test_kinds.snap.
SMOKE_LEAST_HZ, SMOKE_VOID_HZ = 18.0, 7.0


def hold(given: Given, correction: CorrectionOut) -> KindResult:
    """What was held and what the truck gave, over the settled part."""
    plan = given.plan
    rpm, speed, force, power = told(plan, "rpm", "speed_mps", "force_n", "power_w")
    name, label, unit, asked, values = _held(given, rpm, speed, force, power)
    adjusted = given.of("set_point")[-1]
    if name in ("rpm", "speed") and math.isfinite(adjusted):
        asked = float(adjusted)
    near = np.abs(moving_mean(values, given.time_s, 0.1) / asked - 1.0) < (
        ARRIVED_RELATIVE if name in ("rpm", "speed") else 0.05
    )
    where = stretches(near, given.time_s, ARRIVED_FOR_S)
    settle_s = given.settings.settle_s
    if settle_s is None:
        settle_s = float(plan.get("settle_s", 10.0))
    if not where:
        raise Refused(
            "What was to be held was never reached.",
            "Choose a set point that the truck reaches in this gear.",
            "not-reached",
        )
    rows = given.time_s >= where[0][0] + settle_s
    rows &= given.time_s <= where[-1][1]  # what came after was easing off
    if rows.sum() < 3:
        raise Refused("The hold ended before it had settled.", "Hold longer.", "not-settled")
    level = given.settings.level
    factor, factor_sigma = factor_of(correction)
    mean, parts = mean_of(given, "power", rows)
    shown = scaled(mean, factor, factor_sigma)
    figures = [figure("mean_power", f"Mean {POWER}", "W", shown, level)]
    if factor != 1.0:
        figures.append(figure("mean_power_observed", f"Mean {POWER}, observed", "W", mean, level))
    figures.append(Figure("std_power", f"Spread of {POWER}", mean.spread, "W"))
    if np.isfinite(given.of("torque_nm")[rows]).any():
        torque = scaled(mean_of(given, "torque", rows)[0], factor, factor_sigma)
        figures.append(figure("mean_torque", f"Mean {TORQUE}", "N.m", torque, level))
    held = values[rows]
    figures += [
        Figure("mean_held", f"Mean {label}", number(float(np.nanmean(held))), unit),
        Figure("std_held", f"Spread of {label}", number(float(np.nanstd(held))), unit),
        Figure("settled", "Settled time evaluated", float(np.ptp(given.time_s[rows])), "s"),
    ]
    tolerance = float((plan.get("tolerance") or {}).get("relative", 0.005))
    inside = float(np.mean(np.abs(held / asked - 1.0) <= tolerance))
    figures.append(Figure("in_tolerance", f"Share within {100 * tolerance:g} %", inside, "1"))
    return KindResult(
        "", rows, "mean_power", figures,
        curves=[over_time(given, "held", label, unit, values),
                over_time(given, "power", POWER, "W", given.of("power_w") * factor)],
        uncertainty=uncertainty(f"mean {POWER}", "W", shown, parts, level, factor, factor_sigma),
        limits=["A hold says what the truck gave at this point and in this heat, and nothing about "
                "other points."],
        gear_locked=True,
    )  # fmt: skip


def _held(
    given: Given, rpm: float | None, speed: float | None, force: float | None, power: float | None
) -> tuple[str, str, str, float, Floats]:
    if rpm is not None:
        return "rpm", "engine speed", "rad/s", rpm / RPM, given.of("engine_speed_radps")
    if speed is not None:
        return "speed", "roll speed", "m/s", speed, given.of("speed_mps")
    newton = np.zeros(given.time_s.shape)
    watts = np.zeros(given.time_s.shape)
    for one in given.rig.roll_sets:
        each = given.of(f"rolls_{one.name.replace('-', '_')}_absorber_force_n")
        newton += each
        watts += each * given.of(f"rolls_{one.name.replace('-', '_')}_speed_mps")
    if force is not None:
        return "force", "absorber force", "N", force, newton
    if power is not None:
        return "power", "absorbed power", "W", power, watts
    raise Refused("The plan of this hold has no set point.", "Give one.", "plan-set-point")


def over_time(given: Given, name: str, label: str, unit: str, values: Floats) -> CurveOut:
    """A channel over the run as means over equal parts of time, without a band."""
    grid_s = max(GRID_S, float(given.time_s[-1]) / MOST_POINTS)
    smooth = moving_mean(values, given.time_s, grid_s)
    grid = np.arange(0.0, float(given.time_s[-1]), grid_s)
    place = np.minimum(np.searchsorted(given.time_s, grid), smooth.size - 1)
    none: list[float | None] = [None] * len(grid)
    return CurveOut(
        name, label, unit, "time", "s", grid.tolist(), known(smooth[place]), none, none, none,
        none, f"centred mean over {grid_s:.2g} s, no shift in time",
    )  # fmt: skip


# --- grade climb ---------------------------------------------------------------------------------


def climb(given: Given, correction: CorrectionOut) -> KindResult:
    """Did it keep up, for how long, and what got hot."""
    del correction  # a climb is about what happened, not about a reference day
    (target, keep) = told(given.plan, "target_mps", "keep_mps")
    if target is None:
        raise Refused("The plan of this climb has no target speed.", "Give it.", "plan-climb")
    keep = 1.0 if keep is None else keep
    speed = given.of("speed_mps")
    up = stretches(speed >= target - keep, given.time_s)
    if not up:
        raise Refused(
            f"The truck never reached {target * 3.6:.0f} km/h.",
            "Choose a lower target speed.",
            "not-reached",
        )
    begin = up[0][0]
    loaded = given.of("tractive_force_n") > 0.0
    last = stretches(loaded & (speed > 0.5 * target), given.time_s)
    end = last[-1][1] if last else float(given.time_s[-1])
    rows = (given.time_s >= begin) & (given.time_s <= end)
    step = float(np.median(np.diff(given.time_s)))
    kept = rows & (speed >= target - keep)
    seconds = float(np.ptp(given.time_s[rows]))
    behind = stretches(rows & (speed < target - keep), given.time_s, 1.0)
    level = given.settings.level
    mean, parts = mean_of(given, "power", rows, steady=False)
    figures = [
        figure("mean_power", f"Mean {POWER}", "W", mean, level),
        Figure("keeps_up", "Share of the time it kept up", float(kept.sum() / rows.sum()), "1"),
        Figure("climbed", "Time climbed", seconds, "s"),
        Figure("distance", "Distance", float(np.nansum(speed[rows]) * step), "m"),
        Figure("mean_speed", "Mean speed", number(float(np.nanmean(speed[rows]))), "m/s"),
        Figure("least_speed", "Least speed", number(float(np.nanmin(speed[rows]))), "m/s"),
        Figure("kept_for", "Kept up for", (behind[0][0] if behind else end) - begin, "s"),
    ]
    figures += shortfall_figures(given)
    figures += heat_figures(given)
    flags = [
        Flag("behind", f"More than {keep * 3.6:.1f} km/h below the target.", a, b)
        for a, b in behind[:4]
    ]
    return KindResult(
        "", rows, "keeps_up", figures,
        curves=[over_time(given, "speed", "roll speed", "m/s", speed),
                over_time(given, "power", POWER, "W", given.of("power_w"))],
        flags=flags,
        uncertainty=uncertainty(f"mean {POWER}", "W", mean, parts, level),
        limits=["The rolls can brake more than the grade asks, but cannot push; what the rig could "
                "not deliver is flagged as a shortfall.",
                "Cooling air in the shop is not that of the road: temperatures may differ there."],
    )  # fmt: skip


def shortfall_figures(given: Given) -> list[Figure]:
    """What the road asked for and the rig could not give: for how long, and how much at worst."""
    seconds, _, worst = undelivered(given)
    return [
        Figure("shortfall_time", "Time short of the road's force", seconds, "s"),
        Figure("worst_shortfall", "Most force not delivered", worst, "N"),
    ]


def heat_figures(given: Given) -> list[Figure]:
    """The highest of every temperature that was measured."""
    found = []
    for name, _, kelvin in given.rotors():
        if np.isfinite(kelvin).any():
            found.append(
                Figure(f"rotor_{name}", f"Hottest rotor {name}", float(np.nanmax(kelvin)), "K")
            )
    oil = given.meaning("oil-temperature")
    if oil is not None and np.isfinite(oil).any():
        found.append(Figure("oil", "Hottest oil", float(np.nanmax(oil)), "K"))
    return found


# --- speed trace ---------------------------------------------------------------------------------


def trace(given: Given, correction: CorrectionOut) -> KindResult:
    """How the driven speed kept to its trace, 40 CFR 1066.425."""
    del correction
    points = given.plan.get("points") or ()
    if len(points) < 2:
        raise Refused("The plan holds no trace.", "Give its points.", "trace")
    table = np.array(points, dtype=np.float64)
    times = table[:, 0] - table[0, 0]
    asked = ReferenceTrace(times, table[:, 1], np.zeros(len(times)))
    band = float(given.plan.get("band_mps", 0.89408))
    speed = given.of("speed_mps")
    offset = trace_start(given, asked, speed)
    rows = (given.time_s >= offset) & (given.time_s <= offset + asked.duration_s)
    if np.ptp(given.time_s[rows]) < 0.5 * asked.duration_s:
        raise Refused("The trace was not driven to half.", "Drive it to its end.", "trace")
    at_s, driven = given.time_s[rows] - offset, speed[rows]
    following = judge_following(asked, at_s, driven, band)
    wanted = np.interp(at_s, times, table[:, 1])
    error = driven - wanted
    step = float(np.median(np.diff(given.time_s)))
    force = given.of("tractive_force_n")[rows]
    figures = [
        Figure("longest_excursion", "Longest excursion", following.longest_s, "s"),
        Figure("excursions", "Excursions", float(len(following.excursions)), "1"),
        Figure("outside_share", "Share of the time outside", following.outside_share, "1"),
        Figure("rms_error", "Speed error, rms", float(np.sqrt(np.nanmean(error**2))), "m/s"),
        Figure("distance", "Distance driven", float(np.nansum(driven) * step), "m"),
        Figure("asked_distance", "Distance of the trace", asked.distance_m, "m"),
        Figure("positive_work", "Positive wheel work",
               float(np.nansum(np.maximum(force, 0.0) * driven) * step), "J"),
        *shortfall_figures(given),
    ]  # fmt: skip
    flags = [
        Flag(
            "excursion", f"Outside the band for {length:.1f} s.", offset + at, offset + at + length
        )
        for at, length in following.excursions[:6]
    ]
    if not following.within:
        flags.append(
            Flag("out-of-band", f"An excursion of more than {EXCURSION_S:g} s: the run does not "
                 "meet 40 CFR 1066.425.", voids=True)
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
        limits=["The start of the trace is found by laying it on the driven speed where the two "
                "differ least."],
    )  # fmt: skip


def trace_start(given: Given, asked: ReferenceTrace, speed: Floats) -> float:
    """Time of the run at which the trace best begins, to 0.02 s, by least mean square."""
    grid = np.arange(0.0, asked.duration_s, 0.25)
    wanted = np.interp(grid, asked.time_s, asked.speed_mps)
    spare = float(given.time_s[-1]) - asked.duration_s
    filled = np.nan_to_num(speed)

    def miss(offset: float) -> float:
        off = np.interp(grid + offset, given.time_s, filled) - wanted
        return float(off @ off)

    rough = np.arange(0.0, max(spare, 0.0) + 0.5, 0.25)
    best = min(rough.tolist(), key=miss)
    fine = np.arange(best - 0.3, best + 0.3, 0.02)
    return max(0.0, float(min(fine.tolist(), key=miss)))


# --- coastdown -----------------------------------------------------------------------------------


def coast(given: Given, correction: CorrectionOut) -> KindResult:
    """Times between falling speeds and the mean force that they mean for what turns."""
    del correction
    (start, stop, interval) = told(given.plan, "from_mps", "to_mps", "interval_mps")
    if start is None or stop is None:
        raise Refused("The plan of this coast names no speeds.", "Give them.", "plan-coast")
    interval = interval or 4.4704
    speeds = [*np.arange(start, stop, -interval).tolist(), stop]
    if len(speeds) > 2 and speeds[-2] - stop < 1e-6:
        del speeds[-2]
    smooth = moving_mean(given.of("speed_mps"), given.time_s, 0.2)
    above = np.flatnonzero(smooth >= start)
    if not above.size:
        raise Refused("The coast never began.", "Drive up to its first speed.", "no-coast")
    time, coasting = _carried_on(given.time_s, smooth)
    rows = np.zeros(given.time_s.shape, dtype=bool)
    first = max(0, int(above[-1]) - 500)
    rows[first:] = True
    mass = float(given.plan.get("mass_kg") or sum(s.base_inertia_kg for s in given.rig.roll_sets))
    sigma = math.sqrt(sum(s.base_inertia_sigma_kg**2 for s in given.rig.roll_sets)) / mass
    try:
        intervals = measured_intervals(mass, time[first:], coasting[first:], speeds)
    except ValueError as error:
        raise Refused(
            f"{str(error).capitalize()}.", "Let it coast to its last speed.", "no-coast"
        ) from None
    k = 1.96
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
    rows &= given.time_s <= at
    figures = [
        Figure("coast", "Time from first to last speed", total, "s"),
        Figure("mass", "Mass that coasts, at the roll surface", mass, "kg"),
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
        limits=["The force is that of the rolls' own mass (and a road load put on them); the "
                "truck's wheels and shafts that turn along add to it and are not counted.",
                "Intervals after 40 CFR 1066.310; the intervals state the uncertainty of inertia, "
                "not that of warm-up."],
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


# --- snap smoke ----------------------------------------------------------------------------------


def snap(given: Given, correction: CorrectionOut) -> KindResult:
    """Peaks of the snaps through the 0.5 s filter, and the verdict over them."""
    del correction
    opacity = given.meaning("smoke-opacity")
    engine = given.of("engine_speed_radps")
    if opacity is None or not np.isfinite(opacity).any():
        raise Refused("The run holds no smoke readings.", "Connect the meter.", "no-smoke-channel")
    if not np.isfinite(engine).any():
        raise Refused("The run holds no engine speed.", "Connect a pickup.", "no-engine-speed")
    held = np.interp(given.time_s, given.time_s[np.isfinite(opacity)],
                     opacity[np.isfinite(opacity)])  # fmt: skip
    zero = float(np.median(held[given.time_s <= ZERO_S]))
    last = float(np.median(held[given.time_s >= given.time_s[-1] - ZERO_S]))
    sample_hz = 1.0 / float(np.median(np.diff(given.time_s)))
    filtered = smoke.bessel_filter(sample_hz).apply(np.clip(held - zero, 0.0, 1.0))
    idle = float(np.nanpercentile(engine, 10))
    rise = float(given.plan.get("snap_rise", 2.0))
    snaps = _snaps(engine, given.time_s, idle, rise)
    peaks = []
    table: list[dict[str, Any]] = []
    settings = given.settings
    for number_, (begin, end) in enumerate(snaps, start=1):
        part = (given.time_s >= begin) & (given.time_s <= end + 2.0)
        top = float(filtered[part].max())
        if settings.smoke_path_m and settings.wanted_path_m:
            top = smoke.convert_path(top, settings.smoke_path_m, settings.wanted_path_m)
        peaks.append(100.0 * top)
        row: dict[str, Any] = {"snap": number_, "begin_s": begin, "peak_percent": 100.0 * top}
        if settings.wanted_path_m and top < 1.0:
            row["absorption_per_m"] = smoke.absorption(top, settings.wanted_path_m)
        table.append(row)
    verdict = smoke.judge_snaps(
        peaks, 100.0 * (last - zero), float(given.plan.get("spread_percent", 5.0))
    )
    for index in verdict.used:
        table[index]["used"] = True
    rows = np.ones(given.time_s.shape, dtype=bool)
    flags = [Flag("smoke-void", f"{reason[:1].upper()}{reason[1:]}.", voids=True)
             for reason in verdict.reasons]  # fmt: skip
    changes = np.count_nonzero(np.diff(held)) / max(float(given.time_s[-1]), 1.0)
    if changes < SMOKE_LEAST_HZ:
        flags.append(
            Flag("smoke-slow", f"The smoke channel changed {changes:.0f} times a second; the 0.5 s "
                 "filter needs 20. At 10 the peak of a short puff is off by up to 4 %.",
                 voids=bool(changes < SMOKE_VOID_HZ))
        )  # fmt: skip
    figures = [
        Figure("peak_smoke", "Mean of three snaps", number(verdict.mean_percent), "%"),
        Figure("spread", "Spread of the three", number(verdict.spread_percent), "%"),
        Figure("snaps", "Snaps", float(len(peaks)), "1"),
        Figure("zero_shift", "Shift of the meter's zero", 100.0 * (last - zero), "%"),
    ]
    return KindResult(
        "", rows, "peak_smoke", figures, table,
        [over_time(given, "smoke", "smoke opacity", "1", held - zero),
         over_time(given, "engine", "engine speed", "rad/s", engine)],
        flags=flags, in_gear=False, loaded=False,
        limits=["Smoke as the meter's own path sees it unless a path is stated; ambient air and "
                "stack diameter are not corrected for."],
    )  # fmt: skip


def _snaps(engine: Floats, time_s: Floats, idle: float, rise: float) -> list[tuple[float, float]]:
    """(begin, end) of each snap: above `rise` times idle, and over below SNAP_END times idle."""
    over = stretches(engine > SNAP_END * idle, time_s, 0.2)
    found = []
    for begin, end in over:
        part = engine[(time_s >= begin) & (time_s <= end)]
        if np.nanmax(part) >= rise * idle:
            found.append((begin, end))
    return found
