"""Numeric conditions of the fault table for one frame, as bits: cheap half of fault_detection.

Data flow: the records of the load loop after its step -> bits and, per bit, the first place (roll
set or absorber) it is true for. Compiled, because it runs at every
frame; persistence, names and texts are in control.safety.fault_detection.
"""

# ruff: noqa: PLR0124 - x == x tells a number from NaN cheaply

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from control.load_loop import aims, records
from control.load_loop.records import Records
from daq.kernel import jit, refresh_cache
from daq.measure import rest
from daq.measure.rest import NO_CURRENT_A, REST_MPS

refresh_cache(__file__, aims.__file__, records.__file__, rest.__file__)

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

OVER_SPEED, OVER_SPEED_FAR, OVER_FORCE, OVER_POWER, SPEEDS_APART, SPEED_FROZEN = range(6)
REVERSED, WEAK, DRIFTED, NOT_FOLLOWING, STUCK_ON, BEYOND_RIG, NOISY = range(6, 13)
CONDITIONS = 13
# Rows of the state: last speed and how long it stood, last force, time since zero, mean step.
LAST_SPEED, SPEED_STOOD_S, LAST_FORCE, SINCE_ZERO_S, MEAN_STEP = range(5)
STATE_ROWS = 5

OVER = 1.05  # of a limit before a fault is raised; the gate cuts at the limit itself
APART, APART_MPS = 1.25, 1.0
FROZEN_S = 0.5
WEAK_SHARE = 0.4
WEAK_ABOVE_N = 600.0
FOLLOW_A, FOLLOW_SHARE = 3.0, 0.15
STUCK_A = 2.0
EMPTY_AFTER_S = 0.5  # the coil has had time to empty
# A cell whose reading jumps more than a loaded arm can: mean step from frame to frame, as a share
# of capacity, over NOISE_S. Full load within a coil's lag of 0.1 s is 10 per second.
NOISE_S, NOISE_SHARE, NOISE_SHARE_PER_S = 0.05, 0.04, 10.0

# Limits row.
MAX_SPEED, LOW_SPEED, MAX_FORCE, MAX_POWER = range(4)


@jit
def screen(
    loops: Records,
    roll_sets: Records,
    absorbers: Records,
    limits: Floats,
    capacity_n: Floats,
    state: Floats,
    places: Ints,
    under_load: bool,
) -> int:
    """Bits of what holds in this frame; `places[bit]` is the first place it holds for.

    `capacity_n`: load-cell capacity as force at the roll surface, per absorber. `state`: STATE_ROWS
    rows.
    """
    loop = loops[0]
    dt = loop.dt_s
    bits = 0
    force = 0.0
    power = 0.0
    slow = np.inf
    fast = 0.0
    for r in range(roll_sets.shape[0]):
        v = roll_sets[r].shown_mps
        if v != v:
            continue
        if v == state[LAST_SPEED, r]:
            state[SPEED_STOOD_S, r] += dt
            if under_load and v > limits[LOW_SPEED] and state[SPEED_STOOD_S, r] > FROZEN_S:
                bits |= 1 << SPEED_FROZEN
                places[SPEED_FROZEN] = r
        else:
            state[LAST_SPEED, r] = v
            state[SPEED_STOOD_S, r] = 0.0
        if under_load and v > limits[LOW_SPEED]:
            slow = min(slow, v)
            fast = max(fast, v)
        if v > limits[MAX_SPEED]:
            bits |= 1 << OVER_SPEED
            places[OVER_SPEED] = r
            if v > OVER * limits[MAX_SPEED]:
                bits |= 1 << OVER_SPEED_FAR
                places[OVER_SPEED_FAR] = r
    if fast > APART * slow and fast - slow > APART_MPS:
        bits |= 1 << SPEEDS_APART
    for i in range(absorbers.shape[0]):
        absorber = absorbers[i]
        cell = absorber.cell_n
        coil = absorber.measured_a
        sent = absorber.sent_a
        v = roll_sets[absorber.group].shown_mps
        if cell == cell:
            force += cell
            if v == v:
                power += cell * v
            step = min(abs(cell - state[LAST_FORCE, i]), capacity_n[i])
            state[MEAN_STEP, i] += (step - state[MEAN_STEP, i]) * min(1.0, dt / NOISE_S)
            if state[MEAN_STEP, i] > (NOISE_SHARE + NOISE_SHARE_PER_S * dt) * capacity_n[i]:
                bits |= 1 << NOISY
                places[NOISY] = i
            state[LAST_FORCE, i] = cell
            if coil > STUCK_A and cell < -0.03 * capacity_n[i]:
                bits |= 1 << REVERSED
                places[REVERSED] = i
            mapped = absorber.unlearned_force_n
            if mapped > WEAK_ABOVE_N and cell < WEAK_SHARE * mapped:
                bits |= 1 << WEAK
                places[WEAK] = i
            if abs(cell) > 0.02 * capacity_n[i] and coil < NO_CURRENT_A and v < REST_MPS:
                bits |= 1 << DRIFTED
                places[DRIFTED] = i
        if sent > 0.0 or under_load:  # under load a set point of 0 may stand for one frame
            model = absorber.model_a
            miss = abs(coil - model)
            if miss > FOLLOW_A and miss > FOLLOW_SHARE * model:
                bits |= 1 << NOT_FOLLOWING
                places[NOT_FOLLOWING] = i
        if sent > 0.0:
            state[SINCE_ZERO_S, i] = 0.0
        elif coil > STUCK_A:
            state[SINCE_ZERO_S, i] += dt
            if state[SINCE_ZERO_S, i] > EMPTY_AFTER_S:
                bits |= 1 << STUCK_ON
                places[STUCK_ON] = i
    if under_load:
        aim = loop.aim
        target = loop.target
        if (
            (aim in (aims.SPEED, aims.TRACK) and target > limits[MAX_SPEED])
            or (aim == aims.FORCE and target > limits[MAX_FORCE])
            or (aim == aims.POWER and target > limits[MAX_POWER])
        ):
            bits |= 1 << BEYOND_RIG
    if force > OVER * limits[MAX_FORCE]:
        bits |= 1 << OVER_FORCE
    if power > OVER * limits[MAX_POWER]:
        bits |= 1 << OVER_POWER
    return bits
