"""Tooth edges to speed and acceleration, with variance and a declared delay.

Data flow: raw edge ticks of one frame -> 64-bit edge times -> tooth index (extra, doubled and
missing edges recognised against the motion so far) -> ring of edges -> quadratic fit over the last
`window_s` -> speed and acceleration at `delay_s` before the frame's tick.

The fit is least squares over exact edge times: for white timing noise and uniformly accelerated
motion it reaches the Cramer-Rao bound of its window (docs/measurement.md; `python -m bench.speed`).
Two things known better are taken out of the positions first: the learned offset of each tooth
(daq.measure.speed.tooth_errors), and the travel that changes of the measured absorber force have
caused, so that a step of load is not smeared over the window. No wall clock, no allocation per
frame.
"""

from __future__ import annotations

import math

import msgspec
import numpy as np
import numpy.typing as npt

from daq.kernel import jit, refresh_cache
from daq.measure.speed import edges as edge_module
from daq.measure.speed import fit as fit_module
from daq.measure.speed.edges import (  # fmt: skip
    BLOCK_START,
    C0,
    C1,
    C2,
    CALM,
    DISTRUST,
    DISTRUST_LIMIT,
    EVER,
    FACTOR,
    FLOAT_STATE,
    HEAD,
    HELD,
    INDEX,
    INT_STATE,
    JUMPED_FROM,
    KNOWN,
    KNOWN_WELL,
    LAST_SPEED,
    LOST_TICK,
    NOISE,
    ORDERLY,
    ORDERLY_EDGES,
    P_INDEX,
    P_TICK,
    PENDING,
    RAW,
    STARTED,
    TICK,
    TOTAL,
    UNTROUBLED,
    take_edge,
)
from daq.measure.speed.fit import fit_quadratic, take_out_push
from daq.measure.speed.tooth_errors import ToothLearner

refresh_cache(__file__, edge_module.__file__, fit_module.__file__)

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
NOISY_VARIANCE = 0.08**2  # pitches^2 about the fit: no wheel is that bad
PUSH_HISTORY = 128  # frames of absorber force kept per wheel

# parameters; PUSH_PER_N: pitches/s2 per newton of absorber force; PUSH_AGE: of the newest, s
PITCH, WINDOW, DELAY, TICK_S, MIN_TICKS, PUSH_PER_N, PUSH_AGE, FRAME_S = range(8)
PARAMETERS = 8
# output columns
SPEED, ACCEL, SPEED_SD, ACCEL_SD, STATUS, EDGES_USED, POSITION, AGE = range(8)
OUTPUTS = 8
# status values
MOVING, STANDING, OVERDUE, LOST, STARTING, NOISY = 0.0, 1.0, 2.0, 3.0, 4.0, 5.0
UNKNOWN = (
    6.0  # set by daq.measure.chain only: too few edges, or too little time, since its first frame
)


class WheelConfig(msgspec.Struct, frozen=True):
    """One tooth wheel: `pitch` is the travel per tooth in the unit the output shall have
    (metres at the roll surface, radians for an engine pickup)."""

    teeth: int
    pitch: float
    window_s: float = WINDOW_S
    delay_s: float = DELAY_S
    fastest: float = FASTEST_MPS  # edges that would mean more are bounces
    inertia_kg: float = 0.0  # of the rolls; 0: no absorber force is known
    force_delay_s: float = 0.0  # age of the newest absorber force


@jit
def _estimate(
    ticks: IntArray, indices: IntArray, tooth: IntArray, offsets: FloatArray,
    state: IntArray, motion: FloatArray, parameters: FloatArray, now_tick: int,
    push: FloatArray, push_row: int, work: FloatArray, out: FloatArray,
) -> None:  # fmt: skip
    """Speed and acceleration of one wheel at `delay` before `now_tick`, into one row of `out`."""
    pitch = parameters[PITCH]
    tick_s = parameters[TICK_S]
    mask = ticks.shape[0] - 1  # the rings' length is a power of two
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
    unseen = 1.0 + state[PENDING]  # pitches that may have passed since the last edge
    bound = unseen * pitch / age if age > 1e-9 else 1e9
    held = state[HELD]
    head = state[HEAD]
    window = int(parameters[WINDOW] / tick_s)
    longest = int(MAX_WINDOW_S / tick_s)
    delay_ticks = int(parameters[DELAY] / tick_s + 0.5)
    origin_tick = now_tick - delay_ticks
    origin_index = state[INDEX]
    times = work[0]
    places = work[1]
    count = 0
    while count < held:
        place = (head - 1 - count) & mask
        old = now_tick - ticks[place]
        if old > window and (count >= MIN_EDGES or old > longest):
            break
        times[count] = (delay_ticks - old) * tick_s
        places[count] = (indices[place] - origin_index) + offsets[tooth[place]]
        count += 1
    out[EDGES_USED] = count
    motion[KNOWN] = count
    if count < 2:
        # at most one edge in a second: below one pitch per second, or just starting
        speed = min(bound, motion[LAST_SPEED])
        if age > STANDING_AFTER_S:
            speed = 0.0
            motion[LAST_SPEED] = 0.0
            motion[FACTOR] = 1.0
            motion[JUMPED_FROM] = 0.0
            motion[KNOWN_WELL] = 0.0
            motion[CALM] = 0.0
        out[SPEED] = speed
        out[ACCEL] = 0.0
        out[SPEED_SD] = min(bound, pitch / STANDING_AFTER_S)
        out[ACCEL_SD] = out[SPEED_SD] / STANDING_AFTER_S
        if out[STATUS] != LOST or state[TICK] != state[LOST_TICK]:
            out[STATUS] = STANDING if age > STANDING_AFTER_S else STARTING
            if motion[DISTRUST] > DISTRUST_LIMIT and age <= STANDING_AFTER_S:
                out[STATUS] = NOISY
        return
    if parameters[PUSH_PER_N] > 0.0:
        newest = parameters[DELAY] - parameters[PUSH_AGE]
        take_out_push(
            times, places, count, push, push_row,
            parameters[PUSH_PER_N], newest, parameters[FRAME_S], work[2],
        )  # fmt: skip
    fit = work[3]
    order = fit_quadratic(times, places, count, -1, fit)
    if count >= 8 and motion[NOISE] > 0.0 and fit[8] > 6.0 * math.sqrt(motion[NOISE]) + 0.002:
        order = fit_quadratic(times, places, count, int(fit[7]), fit)
    state[P_TICK] = origin_tick
    state[P_INDEX] = origin_index
    motion[C0] = fit[0]
    motion[C1] = fit[1]
    motion[C2] = fit[2]
    noisy = False
    if fit[6] >= 1.0:
        variance = fit[5] / fit[6]
        # a window stretched over few teeth of creeping rolls holds real jerks
        noisy = order == 2 and count > MIN_EDGES and variance > NOISY_VARIANCE
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
    t = parameters[DELAY]
    reached = fit[0] + t * (fit[1] + t * fit[2])
    t_last = t - age
    speed_at_last = (fit[1] + 2.0 * fit[2] * t_last) * pitch
    status = MOVING if order == 2 else STARTING
    fastest = pitch / (parameters[MIN_TICKS] * tick_s)
    if motion[JUMPED_FROM] > 0.0 and order == 2 and count >= MIN_EDGES + 3:
        # rolls cannot jump: if the speed did, some edges are no longer seen, or are invented
        motion[FACTOR] = max(fit[1], 0.1) / motion[JUMPED_FROM]
        if 0.9 < motion[FACTOR] < 1.1:
            motion[FACTOR] = 1.0
        if motion[ORDERLY] >= ORDERLY_EDGES:  # until then the window may hold what was noise
            motion[JUMPED_FROM] = 0.0
            if motion[FACTOR] == 1.0:
                motion[KNOWN_WELL] = 0.0
    if order == 2 and motion[JUMPED_FROM] == 0.0 and motion[DISTRUST] < UNTROUBLED:
        motion[CALM] = max(fit[1], 0.0) / motion[FACTOR]
    if motion[FACTOR] != 1.0 or noisy or motion[DISTRUST] > DISTRUST_LIMIT or speed > fastest:
        status = NOISY
        speed = min(speed, fastest)
        sd = max(sd, 0.1 * fastest)
    if reached > 0.4 + unseen or (age > 0.1 and speed_at_last * age > (0.4 + unseen) * pitch):
        status = OVERDUE
        overdue = max(speed_at_last, 0.0) * age / pitch + 1.0 - unseen
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
    if out[STATUS] == LOST and state[TICK] == state[LOST_TICK]:
        status = LOST  # stays lost until an edge comes again
    if status == OVERDUE and motion[DISTRUST] > DISTRUST_LIMIT:
        status = NOISY
    if status == LOST:
        state[LOST_TICK] = state[TICK]
    out[SPEED] = speed
    out[ACCEL] = accel
    out[SPEED_SD] = sd
    out[ACCEL_SD] = accel_sd
    out[STATUS] = status
    out[POSITION] = (origin_index + fit[0]) * pitch
    motion[LAST_SPEED] = speed


@jit
def update_wheels(
    ticks: IntArray, indices: IntArray, tooth: IntArray, offsets: FloatArray, teeth: IntArray,
    state: IntArray, motion: FloatArray, parameters: FloatArray, now_tick: int,
    arrivals: IntArray, blocks: IntArray, push: FloatArray, push_row: int, work: FloatArray,
    out: FloatArray,
) -> int:  # fmt: skip
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
        row[PENDING] += max(fresh - n, 0)
        table = offsets[w, : teeth[w]]
        for k in range(n):
            back = (low - arrivals[at + k]) & 0xFFFFFFFF
            if back >= 0x80000000:
                back -= 0x100000000
            take_edge(
                ticks[w], indices[w], tooth[w], table, row, motion[w], now_tick - back,
                1 + row[PENDING], parameters[w, TICK_S], parameters[w, MIN_TICKS],
            )  # fmt: skip
        row[RAW] += fresh
        at += n
        _estimate(
            ticks[w], indices[w], tooth[w], table, row, motion[w], parameters[w], now_tick,
            push[w], push_row, work, out[w],
        )  # fmt: skip
        if row[HELD] < blocks[w] or blocks[w] == 0:
            continue
        if row[HEAD] - row[BLOCK_START] >= blocks[w]:
            row[BLOCK_START] = row[HEAD]
            ready |= 1 << w
    return ready


class WheelBank:
    """State of all tooth wheels of a front end, in arrays that never grow.

    `push` takes the measured absorber force of each wheel's rolls, one value per frame at row
    `push_row` modulo its length, `push_row` counting all values so far; without it (inertia 0)
    nothing is taken out.
    """

    def __init__(
        self, wheels: tuple[WheelConfig, ...], tick_hz: int, frame_hz: float = 500.0
    ) -> None:
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
        self.tooth: IntArray = np.zeros((count, size), np.int64)
        self.offsets: FloatArray = np.zeros((count, most_teeth))
        self.teeth: IntArray = np.array([wheel.teeth for wheel in wheels], np.int64)
        self.state: IntArray = np.zeros((count, INT_STATE), np.int64)
        self.motion: FloatArray = np.zeros((count, FLOAT_STATE))
        self.motion[:, FACTOR] = 1.0
        self.parameters: FloatArray = np.zeros((count, PARAMETERS))
        for row, wheel in enumerate(wheels):
            per_n = 1.0 / (wheel.inertia_kg * wheel.pitch) if wheel.inertia_kg > 0.0 else 0.0
            self.parameters[row] = (
                wheel.pitch, wheel.window_s, wheel.delay_s, self._tick_s,
                max(1.0, wheel.pitch / wheel.fastest * tick_hz),
                per_n, wheel.force_delay_s, 1.0 / frame_hz,
            )  # fmt: skip
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
        self.push: FloatArray = np.zeros((count, PUSH_HISTORY))
        self.push_row = 0
        self.learning = True  # off while a speed loop may answer a wheel's error with real motion
        self.work: FloatArray = np.zeros((4, size))
        self.out: FloatArray = np.zeros((count, OUTPUTS))
        self.arrivals: IntArray = np.zeros(max(count, 1) * (2 + MAX_EDGES), np.int64)
        self._arrivals_view = memoryview(self.arrivals.data)
        for row, learner in enumerate(self.learners):
            # an empty ring teaches nothing, but loads the compiled code now and not while driving
            learner.learn(self.ticks[row], self.indices[row], 0, self._tick_s)

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
            self.ticks, self.indices, self.tooth, self.offsets, self.teeth, self.state,
            self.motion, self.parameters, now_tick, self.arrivals, self.blocks, self.push,
            self.push_row, self.work, self.out,
        )  # fmt: skip
        if ready:
            self.learn(ready)
        return self.out

    def learn(self, ready: int) -> None:
        """Let the wheels whose bit is set learn their teeth from the edges of the last block."""
        for row, learner in enumerate(self.learners):
            # a stored table needs a few blocks to find out how far the wheel has turned meanwhile
            if ready >> row & 1 and (self.learning or learner.stored is not None):
                learner.learn(
                    self.ticks[row], self.indices[row], int(self.state[row, HEAD]), self._tick_s
                )
