"""Tooth pitch errors and run-out, learned over whole turns and taken out of every edge.

Data flow: ring of edges (daq.measure.speed.estimator) -> one block of whole turns -> offset of each
tooth, free of the motion -> running table -> back into the edge positions. A stored table from an
earlier session is turned until it fits (there is no index tooth) and then joins in.

Within a block the motion is a cubic in time and every tooth has its own constant (fixed effects):
the motion is taken only from the same tooth passing again, so no pattern on the wheel, run-out
included, can hide in it. What truly moves once per turn looks like a wheel error and goes too.
"""

from __future__ import annotations

import math

import msgspec
import numpy as np
import numpy.typing as npt

from daq.kernel import jit

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]

MIN_BLOCK_EDGES = 16
MAX_BLOCK_S = 2.5  # a driver's speed is not a cubic for longer than this
PRIOR_SD = 0.02  # pitches; no usable wheel is worse
CLEAR_SD = 0.002  # pitches; a noisier block says more of how the driver drove than of the wheel
USED_FROM = 3  # blocks that agree with each other, before a table is used or kept
DRIFT_SD = 5e-6  # pitches per block: the table keeps learning, slowly
MISFIT = 6.0  # mean square of a block against the table, in expected variances
ALIGN_MARGIN = 40.0  # chi-square by which the best turn must beat every other
RESTART_AFTER = 6  # blocks in a row that do not fit


class ToothTable(msgspec.Struct, frozen=True):
    """What is worth keeping over a restart: offsets in pitches, their variance, blocks learned."""

    offsets: tuple[float, ...]
    variance: float
    blocks: int


@jit
def measure_block(
    ticks: IntArray,
    indices: IntArray,
    head: int,
    teeth: int,
    turns: int,
    tick_s: float,
    sums: FloatArray,
    offsets: FloatArray,
    result: FloatArray,
) -> bool:
    """Offset of each tooth (pitches) over the newest `turns` whole turns of the ring.

    `sums` is scratch of (teeth, 6). result: residual variance, edges used, duration in seconds.
    Returns False when the block is not usable (teeth unseen, too many edges missing).
    """
    size = ticks.shape[0]
    last = indices[(head - 1) % size]
    last_tick = ticks[(head - 1) % size]
    first_index = last - turns * teeth
    count = 0
    while count < min(head, size):
        if indices[(head - 1 - count) % size] <= first_index:
            break
        count += 1
    if count < 0.9 * turns * teeth:
        return False
    duration = (last_tick - ticks[(head - count) % size]) * tick_s
    if duration <= 0.0:
        return False
    half = 0.5 * duration
    sums[:teeth, :] = 0.0
    for k in range(count):
        place = (head - 1 - k) % size
        u = (ticks[place] - last_tick) * tick_s / half + 1.0
        row = sums[indices[place] % teeth]
        row[0] += 1.0
        row[1] += u
        row[2] += u * u
        row[3] += u * u * u
        row[4] += indices[place] - last
    for tooth in range(teeth):
        if sums[tooth, 0] < 1.0:
            return False
        for j in range(1, 5):
            sums[tooth, j] /= sums[tooth, 0]
    m11 = m12 = m13 = m22 = m23 = m33 = r1 = r2 = r3 = 0.0
    for k in range(count):
        place = (head - 1 - k) % size
        u = (ticks[place] - last_tick) * tick_s / half + 1.0
        row = sums[indices[place] % teeth]
        a = u - row[1]
        b = u * u - row[2]
        c = u * u * u - row[3]
        y = indices[place] - last - row[4]
        m11 += a * a
        m12 += a * b
        m13 += a * c
        m22 += b * b
        m23 += b * c
        m33 += c * c
        r1 += a * y
        r2 += b * y
        r3 += c * y
    # Cholesky of the 3x3 normal matrix
    l11 = math.sqrt(m11)
    if l11 <= 0.0:
        return False
    l21 = m12 / l11
    l31 = m13 / l11
    d22 = m22 - l21 * l21
    if d22 <= 1e-12 * m22:
        return False
    l22 = math.sqrt(d22)
    l32 = (m23 - l31 * l21) / l22
    d33 = m33 - l31 * l31 - l32 * l32
    if d33 <= 1e-12 * m33:
        return False
    l33 = math.sqrt(d33)
    y1 = r1 / l11
    y2 = (r2 - l21 * y1) / l22
    y3 = (r3 - l31 * y1 - l32 * y2) / l33
    c3 = y3 / l33
    c2 = (y2 - l32 * c3) / l22
    c1 = (y1 - l21 * c2 - l31 * c3) / l11
    mean = 0.0
    for tooth in range(teeth):
        row = sums[tooth]
        offsets[tooth] = c1 * row[1] + c2 * row[2] + c3 * row[3] - row[4]
        mean += offsets[tooth]
    mean /= teeth
    for tooth in range(teeth):
        offsets[tooth] -= mean
    rss = 0.0
    for k in range(count):
        place = (head - 1 - k) % size
        u = (ticks[place] - last_tick) * tick_s / half + 1.0
        row = sums[indices[place] % teeth]
        y = indices[place] - last - row[4]
        r = c1 * (u - row[1]) + c2 * (u * u - row[2]) + c3 * (u * u * u - row[3]) - y
        rss += r * r
    freedom = count - teeth - 3.0
    if freedom < 1.0:
        return False
    result[0] = rss / freedom
    result[1] = count
    result[2] = duration
    return True


def turns_per_block(teeth: int) -> int:
    """Whole turns that make one block: two, or more on wheels with few teeth."""
    return max(2, math.ceil(MIN_BLOCK_EDGES / teeth))


def best_turn(found: FloatArray, table: FloatArray, variance: float) -> tuple[int, float, float]:
    """Turn the table to fit: (shift, mean square misfit, chi-square lead over the next best).

    `found[k]` is compared with `table[(k + shift) % teeth]`; `variance` is that of a difference.
    """
    teeth = len(found)
    spectrum = np.conj(np.fft.rfft(found)) * np.fft.rfft(table)
    products = np.fft.irfft(spectrum, teeth)
    misfits = (np.sum(found**2) + np.sum(table**2) - 2.0 * products) / variance
    order = np.argsort(misfits)
    lead = float(misfits[order[1]] - misfits[order[0]]) if teeth > 1 else 0.0
    return int(order[0]), float(misfits[order[0]]) / teeth, lead


class ToothLearner:
    """The running table of one wheel. `used` is the array the edge positions read."""

    def __init__(self, teeth: int, used: FloatArray) -> None:
        self.teeth = teeth
        self.turns = turns_per_block(teeth)
        self.used = used  # view of WheelBank.offsets, updated in place
        self.estimate: FloatArray = np.zeros(teeth)
        self.variance = PRIOR_SD**2
        self.blocks = 0
        self.slips = 0  # times the wheel's phase was found to have moved
        self.restarts = 0
        self.realigned = False
        self.stored: ToothTable | None = None
        self._misfits = 0
        self._sums: FloatArray = np.zeros((teeth, 6))
        self._found: FloatArray = np.zeros(teeth)
        self._result: FloatArray = np.zeros(3)

    @property
    def sigma(self) -> float:
        """Standard uncertainty of one offset, in pitches."""
        return math.sqrt(self.variance)

    def table(self) -> ToothTable | None:
        """The table to keep, or None while there is nothing worth keeping.

        A stored table that has not been aligned yet is handed back unchanged.
        """
        if self.stored is not None:
            return self.stored
        if self.blocks < USED_FROM:
            return None
        return ToothTable(tuple(self.estimate.tolist()), self.variance, self.blocks)

    def restore(self, table: ToothTable) -> None:
        """Offer a table from before; it is used once it is known how far the wheel has turned."""
        usable = (
            len(table.offsets) == self.teeth
            and all(math.isfinite(offset) for offset in table.offsets)
            and math.isfinite(table.variance)
            and table.variance > 0.0
        )
        self.stored = table if usable else None

    def learn(self, ticks: IntArray, indices: IntArray, head: int, tick_s: float) -> None:
        """One more block from the newest edges of a ring. Blocks that do not fit are left out."""
        usable = measure_block(
            ticks, indices, head, self.teeth, self.turns, tick_s,
            self._sums, self._found, self._result,
        )  # fmt: skip
        if not usable or self._result[2] > MAX_BLOCK_S:
            return
        noise = float(self._result[0]) / self.turns + 1e-14
        # A motion that is no cubic leaves a saw-tooth with its edge where the block began: used, it
        # would kick a speed loop once per turn.
        if noise > CLEAR_SD**2 or (self.blocks >= USED_FROM and not self._fits(noise)):
            return
        self._misfits = 0
        gain = self.variance / (self.variance + noise)
        self.estimate += gain * (self._found - self.estimate)
        self.variance = (1.0 - gain) * self.variance + DRIFT_SD**2
        self.blocks += 1
        if self.stored is not None and self.blocks >= USED_FROM:
            self._align()
        self._publish()

    def _fits(self, noise: float) -> bool:
        expected = self.variance + noise
        misfit = float(np.mean((self._found - self.estimate) ** 2)) / expected
        if misfit < MISFIT:
            return True
        shift, turned, lead = best_turn(self._found, self.estimate, expected)
        if shift != 0 and turned < MISFIT and lead > ALIGN_MARGIN:
            # an edge was missed or invented without being noticed: the pattern has moved on
            self.slips += 1
            self.estimate = np.roll(self.estimate, -shift)
            return True
        self._misfits += 1
        if self._misfits >= RESTART_AFTER:
            self.restarts += 1
            self._misfits = 0
            self.estimate[:] = 0.0
            self.variance = PRIOR_SD**2
            self.blocks = 0
            self.stored = None
            self._publish()
        return False

    def _align(self) -> None:
        stored = self.stored
        if stored is None:
            return
        old = np.array(stored.offsets)
        variance = self.variance + stored.variance
        shift, misfit, lead = best_turn(self.estimate, old, variance)
        if lead < ALIGN_MARGIN:
            return  # the pattern does not stand out of the noise yet
        self.stored = None
        if misfit > MISFIT:
            return  # another wheel, or the old one was damaged: start from what is seen now
        old = np.roll(old, -shift)
        gain = self.variance / variance
        self.estimate += gain * (old - self.estimate)
        self.variance *= 1.0 - gain
        self.blocks += stored.blocks
        self.realigned = True

    def _publish(self) -> None:
        """Use as much of the estimate as stands out of its own noise; nothing of a first guess."""
        if self.blocks < USED_FROM:
            self.used[:] = 0.0
            return
        power = float(np.mean(self.estimate**2))
        share = max(0.0, 1.0 - self.variance / power) if power > 0.0 else 0.0
        self.used[:] = share * self.estimate
