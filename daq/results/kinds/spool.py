"""A spool-up: t10, t50 and t90 of torque (or force) and boost after the floored pedal.

Data flow: Given -> the rise phase of its course says when the pull had begun to rise -> levels
before and after, crossings by daq.results.kinds.spoolup.
"""

from __future__ import annotations

import math

import numpy as np

from daq.errors import Refused
from daq.measure.speed.estimator import DELAY_S, WINDOW_S
from daq.results.band import TORQUE, coverage, mean_of
from daq.results.given import Floats, Given, moving_mean
from daq.results.kinds.found import KindResult
from daq.results.kinds.spoolup import ChannelRise, spool_up
from daq.results.result import CorrectionOut, CurveOut, Figure, Flag, known, number
from daq.results.series.aligned import LEAD_S
from daq.texts.message import say

SLOW_CHANNEL_DELAY_S = 0.0  # slow values are stamped where they are taken
SEEN_S = 0.6  # before the running test saw the rise, the pull may have begun to rise


def spool(given: Given, correction: CorrectionOut) -> KindResult:
    """t10, t50 and t90 of torque (or force) and boost. Raises Refused when nothing rose."""
    del correction  # times need none
    torque = given.of("torque_nm")
    has_torque = bool(np.isfinite(torque).any())
    main = torque if has_torque else given.of("tractive_force_n")
    label = TORQUE if has_torque else "tractive force"
    unit = "N.m" if has_torque else "N"
    seconds = float(given.plan.get("seconds", 6.0))
    phase = given.course.last("rise")
    if phase is None:
        raise Refused(say("pedal-was-never-floored"), say("repeat-test-floor-at-now"), "no-kick")
    kick_s = phase.begin_s
    before = (max(0.0, kick_s - 3.0), kick_s - SEEN_S)
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
    level = given.settings.level
    k = coverage(level)
    for name, its_unit, rise in rises:
        for share, at in (("t10", rise.t10), ("t50", rise.t50), ("t90", rise.t90)):
            sigma = math.hypot(at.sigma_s, rises[0][2].onset.sigma_s)  # counted from there
            value = at.time_s - start
            figures.append(
                Figure(f"{name}_{share}", f"{rise.channel}: {share} after the onset", value, "s",
                       number(value - k * sigma), number(value + k * sigma))
            )  # fmt: skip
        figures += [
            _level(
                given, f"{name}_before", f"{rise.channel} before", rise.before, its_unit, before
            ),
            _level(given, f"{name}_after", f"{rise.channel} after", rise.after, its_unit, after),
        ]
    first = rises[0][2]
    rise_sigma = math.hypot(first.t10.sigma_s, first.t90.sigma_s)
    figures.append(
        Figure("rise_10_90", f"{first.channel}: from 10 to 90 %", first.rise_s, "s",
               number(first.rise_s - k * rise_sigma), number(first.rise_s + k * rise_sigma))
    )  # fmt: skip
    rows = (given.time_s >= before[0]) & (given.time_s <= end_s)
    return KindResult(
        "", rows, f"{rises[0][0]}_t90", figures,
        curves=[_over_time(given, name, rise.channel, its_unit, start, end_s)
                for name, its_unit, rise in rises],
        flags=flags,
        limits=[
            say("times-count-from-onset-pull-not"),
            say("slow-channel-such-as-boost-only"),
            say("times-torque-have-its-delay-ms", delay_ms=1e3 * (DELAY_S + LEAD_S),
                window_ms=1e3 * WINDOW_S),
        ],
    )  # fmt: skip


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


def _level(
    given: Given, name: str, label: str, value: float, unit: str, part: tuple[float, float]
) -> Figure:
    """The level before or after the rise; of pull with the interval of its mean there."""
    rows = (given.time_s >= part[0]) & (given.time_s <= part[1])
    of = {"N.m": "torque", "N": "force"}.get(unit)
    if of is None or not rows.any():
        return Figure(name, label, value, unit)
    half = coverage(given.settings.level) * mean_of(given, of, rows)[0].sigma
    return Figure(name, label, value, unit, value - half, value + half)
