"""Hold the speed of one roll set: observe the tractive force, meet it, correct what is left.

Data flow per frame: measured speed (late by a declared delay), force the absorbers give, known
losses and inertia -> observer (speed, drive force, its rate) -> force asked of the absorbers, a
little ahead of time. Row-based and compiled; `control.loads` owns the rows.

M dv/dt = drive - absorbers - loss(v). The observer is a fading-memory filter of third order
(critically damped triple pole, Morrison 1969) in which the absorber force enters as a known input,
so that the loop's own action is not mistaken for a disturbance. Meeting the drive force leaves
v' = -k (v - v_ref); k follows from the delays that remain in the loop, not from hand tuning.
Nothing integrates the speed error, so nothing winds up while the absorber is at a limit.
"""

# ruff: noqa: PLR0124 - x == x tells a number from NaN cheaply

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from daq.kernel import jit

Floats = npt.NDArray[np.float64]

# Columns of a roll set's fixed row.
INERTIA, LOSS_A, LOSS_B, LOSS_C, OBSERVER, FEEDBACK, AHEAD_S, MAX_FORCE = range(8)
FIXED_COLUMNS = 8

# Columns of a roll set's state row.
SPEED, DRIVE_N, RATE_N, SPEED_AHEAD, SEEN = range(5)
STATE_COLUMNS = 5


def observer_bandwidth(frame_s: float, speed_delay_s: float) -> float:
    """Triple pole of the observer, rad/s: as fast as the age of the speed allows.

    A third-order tracker behind a dead time d keeps about 50 degrees when w d = 0.35 or less.
    """
    return 0.35 / (speed_delay_s + 0.5 * frame_s)


def feedback_gain(follow_s: float, dead_s: float) -> float:
    """k, 1/s, for v' = -k v behind a lag `follow_s` and a dead time.

    SIMC for an integrating process with closed-loop time equal to the effective dead time
    (Skogestad, J. Process Control 13, 2003): k = 1 / (2 (dead + follow / 2))."""
    return 1.0 / (2.0 * (dead_s + 0.5 * follow_s))


def simc_pi(k: float, tau: float, theta: float, tau_c: float) -> tuple[float, float]:
    """SIMC PI settings (Kc, Ti) of a first-order process with dead time (Skogestad 2003)."""
    if not (k > 0.0 and tau > 0.0 and math.isfinite(tau) and tau_c + theta > 0.0):
        raise ValueError("k, tau and tau_c + theta must be positive")
    return tau / (k * (tau_c + theta)), min(tau, 4.0 * (tau_c + theta))


@jit
def loss(fixed: Floats, speed_mps: float) -> float:
    """Parasitic loss, N, opposing motion."""
    return float(fixed[LOSS_A] + fixed[LOSS_B] * speed_mps + fixed[LOSS_C] * speed_mps * speed_mps)


@jit
def observe(
    fixed: Floats,
    state: Floats,
    dt_s: float,
    speed_mps: float,
    delay_s: float,
    absorbed_tick_n: float,
    absorbed_now_n: float,
) -> None:
    """One frame of the observer. `speed_mps` NaN: predict only."""
    inertia = fixed[INERTIA]
    if state[SEEN] == 0.0:
        if speed_mps != speed_mps:
            return
        state[SPEED] = speed_mps
        state[DRIVE_N] = absorbed_tick_n + loss(fixed, speed_mps)
        state[RATE_N] = 0.0
        state[SEEN] = 1.0
    state[DRIVE_N] += state[RATE_N] * dt_s
    accel = (state[DRIVE_N] - absorbed_tick_n - loss(fixed, state[SPEED])) / inertia
    state[SPEED] += accel * dt_s
    if speed_mps == speed_mps:
        # The measurement is as old as its declared delay: compare with the speed of that moment.
        miss = speed_mps - (state[SPEED] - accel * delay_s)
        fade = np.exp(-fixed[OBSERVER] * dt_s)
        state[SPEED] += (1.0 - fade**3) * miss
        state[DRIVE_N] += inertia * 1.5 * (1.0 - fade**2) * (1.0 - fade) / dt_s * miss
        state[RATE_N] += inertia * (1.0 - fade) ** 3 / (dt_s * dt_s) * miss
    # Where the speed will be when a force asked now acts.
    ahead = (state[DRIVE_N] - absorbed_now_n - loss(fixed, state[SPEED])) / inertia
    state[SPEED_AHEAD] = state[SPEED] + ahead * fixed[AHEAD_S]


@jit
def ask(fixed: Floats, state: Floats, reference_mps: float, reference_accel: float) -> float:
    """Force to ask of the roll set's absorbers, N; may be negative or beyond them."""
    drive = state[DRIVE_N] + state[RATE_N] * fixed[AHEAD_S]
    correction = fixed[FEEDBACK] * (state[SPEED_AHEAD] - reference_mps) - reference_accel
    return float(drive - loss(fixed, state[SPEED]) + fixed[INERTIA] * correction)
