"""Curves over engine speed or roll speed from a recording: value, noise and band per bin.

Data flow: columns of a run (one row per frame, delays already removed by daq) -> local quadratic
fit around each bin centre -> Curve with the smoothing stated -> peaks, gain, report.

The fit weighs samples by their distance in x (Epanechnikov kernel of half-width `half_width`), on
both sides alike. It looks at the finished recording, so it shifts nothing in time or speed; a
quadratic keeps the height of a peak that a moving mean would cut. Noise of neighbours is not
independent: filters make them alike, and noise of acceleration comes back with the other sign a
tenth of a second later. The standard uncertainty counts the residuals' correlation of either sign,
estimated from the run itself.
"""

from __future__ import annotations

import math

import msgspec
import numpy as np
import numpy.typing as npt

from daq.errors import Refused
from daq.texts.message import say

Floats = npt.NDArray[np.float64]

LEAST_SAMPLES = 12
MOST_LAG = 400  # samples over which residuals may be correlated
QUIET_LAGS = 10  # so many without correlation end it
ODD_NOISE = 2.0  # times the median noise of the bins: not to be trusted with the peak
FOLLOWED = 1.2  # share of slow noise that the fit follows, times the samples in its window


class Curve(msgspec.Struct, frozen=True, eq=False):
    """`value` over `bins`; NaN where the run does not cover a bin.

    `noise_sigma`: what repeats of this run would scatter by at each bin, from the residuals.
    """

    x_name: str
    x_unit: str
    y_name: str
    y_unit: str
    bins: Floats
    value: Floats
    noise_sigma: Floats
    samples: npt.NDArray[np.int64]
    half_width: float
    smoothing: str  # stated for people

    def band(self, sigma: Floats, coverage: float = 2.0) -> tuple[Floats, Floats]:
        """Lower and upper limit for a combined standard uncertainty per bin."""
        return self.value - coverage * sigma, self.value + coverage * sigma


class Peak(msgspec.Struct, frozen=True):
    """Highest point of a curve; `x_low` to `x_high` is where the curve comes within its noise."""

    x: float
    value: float
    noise_sigma: float
    x_low: float
    x_high: float


def evenly(low: float, high: float, step: float) -> Floats:
    """Bin centres on multiples of `step` inside [low, high]; shape (B,)."""
    if not (math.isfinite(low) and math.isfinite(high) and step > 0.0 and high > low):
        raise Refused(say("range-bins-empty"), say("give-positive-step-range-rises"), "bins")
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return np.arange(first, last + 1, dtype=np.float64) * step


def curve(
    x: Floats,
    y: Floats,
    bins: Floats,
    half_width: float,
    names: tuple[str, str] = ("engine speed", "wheel power"),
    units: tuple[str, str] = ("rad/s", "W"),
) -> Curve:
    """Local quadratic fit of y over x at `bins`.

    `x`, `y`: shape (N,), in time order; rows with NaN in either are left out. Raises Refused when
    nothing usable is left.
    """
    usable = np.isfinite(x) & np.isfinite(y)
    x, y = x[usable], y[usable]
    if x.size < LEAST_SAMPLES:
        raise Refused(
            say("only-usable-samples-for-curve", count=x.size),
            say("look-at-quality-readings-in-run"),
            "too-few-samples",
        )
    if not half_width > 0.0:
        raise Refused(
            say("smoothing-width-must-be-above-zero"), say("give-width-in-x"), "smoothing"
        )
    order = np.argsort(x, kind="stable")
    sorted_x, sorted_y = x[order], y[order]
    value = np.full(bins.shape, np.nan)
    spread = np.full(bins.shape, np.nan)
    fits: list[tuple[int, npt.NDArray[np.intp], Floats, Floats, float]] = []
    count = np.zeros(bins.shape, dtype=np.int64)
    for index, centre in enumerate(bins):
        first, last = np.searchsorted(sorted_x, (centre - half_width, centre + half_width))
        near, far = sorted_x[first:last], sorted_y[first:last]
        count[index] = near.size
        # A bin at the edge of the run needs data on both sides of its centre: no extrapolation.
        if near.size < LEAST_SAMPLES or not near[0] <= centre <= near[-1]:
            continue
        u = (near - centre) / half_width
        weight = 1.0 - u * u
        basis = np.stack((np.ones_like(u), u, u * u), axis=1)
        weighted = basis * weight[:, None]
        normal = weighted.T @ basis
        if np.linalg.cond(normal) > 1e10:
            continue
        inverse = np.linalg.inv(normal)
        answer = inverse @ (weighted.T @ far)
        value[index] = answer[0]
        residual = far - basis @ answer
        estimator = inverse @ weighted.T
        fits.append((index, order[first:last], basis, estimator, float(residual @ residual)))
    correlation = _correlation(
        x, y, bins, value, float(np.median(count[count > 0])) if count.any() else 1.0
    )
    for index, places, basis, estimator, squares in fits:
        spread[index] = _spread(places, basis, estimator, squares, correlation)
    return Curve(
        names[0], units[0], names[1], units[1], bins, value, spread, count,
        half_width, f"local quadratic over +-{half_width:.4g} {units[0]}, no shift in time",
    )  # fmt: skip


def _correlation(x: Floats, y: Floats, bins: Floats, value: Floats, window: float) -> Floats:
    """Correlation of the residuals over lags 0 and up, in time order, ended by a flat-top taper.

    It ends at twice the lag from which on no correlation stands out of the noise of its estimate
    (Politis 2003), so that white noise stays white. The fit follows slow noise, which leaves its
    residuals correlated a little too negatively over its `window` of samples: that is put back.
    """
    good = np.isfinite(value)
    white = np.ones(1)
    if good.sum() < 2:
        return white
    inside = (x >= bins[good][0]) & (x <= bins[good][-1])
    residual = y[inside] - np.interp(x[inside], bins[good], value[good])
    if residual.size < 4 * LEAST_SAMPLES:
        return white
    residual = residual - residual.mean()
    power = float(residual @ residual)
    if power <= 0.0:
        return white
    most = min(MOST_LAG, residual.size // 4)
    r = np.array(
        [float(residual[: residual.size - lag] @ residual[lag:]) / power for lag in range(most)]
    )
    stands_out = np.abs(r) > 2.0 * math.sqrt(math.log10(residual.size) / residual.size)
    end = 1
    while end < most and bool(stands_out[end : end + QUIET_LAGS].any()):
        end += 1
    followed = FOLLOWED * (1.0 + 2.0 * float(np.maximum(r[1:end], 0.0).sum())) / window
    r = np.where(r < 0.0, np.minimum(r + followed, 0.0), r)
    lags = min(2 * end, most)
    taper = np.minimum(1.0, 2.0 * (1.0 - np.arange(lags) / lags))
    return np.asarray(r[:lags] * taper)


def _spread(
    places: npt.NDArray[np.intp],
    basis: Floats,
    estimator: Floats,
    squares: float,
    correlation: Floats,
) -> float:
    """Standard uncertainty of one bin: what residuals of these squares do to the estimate.

    With H = basis estimator and R the correlation, the squares are expected to be the variance
    times tr((I - H) R (I - H)'), because a fit follows correlated noise; the estimate's own
    variance is that times w' R w, w its first row. Neither is let fall below a hundredth of what
    white noise gives.
    """
    first = int(places.min())
    dense = np.zeros((3, int(places.max()) - first + 1))
    dense[:, places - first] = estimator
    kernel = np.concatenate((correlation[:0:-1], correlation))
    middle = correlation.size - 1
    spread = np.stack([np.convolve(row, kernel)[middle : middle + row.size] for row in dense])
    answered = spread[:, places - first]  # estimator R
    covariance = answered @ estimator.T  # of the three coefficients, for variance 1
    n = float(places.size)
    lost = 2.0 * float(np.sum(answered.T * basis)) - float(np.trace(covariance @ (basis.T @ basis)))
    freedom = max(n - lost, 0.1 * n, 1.0)
    white = float(estimator[0] @ estimator[0])
    return math.sqrt(squares / freedom * max(float(covariance[0, 0]), 0.01 * white))


def peak(of: Curve) -> Peak:
    """Highest bin refined by a parabola through its neighbours.

    The highest of noisy bins is too high: most of all at an end of the run, where a bin has data on
    one side only. A bin much noisier than the others counts with the lower limit of its value.
    Raises Refused on an empty curve.
    """
    good = np.flatnonzero(np.isfinite(of.value))
    if good.size == 0:
        raise Refused(say("curve-empty"), say("choose-bins-run-covers"), "empty-curve")
    noise = of.noise_sigma[good]
    odd = noise > ODD_NOISE * float(np.median(noise))
    best = int(good[np.argmax(of.value[good] - np.where(odd, 2.0 * noise, 0.0))])
    x, top = float(of.bins[best]), float(of.value[best])
    if best - 1 in good and best + 1 in good:
        left, right = float(of.value[best - 1]), float(of.value[best + 1])
        bend = left - 2.0 * top + right
        # Beside a noisy bin that was passed over a neighbour may be higher: no top lies between.
        if bend < 0.0 and top >= max(left, right):
            shift = 0.5 * (left - right) / bend
            step = float(of.bins[best + 1] - of.bins[best])
            x += shift * step
            top -= 0.25 * (left - right) * shift
    sigma = float(of.noise_sigma[best])
    near = good[of.value[good] >= top - 2.0 * sigma]
    reach = np.append(of.bins[near], x)
    return Peak(x, top, sigma, float(reach.min()), float(reach.max()))
