"""What the truck on a simulated road pulls: calm while nothing happens, quick when something does.

Data flow per frame and roll set: travel up to the newest tooth edge and its age, force the
absorbers give, known losses and inertia -> place, speed, drive force -> the simulated truck
(control.test_kinds.simulated_road) and the force that meets it. Row-based and compiled;
`control.load_loop.loop` owns the rows.

M dv/dt = drive - absorbers - loss(v), as in control.load_loop.speed_control, but without the rate
of the drive force: a road asks for a true force, not for a pedal met ahead of time, and every
newton of noise in the drive is felt by the truck. A fading-memory filter of second degree (all
poles in one place; Morrison, Introduction to Sequential Smoothing and Prediction, 1969: from
memory) follows a step of force without overshoot. Two of them run side by side, a calm and a quick
one, and what is told is the calm one's. Where the quick one says something else by more than its
usual noise, the quick one is told at once; when that lasts, something has happened: the calm one
goes on from the quick one's place, speed and force, with its poles, and calms down as its memory of
what came after grows (the same book's expanding memory). So timing noise stays out, and is felt for
a few frames only where it deceives; a step comes through, and is told the better the longer it is
past.
"""

# ruff: noqa: PLR0124 - x == x tells a number from NaN cheaply

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from control.load_loop import speed_control as hold_module
from control.load_loop.speed_control import INERTIA, STALE_S, loss, rest
from daq.kernel import jit, refresh_cache

refresh_cache(__file__, hold_module.__file__)

Floats = npt.NDArray[np.float64]

CALM_PER_S, QUICK_PER_S = 25.0, 85.0  # poles
BEGINS, ENDS = 4.2, 5.5  # difference over the usual one: the quick one begins to be told, and is
HAPPENED_S = 0.016  # a difference that lasts so long was no noise
MEMORY = 5.0  # poles times age of what happened, until they are the calm ones
USUAL_S = 2.0  # the usual difference is learned over this
LEAST_USUAL_N = 5.0

# Columns of a roll set's row: what is told, the calm filter, the quick one, the one that never goes
# over, and what they share.
(
    SPEED, DRIVE_N, C_SPEED, C_DRIVE_N, C_PLACE_M, Q_SPEED, Q_DRIVE_N, Q_PLACE_M,
    S_SPEED, S_DRIVE_N, S_PLACE_M, SINCE_S, SEEN, USUAL_N, TRUTH_N, PART, LASTS_S, AGO_S,
) = range(18)  # fmt: skip
COLUMNS = 18


@jit
def move(fixed: Floats, state: Floats, first: int, dt_s: float, absorbed_n: float) -> float:
    """Carry speed, drive and place from column `first` on over a frame; its acceleration."""
    speed, drive = state[first], state[first + 1]
    accel = float((drive - absorbed_n - loss(fixed, speed)) / fixed[INERTIA])
    state[first + 2] += (speed + 0.5 * accel * dt_s) * dt_s
    state[first] = speed + accel * dt_s
    return accel


@jit
def take(
    fixed: Floats,
    state: Floats,
    first: int,
    poles: float,
    since_s: float,
    travel_m: float,
    age_s: float,
    accel: float,
) -> None:
    """Correct by an edge: compare with the place of the moment it passed, not of now."""
    speed, place = state[first], state[first + 2]
    miss_m = travel_m - (place - (speed - 0.5 * accel * age_s) * age_s)
    fade = np.exp(-poles * since_s)
    gone = 1.0 - fade
    state[first] += 1.5 * gone * gone * (1.0 + fade) / since_s * miss_m
    state[first + 1] += fixed[INERTIA] * gone**3 / (since_s * since_s) * miss_m
    state[first + 2] += (1.0 - fade**3) * miss_m - travel_m


@jit
def observe_road(
    fixed: Floats,
    state: Floats,
    dt_s: float,
    travel_m: float,
    age_s: float,
    shown_mps: float,
    shown_delay_s: float,
    absorbed_tick_n: float,
    truth_n: float,
) -> None:
    """One frame; arguments as those of control.load_loop.speed_control.observe.

    `truth_n`: what the load cells add to the mapped force of this roll set. What was observed is
    drive less absorbers: when the cells revise the one, the other is revised with it.
    """
    inertia = fixed[INERTIA]
    known = float(np.sum(state[C_SPEED : S_PLACE_M + 1]))
    if state[SEEN] == 0.0 or known != known:  # a number once lost would stay lost
        if shown_mps != shown_mps:
            return
        state[C_SPEED] = shown_mps
        state[C_DRIVE_N] = absorbed_tick_n + loss(fixed, shown_mps)
        state[C_PLACE_M] = 0.0
        state[SINCE_S] = 0.0
        state[USUAL_N] = 10.0 * LEAST_USUAL_N
        state[Q_SPEED : Q_PLACE_M + 1] = state[C_SPEED : C_PLACE_M + 1]
        state[S_SPEED : S_PLACE_M + 1] = state[C_SPEED : C_PLACE_M + 1]
        state[PART] = 0.0
        state[LASTS_S] = 0.0
        state[AGO_S] = 0.0
        state[TRUTH_N] = truth_n
        state[SEEN] = 1.0
    state[C_DRIVE_N] += truth_n - state[TRUTH_N]
    state[Q_DRIVE_N] += truth_n - state[TRUTH_N]
    state[S_DRIVE_N] += truth_n - state[TRUTH_N]
    state[TRUTH_N] = truth_n
    calm = move(fixed, state, C_SPEED, dt_s, absorbed_tick_n)
    quick = move(fixed, state, Q_SPEED, dt_s, absorbed_tick_n)
    steady = move(fixed, state, S_SPEED, dt_s, absorbed_tick_n)
    state[SINCE_S] += dt_s
    since = state[SINCE_S]
    if travel_m == travel_m and since < STALE_S:
        state[AGO_S] += since
        poles = min(max(MEMORY / state[AGO_S], CALM_PER_S), QUICK_PER_S)
        take(fixed, state, C_SPEED, poles, since, travel_m, age_s, calm)
        take(fixed, state, Q_SPEED, QUICK_PER_S, since, travel_m, age_s, quick)
        take(fixed, state, S_SPEED, CALM_PER_S, since, travel_m, age_s, steady)
        usual = max(state[USUAL_N], LEAST_USUAL_N)
        if QUICK_PER_S * since < 1.0:  # where edges are rarer, both say the same
            apart = abs(state[Q_DRIVE_N] - state[S_DRIVE_N])
            state[USUAL_N] += (min(apart, 2.0 * usual) - state[USUAL_N]) * since / USUAL_S
        apart = abs(state[Q_DRIVE_N] - state[C_DRIVE_N])
        part = min(max((apart / usual - BEGINS) / (ENDS - BEGINS), 0.0), 1.0)
        state[LASTS_S] = state[LASTS_S] + part * since if part > 0.0 else 0.0
        if state[LASTS_S] >= HAPPENED_S:
            state[C_SPEED : C_PLACE_M + 1] = state[Q_SPEED : Q_PLACE_M + 1]
            state[LASTS_S] = 0.0
            state[AGO_S] = 0.0
            part = 0.0
        state[PART] = part
        state[SINCE_S] = 0.0
    elif since >= STALE_S and shown_mps == shown_mps:
        # Near standstill: the reported speed, late as it is; the drive force follows gently.
        miss = shown_mps - (state[C_SPEED] - calm * shown_delay_s)
        part = 1.0 - np.exp(-dt_s / STALE_S)
        state[C_SPEED] += part * miss
        state[C_DRIVE_N] += inertia * part * miss / STALE_S
        rest(fixed, state, C_SPEED, absorbed_tick_n)
        if travel_m == travel_m:
            state[C_PLACE_M] = state[C_SPEED] * age_s
            state[SINCE_S] = 0.0
        state[Q_SPEED : Q_PLACE_M + 1] = state[C_SPEED : C_PLACE_M + 1]
        state[S_SPEED : S_PLACE_M + 1] = state[C_SPEED : C_PLACE_M + 1]
    for k in range(2):
        state[SPEED + k] = state[C_SPEED + k] + state[PART] * (
            state[Q_SPEED + k] - state[C_SPEED + k]
        )


@jit
def meet_road(fixed: Floats, state: Floats) -> float:
    """Force that meets what the truck pulls, N."""
    return float(state[DRIVE_N] - loss(fixed, state[SPEED]))
