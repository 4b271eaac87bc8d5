"""The simulated truck for one substep, compiled: gearbox, engine, driveline, axles and tyres.

Data flows: driver inputs and roll speeds -> `truck_step` -> tractive force of each roll set.
The truck is strapped down: it cannot move, its mass shows only as tyre load.
"""

# compiled functions take their arrays one by one

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from simulator.kernel import jit
from simulator.rig_and_truck import layout as at
from simulator.rig_and_truck.physics import (
    converter_torques,
    full_torque,
    rub,
    solve_driveline,
    tyre_force,
)

Floats = npt.NDArray[np.float64]


@jit
def shift_gears(v: Floats, inputs: Floats, t: Floats, dt: float) -> None:
    """Gear selection, torque interruption and lock-up of the automatic gearbox."""
    length = t[at.T_SHIFT_OPEN] + t[at.T_SHIFT_CLOSE]
    wanted = inputs[at.I_GEAR]
    since = v[at.V_SHIFT_TIME]
    if wanted < 0.0:  # automatic
        wanted = max(v[at.V_GEAR], 1.0)
        if since > length + 0.8:
            if v[at.V_TURBINE] > 160.0 + 150.0 * inputs[at.I_PEDAL] and wanted < 6.0:
                wanted += 1.0
            elif v[at.V_TURBINE] < 95.0 + 70.0 * inputs[at.I_PEDAL] and wanted > 1.0:
                wanted -= 1.0
    if since > length and wanted != v[at.V_GEAR]:
        v[at.V_TARGET] = wanted
        since = 0.0
    else:
        since += dt
    v[at.V_SHIFT_TIME] = since
    full = t[at.T_GEAR_CAPACITY]
    if since < t[at.T_SHIFT_OPEN]:
        v[at.V_GEAR_CAPACITY] = (
            0.0 if v[at.V_GEAR] == 0.0 else full * (1.0 - since / t[at.T_SHIFT_OPEN])
        )
    else:
        v[at.V_GEAR] = v[at.V_TARGET]
        closed = min((since - t[at.T_SHIFT_OPEN]) / t[at.T_SHIFT_CLOSE], 1.0)
        v[at.V_GEAR_CAPACITY] = 0.0 if v[at.V_GEAR] == 0.0 else full * closed
    slow = v[at.V_TURBINE] < t[at.T_LOCK_SPEED] * (0.85 if v[at.V_LOCK_CAPACITY] > 0.0 else 1.0)
    if slow or since < length or inputs[at.I_LOCK_UP] < 0.5 or v[at.V_GEAR] == 0.0:
        v[at.V_LOCK_CAPACITY] = 0.0
    else:
        v[at.V_LOCK_CAPACITY] = min(
            v[at.V_LOCK_CAPACITY] + dt * t[at.T_LOCK_CAPACITY] / 0.8, t[at.T_LOCK_CAPACITY]
        )


@jit
def engine_step(v: Floats, inputs: Floats, t: Floats, table: Floats, dt: float) -> float:
    """Crankshaft torque in N m; moves boost, fuelling and the idle governor on."""
    speed = v[at.V_ENGINE]
    error = t[at.T_IDLE_SPEED] - speed
    v[at.V_IDLE] = min(max(v[at.V_IDLE] + dt * 0.02 * error, 0.0), 0.6)
    governed = min(max(v[at.V_IDLE] + 0.02 * error, 0.0), 0.6)
    # The pedal asks for a share of full torque; letting go cuts the fuel.
    pedal = inputs[at.I_PEDAL]
    full = full_torque(speed, table)
    friction = (t[at.T_FRICTION_0] + t[at.T_FRICTION_1] * speed) * min(speed / 5.0, 1.0)
    overcome = friction / (full + friction) * min(pedal / 0.05, 1.0)
    wanted = max(pedal + (1.0 - pedal) * overcome, governed)
    wanted *= min(max((366.0 - speed) / 12.0, 0.0), 1.0)  # about 3,400 to 3,500 rev/min
    if v[at.V_SHIFT_TIME] < t[at.T_SHIFT_OPEN] + 0.5 * t[at.T_SHIFT_CLOSE]:
        wanted = min(wanted, 0.35)
    wanted *= inputs[at.I_ENGINE_ON]
    reach = min(max((speed - 70.0) / 110.0, 0.02), 1.0)
    settled = t[at.T_BOOST] * reach * v[at.V_FUEL]
    v[at.V_BOOST] += (
        dt * (settled - v[at.V_BOOST]) / (0.3 + 1.1 * (1.0 - 0.8 * reach * v[at.V_FUEL]))
    )
    air = t[at.T_UNBOOSTED] + (1.0 - t[at.T_UNBOOSTED]) * min(
        v[at.V_BOOST] / (t[at.T_BOOST] * reach), 1.0
    )
    allowed = min(wanted, 1.12 * air)
    v[at.V_FUEL] += dt * (min(allowed, 1.0) - v[at.V_FUEL]) / t[at.T_FUEL_LAG]
    rich = max(v[at.V_FUEL] / air - 0.97, 0.0)  # more fuel than the air can burn: smoke
    v[at.V_SMOKE] += dt * (min(0.02 * v[at.V_FUEL] + 1.8 * rich, 0.95) - v[at.V_SMOKE]) / 0.15
    burned = full * t[at.T_TORQUE_GAIN] * inputs[at.I_AIR] * (1.0 + v[at.V_WANDER]) + friction
    torque: float = min(v[at.V_FUEL], 1.03 * air) * burned - friction
    return torque


@jit
def truck_step(
    v: Floats,
    rolls: Floats,
    q: Floats,
    inputs: Floats,
    t: Floats,
    table: Floats,
    gears: Floats,
    solver: Floats,
    dt: float,
) -> None:
    """Engine to tyres for one substep; leaves the tractive force of each roll set in `rolls`."""
    torque = engine_step(v, inputs, t, table, dt)
    v[at.V_TORQUE] = torque
    gear = int(v[at.V_GEAR])
    ratio = gears[gear]
    rear_only = inputs[at.I_CASE] > 1.5
    share = 0.0 if rear_only else t[at.T_FRONT_SHARE]
    case = t[at.T_CASE_CAPACITY] if 0.5 < inputs[at.I_CASE] < 1.5 else 0.0
    pump, turbine = converter_torques(
        v[at.V_ENGINE], v[at.V_TURBINE], t[at.T_CAPACITY], t[at.T_STALL_RATIO]
    )
    drag = t[at.T_GEARBOX_DRAG] + t[at.T_GEARBOX_LOAD_LOSS] * abs(v[at.V_GEAR_TORQUE])
    drag = (
        (drag + t[at.T_GEARBOX_VISCOUS] * abs(v[at.V_TURBINE]))
        * v[at.V_TURBINE]
        / (abs(v[at.V_TURBINE]) + 1.0)
    )
    speeds = solver[0]
    torques = solver[1]
    inertias = solver[2]
    clutches = solver[3]
    speeds[0] = v[at.V_ENGINE]
    speeds[1] = v[at.V_TURBINE]
    torques[0] = torque - pump
    torques[1] = turbine - drag
    inertias[0] = t[at.T_ENGINE_INERTIA]
    inertias[1] = t[at.T_TURBINE_INERTIA]
    axle_loss = 0.0
    for i in range(2):
        r = rolls[i]
        s = q[i]
        twist_rate = r[at.R_AXLE] - r[at.R_WHEEL]
        r[at.R_TWIST] += dt * twist_rate
        r[at.R_SHAFT] = s[at.Q_SHAFT_STIFFNESS] * r[at.R_TWIST] + s[at.Q_SHAFT_DAMPING] * twist_rate
        lost = (
            s[at.Q_AXLE_DRAG]
            + s[at.Q_AXLE_VISCOUS] * abs(r[at.R_AXLE])
            + s[at.Q_AXLE_LOAD_LOSS] * abs(r[at.R_SHAFT])
        )
        lost *= r[at.R_AXLE] / (abs(r[at.R_AXLE]) + 0.5)
        speeds[2 + i] = r[at.R_AXLE]
        torques[2 + i] = -r[at.R_SHAFT] - lost
        inertias[2 + i] = s[at.Q_AXLE_INERTIA]
        axle_loss = lost * r[at.R_AXLE] + s[at.Q_SHAFT_DAMPING] * twist_rate * twist_rate
        r[at.R_AXLE_LOST] += dt * axle_loss
    final = ratio * t[at.T_FINAL_DRIVE]
    before_e, before_t = v[at.V_ENGINE], v[at.V_TURBINE]
    before_f, before_r = rolls[0, at.R_AXLE], rolls[1, at.R_AXLE]
    solve_driveline(
        speeds,
        torques,
        inertias,
        dt,
        final,
        share,
        v[at.V_LOCK_CAPACITY],
        v[at.V_GEAR_CAPACITY],
        case,
        clutches,
    )
    v[at.V_ENGINE] = speeds[0]
    v[at.V_TURBINE] = speeds[1]
    rolls[0, at.R_AXLE] = speeds[2]
    rolls[1, at.R_AXLE] = speeds[3]
    v[at.V_GEAR_TORQUE] = clutches[1]
    v[at.V_CASE_TORQUE] = clutches[2]
    engine_mean = 0.5 * (before_e + speeds[0])
    turbine_mean = 0.5 * (before_t + speeds[1])
    front_mean = 0.5 * (before_f + speeds[2])
    rear_mean = 0.5 * (before_r + speeds[3])
    v[at.V_ENGINE_WORK] += dt * torque * engine_mean
    output_mean = final * (share * front_mean + (1.0 - share) * rear_mean)
    slipping = pump * engine_mean - turbine * turbine_mean + drag * turbine_mean
    slipping += clutches[0] * (engine_mean - turbine_mean) + clutches[1] * (
        turbine_mean - output_mean
    )
    slipping += clutches[2] * (front_mean - rear_mean)
    v[at.V_DRIVELINE_LOST] += dt * slipping
    total = rolls[0, at.R_TRACTIVE] + rolls[1, at.R_TRACTIVE]
    for i in range(2):
        r = rolls[i]
        s = q[i]
        sign = -1.0 if i == 0 else 1.0
        load = max(s[at.Q_LOAD] + sign * s[at.Q_LOAD_SHIFT] * total, 500.0) * inputs[at.I_ON_ROLLS]
        r[at.R_LOAD] += (load - r[at.R_LOAD]) * dt / (0.1 + dt)
        radius = s[at.Q_TYRE_RADIUS]
        creep = radius * r[at.R_WHEEL] - r[at.R_SPEED]
        before = r[at.R_TYRE_SLIP]
        slip = (before + dt * creep / s[at.Q_RELAXATION]) / (
            1.0 + dt * abs(r[at.R_SPEED]) / s[at.Q_RELAXATION]
        )
        slip = min(max(slip, -1.5), 1.5)
        r[at.R_TYRE_SLIP] = slip
        force = tyre_force(
            slip,
            r[at.R_LOAD],
            s[at.Q_FRICTION],
            s[at.Q_SHAPE],
            s[at.Q_STIFFNESS],
            s[at.Q_ALIGNMENT],
        )
        if r[at.R_LOAD] > 0.0:
            damped = s[at.Q_TYRE_DAMPING] * s[at.Q_RELAXATION] * (slip - before) / dt
            force += min(max(damped, -0.1 * r[at.R_LOAD]), 0.1 * r[at.R_LOAD])
        r[at.R_TRACTIVE] = force
        rolling = s[at.Q_ROLLING] * r[at.R_LOAD] * radius
        brake = inputs[at.I_BRAKE] * s[at.Q_BRAKE]
        old = r[at.R_WHEEL]
        free = old + dt * (r[at.R_SHAFT] - radius * force) / s[at.Q_WHEEL_INERTIA]
        new = rub(free, dt * (rolling + brake) / s[at.Q_WHEEL_INERTIA])
        rubbed = (free - new) * s[at.Q_WHEEL_INERTIA]  # N m s
        rolling_share = rolling / max(rolling + brake, 1e-9)
        r[at.R_WHEEL] = new
        mean = 0.5 * (old + new)
        r[at.R_SLIPPED] += dt * force * (radius * mean - r[at.R_SPEED])
        r[at.R_ROLLED] += rolling_share * rubbed * mean
        r[at.R_BRAKED] += (1.0 - rolling_share) * rubbed * mean
