"""Heat of an absorber's coil: copper losses in, iron, air and rotor away; resistance tells.

Data flow: mean square of the measured current, ambient and rotor temperature a few times a second
-> `predict`; a measured coil voltage, when the rig has one -> `hear`: voltage over current is
resistance, and that is temperature -> estimate with uncertainty, resistance over that of a cold
coil (lag and ceiling of the supply follow it), headroom, and the share of full heating that may be
taken.

    C dT/dt = i^2 R20 (1 + a (T - 293.15 K)) - G (T - T_air) - K (T - T_rotor)

One node for winding and the iron near it; a = 0.00393 per kelvin (annealed copper at 20 degC, from
memory). State: T and the logarithms of factors on C, G and R20, which start at 1 with PRIOR_SIGMA.
Over an interval of constant current the equation is linear and solved exactly.
"""

from __future__ import annotations

import math

import msgspec
import numpy as np
import numpy.typing as npt

from daq.kernel import jit, refresh_cache
from daq.rig.description import CoilHeat

refresh_cache(__file__)

Floats = npt.NDArray[np.float64]

COPPER_PER_K = 0.00393
COLD_COIL_K = 293.15
COPPER_J_PER_KG_K = 385.0  # textbook value, from memory
STATES = 4  # T, ln C, ln G, ln R20
PRIOR_SIGMA = (0.25, 0.25, 0.03)
START_SIGMA_K = 15.0
NOISE_K_PER_ROOT_S = 0.15  # winding and core are not one node
WALK_PER_ROOT_S = 1e-4
OHM_NOISE = 0.003  # of one reading of voltage over current
GATE = 5.0
LEAST_SHARE_A = 0.2  # of the continuous current: below it voltage over current says little
STEADY = 0.02  # current within so much of its mean: no inductive voltage
CAP_HORIZON_S = 90.0
MARGIN_SIGMAS = 2.5
LARGEST_MARGIN = 0.5  # of the way from the surroundings to the limit
COOLING_DOUBT = 0.25

# Parameters of the kernels.
OHM, STORE, AIR, ROTOR = range(4)


@jit
def resistance_ratio(kelvin: float) -> float:
    """Resistance of copper over that at 20 degC."""
    return 1.0 + COPPER_PER_K * (kelvin - COLD_COIL_K)


@jit
def rate_and_end(
    p: Floats, x: Floats, square_a2: float, ambient: float, rotor: float
) -> tuple[float, float]:
    """1/s and K: the temperature goes to the end with that rate (a rate of 0 or less: away)."""
    store = p[STORE] * math.exp(x[1])
    air = p[AIR] * math.exp(x[2])
    heat = square_a2 * p[OHM] * math.exp(x[3])
    away = air + p[ROTOR] - heat * COPPER_PER_K
    into = heat * (1.0 - COPPER_PER_K * COLD_COIL_K) + air * ambient + p[ROTOR] * rotor
    if abs(away) < 1e-9:
        away = 1e-9
    return away / store, into / away


@jit
def moved(p: Floats, x: Floats, dt: float, square_a2: float, ambient: float, rotor: float) -> float:
    """Temperature after `dt` seconds at that mean square of the current."""
    rate, end = rate_and_end(p, x, square_a2, ambient, rotor)
    return float(end + (x[0] - end) * math.exp(-min(max(rate * dt, -50.0), 500.0)))


@jit
def predict_coil(
    p: Floats, x: Floats, covariance: Floats, dt: float, square_a2: float, ambient: float,
    rotor: float,
) -> None:  # fmt: skip
    """Extended Kalman prediction in place."""
    base = moved(p, x, dt, square_a2, ambient, rotor)
    row = np.empty(STATES)
    for i in range(STATES):
        nudge = 0.1 if i == 0 else 1e-3
        before = x[i]
        x[i] = before + nudge
        row[i] = (moved(p, x, dt, square_a2, ambient, rotor) - base) / nudge
        x[i] = before
    top = np.zeros(STATES)
    for j in range(STATES):
        for k in range(STATES):
            top[j] += row[k] * covariance[k, j]
    total = 0.0
    for k in range(STATES):
        total += top[k] * row[k]
    for j in range(1, STATES):
        covariance[0, j] = covariance[j, 0] = top[j]
        covariance[j, j] += WALK_PER_ROOT_S**2 * dt
    covariance[0, 0] = total + NOISE_K_PER_ROOT_S**2 * dt
    x[0] = base


@jit
def correct_coil(p: Floats, x: Floats, covariance: Floats, ohm: float) -> bool:
    """Kalman update in place by a measured resistance; False when it is outside the gate."""
    cold = p[OHM] * math.exp(x[3])
    expected = cold * resistance_ratio(x[0])
    row_t, row_r = cold * COPPER_PER_K, expected
    gain = np.empty(STATES)
    for i in range(STATES):
        gain[i] = covariance[i, 0] * row_t + covariance[i, 3] * row_r
    variance = gain[0] * row_t + gain[3] * row_r + (OHM_NOISE * expected) ** 2
    innovation = ohm - expected
    if innovation * innovation > GATE * GATE * variance:
        return False
    for i in range(STATES):
        x[i] += gain[i] / variance * innovation
    for i in range(1, STATES):
        x[i] = min(max(x[i], -1.5), 1.5)
    for i in range(STATES):
        for j in range(STATES):
            covariance[i, j] -= gain[i] * gain[j] / variance
    return True


@jit
def coil_time(
    p: Floats, x: Floats, limit: float, square_a2: float, ambient: float, rotor: float,
    horizon: float,
) -> float:  # fmt: skip
    """Seconds until `limit` at constant current; inf beyond the horizon."""
    if x[0] >= limit:
        return 0.0
    rate, end = rate_and_end(p, x, square_a2, ambient, rotor)
    share = (limit - end) / (x[0] - end) if x[0] != end else 1.0
    if share <= 0.0 or (rate > 0.0 and share >= 1.0) or (rate < 0.0 and share <= 1.0):
        return math.inf
    seconds = -math.log(share) / rate
    return seconds if seconds <= horizon else math.inf


@jit
def coil_share(
    p: Floats, x: Floats, variance: float, most_a: float, limit: float, ambient: float,
    rotor: float,
) -> float:  # fmt: skip
    """Share of the heating at `most_a` that may be taken: losses now, and a store over a time."""
    here = x[0]
    full = most_a * most_a * p[OHM] * math.exp(x[3]) * resistance_ratio(here)
    margin = min(
        MARGIN_SIGMAS * math.sqrt(max(variance, 0.0)), LARGEST_MARGIN * max(limit - ambient, 0.0)
    )
    room = p[STORE] * math.exp(x[1]) * (limit - margin - here) / CAP_HORIZON_S
    lost = p[AIR] * math.exp(x[2]) * (here - ambient) + p[ROTOR] * (here - rotor)
    return float(min(max((lost + room) / full, 0.0), 1.0))


class CoilMemory(msgspec.Struct, frozen=True):
    """What survives a restart."""

    coil_k: float
    learned: tuple[float, ...]
    covariance: tuple[float, ...]


class CoilObserver:
    """One coil. `predict` for each interval, `hear` for each reading of its voltage."""

    def __init__(
        self, coil: CoilHeat, max_current_a: float, ambient_k: float,
        memory: CoilMemory | None = None,
    ) -> None:  # fmt: skip
        self.heat = coil
        self._most_a = max_current_a
        self._p = np.array(
            [coil.resistance_ohm, coil.mass_kg * COPPER_J_PER_KG_K, coil.to_air_w_per_k,
             coil.to_rotor_w_per_k]
        )  # fmt: skip
        self.x = np.array([ambient_k, 0.0, 0.0, 0.0])
        self.covariance = np.diag([START_SIGMA_K**2, *(each**2 for each in PRIOR_SIGMA)])
        self.heard = 0  # readings that corrected
        self.refused = 0  # readings outside the gate, in a row
        self.from_memory = memory is not None and _usable(memory)
        if memory is not None and _usable(memory):
            self.x[:] = (memory.coil_k, *memory.learned)
            self.covariance[:] = np.array(memory.covariance).reshape(STATES, STATES)

    @property
    def coil_k(self) -> float:
        return float(self.x[0])

    @property
    def sigma_k(self) -> float:
        return math.sqrt(max(0.0, float(self.covariance[0, 0])))

    @property
    def warm(self) -> float:
        """Resistance now over that of a coil at 20 degC."""
        return max(0.5, resistance_ratio(self.coil_k))

    @property
    def factors(self) -> tuple[float, float, float]:
        """Learned factors on heat store, cooling and cold resistance."""
        return math.exp(self.x[1]), math.exp(self.x[2]), math.exp(self.x[3])

    def memory(self) -> CoilMemory:
        return CoilMemory(
            self.coil_k, tuple(self.x[1:].tolist()), tuple(self.covariance.ravel().tolist())
        )

    def was_off(self, seconds: float, ambient_k: float, rotor_k: float) -> None:
        """It cooled without current while nobody watched; a quarter of that is not believed."""
        if not seconds > 0.0:
            return
        before = self.coil_k
        self.x[0] = moved(self._p, self.x, seconds, 0.0, ambient_k, min(rotor_k, before))
        self.covariance[0, :] = self.covariance[:, 0] = 0.0
        self.covariance[0, 0] = (COOLING_DOUBT * (before - self.coil_k)) ** 2 + 4.0**2

    def predict(self, dt_s: float, square_a2: float, ambient_k: float, rotor_k: float) -> None:
        """Move on; numbers that are not finite count as no current."""
        if not (math.isfinite(dt_s) and dt_s > 0.0):
            return
        square = square_a2 if math.isfinite(square_a2) else 0.0
        predict_coil(self._p, self.x, self.covariance, dt_s, square, ambient_k, rotor_k)

    def hear(self, volt: float, current_a: float, mean_square_a2: float) -> None:
        """A coil voltage with the current of the same moment; used only while that is steady."""
        if not (math.isfinite(volt) and math.isfinite(current_a) and volt > 0.0):
            return
        if current_a < LEAST_SHARE_A * self._most_a:
            return
        if abs(current_a**2 - mean_square_a2) > 2.0 * STEADY * current_a**2:
            return
        if correct_coil(self._p, self.x, self.covariance, volt / current_a):
            self.heard += 1
            self.refused = 0
        else:
            self.refused += 1

    def headroom(
        self, square_a2: float, ambient_k: float, rotor_k: float, horizon_s: float
    ) -> tuple[float, float, float]:
        """Seconds to the limit at this current: best, and the ends of the 95 % interval."""
        limit = self.heat.limit_k
        work = (square_a2, ambient_k, rotor_k)
        best = float(coil_time(self._p, self.x, limit, *work, horizon_s))
        at = min(best, horizon_s)
        middle = moved(self._p, self.x, at, *work)
        gradient = np.empty(STATES)
        for i in range(STATES):
            nudge = 1.0 if i == 0 else 1e-2
            nudged = self.x.copy()
            nudged[i] += nudge
            gradient[i] = (moved(self._p, nudged, at, *work) - middle) / nudge
        way = self.covariance @ gradient
        variance = float(gradient @ way)
        if best == 0.0 or not variance > 0.0:
            return best, best, best
        way *= 1.96 / math.sqrt(variance)
        low = float(coil_time(self._p, self.x + way, limit, *work, horizon_s))
        high = float(coil_time(self._p, self.x - way, limit, *work, horizon_s))
        return best, min(low, best), max(high, best)

    def share(self, ambient_k: float, rotor_k: float) -> float:
        """Share of the heating at the continuous current that may be taken now, 0 to 1.

        As the rotor's cap: losses now plus what may be stored over CAP_HORIZON_S, up to the limit
        less MARGIN_SIGMAS standard uncertainties. Torque falls no faster than the square of the
        current, so this share of the torque is safe.
        """
        return float(
            coil_share(
                self._p, self.x, self.covariance[0, 0], self._most_a, self.heat.limit_k, ambient_k,
                rotor_k,
            )
        )  # fmt: skip


def _usable(memory: CoilMemory) -> bool:
    numbers = (memory.coil_k, *memory.learned, *memory.covariance)
    return (
        len(memory.learned) == STATES - 1
        and len(memory.covariance) == STATES * STATES
        and all(math.isfinite(number) for number in numbers)
    )
