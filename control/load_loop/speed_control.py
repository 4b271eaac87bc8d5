"""Hold the speed of one roll set: observe the tractive force, meet it, correct what is left.

Data flow per frame: travel up to the newest tooth edge and its age, force the absorbers give, known
losses and inertia -> disturbance observer (place, speed, drive force, its rate) -> force asked of
the absorbers, a little ahead of time. Works on the roll set's record.

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

import numpy as np

from control.load_loop import constants as c
from control.load_loop.records import Record, Records
from daq.kernel import jit, refresh_cache

refresh_cache(__file__, c.__file__)


@jit
def loss(roll_set: Record, speed_mps: float) -> float:
    """Parasitic loss, N, opposing motion."""
    return float(
        roll_set.loss_a + roll_set.loss_b * speed_mps + roll_set.loss_c * speed_mps * speed_mps
    )


@jit
def predicted_speed(
    roll_set: Record, speed_mps: float, drive_n: float, absorbed_now_n: float
) -> float:
    """Where the speed will be when a force asked now acts, m/s."""
    accel = (drive_n - absorbed_now_n - loss(roll_set, speed_mps)) / roll_set.inertia_kg
    return float(speed_mps + accel * roll_set.lookahead_s)


@jit
def clamp_at_standstill(roll_set: Record) -> None:
    """Where rolls stand, none runs backward, and what holds one at rest is no drive.

    Left to itself the drive force would grow without end.
    """
    if roll_set.speed_mps <= 0.0:
        roll_set.speed_mps = 0.0
        standing = roll_set.absorbers_tick_n + loss(roll_set, 0.0)
        roll_set.drive_n = max(roll_set.drive_n, standing)


@jit
def update_disturbance_observer(roll_set: Record, dt_s: float, shown_delay_s: float) -> None:
    """One frame of the observer: place, speed, drive force, its rate; the speed ahead."""
    inertia = roll_set.inertia_kg
    absorbed = roll_set.absorbers_tick_n
    travel, age, shown = roll_set.travel_m, roll_set.edge_age_s, roll_set.shown_mps
    known = roll_set.speed_mps + roll_set.drive_n
    if roll_set.hold_known == 0 or known != known:  # a number once lost would stay lost
        if shown != shown:
            return
        roll_set.speed_mps = shown
        roll_set.drive_n = absorbed + loss(roll_set, shown)
        roll_set.drive_rate_nps = 0.0
        roll_set.place_m = 0.0
        roll_set.since_edge_s = 0.0
        roll_set.hold_known = 1
    roll_set.drive_n += roll_set.drive_rate_nps * dt_s
    roll_set.drive_rate_nps *= 1.0 - dt_s / c.DRIVE_RATE_FADE_S
    accel = (roll_set.drive_n - absorbed - loss(roll_set, roll_set.speed_mps)) / inertia
    roll_set.place_m += (roll_set.speed_mps + 0.5 * accel * dt_s) * dt_s
    roll_set.speed_mps += accel * dt_s
    roll_set.since_edge_s += dt_s
    since = roll_set.since_edge_s
    fade = np.exp(-roll_set.observer_per_s * since)
    gone = 1.0 - fade
    if travel == travel and since < c.STALE_EDGE_S:
        # Compare with the place of the moment the edge passed, not of now.
        miss = travel - (roll_set.place_m - (roll_set.speed_mps - 0.5 * accel * age) * age)
        roll_set.place_m += (1.0 - fade**4) * miss - travel
        roll_set.speed_mps += gone**2 * (11.0 + (14.0 + 11.0 * fade) * fade) / (6.0 * since) * miss
        roll_set.drive_n += inertia * 2.0 * gone**3 * (1.0 + fade) / (since * since) * miss
        roll_set.drive_rate_nps += inertia * gone**4 / since**3 * miss
        roll_set.since_edge_s = 0.0
    elif since >= c.STALE_EDGE_S and shown == shown:
        # Near standstill: the reported speed, late as it is; the drive force follows gently.
        miss = shown - (roll_set.speed_mps - accel * shown_delay_s)
        part = 1.0 - np.exp(-dt_s / c.STALE_EDGE_S)
        roll_set.speed_mps += part * miss
        roll_set.drive_n += inertia * part * miss / c.STALE_EDGE_S
        roll_set.drive_rate_nps = 0.0
        if travel == travel:
            roll_set.place_m = roll_set.speed_mps * age
            roll_set.since_edge_s = 0.0
        clamp_at_standstill(roll_set)
    roll_set.predicted_mps = predicted_speed(
        roll_set, roll_set.speed_mps, roll_set.drive_n, roll_set.absorbers_now_n
    )


@jit
def net_drive(roll_set: Record) -> float:
    """Force that the truck puts into this roll set beyond its losses, as observed, N."""
    return float(roll_set.drive_n - loss(roll_set, roll_set.speed_mps))


@jit
def disturbance_feedforward(roll_set: Record) -> float:
    """Force that meets the drive force when it acts, N: the observed one, run on by its rate."""
    return float(net_drive(roll_set) + roll_set.drive_rate_nps * roll_set.lookahead_s)


@jit
def speed_feedback(
    roll_sets: Records, mass_kg: float, over_mps: float, reference_accel: float
) -> float:
    """Force beyond meeting the drive, for the roll sets of `mass_kg` together, N.

    `over_mps`: predicted mean speed over its reference.
    """
    full = 0.0
    for r in range(roll_sets.shape[0]):
        full += roll_sets[r].max_force_n
    most = c.FEEDBACK_FORCE_SHARE * full
    force = min(max(mass_kg * roll_sets[0].feedback_per_s * over_mps, -most), most)
    return float(force - mass_kg * reference_accel)
