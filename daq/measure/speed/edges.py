"""Tooth assignment: extra, doubled and missing edges are recognised by the predicted motion.

Data flow: one edge tick and the front end's own count -> compared with the place the motion
predicts -> accepted into the ring with its tooth index, or left out and counted. Called by
daq.measure.speed.estimator, which owns the state rows named here.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from daq.kernel import jit

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]

DISTRUST_LIMIT = 4.0  # beyond it the readings of the wheel are suspect
UNTROUBLED = 0.5  # up to it there were no odd edges lately
MOST_DISTRUST = 10.0
ORDERLY_EDGES = 50.0  # after so many the speed was known beyond doubt
SLOWEST_JUMP = 33.0  # pitches/s; slower rolls may change speed that fast
BOUNCE_SHARE = 0.4  # of the gap before; from rest with a steady pull the next is 0.41 of the first
DOUBT_LIMIT = 3.0  # odd edges less a fifth of the orderly ones; beyond it the lock is given up

# integer state, one row per wheel
HEAD, HELD, RAW, INDEX, TICK, TOTAL, STARTED, REJECTED, EXTRA, MISSING, RELOCKS, EVER = range(12)
# PENDING: edges counted, never sent; LOST_TICK: the last edge before a sensor went mute
P_TICK, P_INDEX, BLOCK_START, PENDING, LOST_TICK = range(12, 17)
INT_STATE = 17
# float state: prediction polynomial in pitches and seconds, running residual variance in pitches^2
# DOUBT: in the present lock; DISTRUST: in the sensor, kept over locks
# ORDERLY: edges in order since the lock; KNOWN_WELL: pitches/s when a lock that was orderly was
# given up, 0 when nothing is in doubt; JUMPED_FROM: the same until the next lock is compared;
# FACTOR: by how much the speed has jumped since; 1 when nothing is wrong; CALM: the last pitches/s
# without odd edges, less such a jump
C0, C1, C2, NOISE, KNOWN, LAST_SPEED, DOUBT, DISTRUST, ORDERLY, JUMPED_FROM, FACTOR = range(11)
KNOWN_WELL, CALM = 11, 12
FLOAT_STATE = 13


@jit
def accept(
    ticks: IntArray, indices: IntArray, tooth: IntArray, teeth: int,
    state: IntArray, motion: FloatArray, tick: int, index: int, odd: float,
) -> None:  # fmt: skip
    size = ticks.shape[0]
    place = state[HEAD] & (size - 1)  # the rings' length is a power of two
    ticks[place] = tick
    indices[place] = index
    tooth[place] = index % teeth
    state[HEAD] += 1
    if state[HELD] < size:
        state[HELD] += 1
    state[INDEX] = index
    state[TICK] = tick
    state[EVER] = 1
    state[REJECTED] = 0
    state[PENDING] = 0
    motion[DOUBT] = max(0.0, motion[DOUBT] + odd)
    motion[DISTRUST] = min(max(0.0, motion[DISTRUST] + odd), MOST_DISTRUST)
    motion[ORDERLY] += 1.0


@jit
def forget(state: IntArray, motion: FloatArray) -> None:
    state[HELD] = 0
    motion[KNOWN] = 0.0
    motion[DOUBT] = 0.0
    motion[ORDERLY] = 0.0
    motion[JUMPED_FROM] = motion[KNOWN_WELL]  # each lock anew: the one before may have been noise


@jit
def _follows_rest(ticks: IntArray, state: IntArray, tick: int, tick_s: float) -> bool:
    """Whether an edge may come so soon after the newest two: those of a roll starting from rest."""
    mask = ticks.shape[0] - 1
    gap = ticks[(state[HEAD] - 1) & mask] - ticks[(state[HEAD] - 2) & mask]
    return bool(gap * tick_s * SLOWEST_JUMP > 1.0 and tick - state[TICK] > BOUNCE_SHARE * gap)


@jit
def take_edge(
    ticks: IntArray, indices: IntArray, tooth: IntArray, offsets: FloatArray,
    state: IntArray, motion: FloatArray, tick: int, step: int, tick_s: float, min_ticks: float,
) -> None:  # fmt: skip
    """One edge, `step` raw counts after the last one: its tooth index, or rejected."""
    teeth = offsets.shape[0]
    last = state[INDEX]
    if state[HELD] == 0:
        accept(ticks, indices, tooth, teeth, state, motion, tick, last + step, 0.0)
        return
    if tick - state[TICK] < min_ticks:
        state[EXTRA] += 1
        return
    if step > 1 and tick - state[TICK] < min_ticks * step:
        # the count jumped further than any roll can turn: it is worth nothing
        forget(state, motion)
        accept(ticks, indices, tooth, teeth, state, motion, tick, last + 1, 0.0)
        return
    if motion[KNOWN] < 2.0:
        # no motion yet: nothing to compare with
        accept(ticks, indices, tooth, teeth, state, motion, tick, last + step, 0.0)
        return
    t = (tick - state[P_TICK]) * tick_s
    predicted = motion[C0] + t * (motion[C1] + t * motion[C2])
    ahead = predicted + (state[P_INDEX] - last) - offsets[last % teeth]
    if (
        motion[KNOWN] < 5.0
        and step == 1
        and (ahead > 0.25 or _follows_rest(ticks, state, tick, tick_s))
    ):
        # starting up: the motion is hardly known, only a bounce stands out. A line through three
        # edges of a truck driving off lags far behind it; the last gap predicts better.
        accept(ticks, indices, tooth, teeth, state, motion, tick, last + 1, 0.0)
        return
    tolerance = 0.30
    if abs(ahead - step) < tolerance:
        accept(ticks, indices, tooth, teeth, state, motion, tick, last + step, -0.2)
        return
    if step == 1 and _follows_rest(ticks, state, tick, tick_s):
        # rolls that creep may be driven off or braked by more than a tooth within one gap
        accept(ticks, indices, tooth, teeth, state, motion, tick, last + 1, 0.0)
        return
    if step > 1:
        # frames were lost: the raw count is the better witness; start the window afresh
        forget(state, motion)
        accept(ticks, indices, tooth, teeth, state, motion, tick, last + step, 0.0)
        return
    whole = math.floor(ahead + 0.5)
    missed = 2 <= whole <= 4 and abs(ahead - whole) < tolerance
    # a bounce comes right after its tooth and is no reason to doubt the lock
    state[REJECTED] += 1
    odd = 1.0 if missed or ahead > 0.2 else 0.1
    motion[DISTRUST] = min(motion[DISTRUST] + odd, MOST_DISTRUST)
    if motion[DOUBT] + odd > DOUBT_LIMIT or state[REJECTED] > 3:
        # the motion was taken wrongly, or changed too fast: believe the edges again
        state[RELOCKS] += 1
        before = motion[CALM]  # not of now: the odd edges before this one bend the motion
        if motion[ORDERLY] >= ORDERLY_EDGES and before > SLOWEST_JUMP:
            motion[KNOWN_WELL] = before
        step = state[REJECTED]
        forget(state, motion)
        accept(ticks, indices, tooth, teeth, state, motion, tick, last + step, 0.0)
        return
    if missed:
        state[MISSING] += whole - 1
        motion[DOUBT] += odd
        accept(ticks, indices, tooth, teeth, state, motion, tick, last + whole, 0.0)
        return
    motion[DOUBT] += odd
    state[EXTRA] += 1
