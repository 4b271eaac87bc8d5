"""Rotor heat: how warm an absorber gets from the power it takes, and how long it may go on.

Data flow: absorbed power, shaft speed, fan and ambient temperature -> `advance` moves the rotor
state -> `time_to` predicts when a limit is reached -> control.thermal.rotor_observer corrects state
and parameters by a sensor -> control.thermal.limiter keeps the rotor below its limit.

Model (lumped, three nodes): a rim that takes the heat, the body behind it, the hub that carries it.

    m_rim  c(T) dT_rim/dt  = q P - k (T_rim - T_body) - (1 - b) h (T_rim - T_a)
                             - e s A (T_rim^4 - T_a^4)
    m_body c(T) dT_body/dt = (1 - q) P + k (T_rim - T_body) - b h (T_body - T_a)
                             - k_hub (T_body - T_hub)
    m_hub  c(T) dT_hub/dt  = k_hub (T_body - T_hub) - h_hub (T_hub - T_a)
    h = h_still + h_windage w (w / 100)^(n - 1),  times the fan factor when a fan runs

c(T): specific heat of carbon steel after EN 1993-1-2 section 3.4.1.2 (20 to 600 degC; held constant
beyond). s: Stefan-Boltzmann constant. n = 0.8: turbulent air over a turning disc, Nu ~ Re^0.8
(textbook form, from memory). The rotor of a real absorber is not three nodes; the observer learns
the numbers that make three nodes behave like it.

Steps: a two-stage Rosenbrock method of second order (J. G. Verwer et al., SIAM J. Sci. Comput. 20,
1999, from memory), which stays stable when a step is longer than the rim's time constant.
"""

from __future__ import annotations

import math

import msgspec
import numpy as np
import numpy.typing as npt

from daq.kernel import jit
from daq.rig.description import RotorHeat

Floats = npt.NDArray[np.float64]

STEFAN_BOLTZMANN = 5.670374419e-8  # W/(m2 K4), CODATA 2018
ZERO_CELSIUS_K = 273.15
STEEL_KG_M3 = 7850.0  # EN 1993-1-2 section 3.2.2
STEEL_W_PER_MK = 44.0  # conductivity at 300 degC, EN 1993-1-2 section 3.4.1.3 (EC-11)
GAMMA = 1.0 - 1.0 / math.sqrt(2.0)
NODES = 3
WINDAGE_POWER_GUESS = 0.8
REFERENCE_RADPS = 100.0

# Parameter vector of the kernels.
(
    RIM_KG, BODY_KG, RIM_SHARE, CONDUCTION, STILL, WINDAGE, RADIATING, BODY_COOLING, FAN_FACTOR,
    HUB_KG, HUB_CONDUCTION, HUB_AIR, WINDAGE_POWER,
) = range(13)  # fmt: skip
PARAMETERS = 13


class RotorModel(msgspec.Struct, frozen=True):
    """Parameters of the three-node rotor, as described or as learned.

    With the default hub (no conduction to it) it is a rotor of rim and body alone.
    """

    rim_kg: float
    body_kg: float
    rim_share: float  # share of the absorbed power that arises in the rim
    conduction_w_per_k: float
    still_w_per_k: float
    windage_w_per_k_per_radps: float  # at 100 rad/s
    radiating_m2: float  # emissivity x area
    body_cooling: float = 0.3  # share of the film that cools the body instead of the rim
    fan_factor: float = 1.5
    hub_kg: float = 1.0
    hub_conduction_w_per_k: float = 0.0
    hub_air_w_per_k: float = 0.0
    windage_power: float = WINDAGE_POWER_GUESS

    def vector(self) -> Floats:
        """The parameters in the order of the kernels."""
        return np.array(
            [
                self.rim_kg, self.body_kg, self.rim_share, self.conduction_w_per_k,
                self.still_w_per_k, self.windage_w_per_k_per_radps, self.radiating_m2,
                self.body_cooling, self.fan_factor, self.hub_kg, self.hub_conduction_w_per_k,
                self.hub_air_w_per_k, self.windage_power,
            ]
        )  # fmt: skip


def model_of(heat: RotorHeat) -> RotorModel:
    """First guess from the rig file.

    Conduction: through half a steel plate of the described mass, with half the described area on
    either face. A quarter of the mass as rim, a hub of a quarter more that takes 0.6 W/K per
    kilogram: common practice, no source. The observer corrects all of it.
    """
    face_m2 = 0.5 * heat.area_m2
    thickness_m = heat.mass_kg / (STEEL_KG_M3 * face_m2)
    return RotorModel(
        rim_kg=heat.mass_kg * 0.25,
        body_kg=heat.mass_kg * 0.75,
        rim_share=0.9,
        conduction_w_per_k=STEEL_W_PER_MK * face_m2 / (0.5 * thickness_m),
        still_w_per_k=heat.still_w_per_k,
        windage_w_per_k_per_radps=heat.windage_w_per_k_per_radps,
        radiating_m2=heat.emissivity * heat.area_m2,
        hub_kg=0.25 * heat.mass_kg,
        hub_conduction_w_per_k=0.6 * heat.mass_kg,
        hub_air_w_per_k=0.04 * heat.mass_kg,
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
    speed = abs(radps)
    value = p[STILL]
    if speed > 0.0:
        value += p[WINDAGE] * REFERENCE_RADPS * (speed / REFERENCE_RADPS) ** p[WINDAGE_POWER]
    return float(value * p[FAN_FACTOR] if fan else value)


@jit
def heat_flows(
    p: Floats, rim: float, body: float, hub: float, power: float, h: float, ambient: float
) -> tuple[float, float, float]:
    """Net heat flow into rim, body and hub, W; `h` is the film in W/K."""
    through = p[CONDUCTION] * (rim - body)
    away = p[HUB_CONDUCTION] * (body - hub)
    square, cold = rim * rim, ambient * ambient
    glow = p[RADIATING] * STEFAN_BOLTZMANN * (square * square - cold * cold)
    rim_w = p[RIM_SHARE] * power - through - (1.0 - p[BODY_COOLING]) * h * (rim - ambient) - glow
    body_w = (1.0 - p[RIM_SHARE]) * power + through - away - p[BODY_COOLING] * h * (body - ambient)
    return rim_w, body_w, away - p[HUB_AIR] * (hub - ambient)


@jit
def flows(
    p: Floats,
    rim: float,
    body: float,
    hub: float,
    power: float,
    radps: float,
    fan: bool,
    ambient: float,
) -> tuple[float, float, float]:
    """Rates of rim, body and hub temperature, K/s."""
    a, b, c = heat_flows(p, rim, body, hub, power, film(p, radps, fan), ambient)
    return (
        a / (p[RIM_KG] * specific_heat(rim)),
        b / (p[BODY_KG] * specific_heat(body)),
        c / (p[HUB_KG] * specific_heat(hub)),
    )


@jit
def step_once(
    p: Floats,
    rim: float,
    body: float,
    hub: float,
    dt: float,
    power: float,
    h: float,
    ambient: float,
) -> tuple[float, float, float]:
    """Temperatures `dt` seconds later. The Jacobian needs only to be near for second order."""
    c1 = p[RIM_KG] * specific_heat(rim)
    c2 = p[BODY_KG] * specific_heat(body)
    c3 = p[HUB_KG] * specific_heat(hub)
    k, kh = p[CONDUCTION], p[HUB_CONDUCTION]
    g = GAMMA * dt
    glow = 4.0 * p[RADIATING] * STEFAN_BOLTZMANN * rim * rim * rim
    # I - g J: a chain of three, upper and lower neighbours.
    d1 = 1.0 + g * (k + (1.0 - p[BODY_COOLING]) * h + glow) / c1
    u1 = -g * k / c1
    l2 = -g * k / c2
    d2 = 1.0 + g * (k + kh + p[BODY_COOLING] * h) / c2
    u2 = -g * kh / c2
    l3 = -g * kh / c3
    d3 = 1.0 + g * (kh + p[HUB_AIR]) / c3
    m2 = l2 / d1
    e2 = d2 - m2 * u1
    m3 = l3 / e2
    e3 = d3 - m3 * u2
    f1, f2, f3 = heat_flows(p, rim, body, hub, power, h, ambient)
    b1 = f1 / c1
    b2 = f2 / c2 - m2 * b1
    b3 = f3 / c3 - m3 * b2
    x3 = b3 / e3
    x2 = (b2 - u2 * x3) / e2
    x1 = (b1 - u1 * x2) / d1
    r, b, n = rim + dt * x1, body + dt * x2, hub + dt * x3
    f1, f2, f3 = heat_flows(p, r, b, n, power, h, ambient)
    b1 = f1 / (p[RIM_KG] * specific_heat(r)) - 2.0 * x1
    b2 = f2 / (p[BODY_KG] * specific_heat(b)) - 2.0 * x2 - m2 * b1
    b3 = f3 / (p[HUB_KG] * specific_heat(n)) - 2.0 * x3 - m3 * b2
    y3 = b3 / e3
    y2 = (b2 - u2 * y3) / e2
    y1 = (b1 - u1 * y2) / d1
    return (
        rim + dt * (1.5 * x1 + 0.5 * y1),
        body + dt * (1.5 * x2 + 0.5 * y2),
        hub + dt * (1.5 * x3 + 0.5 * y3),
    )


@jit
def advance(
    p: Floats,
    state: Floats,
    dt: float,
    power: float,
    radps: float,
    fan: bool,
    ambient: float,
    longest: float = 1.5,
) -> None:
    """Move `state` = [rim K, body K, hub K] on by `dt` seconds of constant work.

    `longest`: of one step, s; a forecast of sensitivities may take longer ones.
    """
    h = film(p, radps, fan)
    rim, body, hub = state[0], state[1], state[2]
    left = dt
    while left > 0.0:
        each = min(left, longest)
        rim, body, hub = step_once(p, rim, body, hub, each, power, h, ambient)
        left -= each
        if power == 0.0 and longest < 60.0:  # cooling: soon nothing is quick any more
            longest *= 1.1
    state[0], state[1], state[2] = rim, body, hub


@jit
def time_to(
    p: Floats,
    rim: float,
    body: float,
    hub: float,
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
    h = film(p, radps, fan)
    now = 0.0
    step = 1.0
    while now < horizon:
        a, b, c = step_once(p, rim, body, hub, step, power, h, ambient)
        if a >= limit:
            if step > 2.0:  # look closer
                step *= 0.25
                continue
            return float(now + step * (limit - rim) / (a - rim))
        moved = max(abs(a - rim), abs(b - body), abs(c - hub))
        if moved < 1e-5 * step:
            return math.inf
        rim, body, hub = a, b, c
        now += step
        if moved < 6.0 and step < 120.0:
            step *= 1.25
    return math.inf


@jit
def sustainable_power(p: Floats, limit: float, radps: float, fan: bool, ambient: float) -> float:
    """Power (W) that would hold the rim at `limit` for ever, all nodes at rest."""
    h = film(p, radps, fan)
    k, kh, ha = p[CONDUCTION], p[HUB_CONDUCTION], p[HUB_AIR]
    body_loss = p[BODY_COOLING] * h + (kh * ha / (kh + ha) if kh + ha > 0.0 else 0.0)
    glow = p[RADIATING] * STEFAN_BOLTZMANN * (math.pow(limit, 4) - math.pow(ambient, 4))
    rise = limit - ambient
    # body rise y: (1-q)P + k(rise - y) - body_loss y = 0 ; rim: qP - k(rise - y) - losses = 0
    q = p[RIM_SHARE]
    share = k / (k + body_loss)
    numerator = (1.0 - p[BODY_COOLING]) * h * rise + glow + k * rise * (1.0 - share)
    denominator = q + (1.0 - q) * share
    return float(numerator / denominator)


@jit
def lost_power(
    p: Floats, rim: float, body: float, hub: float, radps: float, fan: bool, ambient: float
) -> float:
    """What leaves rim and body now, to air, surroundings and hub, W."""
    a, b, _ = heat_flows(p, rim, body, hub, 0.0, film(p, radps, fan), ambient)
    return -(a + b)
