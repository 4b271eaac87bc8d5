"""Where each number of the simulated world sits in the arrays that the compiled step works on.

State arrays change at every step, parameter arrays only when a setup or a fault changes them.
Units are SI, forces and speeds of a roll set at the roll surface, temperatures in kelvin.
"""

from __future__ import annotations

# One row per absorber: state.
(
    A_SET_POINT,  # A, what the supply is told
    A_CURRENT,  # A, coil current
    A_FLUX,  # A, current as the magnetic circuit sees it
    A_PLAY,  # A, hysteresis play
    A_TORQUE,  # N m at the absorber shaft, braking positive
    A_ARM,  # N at the cell behind the arm's resonance
    A_ARM_RATE,  # N/s
    A_SUM,  # N, running sum of the converter's window
    A_CELL,  # N, force at the cell behind the converter filter
    A_DRIFT,  # N, wandering zero of the cell
    A_SKIN,  # K, rotor skin
    A_BULK,  # K, rotor body
    A_HUB,  # K
    A_ENERGY,  # J absorbed since the start
    A_PHASE,  # rad, shaft angle
    A_HEAT,  # W, mean heating of the last frame
    A_SPEED,  # rad/s, absorber shaft
    A_COIL,  # K, winding
    A_CORE,  # K, iron that the winding sits on
    A_WARM,  # resistance of the winding over that of 20 degC
    A_WAVE,  # s into the half wave of a phase-controlled supply (whole wave: one that uses half)
    A_FIRES,  # rad of its half wave at which it fires
    A_COMMAND,  # A, what a regulating supply holds, behind its slew
    A_COUNT,
) = range(24)

# One row per absorber: parameters.
(
    P_PEAK,  # N m at rated current, cold, at the critical speed
    P_CRITICAL,  # rad/s, cold
    P_RATED_FLUX,  # A2, squared flux at rated current
    P_SATURATION,  # A
    P_RESIDUAL,  # N m
    P_RESISTIVITY,  # 1/K
    P_PEAK_FADE,  # 1/K
    P_RATIO,  # absorber speed / roll speed
    P_ARM,  # m
    P_COIL_SHARE,  # of its way to the set point that the current goes in one substep
    P_MAGNETIC_LAG,  # s
    P_MAX_CURRENT,  # A
    P_PLAY_WIDTH,  # A
    P_PLAY_SHARE,
    P_ARM_RATE,  # rad/s, arm resonance; 0: stiff
    P_ARM_DAMPING,
    P_SKIN_KG,
    P_BULK_KG,
    P_HUB_KG,
    P_SKIN_BULK,  # W/K
    P_BULK_HUB,  # W/K
    P_HUB_AIR,  # W/K
    P_STILL,  # W/K, fan off
    P_STILL_FAN,  # W/K added by the fan
    P_WIND,  # W/K per (rad/s)^power
    P_WIND_FAN,  # factor on it with the fan running
    P_WIND_POWER,
    P_AREA,  # m2 that radiates
    P_EMISSIVITY,
    P_RIPPLE,  # N, once per turn of the absorber shaft
    P_NOISE,  # N rms per frame
    P_COUNTS_PER_N,  # signed by the arm
    P_ZERO,  # counts
    P_ROLL,  # index of its roll set
    P_FAN,  # index of its digital out, -1 none
    P_DRIFT_RATE,  # N per square root of hour
    P_TORQUE_GAIN,  # fault: 1 healthy, 0 dead, below 0 reversed
    P_FORCED_CURRENT,  # fault: A, NaN healthy
    P_FOLLOW_GAIN,  # fault: share of the set point the supply delivers, 1 healthy
    P_CURRENT_NOISE,  # A rms
    P_CEILING,  # A, highest set point that the supply's voltage can follow with a cold coil
    P_COIL_OHM,  # at 20 degC
    P_COIL_STORE,  # J/K
    P_CORE_STORE,  # J/K
    P_COIL_CORE,  # W/K
    P_CORE_AIR,  # W/K
    P_COIL_ROTOR,  # W/K
    P_SUPPLY,  # kind: 0 voltage, 1 phase-controlled, 2 regulates the current
    P_SUPPLY_PERIOD,  # s, between two firings
    P_SUPPLY_HALF,  # s, one half wave of the mains
    P_SUPPLY_RATE,  # 1/s, of its current loop
    P_SUPPLY_SLEW,  # A/s, 0: none
    P_SUPPLY_LEAST,  # lowest voltage as a share of the ceiling: 0, or -1 when it reverses
    P_SUPPLY_FLOOR,  # A
    P_SUPPLY_STEP,  # A, resolution of the set point; 0: none
    P_SUPPLY_OFFSET,  # A
    P_COUNT,
) = range(57)

# One row per roll set: state.
(
    R_SPEED,  # m/s
    R_ACCELERATION,  # m/s2
    R_ANGLE,  # rad within the turn of the tooth wheel
    R_TYRE_SLIP,  # tyre state behind the relaxation length
    R_TRACTIVE,  # N, tyre on roll
    R_ABSORBER,  # N, all absorbers
    R_LOSS,  # N
    R_WHEEL,  # rad/s, both wheels of the axle
    R_AXLE,  # rad/s, axle input, on the wheel side of the final drive
    R_TWIST,  # rad, axle shafts
    R_SHAFT,  # N m, axle shafts
    R_LOAD,  # N on the rolls
    R_DISTANCE,  # m
    R_TRACTIVE_WORK,  # J
    R_ABSORBED,  # J
    R_LOST,  # J, parasitic
    R_SLIPPED,  # J, tyre slip
    R_ROLLED,  # J, rolling resistance of tyres
    R_BRAKED,  # J, wheel brakes
    R_AXLE_LOST,  # J
    R_CHILL,  # 1 cold bearings, 0 warm
    R_COUNT,
) = range(22)

# One row per roll set: parameters.
(
    Q_MASS,  # kg
    Q_RADIUS,  # m
    Q_LOSS_A,
    Q_LOSS_B,
    Q_LOSS_C,
    Q_CHILL_SHARE,  # losses of cold bearings above the warm ones
    Q_CHILL_TIME,  # s
    Q_LOAD,  # N, static axle load with straps
    Q_LOAD_SHIFT,  # N per N of tractive force
    Q_FRICTION,  # tyre peak friction at nominal load
    Q_SHAPE,
    Q_STIFFNESS,  # of the slip curve
    Q_RELAXATION,  # m
    Q_TYRE_DAMPING,  # N s/m
    Q_ALIGNMENT,  # rad, toe that uses up some friction
    Q_ROLLING,  # rolling resistance, N/N
    Q_TYRE_RADIUS,  # m
    Q_WHEEL_INERTIA,  # kg m2, both wheels
    Q_AXLE_INERTIA,  # kg m2 on the wheel side
    Q_SHAFT_STIFFNESS,  # N m/rad
    Q_SHAFT_DAMPING,  # N m s/rad
    Q_AXLE_DRAG,  # N m
    Q_AXLE_VISCOUS,  # N m s/rad
    Q_AXLE_LOAD_LOSS,  # share of torque
    Q_BRAKE,  # N m at full pedal
    Q_JITTER,  # s rms
    Q_TEETH,
    Q_COUNT,
) = range(28)

# The truck apart from its axles: state.
(
    V_ENGINE,  # rad/s
    V_TURBINE,  # rad/s, gearbox input
    V_ENGINE_ANGLE,  # rad within one pickup pulse
    V_BOOST,  # Pa above ambient
    V_FUEL,  # share of full fuelling
    V_IDLE,  # integrator of the idle governor
    V_TORQUE,  # N m, crankshaft
    V_GEAR,  # engaged gear, 0 neutral
    V_TARGET,  # gear being engaged
    V_SHIFT_TIME,  # s since the shift began, above the shift's length: none
    V_LOCK_CAPACITY,  # N m
    V_GEAR_CAPACITY,  # N m
    V_GEAR_TORQUE,  # N m through the gear, turbine side
    V_WANDER,  # relative, slow wander of engine torque
    V_SMOKE,  # opacity, 0..1
    V_OIL,  # K
    V_TIME,  # s
    V_ENGINE_WORK,  # J
    V_DRIVELINE_LOST,  # J
    V_CASE_TORQUE,  # N m, through the transfer-case lock
    V_COUNT,
) = range(21)

# Inputs of the truck and the surroundings.
(
    I_PEDAL,  # 0..1
    I_BRAKE,  # 0..1
    I_GEAR,  # -1 automatic, 0 neutral, 1..6
    I_CASE,  # 0 open, 1 locked, 2 rear axle only
    I_LOCK_UP,  # 1 allowed
    I_ON_ROLLS,  # 1 truck stands on the rolls
    I_AMBIENT,  # K
    I_AIR,  # engine torque by weather, relative
    I_FANS,  # bits of the digital outs that really turn
    I_ENGINE_ON,  # 1 fuel allowed
    I_PUSH,  # N at the roll surface by a drive from outside, shared by mass; counts as tractive
    I_COUNT,
) = range(12)

# Parameters of the truck.
(
    T_ENGINE_INERTIA,
    T_TURBINE_INERTIA,
    T_TORQUE_GAIN,  # 1 as built; the tuner's factor
    T_IDLE_SPEED,  # rad/s
    T_FRICTION_0,  # N m
    T_FRICTION_1,  # N m s/rad
    T_UNBOOSTED,  # share of full fuelling without boost
    T_BOOST,  # Pa at full load
    T_FUEL_LAG,  # s
    T_CAPACITY,  # N m s2/rad2, converter at stall
    T_STALL_RATIO,  # torque ratio at stall
    T_LOCK_CAPACITY,  # N m
    T_LOCK_SPEED,  # rad/s, turbine
    T_GEAR_CAPACITY,  # N m
    T_SHIFT_OPEN,  # s
    T_SHIFT_CLOSE,  # s
    T_FINAL_DRIVE,
    T_FRONT_SHARE,  # of torque, transfer case open
    T_CASE_CAPACITY,  # N m between the outputs, wheel side
    T_GEARBOX_DRAG,  # N m
    T_GEARBOX_VISCOUS,  # N m s/rad
    T_GEARBOX_LOAD_LOSS,
    T_WANDER,  # relative standard deviation
    T_WANDER_TIME,  # s
    T_PICKUP_JITTER,  # s rms
    T_PULSES,  # per revolution
    T_COUNT,
) = range(27)

# Whole numbers kept between frames.
(
    N_NOISE,  # next unused number of the noise buffer
    N_RING,  # write position of the converter window
    N_EDGE_FIRST,  # edges seen, one per wheel channel, from here on
) = range(3)

WHEELS = 3  # front, rear, engine
MAX_EDGES = 256  # per wheel and frame

# What the truth row holds, in order; `Plant.truth` gives it by these names.
TRUTH_NAMES: tuple[str, ...] = (
    "time_s",
    "front_speed_mps",
    "rear_speed_mps",
    "front_acceleration_mps2",
    "rear_acceleration_mps2",
    "front_tractive_n",
    "rear_tractive_n",
    "front_absorber_n",
    "rear_absorber_n",
    "front_loss_n",
    "rear_loss_n",
    "front_slip",
    "rear_slip",
    "power_w",
    "engine_radps",
    "engine_torque_nm",
    "engine_power_w",
    "boost_pa",
    "fuel",
    "gear",
    "turbine_radps",
    "smoke",
    "pedal",
    "brake",
)
TRUTH_ABSORBER_NAMES: tuple[str, ...] = (
    "current_a",
    "torque_nm",
    "skin_k",
    "mean_k",
    "cell_n",
    "set_point_a",
    "coil_k",
)
