"""Converter counts to load-cell force: zero and slope, arm resonance taken out, faults noticed.

Data flow: counts and flags of one frame -> newtons at the cell (braking positive) -> resonance
filter -> ring of (time, force) -> newest value for the force loop, and the value at an earlier
device time for power, so that speed and force meet at the same instant.

The filter has zeros where the arm rings and well damped poles at the same frequency: the arm's own
response and the filter's zeros cancel, a flat low-pass remains. Its delay below about a third of
the resonance is 2 x damping / natural frequency (docs/measurement.md).
"""

from __future__ import annotations

import math

import msgspec
import numpy as np
import numpy.typing as npt

from daq.kernel import jit
from daq.rig.description import LoadCell

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]

FULL_SCALE_COUNT = float(1 << 23)
POLE_DAMPING = 0.7
FROZEN_AFTER = 100  # identical fresh counts in a row: no live converter is that quiet
STALE_AFTER_S = 0.1  # no fresh conversion for this long
HISTORY = 128  # frames kept per cell, for interpolation to the speed's time
MEAN_S = 0.1  # means of this length are kept for zeros and drift
MEANS = 32

# parameters per cell
ZERO, SCALE, CAPACITY, B0, B1, B2, A1, A2, CELL_DELAY, NOISE_FLOOR = range(10)
CELL_PARAMETERS = 10
# float state
Z1, Z2, HELD_FORCE, LAST_STEP, VARIANCE, FRESH_TIME, LAST_TIME, SUM, SUM_START = range(9)
CELL_STATE = 9
# int state
LAST_COUNT, SAME, PRIMED, ROW, SUMMED, SUM_BAD, MEAN_ROW = range(7)
CELL_INT_STATE = 7
# outputs
FORCE, FORCE_SD, FAULTS, ALIGNED = range(4)
CELL_OUTPUTS = 4
# fault bits in FAULTS: the first three are the front end's own flags (daq.wire.frames)
SATURATED, BRIDGE, NOT_FRESH, STALE, FROZEN, OVERLOAD, DRIFTED = 1, 2, 4, 8, 16, 32, 64
FAULT_TEXTS: dict[int, str] = {
    SATURATED: "converter saturated",
    BRIDGE: "bridge open, shorted or without excitation",
    NOT_FRESH: "no new conversion",
    STALE: "no conversion for 0.1 s",
    FROZEN: "count does not move",
    OVERLOAD: "beyond the cell's capacity",
    DRIFTED: "unloaded, yet away from its zero",
}


class ResonanceFilter(msgspec.Struct, frozen=True):
    """Second-order section at the frame rate, and its delay in the pass band."""

    b0: float
    b1: float
    b2: float
    a1: float
    a2: float
    delay_s: float


def resonance_filter(
    resonance_hz: float, zero_damping: float, frame_hz: float, pole_damping: float = POLE_DAMPING
) -> ResonanceFilter:
    """Zeros on the ringing arm, poles damped, unity at rest; bilinear, exact at the resonance.

    A resonance of 0, or one the frame rate cannot show (above 0.4 of it), changes nothing.
    """
    if resonance_hz <= 0.0 or resonance_hz > 0.4 * frame_hz:
        return ResonanceFilter(1.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    w0 = 2.0 * math.pi * resonance_hz
    k = w0 / math.tan(w0 / (2.0 * frame_hz))
    zero = 2.0 * zero_damping * w0 * k
    pole = 2.0 * pole_damping * w0 * k
    norm = k * k + pole + w0 * w0
    b0 = (k * k + zero + w0 * w0) / norm
    b1 = 2.0 * (w0 * w0 - k * k) / norm
    b2 = (k * k - zero + w0 * w0) / norm
    a2 = (k * k - pole + w0 * w0) / norm
    # group delay at rest of the section as it is computed, not of its continuous model
    delay = ((b1 + 2.0 * b2) / (b0 + b1 + b2) - (b1 + 2.0 * a2) / (1.0 + b1 + a2)) / frame_hz
    return ResonanceFilter(b0, b1, b2, b1, a2, delay)


@jit
def update_cells(
    counts: IntArray,
    now_s: float,
    frame_s: float,
    aligned_s: float,
    parameters: FloatArray,
    state: FloatArray,
    int_state: IntArray,
    times: FloatArray,
    forces: FloatArray,
    means: FloatArray,
    to_surface: FloatArray,
    roll_set: IntArray,
    push: FloatArray,
    out: FloatArray,
) -> int:
    """All cells, one frame. `counts` holds per cell count, flags; `aligned_s` is the time at which
    the aligned force is wanted. `times` (HISTORY) and `forces` (cells, HISTORY) are rings, `means`
    (cells, MEANS) a ring of mean counts over MEAN_S each. The newest forces are summed per roll set
    (N at the surface) into the rings `push` of daq.measure.speed.estimator; returns how many rows
    those hold so far.
    """
    size = forces.shape[1]
    mask = size - 1  # the rings' length is a power of two
    rows = 0
    fresh_rows = 0
    for c in range(parameters.shape[0]):
        p = parameters[c]
        s = state[c]
        q = int_state[c]
        count = counts[2 * c]
        flags = counts[2 * c + 1]
        faults = flags & 7
        first = q[PRIMED] == 0
        if first:
            s[FRESH_TIME] = now_s
            s[LAST_TIME] = now_s - frame_s
            s[SUM_START] = now_s
        if flags & NOT_FRESH:
            if now_s - s[FRESH_TIME] > STALE_AFTER_S:
                faults |= STALE
        else:
            s[FRESH_TIME] = now_s
            if not first and count == q[LAST_COUNT]:
                q[SAME] += 1
            else:
                q[SAME] = 0
            q[LAST_COUNT] = count
            s[SUM] += count
            q[SUMMED] += 1
            if faults & (SATURATED | BRIDGE):
                q[SUM_BAD] = 1
        if q[SAME] >= FROZEN_AFTER:
            faults |= FROZEN
        if now_s - s[SUM_START] >= MEAN_S:
            if q[SUMMED] > 0:
                mean = s[SUM] / q[SUMMED] if q[SUM_BAD] == 0 else math.nan
                means[c, q[MEAN_ROW] % means.shape[1]] = mean
                q[MEAN_ROW] += 1
            s[SUM] = 0.0
            s[SUM_START] = now_s
            q[SUMMED] = 0
            q[SUM_BAD] = 0
        force = (count - p[ZERO]) * p[SCALE]
        if abs(force) > 1.05 * p[CAPACITY]:
            faults |= OVERLOAD
        if faults & (SATURATED | BRIDGE):
            # nothing of this enters the filter: hold what was good
            force = s[HELD_FORCE]
        steps = 1
        if first:
            q[PRIMED] = 1
            # start the filter settled on the first value
            s[HELD_FORCE] = force
            s[Z1] = (1.0 - p[B0]) * force
            s[Z2] = (p[B2] - p[A2]) * force
        else:
            steps = int((now_s - s[LAST_TIME]) / frame_s + 0.5)
            steps = min(max(steps, 1), 64)
        start = s[HELD_FORCE]
        y = force
        for k in range(steps):
            # frames that were lost are bridged by a straight line, so the filter keeps its time
            u = start + (force - start) * (k + 1.0) / steps
            y = p[B0] * u + s[Z1]
            s[Z1] = p[B1] * u - p[A1] * y + s[Z2]
            s[Z2] = p[B2] * u - p[A2] * y
            row = q[ROW] & mask
            times[row] = now_s - (steps - 1 - k) * frame_s
            forces[c, row] = y
            q[ROW] += 1
        s[HELD_FORCE] = force
        s[LAST_TIME] = now_s
        # noise: second differences, which no smooth course of the force moves; white noise of
        # variance 1 gives them a variance of 6, and the resonance filter passes nearly all of it
        if steps == 1 and not first:
            d = force - start - s[LAST_STEP]
            s[VARIANCE] += 0.02 * (d * d / 6.0 - s[VARIANCE])
        s[LAST_STEP] = force - start
        out[c, FORCE] = y
        out[c, FORCE_SD] = math.sqrt(s[VARIANCE] + p[NOISE_FLOOR] * p[NOISE_FLOOR])
        out[c, FAULTS] = faults
        # the same force at the time of the speed
        want = aligned_s + p[CELL_DELAY]
        newest = q[ROW] - 1
        kept = min(q[ROW], size)
        back = 0
        while back < kept and times[(newest - back) & mask] > want:
            back += 1
        if back == 0:
            value = y
        elif back == kept:
            value = forces[c, (newest - kept + 1) & mask]
        else:
            i0 = (newest - back) & mask
            i1 = (newest - back + 1) & mask
            share = (want - times[i0]) / (times[i1] - times[i0])
            value = forces[c, i0] + share * (forces[c, i1] - forces[c, i0])
        out[c, ALIGNED] = value
        rows = q[ROW]
        fresh_rows = steps
    for row in range(rows - fresh_rows, rows):
        place = row & mask
        for r in range(push.shape[0]):
            push[r, place] = 0.0
        for c in range(forces.shape[0]):
            if roll_set[c] < push.shape[0]:
                push[roll_set[c], place] += forces[c, place] * to_surface[c]
    return rows


class CellBank:
    """State of all load cells, in arrays that never grow."""

    def __init__(
        self, cells: tuple[LoadCell, ...], signs: tuple[int, ...], frame_hz: float
    ) -> None:
        count = len(cells)
        self.cells = cells
        self.signs = signs
        self.frame_s = 1.0 / frame_hz
        self.parameters: FloatArray = np.zeros((count, CELL_PARAMETERS))
        self.state: FloatArray = np.zeros((count, CELL_STATE))
        self.int_state: IntArray = np.zeros((count, CELL_INT_STATE), np.int64)
        self.times: FloatArray = np.zeros(HISTORY)
        self.means: FloatArray = np.full((count, MEANS), np.nan)
        self.forces: FloatArray = np.zeros((count, HISTORY))
        self.out: FloatArray = np.zeros((count, CELL_OUTPUTS))
        # where the summed forces go; the chain puts the rings of its wheels here
        self.to_surface: FloatArray = np.zeros(count)
        self.roll_set: IntArray = np.zeros(count, np.int64)
        self.push: FloatArray = np.zeros((0, HISTORY))
        self.rows = 0
        self.counts: IntArray = np.zeros(2 * max(count, 1), np.int64)
        self._counts_view = memoryview(self.counts.data)
        delays = []
        for row, (cell, sign) in enumerate(zip(cells, signs, strict=True)):
            section = resonance_filter(cell.arm_resonance_hz, cell.arm_damping, frame_hz)
            delay = cell.filter_delay_s + section.delay_s
            if section.delay_s > 0.0:
                delay += cell.arm_damping / (math.pi * cell.arm_resonance_hz)  # the arm's own
            delays.append(delay)
            scale = sign * cell.full_scale_mv_per_v / FULL_SCALE_COUNT * cell.newton_per_mv_per_v
            self.parameters[row] = (
                cell.zero_count, scale, cell.capacity_n,
                section.b0, section.b1, section.b2, section.a1, section.a2,
                delay, abs(scale) / math.sqrt(12.0),
            )  # fmt: skip
        self.delays_s: tuple[float, ...] = tuple(delays)

    def set_zero(self, row: int, count: float) -> None:
        """New zero of one cell; the filter and history are moved along so that no step appears."""
        shift = (count - self.parameters[row, ZERO]) * self.parameters[row, SCALE]
        self.parameters[row, ZERO] = count
        self.forces[row] -= shift
        self.state[row, HELD_FORCE] -= shift
        p = self.parameters[row]
        self.state[row, Z1] -= (1.0 - p[B0]) * shift
        self.state[row, Z2] -= (p[B2] - p[A2]) * shift

    def update(
        self,
        now_s: float,
        aligned_s: float,
        counts: tuple[int, ...],
        flags: tuple[int, ...],
        channels: tuple[int, ...],
    ) -> FloatArray:
        """One frame at device time `now_s`; the aligned force holds at `aligned_s`.

        Returns the output rows (see the column names above), valid until the next call.
        """
        view = self._counts_view
        at = 0
        for channel in channels:
            view[at] = counts[channel]
            view[at + 1] = flags[channel]
            at += 2
        self.rows = update_cells(
            self.counts, now_s, self.frame_s, aligned_s, self.parameters, self.state,
            self.int_state, self.times, self.forces, self.means, self.to_surface, self.roll_set,
            self.push, self.out,
        )  # fmt: skip
        return self.out
