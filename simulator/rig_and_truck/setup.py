"""The true values of the simulated rig and truck, and how they are drawn from their nominal ones.

Data flows: seed -> `tarnhow` -> Setup -> `arrays` -> the compiled step. The nominal numbers are
those written in rigs/tarnhow.toml, written here again on purpose: the simulator reads no rig file,
and its true values differ from the nominal ones within the tolerances stated there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TrueSupply:
    """The supply of one absorber, as it really is."""

    kind: str = "voltage"  # voltage, phase-controlled, regulates
    mains_hz: float = 50.0  # phase-controlled
    full_wave: bool = True
    rate_per_s: float = 188.5  # regulates: of its current loop
    slew_a_per_s: float = 0.0  # 0: as fast as its voltage allows
    reverses: bool = False
    floor_a: float = 0.0
    step_a: float = 0.0  # resolution of the set point
    offset_a: float = 0.0
    delay_s: float = 0.0


@dataclass(frozen=True, slots=True)
class TrueAbsorber:
    """One eddy-current brake with arm, load cell, converter and supply, as it really is."""

    name: str
    roll: int
    arm_sign: int
    fan: int = -1  # index of the digital out
    arm_m: float = 0.60
    gear_ratio: float = 3.2
    peak_nm: float = 1000.0
    critical_radps: float = 120.0
    rated_a: float = 30.0
    saturation_a: float = 24.0
    residual_nm: float = 4.0
    resistivity_per_k: float = 0.0042
    peak_fade_per_k: float = 0.00015
    coil_lag_s: float = 0.15
    magnetic_lag_s: float = 0.012
    max_current_a: float = 30.0
    forcing_a: float = 60.0
    play_a: float = 0.12
    play_share: float = 0.25
    current_noise_a: float = 0.01
    arm_hz: float = 38.0
    arm_damping: float = 0.07
    filter_s: float = 0.010  # length of the converter's averaging window; its delay is half
    full_scale_mv_per_v: float = 4.0
    newton_per_mv_per_v: float = 1500.0
    slope_error: float = 0.0  # relative
    zero_counts: float = 0.0
    noise_n: float = 0.25
    ripple_n: float = 1.0
    drift_n_per_root_h: float = 0.3
    skin_kg: float = 14.0
    bulk_kg: float = 61.0
    hub_kg: float = 18.0
    skin_bulk_w_per_k: float = 2200.0
    bulk_hub_w_per_k: float = 45.0
    hub_air_w_per_k: float = 3.0
    still_w_per_k: float = 3.5
    still_fan_w_per_k: float = 4.5
    wind_w_per_k: float = 0.78
    wind_fan: float = 1.2
    wind_power: float = 0.8
    area_m2: float = 1.3
    emissivity: float = 0.7
    start_k: float = 293.15
    supply: TrueSupply = TrueSupply()
    coil_ohm: float = 1.2  # at 20 degC
    coil_j_per_k: float = 5800.0  # 15 kg of copper
    core_j_per_k: float = 7400.0  # the iron near it
    coil_core_w_per_k: float = 70.0
    core_air_w_per_k: float = 27.0
    coil_rotor_w_per_k: float = 0.8

    @property
    def counts_per_n(self) -> float:
        """Converter counts per newton at the cell, signed by the arm."""
        per_n = 2.0**23 / (self.full_scale_mv_per_v * self.newton_per_mv_per_v)
        return self.arm_sign * per_n / (1.0 + self.slope_error)


@dataclass(frozen=True, slots=True)
class TrueRollSet:
    """One roll set with its tooth wheel, and the truck's axle standing on it."""

    name: str
    mass_kg: float
    loss_n: tuple[float, float, float]
    radius_m: float = 0.500
    teeth: int = 60
    pitch_error: float = 0.001  # largest error of a single pitch, relative
    run_out: float = 0.0005  # amplitude of the once-per-turn speed ripple, relative
    jitter_s: float = 2e-6
    chill_share: float = 0.12  # losses of cold bearings above warm ones
    chill_s: float = 400.0  # of running at 10 m/s or more
    start_chill: float = 0.0
    axle_load_n: float = 18_500.0  # straps included
    load_shift: float = 0.10
    friction: float = 0.95
    slip_shape: float = 1.5
    slip_stiffness: float = 12.0
    relaxation_m: float = 0.35
    tyre_damping: float = 1200.0
    toe_rad: float = 0.002
    rolling: float = 0.013
    tyre_radius_m: float = 0.395
    wheel_inertia: float = 4.4
    axle_inertia: float = 1.1
    shaft_stiffness: float = 22_000.0
    shaft_damping: float = 40.0
    axle_drag_nm: float = 7.0
    axle_viscous: float = 0.12
    axle_load_loss: float = 0.025
    brake_nm: float = 3600.0


# N m at full fuelling and full boost, one value per 20 rad/s (191 rev/min) from standstill.
FULL_TORQUE_NM: tuple[float, ...] = (
    240.0, 280.0, 330.0, 380.0, 450.0, 580.0, 760.0, 930.0, 1070.0, 1140.0, 1160.0, 1160.0,
    1155.0, 1140.0, 1105.0, 1010.0, 930.0, 840.0, 640.0, 300.0, 50.0,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class TrueTruck:
    """An invented turbo-diesel pickup of about 300 kW with a six-speed automatic."""

    engine_inertia: float = 0.55  # with flywheel and pump
    turbine_inertia: float = 0.16
    torque_gain: float = 1.0
    idle_radps: float = 73.3  # 700 rev/min
    friction_nm: float = 52.0
    friction_per_radps: float = 0.42
    unboosted: float = 0.48
    boost_pa: float = 185_000.0
    fuel_lag_s: float = 0.05
    capacity: float = 0.021
    stall_ratio: float = 1.9
    lock_nm: float = 1900.0
    lock_radps: float = 135.0
    gear_nm: float = 2600.0
    shift_open_s: float = 0.12
    shift_close_s: float = 0.28
    gears: tuple[float, ...] = (1.0, 3.35, 1.95, 1.42, 1.0, 0.76, 0.64)  # [0]: neutral, unused
    final_drive: float = 3.73
    front_share: float = 0.42
    case_nm: float = 7000.0
    gearbox_drag_nm: float = 8.0
    gearbox_viscous: float = 0.03
    gearbox_load_loss: float = 0.012
    wander: float = 0.0015
    wander_s: float = 4.0
    weather_pressure: float = 0.30
    weather_temperature: float = 0.35
    pickup_jitter_s: float = 4e-6
    pulses_per_rev: float = 2.0
    full_torque_nm: tuple[float, ...] = FULL_TORQUE_NM


@dataclass(frozen=True, slots=True)
class TrueWeather:
    """What surrounds the rig; the slow channels measure it."""

    temperature_k: float = 295.15
    pressure_pa: float = 99_100.0
    humidity: float = 0.45


@dataclass(frozen=True, slots=True)
class TrueFrontEnd:
    """The board: clock, frame rate and what it does on its own."""

    firmware: str = "tarnhow-board 1.0"
    tick_hz: int = 1_000_000
    frame_hz: int = 500
    clock_error: float = 0.0  # relative error of its quartz
    tick_start: int = 0
    slow_every_s: float = 0.1
    ease_off_s: float = 3.0  # full current to none when permission expires
    boot_s: float = 0.4
    substep_s: float = 0.0005
    digital_in: tuple[str, ...] = ("stop-chain", "tie-downs", "fan-front-turns", "fan-rear-turns")
    digital_out: tuple[str, ...] = ("fan-front", "fan-rear")
    config_hash: int = 0x7A12_0C4E_55D1_9B03


@dataclass(frozen=True, slots=True)
class Setup:
    """Everything true about the simulated world at its start."""

    rolls: tuple[TrueRollSet, TrueRollSet]
    absorbers: tuple[TrueAbsorber, ...]
    truck: TrueTruck = TrueTruck()
    weather: TrueWeather = TrueWeather()
    front_end: TrueFrontEnd = TrueFrontEnd()
    on_rolls: bool = True
    teeth: tuple[Floats, ...] = field(default=(), repr=False)  # rad in (0, 2 pi], per roll set


def tooth_angles(roll: TrueRollSet, generator: np.random.Generator) -> Floats:
    """Edge angles of one turn in (0, 2 pi]: pitch errors within their limit, run-out as a sine.

    The position errors behind the pitch errors are drawn so that no pitch is off by more than
    `pitch_error` and they close after one turn.
    """
    pitch = 2.0 * math.pi / roll.teeth
    limit = 0.5 * roll.pitch_error * pitch
    errors = generator.uniform(-limit, limit, roll.teeth)
    angles = pitch * np.arange(roll.teeth) + errors
    angles += roll.run_out * np.sin(angles + generator.uniform(0.0, 2.0 * math.pi))
    return np.sort(np.asarray((angles - angles[0]) + 0.5 * pitch, dtype=np.float64))


def nominal() -> Setup:
    """The Tarnhow rig exactly as its rig file describes it: no error anywhere but noise."""
    rolls = (
        TrueRollSet("front", 1550.0, (62.0, 1.1, 0.021), pitch_error=0.0, run_out=0.0),
        TrueRollSet(
            "rear", 1650.0, (70.0, 1.25, 0.023), pitch_error=0.0, run_out=0.0,
            axle_load_n=19_500.0, shaft_stiffness=30_000.0, brake_nm=2400.0,
        ),
    )  # fmt: skip
    absorbers = tuple(
        TrueAbsorber(f"{rolls[roll].name}-{side}", roll, sign, fan=roll)
        for roll in (0, 1)
        for side, sign in (("left", 1), ("right", -1))
    )
    generator = np.random.default_rng(0)
    teeth = tuple(tooth_angles(roll, generator) for roll in rolls)
    return Setup(rolls, absorbers, teeth=teeth)


def tarnhow(seed: int = 1) -> Setup:
    """The Tarnhow rig as it came out of the works: true values off their nominal ones.

    Inertia, losses, radius, cell slope and zero lie within the sigmas of rigs/tarnhow.toml (normal
    draws); absorber curves, lags and heat differ by several per cent, which is for the
    identification to find.
    """
    draw = np.random.default_rng([seed, 77])
    base = nominal()

    def near(value: float, relative: float) -> float:
        return value * (1.0 + relative * float(np.clip(draw.standard_normal(), -2.5, 2.5)))

    rolls = tuple(
        replace(
            roll,
            mass_kg=roll.mass_kg + 1.6 * float(draw.standard_normal()),
            radius_m=roll.radius_m + 0.0001 * float(draw.standard_normal()),
            loss_n=(
                roll.loss_n[0] + 4.0 * float(draw.standard_normal()),
                roll.loss_n[1],
                roll.loss_n[2],
            ),
            pitch_error=0.001,
            run_out=abs(near(0.0005, 0.3)),
            tyre_radius_m=near(roll.tyre_radius_m, 0.002),
        )
        for roll in base.rolls
    )
    absorbers = tuple(
        replace(
            absorber,
            peak_nm=near(absorber.peak_nm, 0.04),
            critical_radps=near(absorber.critical_radps, 0.04),
            saturation_a=near(absorber.saturation_a, 0.04),
            residual_nm=near(absorber.residual_nm, 0.15),
            resistivity_per_k=near(absorber.resistivity_per_k, 0.1),
            coil_lag_s=near(absorber.coil_lag_s, 0.05),
            magnetic_lag_s=near(absorber.magnetic_lag_s, 0.1),
            arm_hz=near(absorber.arm_hz, 0.02),
            slope_error=0.0005 * float(draw.standard_normal()),
            zero_counts=round(560.0 * float(draw.standard_normal())),
            skin_kg=near(absorber.skin_kg, 0.05),
            bulk_kg=near(absorber.bulk_kg, 0.05),
            still_w_per_k=near(absorber.still_w_per_k, 0.15),
            wind_w_per_k=near(absorber.wind_w_per_k, 0.08),
            emissivity=min(near(absorber.emissivity, 0.05), 0.95),
        )
        for absorber in base.absorbers
    )
    coils = np.random.default_rng([seed, 80])  # of their own: the other draws stay what they were
    absorbers = tuple(
        replace(
            absorber,
            coil_ohm=absorber.coil_ohm * (1.0 + 0.02 * float(coils.standard_normal())),
            core_air_w_per_k=absorber.core_air_w_per_k * float(coils.uniform(0.8, 1.25)),
            coil_j_per_k=absorber.coil_j_per_k * float(coils.uniform(0.9, 1.1)),
        )
        for absorber in absorbers
    )
    front_end = replace(
        base.front_end,
        clock_error=3e-6 * float(draw.standard_normal()),
        tick_start=int(draw.integers(0, 2**32)),
    )
    teeth = tuple(tooth_angles(roll, draw) for roll in rolls)
    return replace(
        base, rolls=(rolls[0], rolls[1]), absorbers=absorbers, front_end=front_end, teeth=teeth
    )


def random_rig(seed: int, spread: float = 0.3) -> Setup:
    """A rig whose inertia, lag, absorber curve and noise lie within +-`spread` of nominal."""
    draw = np.random.default_rng([seed, 78])
    base = tarnhow(seed)

    def far(value: float) -> float:
        return value * float(draw.uniform(1.0 - spread, 1.0 + spread))

    rolls = tuple(replace(roll, mass_kg=far(roll.mass_kg)) for roll in base.rolls)
    absorbers = tuple(
        replace(
            absorber,
            peak_nm=far(absorber.peak_nm),
            critical_radps=far(absorber.critical_radps),
            saturation_a=far(absorber.saturation_a),
            coil_lag_s=far(absorber.coil_lag_s),
            magnetic_lag_s=far(absorber.magnetic_lag_s),
            noise_n=far(absorber.noise_n),
            arm_hz=far(absorber.arm_hz),
        )
        for absorber in base.absorbers
    )
    return replace(base, rolls=(rolls[0], rolls[1]), absorbers=absorbers)


def random_absorbers(seed: int) -> Setup:
    """A rig whose rotors and coils differ widely: mass, cooling, gradient (heat benches)."""
    draw = np.random.default_rng([seed, 79])
    base = tarnhow(seed)
    absorbers = tuple(
        replace(
            absorber,
            skin_kg=absorber.skin_kg * float(draw.uniform(0.6, 1.5)),
            bulk_kg=absorber.bulk_kg * float(draw.uniform(0.6, 1.5)),
            hub_kg=absorber.hub_kg * float(draw.uniform(0.5, 1.8)),
            skin_bulk_w_per_k=absorber.skin_bulk_w_per_k * float(draw.uniform(0.5, 2.0)),
            bulk_hub_w_per_k=absorber.bulk_hub_w_per_k * float(draw.uniform(0.5, 2.0)),
            still_w_per_k=absorber.still_w_per_k * float(draw.uniform(0.5, 1.8)),
            wind_w_per_k=absorber.wind_w_per_k * float(draw.uniform(0.6, 1.5)),
            wind_power=float(draw.uniform(0.65, 0.95)),
            emissivity=float(draw.uniform(0.45, 0.9)),
            peak_fade_per_k=float(draw.uniform(0.0, 0.0003)),
        )
        for absorber in base.absorbers
    )
    coils = np.random.default_rng([seed, 81])
    absorbers = tuple(
        replace(
            absorber,
            coil_ohm=1.2 * (1.0 + 0.03 * float(coils.standard_normal())),
            core_air_w_per_k=absorber.core_air_w_per_k * float(coils.uniform(0.6, 1.5)),
            coil_core_w_per_k=absorber.coil_core_w_per_k * float(coils.uniform(0.5, 2.0)),
            core_j_per_k=absorber.core_j_per_k * float(coils.uniform(0.6, 1.6)),
        )
        for absorber in absorbers
    )
    return replace(base, absorbers=absorbers)
