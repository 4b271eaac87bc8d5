"""Hold the speed of one roll set: observe the tractive force, meet it, correct what is left.

Data flow per frame: travel up to the newest tooth edge and its age, force the absorbers give, known
losses and inertia -> observer (place, speed, drive force, its rate) -> force asked of the
absorbers, a little ahead of time. Row-based and compiled; `control.load_loop.loop` owns the rows.

M dv/dt = drive - absorbers - loss(v). The observer is a fading-memory filter of third degree (all
poles in one place; Morrison, Introduction to Sequential Smoothing and Prediction, 1969: from
memory) in which the absorber force enters as a known input, so that the loop's own action is not
mistaken for a disturbance. It follows the place of the wheel, not a speed: the timing noise of
edges is white in place, and a speed made of two edges would pass it on differentiated. The rate of
the drive force fades by itself, as a manoeuvre's does in a tracking filter (Singer, IEEE Trans.
Aerospace and Electronic Systems, 1970: from memory): a pedal moves for some tenths of a second and
comes to rest, and a rate that went on would swing the speed the other way.

Meeting the drive force leaves v' = -k (v - v_ref); k follows from the delays that remain in the
loop, not from hand tuning. The correction is held to a share of what the absorbers can do, so that
a large error is worked off at a steady rate and never by swinging between the limits. Nothing
integrates the speed error, so nothing winds up while an absorber is at a limit.
"""

# ruff: noqa: PLR0124 - x == x tells a number from NaN cheaply

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from daq.kernel import jit

Floats = npt.NDArray[np.float64]

RATE_FADES_S = 0.3  # a change of drive force is taken to go on for about so long
CORRECTION_SHARE = 0.25  # of the roll set's full force, for working off a speed error
STALE_S = 0.1  # no new edge for so long: the reported speed steers

# Columns of a roll set's fixed row.
INERTIA, LOSS_A, LOSS_B, LOSS_C, OBSERVER, FEEDBACK, AHEAD_S, MAX_FORCE = range(8)
FIXED_COLUMNS = 8

# Columns of a roll set's state row.
SPEED, DRIVE_N, RATE_N, SPEED_AHEAD, SEEN, SINCE_S, PLACE_M, SHARE = range(8)
STATE_COLUMNS = 8


def observer_bandwidth(frame_s: float, speed_age_s: float, unseen_s: float, share: float) -> float:
    """Poles of the observer, rad/s: `share` over what it cannot see.

    It sees edges that are `speed_age_s` old and takes the mapped force for the true one, which
    lags by `unseen_s` (hysteresis, arm, errors of the stated lags). A faster one meets a pedal
    sooner and drowns it in the noise of the edges: the supplies, which cannot drive a coil down
    faster than it falls, then clip. A rig whose numbers are identified bears more, which
    control.load_loop.tuning finds from the margins of the loop.
    """
    return share / (speed_age_s + 0.5 * frame_s + unseen_s)


def feedback_gain(unknown_s: float) -> float:
    """k, 1/s, for v' = -k v behind the delays that the look-ahead does not know.

    SIMC for an integrating process with effective delay T and closed-loop time T is k = 1 / (2 T),
    the tight choice (Skogestad, J. Process Control 13, 2003); 1 / (3 T) leaves more margin.
    What acts on the speed ahead is foreseen; only what is not counts in T.
    """
    return 1.0 / (3.0 * unknown_s)


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
def speed_ahead(fixed: Floats, speed_mps: float, drive_n: float, absorbed_now_n: float) -> float:
    """Where the speed will be when a force asked now acts, m/s."""
    accel = (drive_n - absorbed_now_n - loss(fixed, speed_mps)) / fixed[INERTIA]
    return float(speed_mps + accel * fixed[AHEAD_S])


@jit
def rest(fixed: Floats, state: Floats, first: int, absorbed_n: float) -> None:
    """Speed and drive force in columns `first` and after, where rolls stand: no roll runs backward,
    and what holds it at rest is no drive. Left to itself the drive force would grow without end."""
    if state[first] <= 0.0:
        state[first] = 0.0
        state[first + 1] = max(state[first + 1], absorbed_n + loss(fixed, 0.0))


@jit
def observe(
    fixed: Floats,
    state: Floats,
    dt_s: float,
    travel_m: float,
    age_s: float,
    shown_mps: float,
    shown_delay_s: float,
    absorbed_tick_n: float,
    absorbed_now_n: float,
) -> None:
    """One frame of the observer.

    `travel_m`: from the edge that was newest before to the newest now, which is `age_s` old; NaN
    without a new edge. `shown_mps`: the reported speed, which steers when edges stay away.
    """
    inertia = fixed[INERTIA]
    known = state[SPEED] + state[DRIVE_N]
    if state[SEEN] == 0.0 or known != known:  # a number once lost would stay lost
        if shown_mps != shown_mps:
            return
        state[SPEED] = shown_mps
        state[DRIVE_N] = absorbed_tick_n + loss(fixed, shown_mps)
        state[RATE_N] = 0.0
        state[PLACE_M] = 0.0
        state[SINCE_S] = 0.0
        state[SEEN] = 1.0
    state[DRIVE_N] += state[RATE_N] * dt_s
    state[RATE_N] *= 1.0 - dt_s / RATE_FADES_S
    accel = (state[DRIVE_N] - absorbed_tick_n - loss(fixed, state[SPEED])) / inertia
    state[PLACE_M] += (state[SPEED] + 0.5 * accel * dt_s) * dt_s
    state[SPEED] += accel * dt_s
    state[SINCE_S] += dt_s
    since = state[SINCE_S]
    fade = np.exp(-fixed[OBSERVER] * since)
    gone = 1.0 - fade
    if travel_m == travel_m and since < STALE_S:
        # Compare with the place of the moment the edge passed, not of now.
        miss = travel_m - (state[PLACE_M] - (state[SPEED] - 0.5 * accel * age_s) * age_s)
        state[PLACE_M] += (1.0 - fade**4) * miss - travel_m
        state[SPEED] += gone**2 * (11.0 + (14.0 + 11.0 * fade) * fade) / (6.0 * since) * miss
        state[DRIVE_N] += inertia * 2.0 * gone**3 * (1.0 + fade) / (since * since) * miss
        state[RATE_N] += inertia * gone**4 / since**3 * miss
        state[SINCE_S] = 0.0
    elif since >= STALE_S and shown_mps == shown_mps:
        # Near standstill: the reported speed, late as it is; the drive force follows gently.
        miss = shown_mps - (state[SPEED] - accel * shown_delay_s)
        part = 1.0 - np.exp(-dt_s / STALE_S)
        state[SPEED] += part * miss
        state[DRIVE_N] += inertia * part * miss / STALE_S
        state[RATE_N] = 0.0
        if travel_m == travel_m:
            state[PLACE_M] = state[SPEED] * age_s
            state[SINCE_S] = 0.0
        rest(fixed, state, SPEED, absorbed_tick_n)
    state[SPEED_AHEAD] = speed_ahead(fixed, state[SPEED], state[DRIVE_N], absorbed_now_n)


@jit
def net_drive(fixed: Floats, state: Floats) -> float:
    """Force that the truck puts into this roll set beyond its losses, as observed, N."""
    return float(state[DRIVE_N] - loss(fixed, state[SPEED]))


@jit
def meet(fixed: Floats, state: Floats) -> float:
    """Force that meets the drive force when it acts, N: the observed one, run on by its rate."""
    return float(net_drive(fixed, state) + state[RATE_N] * fixed[AHEAD_S])


@jit
def correct(fixed: Floats, mass_kg: float, over_mps: float, reference_accel: float) -> float:
    """Force beyond meeting the drive, for the roll sets of `mass_kg` together, N.

    `fixed`: rows of all roll sets; `over_mps`: mean speed ahead over its reference.
    """
    full = 0.0
    for r in range(fixed.shape[0]):
        full += fixed[r, MAX_FORCE]
    most = CORRECTION_SHARE * full
    force = min(max(mass_kg * fixed[0, FEEDBACK] * over_mps, -most), most)
    return float(force - mass_kg * reference_accel)
