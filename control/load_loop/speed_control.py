"""Bring a speed back to its reference, for the roll sets that turn, together.

Data flow: predicted mean speed over its reference -> force beyond meeting the drive force.

Meeting the drive force (control.load_loop.disturbance_observer) leaves v' = -k (v - v_ref); k
follows from the delays that remain in the loop, not from hand tuning. The correction is held to a
share of what the absorbers can do, so that a large error is worked off at a steady rate and never
by swinging between the limits. Nothing integrates the speed error, so nothing winds up while an
absorber is at a limit.
"""

from __future__ import annotations

from control.load_loop import constants as c
from control.load_loop.records import Records
from daq.kernel import jit, refresh_cache

refresh_cache(__file__, c.__file__)


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
