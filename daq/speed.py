"""Tooth edges to speed and acceleration, with variance and a declared delay.

Data flow: raw edge ticks of one frame -> 64-bit edge times -> tooth index (extra, doubled and
missing edges recognised against the motion so far) -> ring of edges -> quadratic fit over the last
`window_s` -> speed and acceleration at `delay_s` before the frame's tick.

The fit is least squares over exact edge times: for white timing noise and uniformly accelerated
motion it reaches the Cramer-Rao bound of its window (docs/measurement.md; `python -m bench.speed`).
Positions carry the learned tooth offsets of daq.teeth. No wall clock, no allocation per frame.
"""

from __future__ import annotations

import math

import msgspec
import numpy as np
import numpy.typing as npt

from daq.kernel import jit
from daq.teeth import ToothLearner

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]

DELAY_S = 0.025  # speed and acceleration hold at this age, declared
WINDOW_S = 0.100  # edges younger than this enter the fit
MIN_EDGES = 5  # at walking pace the window grows until it holds this many ...
MAX_WINDOW_S = 1.0  # ... but never beyond this
STANDING_AFTER_S = 1.0  # no edge for this long: the roll stands (or the sensor is lost)
MAX_BRAKING_MPS2 = 20.0  # no truck stops its rolls faster; quicker means a lost sensor
LOST_AFTER_PITCHES = 3.5  # overdue edges before a sensor counts as lost
FASTEST_MPS = 90.0  # beyond any rig
MAX_EDGES = 64  # per wheel and frame, see daq.wire.frames

# integer state, one row per wheel
HEAD, HELD, RAW, INDEX, TICK, TOTAL, STARTED, REJECTED, EXTRA, MISSING, RELOCKS, EVER = range(12)
P_TICK, P_INDEX, BLOCK_START = 12, 13, 14
INT_STATE = 15
# float state: prediction polynomial in pitches and seconds, running residual variance in pitches^2
C0, C1, C2, NOISE, KNOWN, LAST_SPEED = range(6)
FLOAT_STATE = 6
# parameters
PITCH, WINDOW, DELAY, TICK_S, MIN_TICKS = range(5)
# output columns
SPEED, ACCEL, SPEED_SD, ACCEL_SD, STATUS, EDGES_USED, POSITION, AGE = range(8)
OUTPUTS = 8
# status values
MOVING, STANDING, OVERDUE, LOST, STARTING = 0.0, 1.0, 2.0, 3.0, 4.0


class WheelConfig(msgspec.Struct, frozen=True):
    """One tooth wheel: `pitch` is the travel per tooth in the unit the output shall have
    (metres at the roll surface, radians for an engine pickup)."""

    teeth: int
    pitch: float
    window_s: float = WINDOW_S
    delay_s: float = DELAY_S
    fastest: float = FASTEST_MPS  # edges that would mean more are bounces


@jit
def _fit(
    ticks: IntArray,
    indices: IntArray,
    offsets: FloatArray,
    head: int,
    count: int,
    origin_tick: int,
    origin_index: int,
    tick_s: float,
    skip: int,
    result: FloatArray,
) -> int:
    """Least squares of coordinate over time on the newest `count` edges, time origin `origin_tick`.

    result: c0, c1, c2 (pitches, seconds), var factors of c1 and c2, residual sum of squares,
    degrees of freedom, place of the largest residual, its size. Returns the order used
    (2, 1 or 0). Three edges or fewer give a straight line.
    """
    size = ticks.shape[0]
    teeth = offsets.shape[0]
    s0 = s1 = s2 = s3 = s4 = 0.0
    b0 = b1 = b2 = 0.0
    for k in range(count):
        if k == skip:
            continue
        place = (head - 1 - k) % size
        t = (ticks[place] - origin_tick) * tick_s
        index = indices[place]
        x = (index - origin_index) + offsets[index % teeth]
        t2 = t * t
        s0 += 1.0
        s1 += t
        s2 += t2
        s3 += t2 * t
        s4 += t2 * t2
        b0 += x
        b1 += x * t
        b2 += x * t2
    order = 0
    c0 = c1 = c2 = v1 = v2 = 0.0
    if s0 >= 4.0:
        # inverse of the symmetric 3x3 normal matrix by cofactors, after centring time
        m = s1 / s0
        # central moments keep the determinant well conditioned
        m2 = s2 - m * s1
        m3 = s3 - 3.0 * m * s2 + 3.0 * m * m * s1 - s0 * m * m * m
        m4 = s4 - 4.0 * m * s3 + 6.0 * m * m * s2 - 4.0 * m * m * m * s1 + s0 * m * m * m * m
        d1 = b1 - m * b0
        d2 = b2 - 2.0 * m * b1 + m * m * b0
        # eliminate the constant: u = t, w = t^2 - mean(t^2)
        mean2 = m2 / s0
        ww = m4 - m2 * mean2
        dw = d2 - mean2 * b0
        det = m2 * ww - m3 * m3
        if det > 0.0:
            e1 = (d1 * ww - dw * m3) / det
            e2 = (dw * m2 - d1 * m3) / det
            e0 = b0 / s0 - e2 * mean2
            # shift from the centroid to the origin tick: t = u + m
            c2 = e2
            c1 = e1 - 2.0 * e2 * m
            c0 = e0 - e1 * m + e2 * m * m
            k11 = ww / det
            k22 = m2 / det
            k12 = -m3 / det
            v1 = k11 - 4.0 * m * k12 + 4.0 * m * m * k22
            v2 = k22
            order = 2
    if order == 0 and s0 >= 2.0:
        m = s1 / s0
        m2 = s2 - m * s1
        if m2 > 0.0:
            c1 = (b1 - m * b0) / m2
            c0 = b0 / s0 - c1 * m
            v1 = 1.0 / m2
            order = 1
    rss = 0.0
    worst = -1
    worst_size = 0.0
    for k in range(count):
        if k == skip:
            continue
        place = (head - 1 - k) % size
        t = (ticks[place] - origin_tick) * tick_s
        index = indices[place]
        r = (index - origin_index) + offsets[index % teeth] - (c0 + t * (c1 + t * c2))
        rss += r * r
        if abs(r) > worst_size:
            worst_size = abs(r)
            worst = k
    result[0] = c0
    result[1] = c1
    result[2] = c2
    result[3] = v1
    result[4] = v2
    result[5] = rss
    result[6] = s0 - order - 1.0
    result[7] = worst
    result[8] = worst_size
    return order


@jit
def _accept(ticks: IntArray, indices: IntArray, state: IntArray, tick: int, index: int) -> None:
    size = ticks.shape[0]
    place = state[HEAD] % size
    ticks[place] = tick
    indices[place] = index
    state[HEAD] += 1
    if state[HELD] < size:
        state[HELD] += 1
    state[INDEX] = index
    state[TICK] = tick
    state[EVER] = 1
    state[REJECTED] = 0


@jit
def _take_edge(
    ticks: IntArray,
    indices: IntArray,
    offsets: FloatArray,
    state: IntArray,
    motion: FloatArray,
    tick: int,
    step: int,
    tick_s: float,
    min_ticks: float,
) -> None:
    """One edge, `step` raw counts after the last one looked at: which tooth was it?"""
    if state[HELD] == 0:
        _accept(ticks, indices, state, tick, state[INDEX] + step)
        return
    if tick - state[TICK] < min_ticks:
        state[EXTRA] += 1
        return
    if motion[KNOWN] < 2.0:
        # no motion yet: only a bounce can be told, by comparison with the interval before
        _accept(ticks, indices, state, tick, state[INDEX] + step)
        return
    teeth = offsets.shape[0]
    t = (tick - state[P_TICK]) * tick_s
    predicted = motion[C0] + t * (motion[C1] + t * motion[C2])
    last = state[INDEX]
    ahead = predicted + (state[P_INDEX] - last) - offsets[last % teeth]
    tolerance = 0.30 if motion[KNOWN] >= 5.0 else 0.45
    if abs(ahead - step) < tolerance:
        _accept(ticks, indices, state, tick, last + step)
        return
    if step > 1:
        # frames were lost: the raw count is the better witness; start the window afresh
        state[HELD] = 0
        motion[KNOWN] = 0.0
        _accept(ticks, indices, state, tick, last + step)
        return
    whole = math.floor(ahead + 0.5)
    if 2 <= whole <= 4 and abs(ahead - whole) < tolerance:
        state[MISSING] += whole - 1
        _accept(ticks, indices, state, tick, last + whole)
        return
    state[REJECTED] += 1
    if state[REJECTED] > 3:
        # the motion changed faster than any prediction: believe the edges again
        state[RELOCKS] += 1
        state[HELD] = 0
        motion[KNOWN] = 0.0
        _accept(ticks, indices, state, tick, last + state[REJECTED])
        return
    state[EXTRA] += 1


@jit
def _estimate(
    ticks: IntArray,
    indices: IntArray,
    offsets: FloatArray,
    state: IntArray,
    motion: FloatArray,
    parameters: FloatArray,
    now_tick: int,
    fit: FloatArray,
    out: FloatArray,
) -> None:
    """Speed and acceleration of one wheel at `delay` before `now_tick`, into one row of `out`."""
    pitch = parameters[PITCH]
    tick_s = parameters[TICK_S]
    size = ticks.shape[0]
    if state[EVER] == 0:
        out[SPEED] = 0.0
        out[ACCEL] = 0.0
        out[SPEED_SD] = pitch / STANDING_AFTER_S
        out[ACCEL_SD] = 0.0
        out[STATUS] = STANDING
        out[EDGES_USED] = 0.0
        out[AGE] = 1e9
        return
    age = (now_tick - state[TICK]) * tick_s
    out[AGE] = age
    bound = pitch / age if age > 1e-9 else 1e9
    # how many edges lie in the window
    held = state[HELD]
    head = state[HEAD]
    window = int(parameters[WINDOW] / tick_s)
    longest = int(MAX_WINDOW_S / tick_s)
    count = 0
    while count < held:
        old = now_tick - ticks[(head - 1 - count) % size]
        if old > window and (count >= MIN_EDGES or old > longest):
            break
        count += 1
    out[EDGES_USED] = count
    motion[KNOWN] = count
    if count < 2:
        # at most one edge in a second: below one pitch per second, or just starting
        speed = min(bound, motion[LAST_SPEED]) if motion[LAST_SPEED] > 0.0 else 0.0
        if age > STANDING_AFTER_S:
            speed = 0.0
            motion[LAST_SPEED] = 0.0
        was_lost = out[STATUS] == LOST
        out[SPEED] = speed
        out[ACCEL] = 0.0
        out[SPEED_SD] = min(bound, pitch / STANDING_AFTER_S)
        out[ACCEL_SD] = out[SPEED_SD] / STANDING_AFTER_S
        if was_lost:
            out[STATUS] = LOST
        else:
            out[STATUS] = STANDING if age > STANDING_AFTER_S else STARTING
        return
    delay_ticks = int(parameters[DELAY] / tick_s + 0.5)
    origin_tick = now_tick - delay_ticks
    origin_index = state[INDEX]
    order = _fit(ticks, indices, offsets, head, count, origin_tick, origin_index, tick_s, -1, fit)
    if count >= 8 and motion[NOISE] > 0.0 and fit[8] > 6.0 * math.sqrt(motion[NOISE]) + 0.002:
        order = _fit(
            ticks, indices, offsets, head, count, origin_tick, origin_index, tick_s,
            int(fit[7]), fit,
        )  # fmt: skip
    state[P_TICK] = origin_tick
    state[P_INDEX] = origin_index
    motion[C0] = fit[0]
    motion[C1] = fit[1]
    motion[C2] = fit[2]
    if fit[6] >= 1.0:
        variance = fit[5] / fit[6]
        if motion[NOISE] <= 0.0:
            motion[NOISE] = variance
        else:
            motion[NOISE] += 0.01 * min(1.0, fit[6] / 4.0) * (variance - motion[NOISE])
    noise = motion[NOISE] if motion[NOISE] > 0.0 else 1e-4
    speed = fit[1] * pitch
    accel = 2.0 * fit[2] * pitch
    sd = math.sqrt(noise * fit[3]) * pitch
    accel_sd = 2.0 * math.sqrt(noise * fit[4]) * pitch
    if order < 2:
        # a straight line knows no acceleration: say so in sigma
        accel_sd = MAX_BRAKING_MPS2
        sd = max(sd, abs(speed) * 0.05)
    # is the next edge overdue?
    t = (now_tick - origin_tick) * tick_s
    reached = fit[0] + t * (fit[1] + t * fit[2])
    t_last = (state[TICK] - origin_tick) * tick_s
    speed_at_last = (fit[1] + 2.0 * fit[2] * t_last) * pitch
    status = MOVING if order == 2 else STARTING
    if reached > 1.4 or (age > 0.1 and speed_at_last * age > 1.4 * pitch):
        status = OVERDUE
        overdue = max(speed_at_last, 0.0) * age / pitch
        stops_in = speed_at_last * speed_at_last / (2.0 * MAX_BRAKING_MPS2 * pitch)
        if overdue > LOST_AFTER_PITCHES and stops_in > LOST_AFTER_PITCHES - 0.5:
            status = LOST
        if overdue > 2.4 or bound < 2.0:
            speed = min(speed, bound)
            sd = max(sd, bound / math.sqrt(12.0))
            accel = 0.0
            accel_sd = MAX_BRAKING_MPS2
    if speed < 0.0:
        # the wheel cannot tell direction: an extrapolated reversal means it stands
        speed = 0.0
        sd = max(sd, bound / math.sqrt(12.0))
    if out[STATUS] == LOST and status == OVERDUE:
        status = LOST  # stays lost until edges come again
    out[SPEED] = speed
    out[ACCEL] = accel
    out[SPEED_SD] = sd
    out[ACCEL_SD] = accel_sd
    out[STATUS] = status
    out[POSITION] = (origin_index + fit[0]) * pitch
    motion[LAST_SPEED] = speed


@jit
def update_wheels(
    ticks: IntArray,
    indices: IntArray,
    offsets: FloatArray,
    teeth: IntArray,
    state: IntArray,
    motion: FloatArray,
    parameters: FloatArray,
    now_tick: int,
    arrivals: IntArray,
    blocks: IntArray,
    fit: FloatArray,
    out: FloatArray,
) -> int:
    """All wheels, one frame. `arrivals` is a flat list: per wheel edge_total, n, n raw ticks.

    Returns a bit per wheel that has turned `blocks[w]` edges since it last did.
    """
    low = now_tick & 0xFFFFFFFF
    ready = 0
    at = 0
    for w in range(state.shape[0]):
        row = state[w]
        total = arrivals[at]
        n = arrivals[at + 1]
        at += 2
        if row[STARTED] == 0:
            row[STARTED] = 1
            row[RAW] = total - n
            row[INDEX] = total - n
            row[TOTAL] = total
            fresh = n
        else:
            fresh = (total - row[TOTAL]) & 0xFFFF
            row[TOTAL] = total
        # edges counted but not sent (frames lost) step the count before the first one we see
        hidden = max(fresh - n, 0)
        table = offsets[w, : teeth[w]]
        step = 1 + hidden
        for k in range(n):
            back = (low - arrivals[at + k]) & 0xFFFFFFFF
            if back >= 0x80000000:
                back -= 0x100000000
            before = row[HEAD]
            _take_edge(
                ticks[w], indices[w], table, row, motion[w], now_tick - back, step,
                parameters[w, TICK_S], parameters[w, MIN_TICKS],
            )  # fmt: skip
            if row[HEAD] != before:
                step = 1
        if step > 1:
            # counted, none accepted: keep the count so that the phase is not lost
            row[INDEX] += hidden
            row[HELD] = 0
            motion[w, KNOWN] = 0.0
        row[RAW] += fresh
        at += n
        _estimate(ticks[w], indices[w], table, row, motion[w], parameters[w], now_tick, fit, out[w])
        if row[HELD] < blocks[w] or blocks[w] == 0:
            continue
        if row[HEAD] - row[BLOCK_START] >= blocks[w]:
            row[BLOCK_START] = row[HEAD]
            ready |= 1 << w
    return ready


class WheelBank:
    """State of all tooth wheels of a front end, in arrays that never grow."""

    def __init__(self, wheels: tuple[WheelConfig, ...], tick_hz: int) -> None:
        count = len(wheels)
        most_teeth = max((wheel.teeth for wheel in wheels), default=1)
        size = 256
        while size < 4 * most_teeth + 2 * MAX_EDGES:
            size *= 2
        self.wheels = wheels
        self.tick_hz = tick_hz
        self._tick_s = 1.0 / tick_hz
        self.ticks: IntArray = np.zeros((count, size), np.int64)
        self.indices: IntArray = np.zeros((count, size), np.int64)
        self.offsets: FloatArray = np.zeros((count, most_teeth))
        self.teeth: IntArray = np.array([wheel.teeth for wheel in wheels], np.int64)
        self.state: IntArray = np.zeros((count, INT_STATE), np.int64)
        self.motion: FloatArray = np.zeros((count, FLOAT_STATE))
        self.parameters: FloatArray = np.array(
            [
                [
                    wheel.pitch,
                    wheel.window_s,
                    wheel.delay_s,
                    1.0 / tick_hz,
                    max(1.0, wheel.pitch / wheel.fastest * tick_hz),
                ]
                for wheel in wheels
            ],
            np.float64,
        ).reshape(count, 5)
        self.learners = tuple(
            ToothLearner(wheel.teeth, self.offsets[row, : wheel.teeth])
            for row, wheel in enumerate(wheels)
        )
        self.blocks: IntArray = np.array(
            [
                learner.turns * learner.teeth if learner.teeth > 1 else 0
                for learner in self.learners
            ],
            np.int64,
        )
        self.fit: FloatArray = np.zeros(16)
        self.out: FloatArray = np.zeros((count, OUTPUTS))
        self.arrivals: IntArray = np.zeros(max(count, 1) * (2 + MAX_EDGES), np.int64)
        self._arrivals_view = memoryview(self.arrivals.data)

    def update(
        self,
        now_tick: int,
        totals: tuple[int, ...],
        edges: tuple[tuple[int, ...], ...],
        channels: tuple[int, ...],
    ) -> FloatArray:
        """One frame. `now_tick` is 64-bit; `channels[w]` is the front end's index of wheel w.

        Returns the output rows (see the column names above), valid until the next call.
        """
        view = self._arrivals_view
        at = 0
        for channel in channels:
            arrived = edges[channel]
            n = len(arrived)
            if n > MAX_EDGES:
                arrived = arrived[n - MAX_EDGES :]
                n = MAX_EDGES
            view[at] = totals[channel]
            view[at + 1] = n
            at += 2
            for tick in arrived:
                view[at] = tick
                at += 1
        ready = update_wheels(
            self.ticks, self.indices, self.offsets, self.teeth, self.state, self.motion,
            self.parameters, now_tick, self.arrivals, self.blocks, self.fit, self.out,
        )  # fmt: skip
        if ready:
            self._learn(ready)
        return self.out

    def _learn(self, ready: int) -> None:
        for row, learner in enumerate(self.learners):
            if ready >> row & 1:
                learner.learn(
                    self.ticks[row], self.indices[row], int(self.state[row, HEAD]), self._tick_s
                )
