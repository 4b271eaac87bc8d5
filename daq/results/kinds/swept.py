"""Power sweep, stepped map and spool-up: curves of power and torque, their peaks, rise times.

Data flow: Given -> the rows of the sweep, of each settled point, or around the kick -> curves with
bands and figures. What a test did is found in the columns alone, so that a recording made elsewhere
is evaluated alike.
"""

from __future__ import annotations

import math
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from daq.errors import Refused
from daq.measure.speed.estimator import DELAY_S, WINDOW_S
from daq.results.aligned import LEAD_S
from daq.results.band import (
    POWER,
    TORQUE,
    Mean,
    calibration_sigma,
    curve_out,
    figure,
    mean_of,
    peak_out,
    scaled,
    uncertainty,
    with_noise,
)
from daq.results.curves import curve, evenly, peak
from daq.results.given import Floats, Given, Mask, moving_mean, stretches, told
from daq.results.kinds.spoolup import ChannelRise, spool_up
from daq.results.result import (
    CorrectionOut,
    CurveOut,
    Figure,
    Flag,
    PeakOut,
    Uncertainty,
    known,
    number,
)
from daq.results.words import RPM, shown

EDGE_SHARE = 0.004  # of the range: so near its ends a sweep has begun or ended
START_BAND = 0.016  # of the start speed: a sweep begins from within
WAIT_PACE, PACE_S = 0.3, 0.4  # of the usual pace, as a mean over: not under way yet
END_SHARE = 0.03  # so much may be missing at the end: the test stops where its own speed passed
SLOW_CHANNEL_DELAY_S = 0.0  # slow values are stamped where they are taken
SETTLE_MEAN_S = 0.1  # the band of a stepped map judges speed averaged over this

Rows = npt.NDArray[np.intp]


class KindResult(msgspec.Struct, eq=False):
    """What a kind contributes to a Result."""

    answer: str
    rows: Mask  # the evaluated part
    main: str = ""
    figures: list[Figure] = []
    table: list[dict[str, Any]] = []
    curves: list[CurveOut] = []
    peaks: list[PeakOut] = []
    flags: list[Flag] = []
    uncertainty: Uncertainty | None = None
    limits: list[str] = []
    gear_locked: bool = False
    in_gear: bool = True  # False: in neutral, engine and rolls have nothing to do with each other
    loaded: bool = True  # forces and powers matter to the answer


def factor_of(correction: CorrectionOut) -> tuple[float, float]:
    """Factor and its sigma to apply; (1, 0) when there is none."""
    return correction.factor, correction.sigma


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
        given.of("speed_mps"),
        "roll speed",
        "m/s",
        settings.smooth_mps,
        settings.step_mps,
    )


# --- power sweep ---------------------------------------------------------------------------------


def sweep(given: Given, correction: CorrectionOut) -> KindResult:
    """Curves and peaks over the sweep. Raises Refused when there is no sweep in the run."""
    start_rpm, stop_rpm = told(given.plan, "from_rpm", "to_rpm")
    start, stop = told(given.plan, "from_mps", "to_mps")
    by_engine = start_rpm is not None and stop_rpm is not None
    if by_engine:
        start, stop = (start_rpm or 0.0) / RPM, (stop_rpm or 0.0) / RPM
    if start is None or stop is None:
        raise Refused(
            "The plan of this sweep names no range.", "Give its from and to.", "plan-sweep"
        )
    x, x_name, x_unit, half_width, step = axis(given, by_engine)
    rows, complete = sweep_rows(given, x, start, stop)
    inside = x[rows]
    low, high = float(np.nanmin(inside)), float(np.nanmax(inside))
    bins = evenly(low, high, step)
    level = given.settings.level
    factor, factor_sigma = factor_of(correction)
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
        if correction.rule != "none":
            corrected = curve_out(
                f"{name}_corrected", f"{label}, corrected", made, calibration, level,
                factor, factor_sigma,
            )  # fmt: skip
            outs.insert(0, (f"{name}_corrected", ", corrected", corrected))
        top = peak(made)
        for key, word, out in outs:
            times = factor if word else 1.0
            high_point = peak_out(
                out,
                msgspec.structs.replace(
                    top, value=top.value * times, noise_sigma=top.noise_sigma * times
                ),
            )
            curves.append(out)
            peaks.append(high_point)
            figures += [
                Figure(f"peak_{key}", f"Highest {label}{word}", high_point.value, unit,
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
    seconds = float(np.ptp(given.time_s[rows]))
    figures.append(
        Figure("rate", "Mean rate of the sweep", (high - low) / seconds if seconds else None,
               f"{x_unit}/s")
    )  # fmt: skip
    found = KindResult(
        "", rows, f"peak_power{'_corrected' if correction.rule != 'none' else ''}",
        figures, curves=curves, peaks=peaks, uncertainty=statement, gear_locked=True,
        limits=[
            "A sweep is not steady: boost and smoke lag behind, so a steady hold at the same speed "
            "may read differently. Compare sweeps with sweeps of the same rate.",
            f"Curves are smoothed over ±{shown(half_width, x_unit)} by a local quadratic, without "
            "shift in speed or time; a feature narrower than that is rounded.",
        ],
    )  # fmt: skip
    if not complete:
        found.flags.append(
            Flag("incomplete", "The sweep did not cover its whole planned range.", voids=True)
        )
    return found


def sweep_rows(given: Given, x: Floats, start: float, stop: float) -> tuple[Mask, bool]:
    """Rows of the sweep from near `start` to near `stop`, and whether it got there.

    The last passage through the range counts: what led up to it (approach, waiting for boost) and
    what came after (easing) is left out. Raises Refused when nothing moved through the range.
    """
    smooth = moving_mean(x, given.time_s, 0.2)
    way = 1.0 if stop > start else -1.0
    along = way * (smooth - start) / abs(stop - start)  # 0 at the start, 1 at the end
    # A falling sweep is driven up to first: what lies before its start is no end that was reached.
    near = max(EDGE_SHARE, START_BAND * start / abs(stop - start))
    starts = np.flatnonzero(along <= near)
    first = int(starts[0]) if starts.size else 0
    reached = first + np.flatnonzero(along[first:] >= 1.0 - EDGE_SHARE)
    if reached.size:
        starts = starts[starts < reached[-1]]
        end = int(reached[reached > starts[-1]][0]) if starts.size else int(reached[0])
    else:
        end = first + int(np.nanargmax(along[first:]))
        starts = starts[starts <= end]
    complete = bool(along[end] >= 1.0 - END_SHARE)
    begin = _under_way(along, given.time_s, starts, end) if starts.size else 0
    if end - begin < 100 or along[end] - along[begin] < 0.2:
        raise Refused(
            "No sweep is in this run: the speed never moved through the planned range.",
            "Repeat the test and keep the pedal down until it says stop.",
            "no-sweep",
        )
    rows = np.zeros(x.shape, dtype=bool)
    rows[begin : end + 1] = True
    return rows, complete


def _under_way(along: Floats, time_s: Floats, starts: Rows, end: int) -> int:
    """First row of the passage: the truck leaves the start, where it may have waited for boost."""
    last = int(starts[-1])
    apart = np.flatnonzero(np.diff(starts) > 1)
    first = int(starts[apart[-1] + 1]) if apart.size else int(starts[0])  # of the last stay there
    on = np.flatnonzero(along[first : last + 1] <= EDGE_SHARE)
    begin = first + (int(on[-1]) if on.size else 0)
    if end - last < 3 or last == begin:
        return begin
    pace = np.gradient(moving_mean(along, time_s, PACE_S), time_s)
    still = np.flatnonzero(pace[begin:last] < WAIT_PACE * float(np.median(pace[last:end])))
    return begin + int(still[-1]) + 1 if still.size else begin


# --- stepped map ---------------------------------------------------------------------------------


def stepped(given: Given, correction: CorrectionOut) -> KindResult:
    """Mean power and torque of each settled point. Raises Refused when no point settled."""
    plan = given.plan
    rpm, mps = plan.get("points_rpm") or (), plan.get("points_mps") or ()
    by_engine = bool(rpm)
    points = [float(one) / RPM for one in rpm] if by_engine else [float(one) for one in mps]
    band, settle_s, average_s = (
        value if value is not None else usual
        for value, usual in zip(
            told(plan, "settle_band", "settle_s", "average_s"), (0.005, 3.0, 10.0), strict=True
        )
    )
    x, x_name, x_unit, _, _ = axis(given, by_engine)
    smooth = moving_mean(x, given.time_s, SETTLE_MEAN_S)
    factor, factor_sigma = factor_of(correction)
    level = given.settings.level
    table: list[dict[str, Any]] = []
    flags: list[Flag] = []
    used = np.zeros(x.shape, dtype=bool)
    kept: list[tuple[float, Mean, Mean | None]] = []
    since = 0.0
    for place, point in enumerate(points, start=1):
        near = (np.abs(smooth / point - 1.0) <= band) & (given.time_s > since)
        where = stretches(near, given.time_s, settle_s + 0.9 * average_s)
        if not where:
            flags.append(
                Flag("point-void", f"Point {place} never stayed in its band.", x=point, voids=True)
            )
            continue
        first = where[0][0] + settle_s
        last = min(where[0][1], first + average_s)
        rows = (given.time_s >= first) & (given.time_s <= last)
        power, _ = mean_of(given, "power", rows)
        torque = None
        if np.isfinite(given.of("torque_nm")[rows]).any():
            torque = mean_of(given, "torque", rows)[0]
        used |= rows
        since = last
        kept.append((float(np.nanmean(x[rows])), power, torque))
        one = figure("power", POWER, "W", scaled(power, factor, factor_sigma), level)
        table.append({
            "point": place, "set": point, "x": kept[-1][0], "unit": x_unit,
            "settled_after_s": first, "power_w": one.value, "low_w": one.low, "high_w": one.high,
            "std_power_w": power.spread,
            "torque_nm": None if torque is None else torque.value * factor,
        })  # fmt: skip
    if not kept:
        raise Refused(
            "No point of the map settled.", "Give more time to settle, or a wider band.", "no-point"
        )
    curves = [_points("power", POWER, "W", x_name, x_unit, given, kept, 1, factor, factor_sigma)]
    if all(torque is not None for _, _, torque in kept):
        curves.append(
            _points("torque", TORQUE, "N.m", x_name, x_unit, given, kept, 2, factor, factor_sigma)
        )
    best = max(kept, key=lambda each: each[1].value)
    top = scaled(best[1], factor, factor_sigma)
    figures = [
        figure("peak_power", f"Highest {POWER}", "W", top, level),
        Figure("peak_power_at", f"at {x_name}", best[0], x_unit),
        Figure("points", "Points settled", float(len(kept)), "1"),
    ]
    with_torque = [each for each in kept if each[2] is not None]
    if with_torque:
        at, _, strongest = max(with_torque, key=lambda each: each[2].value if each[2] else 0.0)
        assert strongest is not None  # noqa: S101 - filtered above
        most = scaled(strongest, factor, factor_sigma)
        figures += [
            figure("peak_torque", f"Highest {TORQUE}", "N.m", most, level),
            Figure("peak_torque_at", f"at {x_name}", at, x_unit),
        ]
    parts = mean_of(given, "power", used)[1]
    return KindResult(
        "", used, "peak_power", figures, table, curves, flags=flags,
        uncertainty=uncertainty(
            f"highest {POWER}", "W", top, parts, level, factor, factor_sigma
        ),
        limits=["Between the points nothing was measured; no line is laid through them."],
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


# --- spool-up ------------------------------------------------------------------------------------


def spool(given: Given, correction: CorrectionOut) -> KindResult:
    """t10, t50 and t90 of torque (or force) and boost. Raises Refused when nothing rose."""
    del correction  # times need none
    torque = given.of("torque_nm")
    has_torque = bool(np.isfinite(torque).any())
    main = torque if has_torque else given.of("tractive_force_n")
    label = TORQUE if has_torque else "tractive force"
    unit = "N.m" if has_torque else "N"
    seconds = float(given.plan.get("seconds", 6.0))
    kick_s = kick_time(given, main, seconds)
    before = (max(0.0, kick_s - 3.0), kick_s - 0.4)
    end_s = min(kick_s + seconds, float(given.time_s[-1]))
    after = (end_s - 0.35 * seconds, end_s - 0.02 * seconds)
    # A centred mean of 60 ms: no shift, and far shorter than any rise.
    rises: list[tuple[str, str, ChannelRise]] = [
        ("torque" if has_torque else "force", unit,
         spool_up(given.time_s, moving_mean(main, given.time_s, 0.06), label, before, after,
                  DELAY_S, WINDOW_S))
    ]  # fmt: skip
    flags: list[Flag] = []
    boost = given.meaning("boost")
    if boost is not None and np.isfinite(boost).any():
        try:
            rises.append((
                "boost", "Pa",
                spool_up(given.time_s, *_fresh(given.time_s, boost), "boost", before, after,
                         SLOW_CHANNEL_DELAY_S),
            ))  # fmt: skip
        except Refused as error:
            flags.append(Flag("boost", f"{error.problem} {error.remedy}", kick_s))
    start = rises[0][2].onset.time_s
    figures: list[Figure] = []
    k = 1.96
    for name, its_unit, rise in rises:
        for share, at in (("t10", rise.t10), ("t50", rise.t50), ("t90", rise.t90)):
            sigma = math.hypot(at.sigma_s, rises[0][2].onset.sigma_s)  # times count from there
            value = at.time_s - start
            figures.append(
                Figure(f"{name}_{share}", f"{rise.channel}: {share} after the onset", value, "s",
                       number(value - k * sigma), number(value + k * sigma))
            )  # fmt: skip
        figures += [
            Figure(f"{name}_before", f"{rise.channel} before", rise.before, its_unit),
            Figure(f"{name}_after", f"{rise.channel} after", rise.after, its_unit),
        ]
    rows = (given.time_s >= before[0]) & (given.time_s <= end_s)
    return KindResult(
        "", rows, f"{rises[0][0]}_t90", figures,
        curves=[_over_time(given, name, rise.channel, its_unit, start, end_s)
                for name, its_unit, rise in rises],
        flags=flags,
        limits=[
            "Times count from the onset of the pull, not from the pedal, which the rig does not "
            "measure.",
            "A slow channel such as boost is only as fine in time as it is sent (20 values a "
            "second on the demo rig).",
            f"Times of torque have its delay of {1e3 * (DELAY_S + LEAD_S):.0f} ms taken off. The "
            f"onset is blurred by the {1e3 * WINDOW_S:.0f} ms over which acceleration is measured; "
            "the intervals hold that.",
        ],
    )  # fmt: skip


def kick_time(given: Given, values: Floats, seconds: float) -> float:
    """About when the pull began to rise: before the largest rise between neighbouring means."""
    step = float(np.median(np.diff(given.time_s)))
    smooth = moving_mean(values, given.time_s, 0.3)
    ahead = max(2, round(min(2.5, 0.5 * seconds) / step))
    if smooth.size < 3 * ahead:
        raise Refused(
            "The run is too short for a spool-up.", "Repeat it with its full time.", "no-rise"
        )
    rise = smooth[ahead:] - smooth[:-ahead]
    low_at = int(np.nanargmax(rise))
    low = smooth[low_at]
    size = smooth[low_at + ahead] - low
    # The last moment before that rise at which the pull still was near its level of before.
    after = smooth[low_at : low_at + ahead]
    begun = np.flatnonzero(after > low + 0.05 * size)
    return float(given.time_s[low_at + (int(begun[0]) if begun.size else 0)])


def _fresh(time_s: Floats, held: Floats) -> tuple[Floats]:
    """A slow channel as straight lines between the moments at which it changed."""
    fine = np.isfinite(held)
    changed = np.flatnonzero(fine & np.concatenate(([True], np.diff(held) != 0.0)))
    if changed.size < 2:
        return (held,)
    return (np.interp(time_s, time_s[changed], held[changed]),)


def _over_time(
    given: Given, name: str, label: str, unit: str, start: float, end_s: float
) -> CurveOut:
    column = {"torque": "torque_nm", "force": "tractive_force_n"}.get(name)
    values = given.of(column) if column else given.meaning("boost")
    assert values is not None  # noqa: S101 - the caller found it
    grid = np.arange(start - 1.0, end_s, 0.05)
    drawn = np.interp(grid, given.time_s, moving_mean(values, given.time_s, 0.06))
    none: list[float | None] = [None] * len(grid)
    return CurveOut(
        name, label, unit, "time after the onset", "s", (grid - start).tolist(), known(drawn),
        none, none, none, none, "centred mean over 60 ms, no shift in time",
    )  # fmt: skip
