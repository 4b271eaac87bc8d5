"""The force balance of each roll set, and the torque of each absorber, in one pass per frame.

Data flow: rows of daq.measure.speed.estimator and daq.measure.force.load_cell -> this -> flat row
of numbers and quality codes that daq.measure.chain turns into readings. Everything of a roll set
holds at one instant, the speed's.

tractive = absorber force + parasitic loss(v) + base inertia x dv/dt; power = tractive x speed.
Absorber force at the surface = cell force x arm x gear ratio / roll radius, summed per roll set.
Loss and inertia as in 40 CFR 1066.255 and 1066.250; losses act only on rolls that turn.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from daq.kernel import jit, refresh_cache
from daq.measure import rest
from daq.measure.rest import REST_MPS

refresh_cache(__file__, rest.__file__)

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]

# quality codes, in the order of QUALITIES in daq.measure.chain
GOOD, AGING, SUSPECT, MISSING = 0, 1, 2, 3

# rows of other modules that this kernel reads (daq.measure.speed.estimator,
# daq.measure.force.load_cell), bound here by number so that the compiled form depends on this file
# alone; tests/daq/measure/test_chain.py holds them together
W_SPEED, W_ACCEL, W_SPEED_SD, W_ACCEL_SD, W_STATUS, W_AGE = 0, 1, 2, 3, 4, 7
W_MOVING, W_STANDING, W_OVERDUE, W_LOST, W_NOISY, W_UNKNOWN = 0.0, 1.0, 2.0, 3.0, 5.0, 6.0
C_FORCE, C_FORCE_SD, C_FAULTS, C_ALIGNED = 0, 1, 2, 3
MISSING_FAULTS = 2 | 8  # bridge, stale
SUSPECT_FAULTS = 1 | 16 | 32 | 64  # saturated, frozen, overload, zero drifted

IDLE_SHARE = 0.05  # share of capacity that an absorber cannot give at standstill

# per roll set parameters
INERTIA, LOSS_A, LOSS_B, LOSS_C, LOSS_SIGMA = range(5)
SET_PARAMETERS = 5
# per absorber parameters
ARM, TO_SURFACE, SHAFT_PER_SPEED, ROLL_SET, IDLE_FORCE = range(5)
ABSORBER_PARAMETERS = 5
# output per roll set
(
    SPEED, ACCEL, ABSORBER, LOSS, INERTIAL, TRACTIVE, POWER,
    SPEED_SD, ACCEL_SD, ABSORBER_SD, LOSS_SD, INERTIAL_SD, TRACTIVE_SD, POWER_SD,
    SPEED_QUALITY, ABSORBER_QUALITY, QUALITY, STATUS,
) = range(18)  # fmt: skip
SET_OUTPUTS = 18
# output per absorber
CELL, TORQUE, FORCE, CELL_SD, TORQUE_SD, FORCE_SD, SHAFT_SPEED, CELL_QUALITY, FAULTS = range(9)
ABSORBER_OUTPUTS = 9


@jit
def balance(
    wheels: FloatArray,
    cells: FloatArray,
    sets: FloatArray,
    absorbers: FloatArray,
    current_flows: bool,
    out: FloatArray,
) -> None:
    """Fill `out`: SET_OUTPUTS numbers per roll set, then ABSORBER_OUTPUTS per absorber.

    `current_flows`: some absorber is energised, so torque means motion.
    """
    count = sets.shape[0]
    for s in range(count):
        o = out[s * SET_OUTPUTS : (s + 1) * SET_OUTPUTS]
        o[ABSORBER] = 0.0
        o[ABSORBER_SD] = 0.0
        o[ABSORBER_QUALITY] = GOOD
        o[STATUS] = wheels[s, W_STATUS]
    for k in range(absorbers.shape[0]):
        p = absorbers[k]
        first = count * SET_OUTPUTS + k * ABSORBER_OUTPUTS
        b = out[first : first + ABSORBER_OUTPUTS]
        s = int(p[ROLL_SET])
        o = out[s * SET_OUTPUTS : (s + 1) * SET_OUTPUTS]
        faults = int(cells[k, C_FAULTS])
        quality = GOOD
        if faults & MISSING_FAULTS:
            quality = MISSING
        elif faults & SUSPECT_FAULTS:
            quality = SUSPECT
        value = cells[k, C_FORCE] if quality != MISSING else math.nan
        sigma = cells[k, C_FORCE_SD]
        b[CELL] = value
        b[TORQUE] = value * p[ARM]
        b[FORCE] = value * p[TO_SURFACE]
        b[CELL_SD] = sigma
        b[TORQUE_SD] = sigma * p[ARM]
        b[FORCE_SD] = sigma * p[TO_SURFACE]
        b[SHAFT_SPEED] = wheels[s, W_SPEED] * p[SHAFT_PER_SPEED]
        b[CELL_QUALITY] = quality
        b[FAULTS] = faults
        o[ABSORBER] += cells[k, C_ALIGNED] * p[TO_SURFACE] if quality != MISSING else math.nan
        o[ABSORBER_SD] += (sigma * p[TO_SURFACE]) ** 2
        o[ABSORBER_QUALITY] = max(o[ABSORBER_QUALITY], quality)
        if current_flows and o[STATUS] == W_STANDING and cells[k, C_FORCE] > p[IDLE_FORCE]:
            # an eddy-current brake gives no torque at standstill: it turns, the sensor is mute
            o[STATUS] = W_LOST
    for s in range(count):
        p = sets[s]
        w = wheels[s]
        o = out[s * SET_OUTPUTS : (s + 1) * SET_OUTPUTS]
        lost = o[STATUS] == W_LOST or o[STATUS] == W_UNKNOWN
        v = math.nan if lost else w[W_SPEED]
        a = math.nan if lost else w[W_ACCEL]
        speed_quality = MISSING if lost else (SUSPECT if w[W_STATUS] == W_NOISY else GOOD)
        loss = 0.0
        loss_sd = 0.0
        if lost:
            loss = math.nan
        elif v > REST_MPS:
            loss = p[LOSS_A] + v * (p[LOSS_B] + v * p[LOSS_C])
            loss_sd = p[LOSS_SIGMA]
        force = o[ABSORBER]
        force_variance = o[ABSORBER_SD]
        inertial = p[INERTIA] * a
        inertial_sd = p[INERTIA] * w[W_ACCEL_SD]
        tractive = force + loss + inertial
        tractive_variance = force_variance + inertial_sd * inertial_sd
        o[SPEED] = v
        o[ACCEL] = a
        o[LOSS] = loss
        o[INERTIAL] = inertial
        o[TRACTIVE] = tractive
        o[POWER] = tractive * v
        o[SPEED_SD] = w[W_SPEED_SD]
        o[ACCEL_SD] = w[W_ACCEL_SD]
        o[ABSORBER_SD] = math.sqrt(force_variance)
        o[LOSS_SD] = loss_sd
        o[INERTIAL_SD] = inertial_sd
        o[TRACTIVE_SD] = math.sqrt(tractive_variance)
        o[POWER_SD] = math.sqrt(tractive_variance * v * v + (tractive * w[W_SPEED_SD]) ** 2)
        o[SPEED_QUALITY] = speed_quality
        o[QUALITY] = max(float(speed_quality), o[ABSORBER_QUALITY])
