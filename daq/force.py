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
from daq.rig import LoadCell

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]

FULL_SCALE_COUNT = float(1 << 23)
POLE_DAMPING = 0.7
FROZEN_AFTER = 100  # identical fresh counts in a row: no live converter is that quiet
STALE_AFTER_S = 0.1  # no fresh conversion for this long
HISTORY = 128  # frames kept per cell, for interpolation to the speed's time

# parameters per cell
ZERO, SCALE, CAPACITY, B0, B1, B2, A1, A2, CELL_DELAY, NOISE_FLOOR = range(10)
CELL_PARAMETERS = 10
# float state
Z1, Z2, HELD_FORCE, MEAN, VARIANCE, FRESH_TIME, ZERO_MEAN, LAST_TIME = range(8)
CELL_STATE = 8
# int state
LAST_COUNT, SAME, PRIMED, ROW = range(4)
CELL_INT_STATE = 4
# outputs
FORCE, FORCE_SD, FAULTS, ALIGNED, RAW_FORCE = range(5)
CELL_OUTPUTS = 5
# fault bits in FAULTS: the first three are the front end's own flags (daq.wire.frames)
SATURATED, BRIDGE, NOT_FRESH, STALE, FROZEN, OVERLOAD = 1, 2, 4, 8, 16, 32
FAULT_TEXTS: dict[int, str] = {
    SATURATED: "converter saturated",
    BRIDGE: "bridge open, shorted or without excitation",
    NOT_FRESH: "no new conversion",
    STALE: "no conversion for 0.1 s",
    FROZEN: "count does not move",
    OVERLOAD: "beyond the cell's capacity",
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

    A resonance of 0, or one the frame rate cannot show (above 0.4 of it), gives a plain wire.
    """
    if resonance_hz <= 0.0 or resonance_hz > 0.4 * frame_hz:
        return ResonanceFilter(1.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    w0 = 2.0 * math.pi * resonance_hz
    k = w0 / math.tan(w0 / (2.0 * frame_hz))
    zero = 2.0 * zero_damping * w0 * k
    pole = 2.0 * pole_damping * w0 * k
    norm = k * k + pole + w0 * w0
    b1 = 2.0 * (w0 * w0 - k * k) / norm
    return ResonanceFilter(
        b0=(k * k + zero + w0 * w0) / norm,
        b1=b1,
        b2=(k * k - zero + w0 * w0) / norm,
        a1=b1,
        a2=(k * k - pole + w0 * w0) / norm,
        delay_s=2.0 * (pole_damping - zero_damping) / w0,
    )


@jit
def update_cells(
    counts: IntArray,
    now_s: float,
    frame_s: float,
    aligned_s: FloatArray,
    parameters: FloatArray,
    state: FloatArray,
    int_state: IntArray,
    times: FloatArray,
    forces: FloatArray,
    out: FloatArray,
) -> None:
    """All cells, one frame. `counts` holds per cell count, flags; `aligned_s` the time per cell
    at which the aligned force is wanted. Rings `times` and `forces` are (cells, HISTORY)."""
    size = forces.shape[1]
    for c in range(parameters.shape[0]):
        p = parameters[c]
        s = state[c]
        q = int_state[c]
        count = counts[2 * c]
        flags = counts[2 * c + 1]
        faults = flags & 7
        if flags & NOT_FRESH:
            if now_s - s[FRESH_TIME] > STALE_AFTER_S:
                faults |= STALE
        else:
            s[FRESH_TIME] = now_s
            if q[PRIMED] and count == q[LAST_COUNT]:
                q[SAME] += 1
            else:
                q[SAME] = 0
            q[LAST_COUNT] = count
        if q[SAME] >= FROZEN_AFTER:
            faults |= FROZEN
        force = (count - p[ZERO]) * p[SCALE]
        if abs(force) > 1.05 * p[CAPACITY]:
            faults |= OVERLOAD
        steps = 1
        start = s[HELD_FORCE]
        if q[PRIMED] == 0:
            q[PRIMED] = 1
            s[FRESH_TIME] = now_s
            s[LAST_TIME] = now_s - frame_s
            # start the filter settled on the first value
            s[Z1] = (1.0 - p[B0]) * force
            s[Z2] = (p[B2] - p[A2]) * force
            start = force
        else:
            steps = int((now_s - s[LAST_TIME]) / frame_s + 0.5)
            steps = min(max(steps, 1), 64)
        y = force
        for k in range(steps):
            # frames that were lost are bridged by a straight line, so the filter keeps its time
            u = start + (force - start) * (k + 1.0) / steps
            y = p[B0] * u + s[Z1]
            s[Z1] = p[B1] * u - p[A1] * y + s[Z2]
            s[Z2] = p[B2] * u - p[A2] * y
            row = q[ROW] % size
            times[c, row] = now_s - (steps - 1 - k) * frame_s - p[CELL_DELAY]
            forces[c, row] = y
            q[ROW] += 1
        s[HELD_FORCE] = force
        s[LAST_TIME] = now_s
        # noise: what changes from frame to frame faster than the filter can explain
        d = force - y - s[MEAN]
        s[MEAN] += 0.02 * d
        s[VARIANCE] += 0.02 * (d * d - s[VARIANCE])
        out[c, FORCE] = y
        out[c, RAW_FORCE] = force
        out[c, FORCE_SD] = math.sqrt(s[VARIANCE] + p[NOISE_FLOOR] * p[NOISE_FLOOR])
        out[c, FAULTS] = faults
        # the same force at the time of the speed
        want = aligned_s[c]
        newest = q[ROW] - 1
        kept = min(q[ROW], size)
        value = y
        back = 0
        while back < kept and times[c, (newest - back) % size] > want:
            back += 1
        if back == kept:
            value = forces[c, (newest - kept + 1) % size]
        elif back > 0:
            i0 = (newest - back) % size
            i1 = (newest - back + 1) % size
            span = times[c, i1] - times[c, i0]
            share = (want - times[c, i0]) / span if span > 0.0 else 1.0
            value = forces[c, i0] + share * (forces[c, i1] - forces[c, i0])
        out[c, ALIGNED] = value


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
        self.times: FloatArray = np.zeros((count, HISTORY))
        self.forces: FloatArray = np.zeros((count, HISTORY))
        self.out: FloatArray = np.zeros((count, CELL_OUTPUTS))
        self.counts: IntArray = np.zeros(2 * max(count, 1), np.int64)
        self.aligned_s: FloatArray = np.zeros(count)
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
        counts: tuple[int, ...],
        flags: tuple[int, ...],
        channels: tuple[int, ...],
    ) -> FloatArray:
        """One frame at device time `now_s`; `aligned_s` must have been set. Rows see above."""
        view = self._counts_view
        at = 0
        for channel in channels:
            view[at] = counts[channel]
            view[at + 1] = flags[channel]
            at += 2
        update_cells(
            self.counts, now_s, self.frame_s, self.aligned_s, self.parameters, self.state,
            self.int_state, self.times, self.forces, self.out,
        )  # fmt: skip
        return self.out
