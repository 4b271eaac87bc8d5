"""Physics of the simulated rig and truck as small compiled functions of plain numbers.

Written for the simulator alone: the measuring and controlling side has its own formulas, so that
one mistake cannot hide in both. Sources stand beside the formulas; rows without a source are
invented for this invented machine.
"""

# compiled functions take their numbers one by one

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from simulator.kernel import jit
from simulator.rig_and_truck import layout as at

Floats = npt.NDArray[np.float64]

STEFAN_BOLTZMANN = 5.670374419e-8  # W/(m2 K4), CODATA
ZERO_CELSIUS = 273.15
REFERENCE_K = 293.15  # cold rotor of the absorber curve


@jit
def squared_flux(current_a: float, saturation_a: float) -> float:
    """Square of the flux in A2: the current's square, bent over at saturation."""
    bend: float = np.cbrt(1.0 + abs(current_a / saturation_a) ** 3)
    return (current_a / bend) ** 2


@jit
def brake_curve(speed: float, critical: float) -> float:
    """Torque over peak torque: 2/(w/wc + wc/w), the eddy-current brake of Smythe and Wouterse."""
    return 2.0 * speed * critical / (speed * speed + critical * critical)


@jit
def steel_specific_heat(kelvin: float) -> float:
    """J/(kg K) after EN 1993-1-2, 3.4.1.2, 20 to 600 degC; held constant outside."""
    t = min(max(kelvin - ZERO_CELSIUS, 20.0), 600.0)
    return 425.0 + t * (0.773 + t * (-1.69e-3 + t * 2.22e-6))


@jit
def radiated(kelvin: float, ambient_k: float, area_m2: float, emissivity: float) -> float:
    """W by Stefan and Boltzmann."""
    return emissivity * STEFAN_BOLTZMANN * area_m2 * (kelvin**4 - ambient_k**4)


@jit
def heat_step(a: Floats, p: Floats, heat_w: float, fan: float, ambient_k: float, dt: float) -> None:
    """Move skin, body and hub of one rotor (row `a`, parameters `p`) on by `dt` seconds.

    Most of the heat arises in the skin; vanes cool skin and body, the skin radiates.
    """
    skin, bulk, hub = a[at.A_SKIN], a[at.A_BULK], a[at.A_HUB]
    film = p[at.P_STILL] + fan * p[at.P_STILL_FAN]
    vanes = 1.0 + fan * (p[at.P_WIND_FAN] - 1.0)
    film += p[at.P_WIND] * vanes * abs(a[at.A_SPEED]) ** p[at.P_WIND_POWER]
    to_bulk = p[at.P_SKIN_BULK] * (skin - bulk)
    to_hub = p[at.P_BULK_HUB] * (bulk - hub)
    lost = radiated(skin, ambient_k, p[at.P_AREA], p[at.P_EMISSIVITY])
    skin_flow = 0.85 * heat_w - to_bulk - 0.7 * film * (skin - ambient_k) - lost
    bulk_flow = 0.15 * heat_w + to_bulk - to_hub - 0.3 * film * (bulk - ambient_k)
    hub_flow = to_hub - p[at.P_HUB_AIR] * (hub - ambient_k)
    a[at.A_SKIN] = skin + dt * skin_flow / (p[at.P_SKIN_KG] * steel_specific_heat(skin))
    a[at.A_BULK] = bulk + dt * bulk_flow / (p[at.P_BULK_KG] * steel_specific_heat(bulk))
    a[at.A_HUB] = hub + dt * hub_flow / (p[at.P_HUB_KG] * steel_specific_heat(hub))


@jit
def copper_ratio(kelvin: float) -> float:
    """Resistance over that of 20 degC; 0.00393 per kelvin (from memory)."""
    return 1.0 + 0.00393 * (kelvin - 293.15)


@jit
def supply_step(a: Floats, p: Floats, dt: float) -> float:
    """Voltage that a supply other than the ideal one puts on the coil for the next `dt` seconds.

    In amperes: the current at which the coil would settle under it. A phase-controlled bridge gives
    the tail of a sine from its firing angle on and nothing before (freewheeling); the angle is set
    where a wave begins, by mean = ceiling (1 + cos angle) / 2. A regulating supply puts on what its
    current loop asks for, within what voltage it has.
    """
    warm = a[at.A_WARM]
    ceiling = p[at.P_CEILING] / warm
    asked = max(a[at.A_SET_POINT], 0.0)
    if asked < p[at.P_SUPPLY_FLOOR]:
        asked = 0.0
    if p[at.P_SUPPLY_STEP] > 0.0:
        asked = math.floor(asked / p[at.P_SUPPLY_STEP] + 0.5) * p[at.P_SUPPLY_STEP]
    asked *= p[at.P_FOLLOW_GAIN]
    if p[at.P_SUPPLY] == 1.0:
        a[at.A_WAVE] += dt
        if a[at.A_WAVE] >= p[at.P_SUPPLY_PERIOD]:
            a[at.A_WAVE] -= p[at.P_SUPPLY_PERIOD]
            share = min(max(asked / ceiling, 0.0), 1.0)
            a[at.A_FIRES] = math.acos(2.0 * share - 1.0)
        half = p[at.P_SUPPLY_HALF]
        begin = math.pi * a[at.A_WAVE] / half
        end = min(begin + math.pi * dt / half, math.pi)
        begin = max(begin, a[at.A_FIRES])
        if begin >= end:
            return 0.0
        mean = (math.cos(begin) - math.cos(end)) * half / (math.pi * dt)
        volts: float = ceiling * 0.5 * math.pi * mean * p[at.P_SUPPLY_PERIOD] / half
        return volts
    if asked > 0.0:
        asked = max(asked + p[at.P_SUPPLY_OFFSET], 0.0)
    if p[at.P_SUPPLY_SLEW] > 0.0:
        most = p[at.P_SUPPLY_SLEW] * dt
        a[at.A_COMMAND] += min(max(asked - a[at.A_COMMAND], -most), most)
    else:
        a[at.A_COMMAND] = asked
    share = p[at.P_COIL_SHARE] * warm
    gain = (1.0 - math.exp(-p[at.P_SUPPLY_RATE] * dt)) / share
    target = a[at.A_CURRENT] + gain * (a[at.A_COMMAND] - a[at.A_CURRENT])
    put_on: float = min(max(target, p[at.P_SUPPLY_LEAST] * ceiling), ceiling)
    return put_on


@jit
def coil_step(a: Floats, p: Floats, ambient_k: float, dt: float) -> None:
    """Move winding and core of one absorber on by `dt` seconds at the present current."""
    coil, core = a[at.A_COIL], a[at.A_CORE]
    heat = a[at.A_CURRENT] ** 2 * p[at.P_COIL_OHM] * copper_ratio(coil)
    to_core = p[at.P_COIL_CORE] * (coil - core)
    from_rotor = p[at.P_COIL_ROTOR] * (a[at.A_BULK] - coil)
    a[at.A_COIL] = coil + dt * (heat - to_core + from_rotor) / p[at.P_COIL_STORE]
    away = p[at.P_CORE_AIR] * (core - ambient_k)
    a[at.A_CORE] = core + dt * (to_core - away) / p[at.P_CORE_STORE]
    a[at.A_WARM] = copper_ratio(a[at.A_COIL])


@jit
def tyre_force(
    slip: float, load: float, friction: float, shape: float, stiffness: float, alignment: float
) -> float:
    """Longitudinal force of one axle's tyres: a saturating curve of the combined slip."""
    if load <= 0.0:
        return 0.0
    combined = math.sqrt(slip * slip + alignment * alignment) + 1e-12
    grip = friction * (1.0 - 0.08 * (load - 18_000.0) / 18_000.0)
    return grip * load * math.sin(shape * math.atan(stiffness * combined)) * slip / combined


@jit
def rub(speed: float, most: float) -> float:
    """Speed after dry friction that can take `most` off it and brings it to rest, never further."""
    if abs(speed) <= most:
        return 0.0
    return speed - math.copysign(most, speed)


@jit
def crossing_time(distance: float, speed: float, acceleration: float) -> float:
    """Seconds until `distance` is covered, at constant acceleration; exact and well conditioned."""
    root = math.sqrt(max(speed * speed + 2.0 * acceleration * distance, 0.0))
    return 2.0 * distance / max(speed + root, 1e-12)


@jit
def full_torque(speed: float, table: Floats) -> float:
    """N m of the boosted engine at full fuelling; `table` has one value per 20 rad/s from zero."""
    position = min(max(speed / 20.0, 0.0), table.shape[0] - 1.000001)
    index = int(position)
    share = position - index
    torque: float = table[index] * (1.0 - share) + table[index + 1] * share
    return torque


@jit
def converter_torques(
    engine: float, turbine: float, capacity: float, stall_ratio: float
) -> tuple[float, float]:
    """Pump and turbine torque of the hydrodynamic converter, N m."""
    if engine >= turbine:
        ratio = max(turbine, 0.0) / max(engine, 1.0)
        pump = capacity * engine * engine * (1.0 - ratio * ratio * ratio)
        gain = stall_ratio - (stall_ratio - 1.0) * ratio / 0.88 if ratio < 0.88 else 1.0
        return pump, pump * gain
    drag = -0.5 * capacity * (turbine * turbine - engine * engine)
    return drag, drag


@jit
def solve_driveline(
    speeds: Floats,
    torques: Floats,
    inertias: Floats,
    dt: float,
    ratio: float,
    front_share: float,
    lock_capacity: float,
    gear_capacity: float,
    case_capacity: float,
    clutches: Floats,
) -> None:
    """One implicit step of engine, turbine and both axle inputs, coupled by three clutches.

    `speeds`, `torques`, `inertias`: engine, turbine, front axle, rear axle. `ratio` is gear times
    final drive. A clutch sticks unless its torque would exceed its capacity; sticking means a
    viscous link so stiff (1e6 N m s/rad) that it does not creep by more than 0.01 rpm.
    Results go to `speeds` and `clutches` (lock-up, gear, transfer-case lock: N m).
    """
    stiff = 1e6
    nf = ratio * front_share
    nr = ratio * (1.0 - front_share)
    k1, k2, k3 = stiff, stiff, stiff
    c1, c2, c3 = 0.0, 0.0, 0.0
    if lock_capacity <= 0.0:
        k1 = 0.0
    if gear_capacity <= 0.0:
        k2 = 0.0
    if case_capacity <= 0.0:
        k3 = 0.0
    w0, w1, w2, w3 = 0.0, 0.0, 0.0, 0.0
    j0, j1, j2, j3 = inertias[0] / dt, inertias[1] / dt, inertias[2] / dt, inertias[3] / dt
    for _ in range(4):
        # The symmetric equations: diagonal d, upper triangle u, right-hand side b.
        d0 = j0 + k1
        u01 = -k1
        d1 = j1 + k1 + k2
        u12 = -k2 * nf
        u13 = -k2 * nr
        d2 = j2 + k2 * nf * nf + k3
        u23 = k2 * nf * nr - k3
        d3 = j3 + k2 * nr * nr + k3
        b0 = j0 * speeds[0] + torques[0] - c1
        b1 = j1 * speeds[1] + torques[1] + c1 - c2
        b2 = j2 * speeds[2] + torques[2] + nf * c2 - c3
        b3 = j3 * speeds[3] + torques[3] + nr * c2 + c3
        f = u01 / d0
        d1 -= f * u01
        b1 -= f * b0
        f2 = u12 / d1
        f3 = u13 / d1
        d2 -= f2 * u12
        u23 -= f2 * u13
        d3 -= f3 * u13
        b2 -= f2 * b1
        b3 -= f3 * b1
        f = u23 / d2
        d3 -= f * u23
        b3 -= f * b2
        w3 = b3 / d3
        w2 = (b2 - u23 * w3) / d2
        w1 = (b1 - u12 * w2 - u13 * w3) / d1
        w0 = (b0 - u01 * w1) / d0
        clutches[0] = k1 * (w0 - w1) + c1
        clutches[1] = k2 * (w1 - nf * w2 - nr * w3) + c2
        clutches[2] = k3 * (w2 - w3) + c3
        # Only the most overloaded one lets go: the others may hold once it slips.
        over1 = abs(clutches[0]) / lock_capacity if k1 > 0.0 else 0.0
        over2 = abs(clutches[1]) / gear_capacity if k2 > 0.0 else 0.0
        over3 = abs(clutches[2]) / case_capacity if k3 > 0.0 else 0.0
        if over1 <= 1.0 and over2 <= 1.0 and over3 <= 1.0:
            break
        if over1 >= over2 and over1 >= over3:
            c1 = math.copysign(lock_capacity, clutches[0])
            k1 = 0.0
        elif over2 >= over3:
            c2 = math.copysign(gear_capacity, clutches[1])
            k2 = 0.0
        else:
            c3 = math.copysign(case_capacity, clutches[2])
            k3 = 0.0
    speeds[0] = w0
    speeds[1] = w1
    speeds[2] = w2
    speeds[3] = w3
