"""What the truck on a simulated road pulls: calm while nothing happens, quick when something does.

Data flow per frame and roll set: travel up to the newest tooth edge and its age, force the
absorbers give, known losses and inertia -> place, speed, drive force -> the simulated truck
(control.test_kinds.simulated_road) and the force that meets it. Works on the roll set's record.

M dv/dt = drive - absorbers - loss(v), as in control.load_loop.speed_control, but without the rate
of the drive force: a road asks for a true force, not for a pedal met ahead of time, and every
newton of noise in the drive is felt by the truck. A fading-memory filter of second degree (all
poles in one place; Morrison, Introduction to Sequential Smoothing and Prediction, 1969: from
memory) follows a step of force without overshoot. Two of them run side by side, a slow and a fast
one, and the slow one's result is used. Where the fast one differs by more than its usual
innovation, the fast one is used at once; when that lasts, a change is confirmed: the slow one goes
on from the fast one's place, speed and force, with its poles, and becomes slow again as its memory
of what came after grows (the same book's expanding memory). So timing noise stays out, and is felt
for a few frames only where it deceives; a step comes through, and is told the better the longer it
is past.
"""

# ruff: noqa: PLR0124 - x == x tells a number from NaN cheaply

from __future__ import annotations

import numpy as np

from control.load_loop import constants as c
from control.load_loop import speed_control
from control.load_loop.records import Record
from control.load_loop.speed_control import loss
from daq.kernel import jit, refresh_cache

refresh_cache(__file__, speed_control.__file__, c.__file__)


@jit
def _predict(
    roll_set: Record, mps: float, drive_n: float, place_m: float, dt_s: float, absorbed_n: float
) -> tuple[float, float, float]:
    """Speed and place a frame later, and the acceleration."""
    accel = float((drive_n - absorbed_n - loss(roll_set, mps)) / roll_set.inertia_kg)
    return mps + accel * dt_s, place_m + (mps + 0.5 * accel * dt_s) * dt_s, accel


@jit
def _correct(
    roll_set: Record,
    mps: float,
    drive_n: float,
    place_m: float,
    pole_per_s: float,
    since_s: float,
    accel: float,
) -> tuple[float, float, float]:
    """Correct by an edge: compare with the place of the moment it passed, not of now."""
    travel, age = roll_set.travel_m, roll_set.edge_age_s
    miss_m = travel - (place_m - (mps - 0.5 * accel * age) * age)
    fade = np.exp(-pole_per_s * since_s)
    gone = 1.0 - fade
    return (
        mps + 1.5 * gone * gone * (1.0 + fade) / since_s * miss_m,
        drive_n + roll_set.inertia_kg * gone**3 / (since_s * since_s) * miss_m,
        place_m + ((1.0 - fade**3) * miss_m - travel),
    )


@jit
def _restart_all_from_slow(roll_set: Record) -> None:
    roll_set.fast_mps = roll_set.plain_mps = roll_set.slow_mps
    roll_set.fast_drive_n = roll_set.plain_drive_n = roll_set.slow_drive_n
    roll_set.fast_place_m = roll_set.plain_place_m = roll_set.slow_place_m


@jit
def _all_known(roll_set: Record) -> bool:
    total = roll_set.slow_mps + roll_set.slow_drive_n + roll_set.slow_place_m
    total += roll_set.fast_mps + roll_set.fast_drive_n + roll_set.fast_place_m
    total += roll_set.plain_mps + roll_set.plain_drive_n + roll_set.plain_place_m
    return bool(total == total)


@jit
def _detect_change(roll_set: Record, since_s: float) -> None:
    """How far the fast filter is to be believed, and whether a change is confirmed."""
    level = max(roll_set.innovation_level_n, c.LEAST_INNOVATION_N)
    if c.FAST_PER_S * since_s < 1.0:  # where edges are rarer, both say the same
        apart = abs(roll_set.fast_drive_n - roll_set.plain_drive_n)
        roll_set.innovation_level_n += (
            (min(apart, 2.0 * level) - roll_set.innovation_level_n) * since_s / c.LEVEL_FILTER_S
        )
    apart = abs(roll_set.fast_drive_n - roll_set.slow_drive_n)
    part = min(max((apart / level - c.CHANGE_LOW) / (c.CHANGE_HIGH - c.CHANGE_LOW), 0.0), 1.0)
    roll_set.change_lasts_s = roll_set.change_lasts_s + part * since_s if part > 0.0 else 0.0
    if roll_set.change_lasts_s >= c.CHANGE_CONFIRM_S:
        roll_set.slow_mps = roll_set.fast_mps
        roll_set.slow_drive_n = roll_set.fast_drive_n
        roll_set.slow_place_m = roll_set.fast_place_m
        roll_set.change_lasts_s = 0.0
        roll_set.since_change_s = 0.0
        part = 0.0
    roll_set.fast_part = part


@jit
def update_road_load_observer(
    roll_set: Record, dt_s: float, shown_delay_s: float, correction_n: float
) -> None:
    """One frame. `correction_n`: what the load cells add to the mapped force of this roll set.

    What was observed is drive less absorbers: when the cells revise the one, the other is revised
    with it.
    """
    inertia = roll_set.inertia_kg
    absorbed = roll_set.absorbers_tick_n
    shown, travel = roll_set.shown_mps, roll_set.travel_m
    if roll_set.road_known == 0 or not _all_known(roll_set):  # a number once lost would stay lost
        if shown != shown:
            return
        roll_set.slow_mps = shown
        roll_set.slow_drive_n = absorbed + loss(roll_set, shown)
        roll_set.slow_place_m = 0.0
        roll_set.road_since_edge_s = 0.0
        roll_set.innovation_level_n = 10.0 * c.LEAST_INNOVATION_N
        _restart_all_from_slow(roll_set)
        roll_set.fast_part = 0.0
        roll_set.change_lasts_s = 0.0
        roll_set.since_change_s = 0.0
        roll_set.cell_correction_n = correction_n
        roll_set.road_known = 1
    revised = correction_n - roll_set.cell_correction_n
    roll_set.slow_drive_n += revised
    roll_set.fast_drive_n += revised
    roll_set.plain_drive_n += revised
    roll_set.cell_correction_n = correction_n
    roll_set.slow_mps, roll_set.slow_place_m, slow_accel = _predict(
        roll_set, roll_set.slow_mps, roll_set.slow_drive_n, roll_set.slow_place_m, dt_s, absorbed
    )
    roll_set.fast_mps, roll_set.fast_place_m, fast_accel = _predict(
        roll_set, roll_set.fast_mps, roll_set.fast_drive_n, roll_set.fast_place_m, dt_s, absorbed
    )
    roll_set.plain_mps, roll_set.plain_place_m, plain_accel = _predict(
        roll_set, roll_set.plain_mps, roll_set.plain_drive_n, roll_set.plain_place_m, dt_s, absorbed
    )
    roll_set.road_since_edge_s += dt_s
    since = roll_set.road_since_edge_s
    if travel == travel and since < c.STALE_EDGE_S:
        roll_set.since_change_s += since
        pole = c.EXPANDING_MEMORY / roll_set.since_change_s
        pole = min(max(pole, c.SLOW_PER_S), c.FAST_PER_S)
        roll_set.slow_mps, roll_set.slow_drive_n, roll_set.slow_place_m = _correct(
            roll_set, roll_set.slow_mps, roll_set.slow_drive_n, roll_set.slow_place_m,
            pole, since, slow_accel,
        )  # fmt: skip
        roll_set.fast_mps, roll_set.fast_drive_n, roll_set.fast_place_m = _correct(
            roll_set, roll_set.fast_mps, roll_set.fast_drive_n, roll_set.fast_place_m,
            c.FAST_PER_S, since, fast_accel,
        )  # fmt: skip
        roll_set.plain_mps, roll_set.plain_drive_n, roll_set.plain_place_m = _correct(
            roll_set, roll_set.plain_mps, roll_set.plain_drive_n, roll_set.plain_place_m,
            c.SLOW_PER_S, since, plain_accel,
        )  # fmt: skip
        _detect_change(roll_set, since)
        roll_set.road_since_edge_s = 0.0
    elif since >= c.STALE_EDGE_S and shown == shown:
        # Near standstill: the reported speed, late as it is; the drive force follows gently.
        miss = shown - (roll_set.slow_mps - slow_accel * shown_delay_s)
        part = 1.0 - np.exp(-dt_s / c.STALE_EDGE_S)
        roll_set.slow_mps += part * miss
        roll_set.slow_drive_n += inertia * part * miss / c.STALE_EDGE_S
        if roll_set.slow_mps <= 0.0:  # as speed_control.clamp_at_standstill
            roll_set.slow_mps = 0.0
            roll_set.slow_drive_n = max(roll_set.slow_drive_n, absorbed + loss(roll_set, 0.0))
        if travel == travel:
            roll_set.slow_place_m = roll_set.slow_mps * roll_set.edge_age_s
            roll_set.road_since_edge_s = 0.0
        _restart_all_from_slow(roll_set)
    fast = roll_set.fast_part
    roll_set.road_mps = roll_set.slow_mps + fast * (roll_set.fast_mps - roll_set.slow_mps)
    roll_set.road_drive_n = roll_set.slow_drive_n + fast * (
        roll_set.fast_drive_n - roll_set.slow_drive_n
    )


@jit
def road_feedforward(roll_set: Record) -> float:
    """Force that meets what the truck pulls, N."""
    return float(roll_set.road_drive_n - loss(roll_set, roll_set.road_mps))
