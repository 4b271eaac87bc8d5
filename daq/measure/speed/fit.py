"""Least squares of tooth positions over time, with the known travel of load changes taken out.

Data flow: edges of the window as (time from the instant asked, position in pitches) -> positions
without the travel that changes of absorber force caused -> quadratic -> position, speed, curvature
and their variance factors at that instant. Called by daq.measure.speed.estimator; numbers only.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from daq.kernel import jit

FloatArray = npt.NDArray[np.float64]

PUSH_SEEN = 3e-4  # pitches; smaller travel from changes of force is left in


@jit
def fit_quadratic(
    times: FloatArray, places: FloatArray, count: int, skip: int, result: FloatArray
) -> int:
    """Least squares of `places` (pitches) over `times` (seconds from the instant asked).

    result: c0, c1, c2, variance factors of c1 and c2, residual sum of squares, degrees of freedom,
    number of the largest residual, its size. Returns the order used (2, 1 or 0); fewer than four
    edges give a straight line.
    """
    n = s1 = s2 = s3 = s4 = 0.0
    b0 = b1 = b2 = 0.0
    for k in range(count):
        if k == skip:
            continue
        t = times[k]
        x = places[k]
        t2 = t * t
        n += 1.0
        s1 += t
        s2 += t2
        s3 += t2 * t
        s4 += t2 * t2
        b0 += x
        b1 += x * t
        b2 += x * t2
    order = 0
    c0 = c1 = c2 = v1 = v2 = 0.0
    if n >= 2.0:
        # centred on the mean time, or the determinant is badly conditioned
        m = s1 / n
        m2 = s2 - m * s1
        d1 = b1 - m * b0
        if n >= 4.0:
            m3 = s3 - 3.0 * m * s2 + 2.0 * m * m * s1
            m4 = s4 - 4.0 * m * s3 + 6.0 * m * m * s2 - 3.0 * m * m * m * s1
            mean2 = m2 / n
            ww = m4 - m2 * mean2
            dw = b2 - 2.0 * m * b1 + (m * m - mean2) * b0
            det = m2 * ww - m3 * m3
            if det > 0.0:
                e1 = (d1 * ww - dw * m3) / det
                c2 = (dw * m2 - d1 * m3) / det
                c1 = e1 - 2.0 * c2 * m
                c0 = b0 / n - c2 * mean2 - e1 * m + c2 * m * m
                v2 = m2 / det
                v1 = ww / det + 4.0 * m * m3 / det + 4.0 * m * m * v2
                order = 2
        if order == 0 and m2 > 0.0:
            c1 = d1 / m2
            c0 = b0 / n - c1 * m
            v1 = 1.0 / m2
            order = 1
    rss = 0.0
    worst = -1
    worst_size = 0.0
    for k in range(count):
        if k == skip:
            continue
        t = times[k]
        r = places[k] - (c0 + t * (c1 + t * c2))
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
    result[6] = n - order - 1.0
    result[7] = worst
    result[8] = worst_size
    return order


@jit
def take_out_push(
    times: FloatArray,
    places: FloatArray,
    count: int,
    push: FloatArray,
    push_row: int,
    gain: float,
    newest: float,
    frame: float,
    scratch: FloatArray,
) -> None:
    """Take the travel caused by changes of absorber force out of `places`, in place.

    The force is compared with its value at the instant asked (time 0), where the travel taken out
    and its slope are zero: speed and acceleration there need no correction afterwards. Force
    between frames is a straight line; newer than the newest it is held. `gain`: pitches/s2 per
    newton; `newest`: time of the newest force from the instant asked, s; `frame`: spacing, s.
    """
    size = push.shape[0]
    mask = size - 1  # its length is a power of two
    oldest_edge = times[count - 1]
    kept = min(push_row, size)
    cells = int((newest - oldest_edge) / frame) + 2
    if cells > kept or newest <= 0.0:
        return
    # force at time 0
    back = newest / frame
    whole = int(back)
    share = back - whole
    f0 = push[(push_row - 1 - whole) & mask] * (1.0 - share)
    f0 += push[(push_row - 2 - whole) & mask] * share
    low = high = f0
    for k in range(cells):
        f = push[(push_row - 1 - k) & mask]
        low = min(low, f)
        high = max(high, f)
    if (high - low) * gain * oldest_edge * oldest_edge < PUSH_SEEN:
        return  # nothing that could be seen
    # walk from time 0 to newer edges, then to older ones, integrating a piecewise linear force
    for side in range(2):
        k = count - 1 if side == 0 else 0
        at = 0.0
        rate = 0.0
        travel = 0.0
        cell = whole  # force cell between grid points `cell + 1` (older) and `cell` (newer)
        while 0 <= k < count:
            t = times[k]
            if (t < 0.0) == (side == 0):
                k += 1 if side == 1 else -1
                continue
            while True:
                newer = newest - cell * frame
                older = newer - frame
                end = (min(t, newer) if cell >= 0 else t) if side == 0 else max(t, older)
                h = end - at
                if cell < 0:
                    g0 = g1 = push[(push_row - 1) & mask]
                else:
                    fa = push[(push_row - 2 - cell) & mask]
                    fb = push[(push_row - 1 - cell) & mask]
                    g0 = fa + (fb - fa) * (at - older) / frame
                    g1 = fa + (fb - fa) * (end - older) / frame
                g0 = (g0 - f0) * gain
                g1 = (g1 - f0) * gain
                travel += rate * h + h * h * (2.0 * g0 + g1) / 6.0
                rate += 0.5 * h * (g0 + g1)
                at = end
                if end == t:
                    break
                cell += -1 if side == 0 else 1
            # a force that brakes has held the rolls back by `travel`
            scratch[k] = travel
            k += 1 if side == 1 else -1
    for k in range(count):
        places[k] += scratch[k]
