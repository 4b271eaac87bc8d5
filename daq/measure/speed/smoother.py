"""Speed and acceleration for results: a smoother over all edges of a recording, past and future.

Data flow: recorded samples -> WheelBank (same tooth bookkeeping and learned offsets as live) ->
EdgeTrack -> forward Kalman filter and Rauch-Tung-Striebel pass -> speed, acceleration and their
variances at any time asked, without delay. Live estimates serve control, these the results.

Model: jerk is white noise of density `jerk_psd` (m2/s5), chosen by likelihood unless given. Between
two edges the posterior mean of that model is the quintic through both smoothed states, so it is
evaluated exactly. (Rauch, Tung, Striebel, AIAA J. 3 (1965) 1445, from memory.)
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable

import msgspec
import numpy as np
import numpy.typing as npt

from daq.kernel import jit
from daq.measure.speed.edges import HEAD
from daq.measure.speed.estimator import WheelBank, WheelConfig
from daq.measure.speed.tooth_errors import ToothTable
from daq.wire.frames import Sample

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

GAP_S = 0.6  # edges further apart belong to different stretches of motion
MIN_STRETCH_EDGES = 8
JERK_CHOICES = tuple(10.0**exponent for exponent in np.arange(-3.0, 5.1, 0.5))
LIKELIHOOD_EDGES = 20_000  # enough to choose the jerk density


class EdgeTrack(msgspec.Struct, frozen=True):
    """All accepted edges of one wheel: device seconds, tooth index (whole turns counted on)."""

    time_s: FloatArray
    index: IntArray
    offsets: FloatArray  # learned, in pitches, by index modulo teeth
    offset_sigma: float  # pitches
    teeth: int
    pitch: float

    def position(self) -> FloatArray:
        """Travel at each edge in the unit of `pitch`, tooth offsets included."""
        return np.asarray(
            (self.index - self.index[0] + self.offsets[self.index % self.teeth]) * self.pitch
        )


class Smoothed(msgspec.Struct, frozen=True):
    """Arrays over the times asked. NaN where the wheel did not turn or nothing was recorded."""

    time_s: FloatArray
    speed: FloatArray
    acceleration: FloatArray
    speed_sigma: FloatArray
    acceleration_sigma: FloatArray
    jerk_psd: float
    timing_sigma_s: float


@jit
def _forward(
    t: FloatArray,
    x: FloatArray,
    variance: FloatArray,
    q: float,
    mean: FloatArray,
    cov: FloatArray,
) -> float:
    """Kalman filter over one stretch. mean (n, 3), cov (n, 6: xx xv xa vv va aa).

    Returns minus twice the log likelihood of the innovations (constant left out).
    """
    n = t.shape[0]
    v0 = (x[3] - x[0]) / (t[3] - t[0])
    mean[0, 0] = x[0]
    mean[0, 1] = v0
    mean[0, 2] = 0.0
    cov[0, 0] = variance[0]
    cov[0, 1] = 0.0
    cov[0, 2] = 0.0
    cov[0, 3] = 4.0 + v0 * v0 * 0.04
    cov[0, 4] = 0.0
    cov[0, 5] = 100.0
    score = 0.0
    for k in range(1, n):
        d = t[k] - t[k - 1]
        d2 = d * d
        px, pv, pa = mean[k - 1, 0], mean[k - 1, 1], mean[k - 1, 2]
        xx, xv, xa = cov[k - 1, 0], cov[k - 1, 1], cov[k - 1, 2]
        vv, va, aa = cov[k - 1, 3], cov[k - 1, 4], cov[k - 1, 5]
        h = 0.5 * d2
        mx = px + d * pv + h * pa
        mv = pv + d * pa
        # F P F' + Q
        nxx = xx + 2.0 * d * xv + 2.0 * h * xa + d2 * vv + 2.0 * d * h * va + h * h * aa
        nxv = xv + d * xa + d * vv + d2 * va + h * va + h * d * aa
        nxa = xa + d * va + h * aa
        nvv = vv + 2.0 * d * va + d2 * aa
        nva = va + d * aa
        naa = aa
        nxx += q * d2 * d2 * d / 20.0
        nxv += q * d2 * d2 / 8.0
        nxa += q * d2 * d / 6.0
        nvv += q * d2 * d / 3.0
        nva += q * d2 / 2.0
        naa += q * d
        s = nxx + variance[k]
        e = x[k] - mx
        gx, gv, ga = nxx / s, nxv / s, nxa / s
        mean[k, 0] = mx + gx * e
        mean[k, 1] = mv + gv * e
        mean[k, 2] = pa + ga * e
        cov[k, 0] = (1.0 - gx) * nxx
        cov[k, 1] = (1.0 - gx) * nxv
        cov[k, 2] = (1.0 - gx) * nxa
        cov[k, 3] = nvv - gv * nxv
        cov[k, 4] = nva - gv * nxa
        cov[k, 5] = naa - ga * nxa
        if k > 5:
            score += math.log(s) + e * e / s
    return score


@jit
def _multiply(a: FloatArray, b: FloatArray, transposed: bool, out: FloatArray) -> None:
    """out = a b, or a b' when `transposed`; 3 x 3. Written out, so that no BLAS is needed."""
    for i in range(3):
        for j in range(3):
            total = 0.0
            for k in range(3):
                total += a[i, k] * (b[j, k] if transposed else b[k, j])
            out[i, j] = total


@jit
def _solve(a: FloatArray, b: FloatArray) -> None:
    """b = a^-1 b in place, 3 x 3: elimination with partial pivoting. `a` is used up."""
    for column in range(3):
        pivot = column
        for row in range(column + 1, 3):
            if abs(a[row, column]) > abs(a[pivot, column]):
                pivot = row
        for k in range(3):
            a[column, k], a[pivot, k] = a[pivot, k], a[column, k]
            b[column, k], b[pivot, k] = b[pivot, k], b[column, k]
        for row in range(column + 1, 3):
            factor = a[row, column] / a[column, column]
            for k in range(column, 3):
                a[row, k] -= factor * a[column, k]
            for k in range(3):
                b[row, k] -= factor * b[column, k]
    for row in range(2, -1, -1):
        for k in range(3):
            total = b[row, k]
            for other in range(row + 1, 3):
                total -= a[row, other] * b[other, k]
            b[row, k] = total / a[row, row]


@jit
def _backward(t: FloatArray, q: float, mean: FloatArray, cov: FloatArray) -> None:
    """Rauch-Tung-Striebel pass, in place."""
    n = t.shape[0]
    p = np.zeros((3, 3))
    f = np.zeros((3, 3))
    pred = np.zeros((3, 3))
    nxt = np.zeros((3, 3))
    fp = np.zeros((3, 3))
    used = np.zeros((3, 3))
    gain_t = np.zeros((3, 3))
    correction = np.zeros((3, 3))
    for back in range(1, n):
        k = n - 1 - back
        d = t[k + 1] - t[k]
        h = 0.5 * d * d
        p[0, 0], p[0, 1], p[0, 2] = cov[k, 0], cov[k, 1], cov[k, 2]
        p[1, 0], p[1, 1], p[1, 2] = cov[k, 1], cov[k, 3], cov[k, 4]
        p[2, 0], p[2, 1], p[2, 2] = cov[k, 2], cov[k, 4], cov[k, 5]
        f[0, 0], f[0, 1], f[0, 2] = 1.0, d, h
        f[1, 0], f[1, 1], f[1, 2] = 0.0, 1.0, d
        f[2, 0], f[2, 1], f[2, 2] = 0.0, 0.0, 1.0
        _multiply(f, p, False, fp)
        _multiply(fp, f, True, pred)
        d3 = d * d * d
        pred[0, 0] += q * d3 * d * d / 20.0
        pred[0, 1] += q * d3 * d / 8.0
        pred[1, 0] += q * d3 * d / 8.0
        pred[0, 2] += q * d3 / 6.0
        pred[2, 0] += q * d3 / 6.0
        pred[1, 1] += q * d3 / 3.0
        pred[1, 2] += q * d * d / 2.0
        pred[2, 1] += q * d * d / 2.0
        pred[2, 2] += q * d
        used[:, :] = pred
        gain_t[:, :] = fp
        _solve(used, gain_t)
        mx = mean[k, 0] + d * mean[k, 1] + h * mean[k, 2]
        mv = mean[k, 1] + d * mean[k, 2]
        ma = mean[k, 2]
        e0 = mean[k + 1, 0] - mx
        e1 = mean[k + 1, 1] - mv
        e2 = mean[k + 1, 2] - ma
        nxt[0, 0], nxt[0, 1], nxt[0, 2] = cov[k + 1, 0], cov[k + 1, 1], cov[k + 1, 2]
        nxt[1, 0], nxt[1, 1], nxt[1, 2] = cov[k + 1, 1], cov[k + 1, 3], cov[k + 1, 4]
        nxt[2, 0], nxt[2, 1], nxt[2, 2] = cov[k + 1, 2], cov[k + 1, 4], cov[k + 1, 5]
        for i in range(3):
            mean[k, i] += gain_t[0, i] * e0 + gain_t[1, i] * e1 + gain_t[2, i] * e2
        nxt -= pred
        gain = gain_t.T
        _multiply(gain, nxt, False, used)
        _multiply(used, gain, True, correction)
        new = p + correction
        cov[k, 0] = new[0, 0]
        cov[k, 1] = 0.5 * (new[0, 1] + new[1, 0])
        cov[k, 2] = 0.5 * (new[0, 2] + new[2, 0])
        cov[k, 3] = new[1, 1]
        cov[k, 4] = 0.5 * (new[1, 2] + new[2, 1])
        cov[k, 5] = new[2, 2]


@jit
def _ask(
    t: FloatArray,
    mean: FloatArray,
    cov: FloatArray,
    query: FloatArray,
    speed: FloatArray,
    acceleration: FloatArray,
    speed_variance: FloatArray,
    acceleration_variance: FloatArray,
) -> None:
    """Quintic between the two edges around each query time inside [t[0], t[-1]]."""
    n = t.shape[0]
    k = 0
    for j in range(query.shape[0]):
        s = query[j]
        if s < t[0] or s > t[n - 1]:
            continue
        while k < n - 2 and t[k + 1] < s:
            k += 1
        d = t[k + 1] - t[k]
        u = (s - t[k]) / d
        v0, a0 = mean[k, 1] * d, mean[k, 2] * d * d
        v1, a1 = mean[k + 1, 1] * d, mean[k + 1, 2] * d * d
        rise = mean[k + 1, 0] - mean[k, 0] - v0 - 0.5 * a0
        dv = v1 - v0 - a0
        da = a1 - a0
        c3 = 10.0 * rise - 4.0 * dv + 0.5 * da
        c4 = -15.0 * rise + 7.0 * dv - da
        c5 = 6.0 * rise - 3.0 * dv + 0.5 * da
        u2 = u * u
        speed[j] = (v0 + a0 * u + 3.0 * c3 * u2 + 4.0 * c4 * u2 * u + 5.0 * c5 * u2 * u2) / d
        acceleration[j] = (a0 + 6.0 * c3 * u + 12.0 * c4 * u2 + 20.0 * c5 * u2 * u) / (d * d)
        speed_variance[j] = (1.0 - u) * cov[k, 3] + u * cov[k + 1, 3]
        acceleration_variance[j] = (1.0 - u) * cov[k, 5] + u * cov[k + 1, 5]


def collect_edges(
    wheel: WheelConfig,
    channel: int,
    tick_hz: int,
    samples: Iterable[Sample],
    table: ToothTable | None = None,
) -> EdgeTrack:
    """Edges of one wheel channel from recorded samples, with the tooth offsets learned from them.

    Offsets learned at the end of the recording serve all of it.
    """
    bank = WheelBank((wheel,), tick_hz)
    learner = bank.learners[0]
    if table is not None:
        learner.restore(table)
    times: list[FloatArray] = []
    indices: list[IntArray] = []
    now: int | None = None
    size = bank.ticks.shape[1]
    for sample in samples:
        if now is None:
            now = sample.tick
        now += (sample.tick - now) & 0xFFFFFFFF
        before = int(bank.state[0, HEAD])
        bank.update(now, sample.edge_totals, sample.edges, (channel,))
        after = int(bank.state[0, HEAD])
        if after > before:
            places = np.arange(before, after) % size
            times.append(bank.ticks[0, places] / tick_hz)
            indices.append(bank.indices[0, places])
    return EdgeTrack(
        np.concatenate(times) if times else np.zeros(0),
        np.concatenate(indices) if indices else np.zeros(0, np.int64),
        learner.used.copy(),
        learner.sigma if learner.blocks else 0.0,
        wheel.teeth,
        wheel.pitch,
    )


def _stretches(track: EdgeTrack) -> list[slice]:
    """Runs of edges without a gap and with the index going on."""
    if len(track.time_s) == 0:
        return []
    gaps = np.diff(track.time_s) > GAP_S
    back = np.diff(track.index) <= 0
    cuts = np.flatnonzero(gaps | back) + 1
    bounds = [0, *cuts.tolist(), len(track.time_s)]
    return [slice(a, b) for a, b in itertools.pairwise(bounds) if b - a >= MIN_STRETCH_EDGES]


def smooth(
    track: EdgeTrack,
    query_s: FloatArray,
    timing_sigma_s: float = 3e-6,
    jerk_psd: float | None = None,
) -> Smoothed:
    """Speed and acceleration at the times asked (ascending, device seconds).

    `timing_sigma_s` is the standard deviation of one edge time; the uncertainty of the learned
    offsets is added to it. With `jerk_psd` None the density is chosen by likelihood.
    """
    query = np.ascontiguousarray(query_s, dtype=np.float64)
    speed = np.full(len(query), np.nan)
    acceleration = np.full(len(query), np.nan)
    speed_variance = np.full(len(query), np.nan)
    acceleration_variance = np.full(len(query), np.nan)
    stretches = _stretches(track)
    if not stretches:
        return Smoothed(
            query, speed, acceleration, speed_variance, acceleration_variance,
            float("nan"), timing_sigma_s,
        )  # fmt: skip
    position = track.position()
    about = np.gradient(position, track.time_s)
    variance = (about * timing_sigma_s) ** 2 + (track.offset_sigma * track.pitch) ** 2
    q = jerk_psd if jerk_psd is not None else _likeliest_jerk(track, position, variance, stretches)
    for stretch in stretches:
        t = np.ascontiguousarray(track.time_s[stretch])
        n = len(t)
        mean = np.zeros((n, 3))
        cov = np.zeros((n, 6))
        _forward(t, position[stretch], variance[stretch], q, mean, cov)
        _backward(t, q, mean, cov)
        _ask(
            t, mean, cov, query, speed, acceleration, speed_variance, acceleration_variance
        )  # fmt: skip
    return Smoothed(
        query, speed, acceleration, np.sqrt(speed_variance), np.sqrt(acceleration_variance),
        q, timing_sigma_s,
    )  # fmt: skip


def _likeliest_jerk(
    track: EdgeTrack, position: FloatArray, variance: FloatArray, stretches: list[slice]
) -> float:
    """The density that explains the edges best, over a grid of half decades."""
    best, best_score = JERK_CHOICES[0], math.inf
    parts: list[slice] = []
    left = LIKELIHOOD_EDGES
    for stretch in sorted(stretches, key=lambda part: part.start - part.stop):
        take = min(left, stretch.stop - stretch.start)
        if take < MIN_STRETCH_EDGES:
            break
        parts.append(slice(stretch.start, stretch.start + take))
        left -= take
    for q in JERK_CHOICES:
        score = 0.0
        for part in parts:
            n = part.stop - part.start
            score += _forward(
                track.time_s[part], position[part], variance[part], q,
                np.zeros((n, 3)), np.zeros((n, 6)),
            )  # fmt: skip
        if score < best_score:
            best, best_score = q, score
    return float(best)
