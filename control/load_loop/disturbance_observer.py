"""What the truck pulls, seen in the tooth edges: slow while nothing happens, fast when it does.

Data flow per frame and roll set: travel up to the newest tooth edge and its age, force the
absorbers give, known losses and inertia -> place, speed, drive force and its rate. Works on the
roll set's record; a held speed and a simulated road each have an observer of their own.

M dv/dt = drive - absorbers - loss(v). Each filter is a fading-memory filter (all poles in one
place; Morrison, Introduction to Sequential Smoothing and Prediction, 1969: from memory) in which
the absorber force enters as a known input, so that the loop's own action is not mistaken for a
disturbance. It follows the place of the wheel, not a speed: the timing noise of edges is white in
place, and a speed made of two edges would pass it on differentiated. The fast filter of a held
speed takes the rate of the drive force with it (third degree), which fades by itself as a
manoeuvre's does in a tracking filter (Singer, IEEE Trans. Aerospace and Electronic Systems, 1970:
from memory): a pedal moves for some tenths of a second and comes to rest. The slow one goes without
(second degree: a step of force is followed without overshoot): while nothing happens there is no
rate, and a filter that looks for one takes the run-out of a tooth wheel for it and answers with
twice its size. A road asks for a true force, not for a pedal met ahead of time: both of its filters
go without.

Two filters run side by side, a slow and a fast one. The slow one's result is used. Where the fast
one differs by more than its usual innovation, the fast one is used at once; when that lasts, a
change is confirmed: the slow one goes on from the fast one's numbers with its poles, and becomes
slow again as its memory of what came after grows (the same book's expanding memory), the pole of
the rate last of all. A third, slow and never switched, tells what innovation is usual: learned from
the one that switches, it would starve while the rolls stand and make all that follows a change. So
timing noise stays out of the set points, and a true change meets the fast filter within some
frames.
"""

# ruff: noqa: PLR0124 - x == x tells a number from NaN cheaply

from __future__ import annotations

import numpy as np

from control.load_loop import constants as c
from control.load_loop.records import Record
from daq.kernel import jit, refresh_cache

refresh_cache(__file__, c.__file__)


@jit
def loss(roll_set: Record, speed_mps: float) -> float:
    """Parasitic loss, N, opposing motion."""
    return float(
        roll_set.loss_a + roll_set.loss_b * speed_mps + roll_set.loss_c * speed_mps * speed_mps
    )


@jit
def _copy(into: Record, source: Record) -> None:
    into.speed_mps = source.speed_mps
    into.drive_n = source.drive_n
    into.drive_rate_nps = source.drive_rate_nps
    into.place_m = source.place_m


@jit
def _predict(one: Record, roll_set: Record, dt_s: float) -> float:
    """Carry a filter over a frame; its acceleration."""
    one.drive_n += one.drive_rate_nps * dt_s
    one.drive_rate_nps *= 1.0 - dt_s / c.DRIVE_RATE_FADE_S
    speed = one.speed_mps
    force = one.drive_n - roll_set.absorbers_tick_n - loss(roll_set, speed)
    accel = float(force / roll_set.inertia_kg)
    one.place_m += (speed + 0.5 * accel * dt_s) * dt_s
    one.speed_mps = speed + accel * dt_s
    return accel


@jit
def _correct(
    one: Record, roll_set: Record, rate_part: float, pole_per_s: float, since_s: float, accel: float
) -> None:
    """Correct by an edge: compare with the place of the moment it passed, not of now.

    Three poles at `pole_per_s`; the fourth, of the rate, at `rate_part` of it: in the z plane
    (z - fade)^3 (z - 1 + rate_part (1 - fade)), which blends the gains of the two degrees.
    """
    travel, age = roll_set.travel_m, roll_set.edge_age_s
    miss_m = travel - (one.place_m - (one.speed_mps - 0.5 * accel * age) * age)
    inertia = roll_set.inertia_kg
    fade = np.exp(-pole_per_s * since_s)
    gone = 1.0 - fade
    cubed = gone * gone * gone
    second = 1.5 * gone * gone * (1.0 + fade)
    third = gone * gone * (11.0 + (14.0 + 11.0 * fade) * fade) / 6.0
    one.place_m += (1.0 - fade**3 * (1.0 - rate_part * gone)) * miss_m - travel
    one.speed_mps += (second + rate_part * (third - second)) / since_s * miss_m
    force_n = inertia * cubed / (since_s * since_s) * miss_m
    one.drive_n += (1.0 + rate_part * (1.0 + 2.0 * fade)) * force_n
    one.drive_rate_nps += rate_part * gone * force_n / since_s


@jit
def _start_at(observer: Record, roll_set: Record, correction_n: float) -> None:
    """Begin at the reported speed with a drive force that keeps it."""
    observer.slow.speed_mps = roll_set.shown_mps
    observer.slow.drive_n = roll_set.absorbers_tick_n + loss(roll_set, roll_set.shown_mps)
    observer.slow.drive_rate_nps = 0.0
    observer.slow.place_m = 0.0
    _copy(observer.fast, observer.slow)
    _copy(observer.plain, observer.slow)
    observer.since_edge_s = 0.0
    observer.cell_correction_n = correction_n
    observer.known = 1


@jit
def _all_known(observer: Record) -> bool:
    total = 0.0
    for one in (observer.slow, observer.fast, observer.plain):
        total += one.speed_mps + one.drive_n + one.drive_rate_nps + one.place_m
    return bool(total == total)


@jit
def _revise(observer: Record, correction_n: float) -> None:
    """What was observed is drive less absorbers: when the cells revise these, it is revised too."""
    revised = correction_n - observer.cell_correction_n
    observer.slow.drive_n += revised
    observer.fast.drive_n += revised
    observer.plain.drive_n += revised
    observer.cell_correction_n = correction_n


@jit
def _follow_shown_speed(
    observer: Record, roll_set: Record, dt_s: float, shown_delay_s: float, accel: float
) -> None:
    """Near standstill: the reported speed, late as it is; the drive force follows gently.

    No roll runs backward, and what holds one at rest is no drive: left to itself the drive force
    would grow without end.
    """
    slow, travel = observer.slow, roll_set.travel_m
    miss = roll_set.shown_mps - (slow.speed_mps - accel * shown_delay_s)
    part = 1.0 - np.exp(-dt_s / c.STALE_EDGE_S)
    slow.speed_mps += part * miss
    slow.drive_n += roll_set.inertia_kg * part * miss / c.STALE_EDGE_S
    slow.drive_rate_nps = 0.0
    if slow.speed_mps <= 0.0:
        slow.speed_mps = 0.0
        standing = roll_set.absorbers_tick_n + loss(roll_set, 0.0)
        slow.drive_n = max(slow.drive_n, standing)
    if travel == travel:
        slow.place_m = slow.speed_mps * roll_set.edge_age_s
        observer.since_edge_s = 0.0
    _copy(observer.fast, slow)
    _copy(observer.plain, slow)


@jit
def update_filters(
    observer: Record,
    detector: Record,
    roll_set: Record,
    with_rate: bool,
    dt_s: float,
    shown_delay_s: float,
    correction_n: float,
) -> None:
    """One frame. `correction_n`: what the load cells add to the mapped force of this roll set."""
    if observer.known == 0 or not _all_known(observer):  # a number once lost would stay lost
        if roll_set.shown_mps != roll_set.shown_mps:
            return
        _start_at(observer, roll_set, correction_n)
    _revise(observer, correction_n)
    slow_accel = _predict(observer.slow, roll_set, dt_s)
    fast_accel = _predict(observer.fast, roll_set, dt_s)
    plain_accel = _predict(observer.plain, roll_set, dt_s)
    observer.since_edge_s += dt_s
    since = observer.since_edge_s
    if roll_set.travel_m == roll_set.travel_m and since < c.STALE_EDGE_S:
        slow_rate, fast_rate = (detector.rate_part, 1.0) if with_rate else (0.0, 0.0)
        _correct(observer.slow, roll_set, slow_rate, detector.pole_per_s, since, slow_accel)
        _correct(observer.fast, roll_set, fast_rate, detector.fast_per_s, since, fast_accel)
        _correct(observer.plain, roll_set, 0.0, detector.slow_per_s, since, plain_accel)
        observer.since_edge_s = 0.0
    elif since >= c.STALE_EDGE_S and roll_set.shown_mps == roll_set.shown_mps:
        _follow_shown_speed(observer, roll_set, dt_s, shown_delay_s, slow_accel)


@jit
def detect_change(
    detector: Record, fast_slow_n: float, fast_plain_n: float, longest_gap_s: float, dt_s: float
) -> bool:
    """How far the fast filters are to be believed; True when a change is confirmed.

    `fast_slow_n`, `fast_plain_n`: differences of the drive force as the filters see it, over all
    roll sets, because it is the sum that an engine changes; `longest_gap_s`: since the last edge.
    """
    level = max(detector.innovation_level_n, c.LEAST_INNOVATION_N)
    if detector.fast_per_s * longest_gap_s < 1.0:  # where edges are rarer, all say the same
        usual = min(abs(fast_plain_n), 2.0 * level)
        detector.innovation_level_n += (
            (usual - detector.innovation_level_n) * dt_s / c.LEVEL_FILTER_S
        )
    low, high = detector.change_low, detector.change_high
    part = min(max((abs(fast_slow_n) / level - low) / (high - low), 0.0), 1.0)
    detector.change_lasts_s = detector.change_lasts_s + part * dt_s if part > 0.0 else 0.0
    detector.since_change_s += dt_s
    confirmed = detector.change_lasts_s >= c.CHANGE_CONFIRM_S
    sure = min(detector.change_lasts_s / c.CHANGE_CONFIRM_S, 1.0)
    if confirmed:
        detector.change_lasts_s = 0.0
        detector.since_change_s = 0.0
        part = 0.0
    detector.fast_part = part
    slow, fast = detector.slow_per_s, detector.fast_per_s
    fading = c.EXPANDING_MEMORY / max(detector.since_change_s, dt_s)
    pole = min(max(fading, slow), fast)
    detector.pole_per_s = pole
    detector.rate_part = min(fading / pole, 1.0)  # goes on fading when the others have arrived
    detector.alertness = max((pole - slow) / (fast - slow), sure)
    return bool(confirmed)


@jit
def use_filters(observer: Record, fast_part: float, confirmed: bool) -> None:
    """What is used: the slow filter, or as far as the detector says the fast one."""
    slow, fast = observer.slow, observer.fast
    if confirmed:
        _copy(slow, fast)
    observer.speed_mps = slow.speed_mps + fast_part * (fast.speed_mps - slow.speed_mps)
    observer.drive_n = slow.drive_n + fast_part * (fast.drive_n - slow.drive_n)
    observer.drive_rate_nps = slow.drive_rate_nps + fast_part * (
        fast.drive_rate_nps - slow.drive_rate_nps
    )


@jit
def predicted_speed(observer: Record, roll_set: Record) -> float:
    """Where the speed will be when a force asked now acts, m/s."""
    speed = observer.speed_mps
    force = observer.drive_n - roll_set.absorbers_now_n - loss(roll_set, speed)
    return float(speed + force / roll_set.inertia_kg * roll_set.lookahead_s)


@jit
def net_drive(observer: Record, roll_set: Record) -> float:
    """Force that the truck puts into this roll set beyond its losses, as observed, N."""
    return float(observer.drive_n - loss(roll_set, observer.speed_mps))


@jit
def disturbance_feedforward(observer: Record, roll_set: Record) -> float:
    """Force that meets the drive force when it acts, N: the observed one, run on by its rate."""
    ahead = observer.drive_rate_nps * roll_set.lookahead_s  # a road's observer has no rate
    return float(net_drive(observer, roll_set) + ahead)
