"""Rotor temperature as an estimate: model forward, sensor when there is one, numbers learned.

Data flow: power, speed, fan, ambient at a few hertz -> `predict`; a sensor reading -> `correct`
(an extended Kalman step) -> temperature with standard uncertainty, learned model, and a verdict
on the sensor. `headroom` asks the model with its uncertainty how long the present work may last.

State: rim K, body K, and natural logarithms of five factors on the described model: heat capacity,
still cooling, windage, conduction, radiation. Factors start at 1 with the standard uncertainties
of `PRIOR_LOG_SIGMA`, i.e. the rig file is believed to within that much and no more.
"""

from __future__ import annotations

import enum
import math

import msgspec
import numpy as np
import numpy.typing as npt

from control.heat import (
    BODY_KG,
    CONDUCTION,
    PARAMETERS,
    RADIATING,
    RIM_KG,
    STILL,
    WINDAGE,
    RotorModel,
    advance,
    time_to,
)
from daq.kernel import jit

Floats = npt.NDArray[np.float64]

SIZE = 7
PRIOR_LOG_SIGMA = (0.2, 0.4, 0.4, 0.5, 0.2)  # capacity, still, windage, conduction, radiation
PRIOR_TEMPERATURE_SIGMA_K = 15.0
MODEL_NOISE_K_PER_ROOT_S = 0.15  # what two nodes cannot describe
LOG_WALK_PER_ROOT_S = 2e-4  # parameters may age
SENSOR_SIGMA_K = 3.0
SENSOR_GATE = 5.0  # innovations beyond this many sigma do not correct
SENSOR_FAILED_AFTER_S = 10.0
SENSOR_SLIPPED_AFTER_S = 30.0
MOST_LOG = 1.5
HORIZON_S = 4 * 3600.0


@jit
def scaled(described: Floats, x: Floats, out: Floats) -> None:
    """Parameters of the described model with the learned factors of `x`, into `out`."""
    out[:] = described
    capacity = math.exp(x[2])
    out[RIM_KG] *= capacity
    out[BODY_KG] *= capacity
    out[STILL] *= math.exp(x[3])
    out[WINDAGE] *= math.exp(x[4])
    out[CONDUCTION] *= math.exp(x[5])
    out[RADIATING] *= math.exp(x[6])


@jit
def predict_step(
    described: Floats,
    x: Floats,
    covariance: Floats,
    dt: float,
    power: float,
    radps: float,
    fan: bool,
    ambient: float,
) -> None:
    """Extended Kalman prediction in place: `x` (SIZE) and `covariance` (SIZE x SIZE)."""
    size = x.shape[0]
    p = np.empty(PARAMETERS)
    scaled(described, x, p)
    base = x[:2].copy()
    advance(p, base, dt, power, radps, fan, ambient)
    jacobian = np.zeros((2, size))
    nudged = x.copy()
    for column in range(size):
        nudge = 0.1 if column < 2 else 1e-3
        nudged[column] += nudge
        scaled(described, nudged, p)
        state = nudged[:2].copy()
        advance(p, state, dt, power, radps, fan, ambient)
        jacobian[0, column] = (state[0] - base[0]) / nudge
        jacobian[1, column] = (state[1] - base[1]) / nudge
        nudged[column] = x[column]
    # Rows 0 and 1 of F P, then F P F^T; the other rows of F are the identity.
    top = np.zeros((2, size))
    for i in range(2):
        for j in range(size):
            for k in range(size):
                top[i, j] += jacobian[i, k] * covariance[k, j]
    for i in range(2):
        for j in range(2, size):
            covariance[i, j] = top[i, j]
            covariance[j, i] = top[i, j]
    for i in range(2):
        for j in range(2):
            total = 0.0
            for k in range(size):
                total += top[i, k] * jacobian[j, k]
            covariance[i, j] = total
    x[:2] = base
    for i in range(2):
        covariance[i, i] += MODEL_NOISE_K_PER_ROOT_S**2 * dt
    for i in range(2, size):
        covariance[i, i] += LOG_WALK_PER_ROOT_S**2 * dt


@jit
def time_at(
    described: Floats,
    x: Floats,
    limit: float,
    power: float,
    radps: float,
    fan: bool,
    ambient: float,
    horizon: float,
) -> float:
    """Seconds until `limit` for one choice of state and factors."""
    p = np.empty(PARAMETERS)
    scaled(described, x, p)
    return time_to(p, x[0], x[1], limit, power, radps, fan, ambient, horizon)


@jit
def log_time_variance(
    described: Floats,
    x: Floats,
    covariance: Floats,
    limit: float,
    power: float,
    radps: float,
    fan: bool,
    ambient: float,
    horizon: float,
) -> tuple[float, bool]:
    """Variance of ln(time to limit) by sigma points on the Cholesky columns of the covariance.

    The flag says that some sigma point never reaches the limit within the horizon.
    """
    size = x.shape[0]
    root = np.zeros((size, size))
    for j in range(size):
        total = covariance[j, j]
        for k in range(j):
            total -= root[j, k] ** 2
        root[j, j] = math.sqrt(total) if total > 0.0 else 0.0
        for i in range(j + 1, size):
            inner = covariance[i, j]
            for k in range(j):
                inner -= root[i, k] * root[j, k]
            root[i, j] = inner / root[j, j] if root[j, j] > 0.0 else 0.0
    variance = 0.0
    never = False
    for j in range(size):
        up = time_at(described, x + root[:, j], limit, power, radps, fan, ambient, horizon)
        down = time_at(described, x - root[:, j], limit, power, radps, fan, ambient, horizon)
        if math.isinf(up) or math.isinf(down):
            never = True
        up = min(max(up, 0.5), horizon)
        down = min(max(down, 0.5), horizon)
        variance += (0.5 * (math.log(up) - math.log(down))) ** 2
    return variance, never


class SensorVerdict(enum.StrEnum):
    NONE = "none"  # no sensor, or nothing heard of it yet
    TRUSTED = "trusted"
    SLIPPED = "slipped"  # keeps telling a plausible temperature that the work does not explain
    FAILED = "failed"  # silent, or out of any range


class RotorMemory(msgspec.Struct, frozen=True):
    """What survives a restart: temperatures, learned factors and their covariance."""

    rim_k: float
    body_k: float
    logs: tuple[float, ...]
    covariance: tuple[float, ...]  # SIZE x SIZE, row by row


class Headroom(msgspec.Struct, frozen=True):
    """Seconds until the limit at stated work: best estimate and a 95 % interval (inf: never)."""

    seconds: float
    low_s: float
    high_s: float


class RotorObserver:
    """One rotor. Call `predict` for each interval of work, `correct` for each sensor reading."""

    def __init__(
        self, model: RotorModel, ambient_k: float = 293.15, memory: RotorMemory | None = None
    ) -> None:
        self._described = model.vector()
        self._x = np.zeros(SIZE)
        self._x[:2] = ambient_k
        self._p = np.zeros((SIZE, SIZE))
        self._p[0, 0] = self._p[1, 1] = PRIOR_TEMPERATURE_SIGMA_K**2
        for index, sigma in enumerate(PRIOR_LOG_SIGMA):
            self._p[2 + index, 2 + index] = sigma**2
        self._verdict = SensorVerdict.NONE
        self._outside_s = 0.0
        self._since_sensor_s = 0.0
        if memory is not None and len(memory.logs) == SIZE - 2:
            self._x[:] = (memory.rim_k, memory.body_k, *memory.logs)
            if len(memory.covariance) == SIZE * SIZE:
                self._p[:] = np.array(memory.covariance).reshape(SIZE, SIZE)

    # --- state -----------------------------------------------------------------------------
    @property
    def rim_k(self) -> float:
        return float(self._x[0])

    @property
    def body_k(self) -> float:
        return float(self._x[1])

    @property
    def sigma_k(self) -> float:
        """Standard uncertainty of the rim temperature."""
        return math.sqrt(max(0.0, float(self._p[0, 0])))

    @property
    def sensor(self) -> SensorVerdict:
        return self._verdict

    @property
    def factors(self) -> tuple[float, ...]:
        """Learned factors on capacity, still cooling, windage, conduction, radiation."""
        return tuple(float(math.exp(value)) for value in self._x[2:])

    def memory(self) -> RotorMemory:
        return RotorMemory(
            rim_k=self.rim_k,
            body_k=self.body_k,
            logs=tuple(self._x[2:].tolist()),
            covariance=tuple(self._p.ravel().tolist()),
        )

    def vector(self) -> Floats:
        """Parameters of the model as learned so far."""
        p = np.empty(PARAMETERS)
        scaled(self._described, self._x, p)
        return p

    # --- work ------------------------------------------------------------------------------
    def predict(
        self, dt_s: float, power_w: float, radps: float, fan: bool, ambient_k: float
    ) -> None:
        """Move on by `dt_s` of work at constant power. Numbers that are not finite are refused."""
        if not (math.isfinite(dt_s) and dt_s > 0.0):
            return
        power = power_w if math.isfinite(power_w) else 0.0
        speed = radps if math.isfinite(radps) else 0.0
        predict_step(self._described, self._x, self._p, dt_s, power, speed, fan, ambient_k)
        self._since_sensor_s += dt_s
        if self._verdict is SensorVerdict.TRUSTED and self._since_sensor_s > SENSOR_FAILED_AFTER_S:
            self._verdict = SensorVerdict.FAILED

    def correct(self, sensor_k: float, dt_s: float, sigma_k: float = SENSOR_SIGMA_K) -> None:
        """Take a sensor reading of the rim; `dt_s` is the time since the reading before.

        An innovation outside the gate does not correct; when that lasts, the sensor is called
        slipped and the model goes on alone. A reading outside 200 to 1500 K means failed.
        """
        if not math.isfinite(sensor_k) or not 200.0 < sensor_k < 1500.0:
            if self._since_sensor_s > SENSOR_FAILED_AFTER_S or self._verdict is SensorVerdict.NONE:
                self._verdict = SensorVerdict.FAILED
            return
        self._since_sensor_s = 0.0
        innovation = sensor_k - float(self._x[0])
        variance = float(self._p[0, 0]) + sigma_k**2
        if innovation**2 > SENSOR_GATE**2 * variance:
            self._outside_s += max(0.0, dt_s)
            if self._outside_s > SENSOR_SLIPPED_AFTER_S:
                self._verdict = SensorVerdict.SLIPPED
            return
        self._outside_s = max(0.0, self._outside_s - dt_s)
        if self._verdict is SensorVerdict.SLIPPED and self._outside_s > 0.0:
            return
        self._verdict = SensorVerdict.TRUSTED
        gain = self._p[:, 0] / variance
        self._x += gain * innovation
        self._x[2:] = np.clip(self._x[2:], -MOST_LOG, MOST_LOG)
        keep = np.eye(SIZE)
        keep[:, 0] -= gain
        self._p = keep @ self._p @ keep.T + sigma_k**2 * np.outer(gain, gain)  # Joseph form

    def headroom(
        self,
        limit_k: float,
        power_w: float,
        radps: float,
        fan: bool,
        ambient_k: float,
        horizon_s: float = HORIZON_S,
    ) -> Headroom:
        """How long this work may go on, with the interval that state and parameters allow.

        Sigma points on the Cholesky columns of the covariance; the interval is the spread of
        ln(time) times 1.96, so that it stays positive.
        """
        work = (limit_k, power_w, radps, fan, ambient_k, horizon_s)
        best = float(time_at(self._described, self._x, *work))
        if best == 0.0:
            return Headroom(0.0, 0.0, 0.0)
        variance, never = log_time_variance(self._described, self._x, self._p, *work)
        spread = math.exp(1.96 * math.sqrt(variance))
        centre = min(best, horizon_s)
        high = math.inf if never or math.isinf(best) else centre * spread
        return Headroom(best, centre / spread, high)
