"""Find an absorber's map and lags from rows recorded while its current was stepped.

Data flow: rows (coil current, what was sent, cell torque, shaft speed, rotor temperature) of each
frame -> coil lag by regression -> damped Gauss-Newton over peak, critical speed, saturation,
residual drag, field lag, fade and a correction over current -> Identified. Work comes in small
steps, one per frame, so that the load loop never waits for it.

The rig file is the prior: each parameter has a standard deviation around its first guess, so that
what the rows do not show (a rotor that stayed cold) stays as described, and says so by its sigma.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from control.absorber import map as absorber_module
from control.absorber.identified import Identified, date_of
from control.absorber.map import (
    CRITICAL,
    FADE,
    MAP_COLUMNS,
    MAX_A,
    PEAK,
    RATED,
    RESIDUAL,
    SATURATION,
    SHAPE,
    SHAPE_NODES,
    map_row,
    torque_at,
)
from daq.errors import Refused
from daq.kernel import jit, refresh_cache
from daq.rig.description import Absorber, AbsorberMap
from daq.texts.message import say

refresh_cache(__file__, absorber_module.__file__)

Floats = npt.NDArray[np.float64]

# Columns of a recorded row. START is 1 where rows begin afresh after a gap.
COIL, SENT, TORQUE, SHAFT, ROTOR, START = range(6)
ROW_COLUMNS = 6

# Parameters: logarithms of ratios to the guess, but residual (N.m) and fade (1/K) as they are.
P_PEAK, P_CRITICAL, P_SATURATION, P_RESIDUAL, P_FIELD, P_FADE, P_SHAPE = range(7)
PARAMETERS = P_SHAPE + SHAPE_NODES
NAMES = ("peak", "critical_speed", "saturation", "residual", "field_lag", "hot_fade")

# Spread of the first guess. Choices: absorbers of one type differ by some ten per cent, a rig file
# copied from a data sheet by more; the correction over current is meant to be small.
PRIOR = np.array([0.4, 0.4, 0.4, 5.0, 0.5, 0.002] + [0.08] * SHAPE_NODES)
STEP = np.array([1e-3, 1e-3, 1e-3, 0.05, 1e-2, 1e-5] + [1e-3] * SHAPE_NODES)
ROW_SIGMA_NM, ROW_SIGMA_SHARE = 1.0, 0.005  # of one row: ripple and noise, and a share of the peak
ALIKE_ROWS = 25.0  # neighbouring rows err alike: so many count as one
ITERATIONS = 10
LEAST_ROWS = 1000
LEAST_FIELD_S = 0.001
FLIGHTS = range(-1, 8)  # frames; -1: a row tells of the set point that acts right after it
DEAD_SHARE = 0.1


@jit
def predict(
    theta: Floats,
    guess: Floats,
    field_s: float,
    rows: Floats,
    frame_s: float,
    cell_frames: float,
    mapped: Floats,
    out: Floats,
) -> None:
    """Torque the cell should have shown at each row, N.m; NaN just after a gap.

    `guess`: a map row; `cell_frames`: declared age of the cell; `mapped`: scratch like `out`.
    """
    row = guess.copy()
    row[PEAK] *= np.exp(theta[P_PEAK])
    row[CRITICAL] *= np.exp(theta[P_CRITICAL])
    row[SATURATION] *= np.exp(theta[P_SATURATION])
    row[RESIDUAL] = max(0.0, theta[P_RESIDUAL])
    row[FADE] = theta[P_FADE]
    for node in range(SHAPE_NODES):
        row[SHAPE + node] *= np.exp(theta[P_SHAPE + node])
    part = 1.0 - np.exp(-frame_s / max(field_s * np.exp(theta[P_FIELD]), 1e-6))
    back = int(cell_frames)
    older = cell_frames - back
    field = 0.0
    since = 0
    for k in range(rows.shape[0]):
        if rows[k, START] > 0.0:
            field = rows[k, COIL]
            since = 0
        field += (rows[k, COIL] - field) * part
        mapped[k] = torque_at(row, field, rows[k, SHAFT], rows[k, ROTOR])
        since += 1
        if since > back + 1:
            out[k] = (1.0 - older) * mapped[k - back] + older * mapped[k - back - 1]
        else:
            out[k] = np.nan


def coil_lag(rows: Floats, frame_s: float, max_a: float) -> tuple[float, float] | None:
    """Lag of the coil, s, and its relative sigma; None when the current never moved.

    di = (1 - exp(-dt / lag)) (sent - i), least squares, for each possible flight of a set point; a
    coil at the supply's limit says nothing.
    """
    tried = [_flight(rows, flight, max_a) for flight in FLIGHTS]
    return _lag_of([one for one in tried if one is not None], frame_s)


Tried = tuple[float, float, float]  # mean square error, slope, sigma of the slope


def _flight(rows: Floats, flight: int, max_a: float) -> Tried | None:
    """The regression for one flight of set points, in frames."""
    coil, sent = rows[:, COIL], rows[:, SENT]
    gaps = np.cumsum(rows[:, START])
    k = np.arange(max(flight, 0), len(rows) - 1)  # from row k to the next, by what was sent then
    gap = sent[k - flight] - coil[k]
    di = coil[k + 1] - coil[k]
    same = gaps[k + 1] == gaps[np.minimum(k - flight, k)]
    free = (coil[k] < 0.97 * max_a) & (coil[k + 1] > 0.05)
    use = same & free & (np.abs(gap) > 1.0)
    if int(use.sum()) < 50:
        return None
    g, d = gap[use], di[use]
    slope = float(g @ d / (g @ g))
    left = d - slope * g
    error = float(left @ left) / len(d)
    return error, slope, math.sqrt(error / float(g @ g))


def _lag_of(tried: list[Tried], frame_s: float) -> tuple[float, float] | None:
    fit = [one for one in tried if 0.0 < one[1] < 1.0]
    if not fit:
        return None
    _, slope, sigma = min(fit)
    return -frame_s / math.log(1.0 - slope), sigma / slope


class Fit:
    """The fit of one absorber. Iterate over `steps`, one step per frame; then ask `result`."""

    def __init__(
        self,
        absorber: Absorber,
        rows: Floats,
        frame_s: float,
        lever: float,
        cell_frames: float,
        before: Floats,
    ) -> None:
        """`lever`: shaft rad/s per m/s of the rolls; `cell_frames`: declared age of the cell's
        force; `before`: the map row in force until now."""
        self._absorber = absorber
        self._rows = np.ascontiguousarray(rows)
        self._frame_s = frame_s
        self._lever = lever
        self._cell_frames = cell_frames
        self._guess = map_row(absorber)
        self._before = before
        self._field_s = max(absorber.field_lag_s, LEAST_FIELD_S)
        self._first = np.zeros(PARAMETERS)
        self._first[P_RESIDUAL] = absorber.map.residual_torque_nm
        self._first[P_FADE] = absorber.map.hot_fade_per_k
        self.theta = self._first.copy()
        self._covariance = np.diag(PRIOR**2)
        n = len(self._rows)
        self._scratch = np.empty(n)
        self._out = np.empty(n)
        self._jacobian = np.empty((PARAMETERS, n))
        self._lag: tuple[float, float] | None = None

    def _misses(self, theta: Floats) -> Floats:
        predict(
            theta, self._guess, self._field_s, self._rows, self._frame_s, self._cell_frames,
            self._scratch, self._out,
        )  # fmt: skip
        return self._rows[:, TORQUE] - self._out

    def steps(self) -> Iterator[None]:
        """Yields after each small piece of work. Raises Refused when there is too little to fit."""
        if len(self._rows) < LEAST_ROWS:
            raise Refused(
                say(
                    "only-frames-of-can-be-used",
                    frames=len(self._rows),
                    absorber=self._absorber.name,
                ),
                say("coast-from-higher-speed-with-cell"),
                "identification-short",
            )
        tried: list[Tried] = []
        for flight in FLIGHTS:
            one = _flight(self._rows, flight, self._absorber.max_current_a)
            if one is not None:
                tried.append(one)
            yield
        self._lag = _lag_of(tried, self._frame_s)
        known = np.isfinite(self._misses(self.theta))
        known &= np.isfinite(self._rows[:, TORQUE]) & np.isfinite(self._rows[:, SHAFT])
        sigma = ROW_SIGMA_NM + ROW_SIGMA_SHARE * self._guess[PEAK]
        weight = 1.0 / (sigma * sigma * ALIKE_ROWS)
        damping = 1e-3
        misses = np.where(known, self._misses(self.theta), 0.0)
        cost = self._cost(misses, self.theta, weight)
        yield
        for _ in range(ITERATIONS):
            for p in range(PARAMETERS):
                moved = self.theta.copy()
                moved[p] += STEP[p]
                there = np.where(known, self._misses(moved), 0.0)
                np.subtract(there, misses, out=self._jacobian[p])
                self._jacobian[p] /= STEP[p]
                yield
            normal = np.empty((PARAMETERS, PARAMETERS))
            for p in range(PARAMETERS):
                normal[p] = weight * (self._jacobian @ self._jacobian[p])
                yield
            descent = -weight * (self._jacobian @ misses)
            normal[np.diag_indices(PARAMETERS)] += PRIOR**-2
            descent -= (self.theta - self._first) / PRIOR**2
            self._covariance = np.linalg.inv(normal)
            better = False
            for _ in range(6):
                damped = normal.copy()
                damped[np.diag_indices(PARAMETERS)] *= 1.0 + damping
                trial = self.theta + np.clip(np.linalg.solve(damped, descent), -PRIOR, PRIOR)
                trial[P_RESIDUAL] = max(trial[P_RESIDUAL], 0.0)
                there = np.where(known, self._misses(trial), 0.0)
                cost_there = self._cost(there, trial, weight)
                yield
                if cost_there < cost:
                    better = cost - cost_there > 1e-6 * cost
                    self.theta, misses, cost = trial, there, cost_there
                    damping = max(damping / 5.0, 1e-9)
                    break
                damping *= 10.0
            if not better:
                break

    def _cost(self, misses: Floats, theta: Floats, weight: float) -> float:
        off = (theta - self._first) / PRIOR
        return weight * float(misses @ misses) + float(off @ off)

    def result(self, run_id: str) -> Identified:
        """What was found, with residuals of the map before and of this one on the same rows."""
        absorber, theta, guess = self._absorber, self.theta, self._guess
        after = self._misses(theta)
        truth = self._rows[:, TORQUE]
        known = np.isfinite(after) & np.isfinite(truth)
        size = math.sqrt(float(np.mean(truth[known] ** 2)))
        rms = math.sqrt(float(np.mean(after[known] ** 2)))
        same = np.zeros(PARAMETERS)
        same[P_RESIDUAL], same[P_FADE] = self._before[RESIDUAL], self._before[FADE]
        predict(
            same, self._before, self._field_s, self._rows, self._frame_s,
            self._cell_frames, self._scratch, self._out,
        )  # fmt: skip
        before = (truth - self._out)[known]
        rms_before = math.sqrt(float(np.mean(before**2)))
        sd = np.sqrt(np.diag(self._covariance))
        critical = float(guess[CRITICAL] * math.exp(theta[P_CRITICAL]))
        lag, lag_sigma = self._lag or (absorber.coil_lag_s, math.inf)
        # 2 x / (1 + x^2) = DEAD_SHARE on the slow side
        x = (1.0 - math.sqrt(1.0 - DEAD_SHARE**2)) / DEAD_SHARE
        used = self._rows[known]
        fade = max(float(theta[P_FADE]), 0.0)
        field_s = self._field_s * math.exp(theta[P_FIELD])
        sigma = {name: float(value) for name, value in zip(NAMES, sd, strict=False)}
        if math.isfinite(lag_sigma):
            sigma["coil_lag"] = lag_sigma
        return Identified(
            run_id,
            date_of(run_id),
            AbsorberMap(
                peak_torque_nm=float(guess[PEAK] * math.exp(theta[P_PEAK])),
                critical_speed_radps=critical,
                rated_current_a=float(guess[RATED]),
                saturation_a=float(guess[SATURATION] * math.exp(theta[P_SATURATION])),
                residual_torque_nm=max(float(theta[P_RESIDUAL]), 0.0),
                hot_fade_per_k=fade,
            ),
            lag,
            field_s if absorber.field_lag_s > 0.0 or field_s > 2.0 * LEAST_FIELD_S else 0.0,
            tuple(float(value) for value in np.exp(theta[P_SHAPE:])),
            absorber.map,
            absorber.coil_lag_s,
            absorber.field_lag_s,
            rms,
            rms_before,
            100.0 * rms / size,
            100.0 * rms_before / size,
            x * critical / self._lever,
            sigma,
            int(known.sum()),
            float(used[:, SHAFT].min()),
            float(used[:, SHAFT].max()),
            float(used[:, ROTOR].min()),
            float(used[:, ROTOR].max()),
        )


def warm() -> None:
    """Compile, or load from the cache, what a fit needs, before anything depends on time."""
    rows = np.zeros((4, ROW_COLUMNS))
    predict(
        np.zeros(PARAMETERS), np.ones(MAP_COLUMNS), 0.01, rows, 0.002, 1.5, np.zeros(4), np.zeros(4)
    )


__all__ = ["MAX_A", "ROW_COLUMNS", "Fit", "coil_lag", "predict", "warm"]
