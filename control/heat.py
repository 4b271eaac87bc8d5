"""Rotor heat: how warm an absorber gets from the power it takes, and how long it may go on.

Data flow: absorbed power, shaft speed, fan and ambient temperature -> `advance` moves the rotor
state -> `time_to` predicts when a limit is reached -> control.heat_observer corrects state and
parameters by a sensor -> control.heat_guard keeps the rotor below its limit.

Model (lumped, two nodes): a rim that takes the heat, and a body behind it.

    m_rim c(T) dT_rim/dt = q P - k (T_rim - T_body) - (1 - b) h(w, fan) (T_rim - T_a)
                           - e s A (T_rim^4 - T_a^4)
    m_body c(T) dT_body/dt = (1 - q) P + k (T_rim - T_body) - b h(w, fan) (T_body - T_a)
    h = h_still + h_windage w,  times the fan factor when a fan runs

c(T): specific heat of carbon steel after EN 1993-1-2 section 3.4.1.2 (20 to 600 degC; held constant
beyond). s: Stefan-Boltzmann constant. The rotor of a real absorber is not two nodes; the observer
learns the numbers that make two nodes behave like it.
"""

from __future__ import annotations

import math

import msgspec
import numpy as np
import numpy.typing as npt

from daq.kernel import jit
from daq.rig import RotorHeat

Floats = npt.NDArray[np.float64]

STEFAN_BOLTZMANN = 5.670374419e-8  # W/(m2 K4), CODATA 2018
ZERO_CELSIUS_K = 273.15

# Parameter vector of the kernels.
RIM_KG, BODY_KG, RIM_SHARE, CONDUCTION, STILL, WINDAGE, RADIATING, BODY_COOLING, FAN_FACTOR = range(
    9
)
PARAMETERS = 9


class RotorModel(msgspec.Struct, frozen=True):
    """Parameters of the two-node rotor, as described or as learned."""

    rim_kg: float
    body_kg: float
    rim_share: float  # share of the absorbed power that arises in the rim
    conduction_w_per_k: float
    still_w_per_k: float
    windage_w_per_k_per_radps: float
    radiating_m2: float  # emissivity x area
    body_cooling: float = 0.3  # share of the film that cools the body instead of the rim
    fan_factor: float = 1.5

    def vector(self) -> Floats:
        """The parameters in the order of the kernels."""
        return np.array(
            [
                self.rim_kg, self.body_kg, self.rim_share, self.conduction_w_per_k,
                self.still_w_per_k, self.windage_w_per_k_per_radps, self.radiating_m2,
                self.body_cooling, self.fan_factor,
            ]
        )  # fmt: skip


def model_of(heat: RotorHeat) -> RotorModel:
    """First guess from the rig file: a third of the mass is rim, conduction by plate thickness.

    A rule to begin with, common practice, no source; the observer corrects it.
    """
    return RotorModel(
        rim_kg=heat.mass_kg / 3.0,
        body_kg=heat.mass_kg * 2.0 / 3.0,
        rim_share=0.9,
        conduction_w_per_k=2.5 * heat.mass_kg,
        still_w_per_k=heat.still_w_per_k,
        windage_w_per_k_per_radps=heat.windage_w_per_k_per_radps,
        radiating_m2=heat.emissivity * heat.area_m2,
    )


@jit
def specific_heat(kelvin: float) -> float:
    """Carbon steel, J/(kg K), EN 1993-1-2 section 3.4.1.2, 20 to 600 degC, held beyond."""
    t = kelvin - 273.15
    if t < 20.0:
        t = 20.0
    elif t > 600.0:
        t = 600.0
    return 425.0 + t * (0.773 + t * (-1.69e-3 + t * 2.22e-6))


@jit
def film(p: Floats, radps: float, fan: bool) -> float:
    """Heat transfer of the whole rotor to air, W/K."""
    value = p[STILL] + p[WINDAGE] * abs(radps)
    return float(value * p[FAN_FACTOR] if fan else value)


@jit
def flows(
    p: Floats, rim: float, body: float, power: float, radps: float, fan: bool, ambient: float
) -> tuple[float, float]:
    """Rates of rim and body temperature, K/s."""
    h = film(p, radps, fan)
    through = p[CONDUCTION] * (rim - body)
    glow = p[RADIATING] * STEFAN_BOLTZMANN * (math.pow(rim, 4) - math.pow(ambient, 4))
    rim_w = p[RIM_SHARE] * power - through - (1.0 - p[BODY_COOLING]) * h * (rim - ambient) - glow
    body_w = (1.0 - p[RIM_SHARE]) * power + through - p[BODY_COOLING] * h * (body - ambient)
    return rim_w / (p[RIM_KG] * specific_heat(rim)), body_w / (p[BODY_KG] * specific_heat(body))


@jit
def advance(
    p: Floats, state: Floats, dt: float, power: float, radps: float, fan: bool, ambient: float
) -> None:
    """Move `state` = [rim K, body K] on by `dt` seconds (midpoint rule, stable step)."""
    pace = p[CONDUCTION] + film(p, radps, fan)
    stable = 0.4 * min(p[RIM_KG], p[BODY_KG]) * 440.0 / max(pace, 1e-9)
    steps = int(dt / min(stable, 5.0)) + 1
    h = dt / steps
    for _ in range(steps):
        a, b = flows(p, state[0], state[1], power, radps, fan, ambient)
        c, d = flows(p, state[0] + 0.5 * h * a, state[1] + 0.5 * h * b, power, radps, fan, ambient)
        state[0] += h * c
        state[1] += h * d


@jit
def time_to(
    p: Floats,
    rim: float,
    body: float,
    limit: float,
    power: float,
    radps: float,
    fan: bool,
    ambient: float,
    horizon: float,
) -> float:
    """Seconds until the rim reaches `limit` at constant work; inf when not within `horizon`."""
    if rim >= limit:
        return 0.0
    pace = p[CONDUCTION] + film(p, radps, fan)
    stable = min(0.4 * min(p[RIM_KG], p[BODY_KG]) * 440.0 / max(pace, 1e-9), 5.0)
    now = 0.0
    while now < horizon:
        a, b = flows(p, rim, body, power, radps, fan, ambient)
        c, d = flows(p, rim + 0.5 * stable * a, body + 0.5 * stable * b, power, radps, fan, ambient)
        ahead = rim + stable * c
        if ahead >= limit:
            return float(now + stable * (limit - rim) / (ahead - rim))
        if abs(c) < 1e-6 and abs(d) < 1e-6:
            return math.inf
        rim = ahead
        body += stable * d
        now += stable
    return math.inf


@jit
def sustainable_power(p: Floats, limit: float, radps: float, fan: bool, ambient: float) -> float:
    """Power (W) that would hold the rim at `limit` for ever, after EN 1993-1-2 radiation."""
    h = film(p, radps, fan)
    # At rest of heat: body balance gives body temperature as a function of power (linear).
    bh = p[BODY_COOLING] * h
    k = p[CONDUCTION]
    glow = p[RADIATING] * STEFAN_BOLTZMANN * (math.pow(limit, 4) - math.pow(ambient, 4))
    rise = limit - ambient
    # body rise y: (1-q)P + k(rise - y) - bh y = 0 ; rim: qP - k(rise - y) - (1-b)h rise - glow = 0
    q = p[RIM_SHARE]
    share = k / (k + bh)
    numerator = (1.0 - p[BODY_COOLING]) * h * rise + glow + k * rise * (1.0 - share)
    denominator = q + (1.0 - q) * share
    return float(numerator / denominator)


def cool_off(
    model: RotorModel, rim_k: float, body_k: float, seconds: float, ambient_k: float
) -> tuple[float, float]:
    """Rim and body temperature after `seconds` at rest without a fan, e.g. while switched off."""
    state = np.array([rim_k, body_k])
    advance(model.vector(), state, max(0.0, seconds), 0.0, 0.0, False, ambient_k)
    return float(state[0]), float(state[1])


def after_pause(
    model: RotorModel,
    rim_k: float,
    body_k: float,
    pause_s: float,
    radps: float,
    fan: bool,
    ambient_k: float,
) -> tuple[float, float]:
    """Rim and body temperature after an unloaded pause at a given speed."""
    state = np.array([rim_k, body_k])
    advance(model.vector(), state, max(0.0, pause_s), 0.0, radps, fan, ambient_k)
    return float(state[0]), float(state[1])


def enthalpy_rise(from_k: float, to_k: float) -> float:
    """Heat to warm carbon steel, J/kg, by the integral of `specific_heat` (EN 1993-1-2)."""

    def integral(kelvin: float) -> float:
        t = min(max(kelvin - ZERO_CELSIUS_K, 20.0), 600.0)
        inside = 425.0 * t + 0.773 / 2 * t**2 - 1.69e-3 / 3 * t**3 + 2.22e-6 / 4 * t**4
        beyond = kelvin - ZERO_CELSIUS_K - t
        return inside + beyond * float(specific_heat(kelvin))

    return integral(to_k) - integral(from_k)
