"""Rotor temperature as an estimate: model forward, sensor when there is one, numbers learned.

Data flow: power, speed, fan, ambient at a few hertz -> `predict`; a sensor reading -> `correct`
(an extended Kalman step) -> temperature with standard uncertainty, learned model, and a verdict
on the sensor. `headroom` asks the model with its uncertainty how long the present work may last.

State: rim K, body K, hub K, natural logarithms of nine factors on the described model (heat
capacity, still cooling, windage, conduction, radiation, hub mass, conduction to the hub, fan, mass
of the rim) and the change of the windage exponent. Factors start at 1 with the standard
uncertainties of `PRIOR_SIGMA`, i.e. the rig file is believed to within that much and no more; how
well the mass is known the rig file may say itself.
"""

from __future__ import annotations

import enum
import math

import msgspec
import numpy as np
import numpy.typing as npt

from control.thermal import rotor as heat_module
from control.thermal.rotor import (
    BODY_KG,
    CONDUCTION,
    FAN_FACTOR,
    HUB_CONDUCTION,
    HUB_KG,
    NODES,
    PARAMETERS,
    RADIATING,
    RIM_KG,
    STILL,
    WINDAGE,
    WINDAGE_POWER,
    RotorModel,
    advance,
    time_to,
)
from daq.kernel import jit, refresh_cache

refresh_cache(__file__, heat_module.__file__)

Floats = npt.NDArray[np.float64]

LEARNED = 10
SIZE = NODES + LEARNED
PRIOR_SIGMA = (0.3, 0.5, 0.4, 0.7, 0.3, 0.5, 0.6, 0.2, 0.4, 0.1)
PRIOR_TEMPERATURE_SIGMA_K = 15.0
MODEL_NOISE_K_PER_ROOT_S = 0.15  # what three nodes cannot describe
WALK_PER_ROOT_S = 1e-4  # parameters may age
SENSOR_SIGMA_K = 3.0
SENSOR_GATE = 5.0  # innovations beyond this many sigma do not correct
SENSOR_FAILED_AFTER_S = 10.0
SENSOR_SLIPPED_AFTER_S = 30.0
MOST_LOG = 2.0
MOST_POWER_CHANGE = 0.3
HORIZON_S = 4 * 3600.0
COOLING_DOUBT = 0.25  # of what it cooled by while off: the clock and the air are not known


@jit
def scaled(described: Floats, x: Floats, out: Floats) -> None:
    """Parameters of the described model with the learned factors of `x`, into `out`."""
    out[:] = described
    capacity = math.exp(x[3])
    out[RIM_KG] *= capacity
    out[BODY_KG] *= capacity
    out[STILL] *= math.exp(x[4])
    out[WINDAGE] *= math.exp(x[5])
    out[CONDUCTION] *= math.exp(x[6])
    out[RADIATING] *= math.exp(x[7])
    out[HUB_KG] *= math.exp(x[8])
    out[HUB_CONDUCTION] *= math.exp(x[9])
    out[FAN_FACTOR] *= math.exp(x[10])
    out[RIM_KG] *= math.exp(x[11])
    out[WINDAGE_POWER] += x[12]


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
    longest: float = 1.5,
) -> None:
    """Extended Kalman prediction in place: `x` (SIZE) and `covariance` (SIZE x SIZE).

    `longest`: of one step of the rotor's model, s.
    """
    size = x.shape[0]
    p = np.empty(PARAMETERS)
    scaled(described, x, p)
    base = x[:NODES].copy()
    advance(p, base, dt, power, radps, fan, ambient, longest)
    jacobian = np.zeros((NODES, size))
    nudged = x.copy()
    state = np.empty(NODES)
    for column in range(size):
        nudge = 0.1 if column < NODES else 1e-3
        nudged[column] += nudge
        if column >= NODES:
            scaled(described, nudged, p)
        state[:] = nudged[:NODES]
        advance(p, state, dt, power, radps, fan, ambient, longest)
        for i in range(NODES):
            jacobian[i, column] = (state[i] - base[i]) / nudge
        nudged[column] = x[column]
    # The first rows of F P, then F P F^T; the other rows of F are the identity.
    top = np.zeros((NODES, size))
    for i in range(NODES):
        for j in range(size):
            for k in range(size):
                top[i, j] += jacobian[i, k] * covariance[k, j]
    for i in range(NODES):
        for j in range(NODES, size):
            covariance[i, j] = top[i, j]
            covariance[j, i] = top[i, j]
    for i in range(NODES):
        for j in range(NODES):
            total = 0.0
            for k in range(size):
                total += top[i, k] * jacobian[j, k]
            covariance[i, j] = total
    x[:NODES] = base
    for i in range(NODES):
        covariance[i, i] += MODEL_NOISE_K_PER_ROOT_S**2 * dt
    for i in range(NODES, size):
        covariance[i, i] += WALK_PER_ROOT_S**2 * dt


@jit
def correct_step(
    x: Floats, covariance: Floats, innovation: float, share: float, sigma: float, learn: bool
) -> None:
    """Kalman update in place by a reading of share * rim + (1 - share) * body; Joseph's form.

    Without `learn` only the temperatures move (Schmidt's form: the factors stay as they are).
    """
    size = x.shape[0]
    row = np.empty(size)
    for i in range(size):
        row[i] = share * covariance[i, 0] + (1.0 - share) * covariance[i, 1]
    variance = share * row[0] + (1.0 - share) * row[1] + sigma * sigma
    gain = row / variance
    if not learn:
        gain[NODES:] = 0.0
    for i in range(size):
        x[i] += gain[i] * innovation
    for i in range(NODES, size - 1):
        x[i] = min(max(x[i], -MOST_LOG), MOST_LOG)
    x[size - 1] = min(max(x[size - 1], -MOST_POWER_CHANGE), MOST_POWER_CHANGE)
    for i in range(size):
        for j in range(i, size):
            value = (covariance[i, j] - gain[i] * row[j] - row[i] * gain[j]) + gain[i] * gain[
                j
            ] * variance
            covariance[i, j] = value
            covariance[j, i] = value


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
    return time_to(p, x[0], x[1], x[2], limit, power, radps, fan, ambient, horizon)


@jit
def rim_after(
    described: Floats,
    x: Floats,
    seconds: float,
    power: float,
    radps: float,
    fan: bool,
    ambient: float,
) -> float:
    """Rim temperature after `seconds` of constant work, in twelve steps."""
    p = np.empty(PARAMETERS)
    scaled(described, x, p)
    h = heat_module.film(p, radps, fan)
    rim, body, hub = x[0], x[1], x[2]
    for _ in range(12):
        rim, body, hub = heat_module.step_once(p, rim, body, hub, seconds / 12.0, power, h, ambient)
    return float(rim)


@jit
def cooling_time(
    described: Floats,
    x: Floats,
    target: float,
    radps: float,
    fan: bool,
    ambient: float,
    horizon: float,
) -> float:
    """Seconds without load until the rim is below `target`, to the next step; inf when not."""
    p = np.empty(PARAMETERS)
    scaled(described, x, p)
    h = heat_module.film(p, radps, fan)
    rim, body, hub = x[0], x[1], x[2]
    now, step = 0.0, 2.0
    while rim > target:
        if now >= horizon:
            return math.inf
        rim, body, hub = heat_module.step_once(p, rim, body, hub, step, 0.0, h, ambient)
        now += step
        step = min(step * 1.1, 30.0)
    return now


@jit
def time_interval(
    described: Floats,
    x: Floats,
    covariance: Floats,
    limit: float,
    power: float,
    radps: float,
    fan: bool,
    ambient: float,
    horizon: float,
    pause: float,
) -> tuple[float, float, float]:
    """Seconds to the limit: best, and the ends of the 95 % interval; after `pause` s of no load.

    First-order reliability: the gradient of the rim's temperature at the best time gives the
    direction in which state and factors most probably err; both ends are then computed forward, so
    that an end that never reaches the limit is infinite.
    """
    size = x.shape[0]
    start = x.copy()
    p = np.empty(PARAMETERS)
    if pause > 0.0:
        scaled(described, x, p)
        advance(p, start[:NODES], pause, 0.0, 0.0, fan, ambient)
    best = time_at(described, start, limit, power, radps, fan, ambient, horizon)
    if best == 0.0:
        return 0.0, 0.0, 0.0
    seconds = min(best, horizon)
    middle = rim_after(described, start, seconds, power, radps, fan, ambient)
    gradient = np.empty(size)
    for i in range(size):
        nudge = 1.0 if i < NODES else 1e-2
        nudged = start.copy()
        nudged[i] += nudge
        warm = rim_after(described, nudged, seconds, power, radps, fan, ambient)
        gradient[i] = (warm - middle) / nudge
    way = np.zeros(size)
    variance = 0.0
    for i in range(size):
        for j in range(size):  # written out: a matrix product would need BLAS from another package
            way[i] += covariance[i, j] * gradient[j]
        variance += gradient[i] * way[i]
    if variance <= 0.0:
        return best, best, best
    way *= 1.96 / math.sqrt(variance)
    low = time_at(described, start + way, limit, power, radps, fan, ambient, horizon)
    high = time_at(described, start - way, limit, power, radps, fan, ambient, horizon)
    return best, min(low, best), max(high, best)


class SensorVerdict(enum.StrEnum):
    NONE = "none"  # no sensor, or nothing heard of it yet
    TRUSTED = "trusted"
    SLIPPED = "slipped"  # keeps telling a plausible temperature that the work does not explain
    FAILED = "failed"  # silent, or out of any range


class RotorMemory(msgspec.Struct, frozen=True):
    """What survives a restart: temperatures, learned factors and their covariance."""

    rim_k: float
    body_k: float
    hub_k: float
    learned: tuple[float, ...]
    covariance: tuple[float, ...]  # SIZE x SIZE, row by row


class Headroom(msgspec.Struct, frozen=True):
    """Seconds until the limit at stated work: best estimate and a 95 % interval (inf: never)."""

    seconds: float
    low_s: float
    high_s: float


class RotorObserver:
    """One rotor. Call `predict` for each interval of work, `correct` for each sensor reading.

    `sensor_share`: how much of the rim's excess over the body the sensor sees, 1 at its surface.
    """

    def __init__(
        self,
        model: RotorModel,
        ambient_k: float = 293.15,
        memory: RotorMemory | None = None,
        sensor_share: float = 1.0,
        start_sigma_k: float = PRIOR_TEMPERATURE_SIGMA_K,
        mass_sigma: float = PRIOR_SIGMA[0],
    ) -> None:
        self.described = model.vector()
        self.x = np.zeros(SIZE)
        self.x[:NODES] = ambient_k
        self.covariance = np.zeros((SIZE, SIZE))
        self.covariance[:NODES, :NODES] = start_sigma_k**2 * 0.9  # the nodes err together
        for index in range(NODES):
            self.covariance[index, index] = start_sigma_k**2
        for index, sigma in enumerate(PRIOR_SIGMA):
            self.covariance[NODES + index, NODES + index] = sigma**2
        self.covariance[NODES, NODES] = mass_sigma**2
        self.from_memory = memory is not None and _usable(memory)
        self._share = sensor_share
        self._verdict = SensorVerdict.NONE
        self._outside_s = 0.0
        self._since_sensor_s = 0.0
        if memory is not None and _usable(memory):
            self.x[:] = (memory.rim_k, memory.body_k, memory.hub_k, *memory.learned)
            self.covariance[:] = np.array(memory.covariance).reshape(SIZE, SIZE)

    # --- state -----------------------------------------------------------------------------
    @property
    def rim_k(self) -> float:
        return float(self.x[0])

    @property
    def temperatures_k(self) -> tuple[float, float, float]:
        """Rim, body, hub."""
        return float(self.x[0]), float(self.x[1]), float(self.x[2])

    @property
    def sensed_k(self) -> float:
        """What the sensor should read."""
        return float(self._share * self.x[0] + (1.0 - self._share) * self.x[1])

    @property
    def sigma_k(self) -> float:
        """Standard uncertainty of the rim temperature."""
        return math.sqrt(max(0.0, float(self.covariance[0, 0])))

    @property
    def sensor(self) -> SensorVerdict:
        return self._verdict

    @property
    def factors(self) -> tuple[float, ...]:
        """Factors: capacity, still, windage, conduction, radiation, hub, to hub, fan, rim."""
        return tuple(float(math.exp(value)) for value in self.x[NODES : SIZE - 1])

    def memory(self) -> RotorMemory:
        return RotorMemory(
            *self.temperatures_k, tuple(self.x[NODES:].tolist()),
            tuple(self.covariance.ravel().tolist()),
        )  # fmt: skip

    def vector(self) -> Floats:
        """Parameters of the model as learned so far."""
        p = np.empty(PARAMETERS)
        scaled(self.described, self.x, p)
        return p

    # --- work ------------------------------------------------------------------------------
    def was_off(self, seconds: float, ambient_k: float) -> None:
        """It cooled at rest for `seconds` while nobody watched; the clock is not fully believed."""
        if not seconds > 0.0:
            return
        before = self.x[:NODES].copy()
        p = self.vector()
        state = before.copy()
        advance(p, state, min(seconds, 7 * 86400.0), 0.0, 0.0, False, ambient_k)
        self.x[:NODES] = state
        doubt = COOLING_DOUBT * (before - state)
        # The nodes forget how they erred, and the air may be warmer than it is now.
        self.covariance[:NODES, :] = 0.0
        self.covariance[:, :NODES] = 0.0
        self.covariance[:NODES, :NODES] = np.outer(doubt, doubt) + 4.0**2
        for index in range(NODES):
            self.covariance[index, index] += 2.0**2

    def predict(
        self, dt_s: float, power_w: float, radps: float, fan: bool, ambient_k: float
    ) -> None:
        """Move on by `dt_s` of work at constant power. Numbers that are not finite are refused."""
        if not (math.isfinite(dt_s) and dt_s > 0.0):
            return
        power = power_w if math.isfinite(power_w) else 0.0
        speed = radps if math.isfinite(radps) else 0.0
        predict_step(self.described, self.x, self.covariance, dt_s, power, speed, fan, ambient_k)
        self._since_sensor_s += dt_s
        known = self._verdict not in (SensorVerdict.NONE, SensorVerdict.FAILED)
        if known and self._since_sensor_s > SENSOR_FAILED_AFTER_S:
            self._verdict = SensorVerdict.FAILED

    def begin_at(self, sensor_k: float) -> None:
        """Start from what the sensor says: nothing is remembered, all nodes are taken alike."""
        self.x[:NODES] = sensor_k

    def correct(self, sensor_k: float, dt_s: float, sigma_k: float = SENSOR_SIGMA_K) -> None:
        """Take a sensor reading; `dt_s` is the time since the reading before.

        An innovation outside the gate does not correct; when that lasts, the sensor is called
        slipped and the model goes on alone. A reading outside 200 to 1500 K means failed.
        """
        if not math.isfinite(sensor_k) or not 200.0 < sensor_k < 1500.0:
            if self._since_sensor_s > SENSOR_FAILED_AFTER_S or self._verdict is SensorVerdict.NONE:
                self._verdict = SensorVerdict.FAILED
            return
        self._since_sensor_s = 0.0
        innovation = sensor_k - self.sensed_k
        s, c = self._share, self.covariance
        variance = sigma_k**2 + float(
            s * s * c[0, 0] + 2.0 * s * (1.0 - s) * c[0, 1] + (1.0 - s) ** 2 * c[1, 1]
        )
        if innovation**2 > SENSOR_GATE**2 * variance:
            self._outside_s += max(0.0, dt_s)
            if self._outside_s > SENSOR_SLIPPED_AFTER_S:
                self._verdict = SensorVerdict.SLIPPED
            return
        self._outside_s = max(0.0, self._outside_s - dt_s)
        if self._verdict is SensorVerdict.SLIPPED and self._outside_s > 0.0:
            return
        self._verdict = SensorVerdict.TRUSTED
        correct_step(self.x, self.covariance, innovation, self._share, sigma_k, True)

    def headroom(
        self,
        limit_k: float,
        power_w: float,
        radps: float,
        fan: bool,
        ambient_k: float,
        horizon_s: float = HORIZON_S,
        pause_s: float = 0.0,
    ) -> Headroom:
        """How long this work may go on, now or after a pause, with its 95 % interval."""
        return Headroom(
            *time_interval(
                self.described, self.x, self.covariance, limit_k, power_w, radps, fan, ambient_k,
                horizon_s, pause_s,
            )
        )  # fmt: skip

    def seconds_left(
        self,
        limit_k: float,
        power_w: float,
        radps: float,
        fan: bool,
        ambient_k: float,
        horizon_s: float = HORIZON_S,
    ) -> float:
        """The best estimate alone, much cheaper than `headroom`."""
        return float(
            time_at(self.described, self.x, limit_k, power_w, radps, fan, ambient_k, horizon_s)
        )

    def seconds_to_cool(self, target_k: float, radps: float, fan: bool, ambient_k: float) -> float:
        """Seconds without load until the rim is below `target_k`; inf beyond four hours."""
        return float(
            cooling_time(self.described, self.x, target_k, radps, fan, ambient_k, HORIZON_S)
        )


def _usable(memory: RotorMemory) -> bool:
    """Memory of another version or with broken numbers is not used."""
    numbers = (memory.rim_k, memory.body_k, memory.hub_k, *memory.learned, *memory.covariance)
    return (
        len(memory.learned) == LEARNED
        and len(memory.covariance) == SIZE * SIZE
        and all(math.isfinite(number) for number in numbers)
    )
