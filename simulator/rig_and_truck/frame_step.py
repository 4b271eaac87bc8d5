"""One frame period of the simulated world, compiled: inputs and supply set points in, edges out.

Order within a substep: absorbers (coil, flux, torque, arm, converter window), truck (engine,
converter, gears, axles, tyres), rolls, then the teeth that passed. Heat moves once per frame.
"""

# compiled functions take their arrays one by one

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from simulator.kernel import jit
from simulator.rig_and_truck import layout as at
from simulator.rig_and_truck.physics import (
    REFERENCE_K,
    brake_curve,
    coil_step,
    crossing_time,
    heat_step,
    rub,
    squared_flux,
    supply_step,
)
from simulator.rig_and_truck.truck import shift_gears, truck_step

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@jit
def absorber_step(
    a: Floats,
    p: Floats,
    roll_speed: float,
    roll_radius: float,
    window: Floats,
    slot: int,
    dt: float,
) -> float:
    """Force at the roll surface of one absorber, N; moves coil, flux, arm and converter on."""
    # The supply gives the voltage that would settle at the set point, up to its ceiling; a warm
    # coil has more resistance, so it follows sooner (L/R) and the ceiling is fewer amperes.
    warm = a[at.A_WARM]
    if p[at.P_SUPPLY] == 0.0:
        target = min(max(a[at.A_SET_POINT], 0.0), p[at.P_CEILING] / warm) * p[at.P_FOLLOW_GAIN]
    else:
        target = supply_step(a, p, dt)
    current = a[at.A_CURRENT] + (target - a[at.A_CURRENT]) * min(p[at.P_COIL_SHARE] * warm, 1.0)
    current = min(current, p[at.P_MAX_CURRENT])
    if not math.isnan(p[at.P_FORCED_CURRENT]):
        current = p[at.P_FORCED_CURRENT]
    a[at.A_CURRENT] = current
    a[at.A_FLUX] += (current - a[at.A_FLUX]) * dt / (p[at.P_MAGNETIC_LAG] + dt)
    flux = a[at.A_FLUX]
    a[at.A_PLAY] = min(max(a[at.A_PLAY], flux - p[at.P_PLAY_WIDTH]), flux + p[at.P_PLAY_WIDTH])
    magnetised = max((1.0 - p[at.P_PLAY_SHARE]) * flux + p[at.P_PLAY_SHARE] * a[at.A_PLAY], 0.0)
    speed = roll_speed / roll_radius * p[at.P_RATIO]
    heat = a[at.A_SKIN] - REFERENCE_K
    critical = p[at.P_CRITICAL] * (1.0 + p[at.P_RESISTIVITY] * heat)
    peak = p[at.P_PEAK] * (1.0 - p[at.P_PEAK_FADE] * heat)
    peak *= squared_flux(magnetised, p[at.P_SATURATION]) / p[at.P_RATED_FLUX]
    torque = peak * brake_curve(speed, critical)
    torque += p[at.P_RESIDUAL] * speed / (abs(speed) + 1.0)
    torque *= p[at.P_TORQUE_GAIN]
    a[at.A_SPEED] = speed
    a[at.A_TORQUE] = torque
    a[at.A_PHASE] += speed * dt
    if a[at.A_PHASE] > 2.0 * math.pi:
        a[at.A_PHASE] -= 2.0 * math.pi
    push = torque / p[at.P_ARM] + p[at.P_RIPPLE] * math.sin(a[at.A_PHASE]) * min(
        abs(speed) / 20.0, 1.0
    )
    rate = p[at.P_ARM_RATE]
    if rate > 0.0:
        a[at.A_ARM_RATE] += dt * (
            rate * rate * (push - a[at.A_ARM]) - 2.0 * p[at.P_ARM_DAMPING] * rate * a[at.A_ARM_RATE]
        )
        a[at.A_ARM] += dt * a[at.A_ARM_RATE]
    else:
        a[at.A_ARM] = push
    a[at.A_SUM] += a[at.A_ARM] - window[slot]
    window[slot] = a[at.A_ARM]
    a[at.A_CELL] = a[at.A_SUM] / window.shape[0]
    force: float = torque * p[at.P_RATIO] / roll_radius
    return force


@jit
def pass_teeth(
    wheel: int,
    start: float,
    speed: float,
    acceleration: float,
    dt: float,
    into: float,
    span: float,
    teeth: Floats,
    next_tooth: int,
    tick_start: float,
    tick_rate: float,
    last: float,
    jitter: float,
    noise: Floats,
    whole: Ints,
    edges: Ints,
    counts: Ints,
) -> int:
    """Record the edges of one wheel during a substep that begins `into` seconds into the frame.

    `start`: shaft angle in the wheel's pattern of length `span` (a turn, or one pulse), `teeth`
    its edge angles in order, `last` the ticks of a frame. Constant acceleration within the
    substep makes the crossing exact.
    """
    moved = speed * dt + 0.5 * acceleration * dt * dt
    index = next_tooth
    base = span if teeth[index] - start < -0.5 * span else 0.0
    while counts[wheel] < edges.shape[1]:
        gap = max(teeth[index] + base - start, 0.0)
        if gap > moved or moved <= 0.0:
            break
        passed = into + crossing_time(gap, speed, acceleration)
        tick = tick_start + passed * tick_rate
        if jitter > 0.0:
            tick += noise[whole[at.N_NOISE]] * jitter * tick_rate
            whole[at.N_NOISE] += 1
        # Capture noise does not move an edge out of the frame that it belongs to.
        tick = min(max(tick, tick_start + 1.0), tick_start + last)
        edges[wheel, counts[wheel]] = math.floor(tick)
        counts[wheel] += 1
        whole[at.N_EDGE_FIRST + wheel] += 1
        index += 1
        if index == teeth.shape[0]:
            index = 0
            base += span
    return index


@jit
def step_frame(
    v: Floats,  # truck state
    t: Floats,  # truck parameters
    rolls: Floats,
    q: Floats,
    absorbers: Floats,
    p: Floats,
    inputs: Floats,
    table: Floats,  # full torque over engine speed
    gears: Floats,
    teeth: Floats,  # roll sets x teeth, rad in (0, 2 pi]
    windows: Floats,  # absorbers x converter window
    solver: Floats,  # 4 x 4 workspace
    noise: Floats,
    whole: Ints,
    next_tooth: Ints,
    edges: Ints,
    edge_counts: Ints,
    out: Ints,  # `World.row`, see the end of this function
    truth: Floats,
    tick_start: float,
    tick_rate: float,
    dt: float,
    substeps: int,
) -> None:
    """Advance by `substeps` times `dt` seconds; all arrays are changed in place."""
    sets = rolls.shape[0]
    braked = absorbers.shape[0]
    frame = dt * substeps
    last = math.floor(frame * tick_rate + 0.5)  # ticks of the frame
    for wheel in range(edge_counts.shape[0]):
        edge_counts[wheel] = 0
    shift_gears(v, inputs, t, frame)
    share = math.exp(-frame / t[at.T_WANDER_TIME])
    kick = t[at.T_WANDER] * math.sqrt(1.0 - share * share)
    v[at.V_WANDER] = v[at.V_WANDER] * share + kick * noise[whole[at.N_NOISE]]
    whole[at.N_NOISE] += 1
    for k in range(braked):
        absorbers[k, at.A_HEAT] = 0.0
    for step in range(substeps):
        into = step * dt
        slot = whole[at.N_RING]
        for i in range(sets):
            rolls[i, at.R_ABSORBER] = 0.0
        for k in range(braked):
            i = int(p[k, at.P_ROLL])
            speed = rolls[i, at.R_SPEED]
            force = absorber_step(
                absorbers[k], p[k], speed, q[i, at.Q_RADIUS], windows[k], slot, dt
            )
            rolls[i, at.R_ABSORBER] += force
            absorbers[k, at.A_HEAT] += absorbers[k, at.A_TORQUE] * absorbers[k, at.A_SPEED]
        whole[at.N_RING] = (slot + 1) % windows.shape[1]
        engine_before = v[at.V_ENGINE]
        truck_step(v, rolls, q, inputs, t, table, gears, solver, dt)
        turning_kg = 0.0
        for i in range(sets):
            turning_kg += q[i, at.Q_MASS]
        for i in range(sets):
            r = rolls[i]
            s = q[i]
            r[at.R_TRACTIVE] += inputs[at.I_PUSH] * s[at.Q_MASS] / turning_kg
            old = r[at.R_SPEED]
            size = abs(old)
            warm = 1.0 + s[at.Q_CHILL_SHARE] * r[at.R_CHILL]
            resist = (s[at.Q_LOSS_A] + size * (s[at.Q_LOSS_B] + size * s[at.Q_LOSS_C])) * warm
            free = old + dt * (r[at.R_TRACTIVE] - r[at.R_ABSORBER]) / s[at.Q_MASS]
            new = rub(free, dt * resist / s[at.Q_MASS])
            mean = 0.5 * (old + new)
            r[at.R_LOSS] = (free - new) * s[at.Q_MASS] / dt
            r[at.R_ACCELERATION] = (new - old) / dt
            r[at.R_SPEED] = new
            r[at.R_DISTANCE] += dt * mean
            r[at.R_TRACTIVE_WORK] += dt * r[at.R_TRACTIVE] * mean
            r[at.R_ABSORBED] += dt * r[at.R_ABSORBER] * mean
            r[at.R_LOST] += dt * r[at.R_LOSS] * mean
            turning = abs(old) / s[at.Q_RADIUS]
            change = (abs(new) - abs(old)) / dt / s[at.Q_RADIUS]
            next_tooth[i] = pass_teeth(
                i,
                r[at.R_ANGLE],
                turning,
                change,
                dt,
                into,
                2.0 * math.pi,
                teeth[i],
                next_tooth[i],
                tick_start,
                tick_rate,
                last,
                s[at.Q_JITTER],
                noise,
                whole,
                edges,
                edge_counts,
            )
            r[at.R_ANGLE] += dt * (turning + 0.5 * dt * change)
            if r[at.R_ANGLE] >= 2.0 * math.pi:
                r[at.R_ANGLE] -= 2.0 * math.pi
        change = (v[at.V_ENGINE] - engine_before) / dt
        span = 2.0 * math.pi / t[at.T_PULSES]
        solver[3, 3] = span
        pass_teeth(
            sets,
            v[at.V_ENGINE_ANGLE],
            engine_before,
            change,
            dt,
            into,
            span,
            solver[3, 3:4],
            0,
            tick_start,
            tick_rate,
            last,
            t[at.T_PICKUP_JITTER],
            noise,
            whole,
            edges,
            edge_counts,
        )
        v[at.V_ENGINE_ANGLE] = (
            v[at.V_ENGINE_ANGLE] + dt * (engine_before + 0.5 * dt * change)
        ) % span
    fans = int(inputs[at.I_FANS])
    for k in range(braked):
        a = absorbers[k]
        a[at.A_HEAT] /= substeps
        a[at.A_ENERGY] += a[at.A_HEAT] * frame
        fan = 1.0 if p[k, at.P_FAN] >= 0.0 and (fans >> int(p[k, at.P_FAN])) & 1 else 0.0
        heat_step(a, p[k], a[at.A_HEAT], fan, inputs[at.I_AMBIENT], frame)
        coil_step(a, p[k], inputs[at.I_AMBIENT], frame)
        n = whole[at.N_NOISE]
        a[at.A_DRIFT] += p[k, at.P_DRIFT_RATE] * math.sqrt(frame / 3600.0) * noise[n]
        force = a[at.A_CELL] + a[at.A_DRIFT] + p[k, at.P_NOISE] * noise[n + 1]
        out[k] = math.floor(force * p[k, at.P_COUNTS_PER_N] + p[k, at.P_ZERO] + 0.5)
        measured = max(a[at.A_CURRENT] + p[k, at.P_CURRENT_NOISE] * noise[n + 2], 0.0)
        out[braked + k] = int(measured * 100.0 + 0.5)
        whole[at.N_NOISE] = n + 3
    for i in range(sets):
        rolls[i, at.R_CHILL] -= (
            rolls[i, at.R_CHILL]
            * frame
            * min(abs(rolls[i, at.R_SPEED]) / 10.0, 1.0)
            / q[i, at.Q_CHILL_TIME]
        )
    v[at.V_TIME] += frame
    v[at.V_OIL] += frame * (350.0 + 0.00003 * v[at.V_TORQUE] * v[at.V_ENGINE] - v[at.V_OIL]) / 400.0
    fill_truth(v, rolls, absorbers, p, inputs, truth)
    # Converter counts, measured currents (10 mA), number of edges per wheel, then the edges.
    used = 2 * braked + edge_counts.shape[0]
    for wheel in range(edge_counts.shape[0]):
        out[2 * braked + wheel] = edge_counts[wheel]
        for index in range(edge_counts[wheel]):
            out[used] = edges[wheel, index]
            used += 1


@jit
def fill_truth(
    v: Floats, rolls: Floats, absorbers: Floats, p: Floats, inputs: Floats, truth: Floats
) -> None:
    """The row that `layout.TRUTH_NAMES` and, per absorber, `TRUTH_ABSORBER_NAMES` describe."""
    truth[0] = v[at.V_TIME]
    truth[13] = 0.0
    for i in range(2):
        r = rolls[i]
        truth[1 + i] = r[at.R_SPEED]
        truth[3 + i] = r[at.R_ACCELERATION]
        truth[5 + i] = r[at.R_TRACTIVE]
        truth[7 + i] = r[at.R_ABSORBER]
        truth[9 + i] = r[at.R_LOSS]
        truth[11 + i] = r[at.R_TYRE_SLIP]
        truth[13] += r[at.R_TRACTIVE] * r[at.R_SPEED]
    truth[14] = v[at.V_ENGINE]
    truth[15] = v[at.V_TORQUE]
    truth[16] = v[at.V_TORQUE] * v[at.V_ENGINE]
    truth[17] = v[at.V_BOOST]
    truth[18] = v[at.V_FUEL]
    truth[19] = v[at.V_GEAR]
    truth[20] = v[at.V_TURBINE]
    truth[21] = v[at.V_SMOKE]
    truth[22] = inputs[at.I_PEDAL]
    truth[23] = inputs[at.I_BRAKE]
    for k in range(absorbers.shape[0]):
        a = absorbers[k]
        first = 24 + 7 * k
        mass = p[k, at.P_SKIN_KG] + p[k, at.P_BULK_KG]
        truth[first] = a[at.A_CURRENT]
        truth[first + 1] = a[at.A_TORQUE]
        truth[first + 2] = a[at.A_SKIN]
        truth[first + 3] = (
            p[k, at.P_SKIN_KG] * a[at.A_SKIN] + p[k, at.P_BULK_KG] * a[at.A_BULK]
        ) / mass
        truth[first + 4] = a[at.A_CELL]
        truth[first + 5] = a[at.A_SET_POINT]
        truth[first + 6] = a[at.A_COIL]
