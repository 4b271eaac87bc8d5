"""The simulated world between frames: arrays packed from a Setup, and the compiled step on them.

Data flows: Setup -> arrays; driver inputs and supply set points -> `advance` -> edges, counts,
currents, truth. Nothing here knows the wire.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from simulator.kernel import bound
from simulator.rig_and_truck import layout as at
from simulator.rig_and_truck.frame_step import step_frame
from simulator.rig_and_truck.physics import copper_ratio, squared_flux
from simulator.rig_and_truck.setup import Setup, TrueAbsorber, TrueRollSet, TrueTruck, TrueWeather

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

NOISE_BLOCK = 16_384
# More numbers than one frame can use: edges, four per absorber, one for the engine.
NOISE_RESERVE = 1_024


def _absorber_row(absorber: TrueAbsorber, dt: float) -> Floats:
    row = np.zeros(at.P_COUNT)
    row[at.P_PEAK] = absorber.peak_nm
    row[at.P_CRITICAL] = absorber.critical_radps
    row[at.P_RATED_FLUX] = squared_flux(absorber.rated_a, absorber.saturation_a)
    row[at.P_SATURATION] = absorber.saturation_a
    row[at.P_RESIDUAL] = absorber.residual_nm
    row[at.P_RESISTIVITY] = absorber.resistivity_per_k
    row[at.P_PEAK_FADE] = absorber.peak_fade_per_k
    row[at.P_RATIO] = absorber.gear_ratio
    row[at.P_ARM] = absorber.arm_m
    row[at.P_COIL_SHARE] = 1.0 - math.exp(-dt / absorber.coil_lag_s)
    row[at.P_MAGNETIC_LAG] = absorber.magnetic_lag_s
    row[at.P_MAX_CURRENT] = absorber.max_current_a
    row[at.P_PLAY_WIDTH] = absorber.play_a
    row[at.P_PLAY_SHARE] = absorber.play_share
    row[at.P_ARM_RATE] = 2.0 * math.pi * absorber.arm_hz
    row[at.P_ARM_DAMPING] = absorber.arm_damping
    row[at.P_SKIN_KG] = absorber.skin_kg
    row[at.P_BULK_KG] = absorber.bulk_kg
    row[at.P_HUB_KG] = absorber.hub_kg
    row[at.P_SKIN_BULK] = absorber.skin_bulk_w_per_k
    row[at.P_BULK_HUB] = absorber.bulk_hub_w_per_k
    row[at.P_HUB_AIR] = absorber.hub_air_w_per_k
    row[at.P_STILL] = absorber.still_w_per_k
    row[at.P_STILL_FAN] = absorber.still_fan_w_per_k
    row[at.P_WIND] = absorber.wind_w_per_k
    row[at.P_WIND_FAN] = absorber.wind_fan
    row[at.P_WIND_POWER] = absorber.wind_power
    row[at.P_AREA] = absorber.area_m2
    row[at.P_EMISSIVITY] = absorber.emissivity
    row[at.P_RIPPLE] = absorber.ripple_n
    row[at.P_NOISE] = absorber.noise_n
    row[at.P_COUNTS_PER_N] = absorber.counts_per_n
    row[at.P_ZERO] = absorber.zero_counts
    row[at.P_ROLL] = absorber.roll
    row[at.P_FAN] = absorber.fan
    row[at.P_DRIFT_RATE] = absorber.drift_n_per_root_h
    row[at.P_TORQUE_GAIN] = 1.0
    row[at.P_FORCED_CURRENT] = math.nan
    row[at.P_FOLLOW_GAIN] = 1.0
    row[at.P_CURRENT_NOISE] = absorber.current_noise_a
    row[at.P_CEILING] = absorber.forcing_a
    row[at.P_COIL_OHM] = absorber.coil_ohm
    row[at.P_COIL_STORE] = absorber.coil_j_per_k
    row[at.P_CORE_STORE] = absorber.core_j_per_k
    row[at.P_COIL_CORE] = absorber.coil_core_w_per_k
    row[at.P_CORE_AIR] = absorber.core_air_w_per_k
    row[at.P_COIL_ROTOR] = absorber.coil_rotor_w_per_k
    supply = absorber.supply
    row[at.P_SUPPLY] = ("voltage", "phase-controlled", "regulates").index(supply.kind)
    row[at.P_SUPPLY_HALF] = 0.5 / supply.mains_hz
    row[at.P_SUPPLY_PERIOD] = (0.5 if supply.full_wave else 1.0) / supply.mains_hz
    row[at.P_SUPPLY_RATE] = supply.rate_per_s
    row[at.P_SUPPLY_SLEW] = supply.slew_a_per_s
    row[at.P_SUPPLY_LEAST] = -1.0 if supply.reverses else 0.0
    row[at.P_SUPPLY_FLOOR] = supply.floor_a
    row[at.P_SUPPLY_STEP] = supply.step_a
    row[at.P_SUPPLY_OFFSET] = supply.offset_a
    return row


def _roll_row(roll: TrueRollSet) -> Floats:
    row = np.zeros(at.Q_COUNT)
    row[at.Q_MASS] = roll.mass_kg
    row[at.Q_RADIUS] = roll.radius_m
    row[at.Q_LOSS_A], row[at.Q_LOSS_B], row[at.Q_LOSS_C] = roll.loss_n
    row[at.Q_CHILL_SHARE] = roll.chill_share
    row[at.Q_CHILL_TIME] = roll.chill_s
    row[at.Q_LOAD] = roll.axle_load_n
    row[at.Q_LOAD_SHIFT] = roll.load_shift
    row[at.Q_FRICTION] = roll.friction
    row[at.Q_SHAPE] = roll.slip_shape
    row[at.Q_STIFFNESS] = roll.slip_stiffness
    row[at.Q_RELAXATION] = roll.relaxation_m
    row[at.Q_TYRE_DAMPING] = roll.tyre_damping
    row[at.Q_ALIGNMENT] = roll.toe_rad
    row[at.Q_ROLLING] = roll.rolling
    row[at.Q_TYRE_RADIUS] = roll.tyre_radius_m
    row[at.Q_WHEEL_INERTIA] = roll.wheel_inertia
    row[at.Q_AXLE_INERTIA] = roll.axle_inertia
    row[at.Q_SHAFT_STIFFNESS] = roll.shaft_stiffness
    row[at.Q_SHAFT_DAMPING] = roll.shaft_damping
    row[at.Q_AXLE_DRAG] = roll.axle_drag_nm
    row[at.Q_AXLE_VISCOUS] = roll.axle_viscous
    row[at.Q_AXLE_LOAD_LOSS] = roll.axle_load_loss
    row[at.Q_BRAKE] = roll.brake_nm
    row[at.Q_JITTER] = roll.jitter_s
    row[at.Q_TEETH] = roll.teeth
    return row


def _truck_row(truck: TrueTruck) -> Floats:
    row = np.zeros(at.T_COUNT)
    row[at.T_ENGINE_INERTIA] = truck.engine_inertia
    row[at.T_TURBINE_INERTIA] = truck.turbine_inertia
    row[at.T_TORQUE_GAIN] = truck.torque_gain
    row[at.T_IDLE_SPEED] = truck.idle_radps
    row[at.T_FRICTION_0] = truck.friction_nm
    row[at.T_FRICTION_1] = truck.friction_per_radps
    row[at.T_UNBOOSTED] = truck.unboosted
    row[at.T_BOOST] = truck.boost_pa
    row[at.T_FUEL_LAG] = truck.fuel_lag_s
    row[at.T_CAPACITY] = truck.capacity
    row[at.T_STALL_RATIO] = truck.stall_ratio
    row[at.T_LOCK_CAPACITY] = truck.lock_nm
    row[at.T_LOCK_SPEED] = truck.lock_radps
    row[at.T_GEAR_CAPACITY] = truck.gear_nm
    row[at.T_SHIFT_OPEN] = truck.shift_open_s
    row[at.T_SHIFT_CLOSE] = truck.shift_close_s
    row[at.T_FINAL_DRIVE] = truck.final_drive
    row[at.T_FRONT_SHARE] = truck.front_share
    row[at.T_CASE_CAPACITY] = truck.case_nm
    row[at.T_GEARBOX_DRAG] = truck.gearbox_drag_nm
    row[at.T_GEARBOX_VISCOUS] = truck.gearbox_viscous
    row[at.T_GEARBOX_LOAD_LOSS] = truck.gearbox_load_loss
    row[at.T_WANDER] = truck.wander
    row[at.T_WANDER_TIME] = truck.wander_s
    row[at.T_PICKUP_JITTER] = truck.pickup_jitter_s
    row[at.T_PULSES] = truck.pulses_per_rev
    return row


_STATE = (
    "truck",
    "rolls",
    "absorbers",
    "inputs",
    "absorber_parameters",
    "truth_row",
    "_windows",
    "_noise",
    "_whole",
    "_next_tooth",
)


@dataclass(frozen=True, slots=True)
class Saved:
    """A saved state of the world."""

    arrays: tuple[npt.NDArray[Any], ...]
    frame: int
    noise: Any
    waiting: tuple[tuple[float, ...], ...]  # set points under way


class World:
    """Rig, truck and surroundings; `advance` moves them by one frame period of the front end."""

    def __init__(self, setup: Setup, seed: int) -> None:
        self.setup = setup
        board = setup.front_end
        self._noise_source = np.random.default_rng([seed, 1])
        period = 1.0 / (board.frame_hz * (1.0 + board.clock_error))
        self.substeps = max(1, round(1.0 / (board.frame_hz * board.substep_s)))
        self.dt = period / self.substeps
        self.period_s = period
        self.truck_parameters = _truck_row(setup.truck)
        self.roll_parameters = np.array([_roll_row(roll) for roll in setup.rolls])
        self.absorber_parameters = np.array(
            [_absorber_row(each, self.dt) for each in setup.absorbers]
        )
        self.truck = np.zeros(at.V_COUNT)
        self.rolls = np.zeros((len(setup.rolls), at.R_COUNT))
        self.absorbers = np.zeros((len(setup.absorbers), at.A_COUNT))
        self._set_points = self.absorbers[:, at.A_SET_POINT]
        self.inputs = np.zeros(at.I_COUNT)
        self._table = np.array(setup.truck.full_torque_nm)
        self._gears = np.array(setup.truck.gears)
        self.teeth = np.array(setup.teeth)
        window = max(1, round(max(each.filter_s for each in setup.absorbers) / self.dt))
        self._windows = np.zeros((len(setup.absorbers), window))
        self._solver = np.zeros((4, 4))
        self._noise = self._noise_source.standard_normal(NOISE_BLOCK)
        self._whole = np.zeros(at.N_EDGE_FIRST + at.WHEELS, dtype=np.int64)
        self._next_tooth = np.zeros(len(setup.rolls), dtype=np.int64)
        self._edges = np.zeros((at.WHEELS, at.MAX_EDGES), dtype=np.int64)
        self._edge_counts = np.zeros(at.WHEELS, dtype=np.int64)
        room = 2 * len(setup.absorbers) + at.WHEELS * (1 + at.MAX_EDGES)
        self.row = np.zeros(room, dtype=np.int64)
        self._braked = len(setup.absorbers)
        self._waiting = [  # set points under way to the supplies that have a delay
            (index, deque([0.0] * round(each.supply.delay_s / period)))
            for index, each in enumerate(setup.absorbers)
            if each.supply.delay_s > 0.0
        ]
        width = len(at.TRUTH_NAMES) + len(at.TRUTH_ABSORBER_NAMES) * len(setup.absorbers)
        self.truth_row = np.zeros(width)
        self.frame = 0  # frames since the start of the world, reboots included
        self._tick_rate = board.tick_hz * (1.0 + board.clock_error)
        self._memory = (
            self.truck, self.truck_parameters, self.rolls, self.roll_parameters,
            self.absorbers, self.absorber_parameters, self.inputs, self._table, self._gears,
            self.teeth, self._windows, self._solver, self._noise, self._whole,
            self._next_tooth, self._edges, self._edge_counts, self.row, self.truth_row,
        )  # fmt: skip
        self._step_frame = bound(
            step_frame, *self._memory, 0.0, self._tick_rate, self.dt, self.substeps
        )
        self._start()

    def _start(self) -> None:
        setup = self.setup
        self.truck[at.V_ENGINE] = setup.truck.idle_radps
        self.truck[at.V_IDLE] = 0.2
        self.truck[at.V_FUEL] = 0.2
        self.truck[at.V_SHIFT_TIME] = 1e3
        self.truck[at.V_OIL] = 355.0
        self.inputs[at.I_LOCK_UP] = 1.0
        self.inputs[at.I_ENGINE_ON] = 1.0
        self.inputs[at.I_ON_ROLLS] = 1.0 if setup.on_rolls else 0.0
        self.set_weather(setup.weather)
        self.inputs[at.I_BRAKE] = 0.3
        for row, absorber in zip(self.absorbers, setup.absorbers, strict=True):
            row[[at.A_SKIN, at.A_BULK, at.A_HUB]] = absorber.start_k
            row[[at.A_COIL, at.A_CORE]] = absorber.start_k
            row[at.A_WARM] = copper_ratio(absorber.start_k)
        for row, roll in zip(self.rolls, setup.rolls, strict=True):
            row[at.R_LOAD] = roll.axle_load_n * self.inputs[at.I_ON_ROLLS]
            row[at.R_CHILL] = roll.start_chill
        # Everything has its place in a turn: no wheel happens to start on an edge.
        start = self._noise_source.uniform(0.0, 2.0 * math.pi, len(setup.rolls))
        for index, angle in enumerate(start):
            self.rolls[index, at.R_ANGLE] = angle
            after = int(np.searchsorted(self.teeth[index], angle, side="right"))
            self._next_tooth[index] = after % self.teeth.shape[1]
        pulse = 2.0 * math.pi / setup.truck.pulses_per_rev
        self.truck[at.V_ENGINE_ANGLE] = self._noise_source.uniform(0.0, pulse)

    def set_weather(self, weather: TrueWeather) -> None:
        """Change what surrounds the rig; the engine and the rotors feel it at once."""
        self.weather = weather
        truck = self.setup.truck
        self.inputs[at.I_AMBIENT] = weather.temperature_k
        air = (weather.pressure_pa / 99_000.0) ** truck.weather_pressure
        self.inputs[at.I_AIR] = air * (298.0 / weather.temperature_k) ** truck.weather_temperature

    @property
    def now_s(self) -> float:
        """True seconds since the start of the world."""
        return self.frame * self.period_s

    def stored_j(self) -> float:
        """Energy held in everything that turns and in the twisted shafts, J."""
        t, q, rolls, v = self.truck_parameters, self.roll_parameters, self.rolls, self.truck
        parts = [
            t[at.T_ENGINE_INERTIA] * v[at.V_ENGINE] ** 2,
            t[at.T_TURBINE_INERTIA] * v[at.V_TURBINE] ** 2,
            *(q[:, at.Q_MASS] * rolls[:, at.R_SPEED] ** 2),
            *(q[:, at.Q_WHEEL_INERTIA] * rolls[:, at.R_WHEEL] ** 2),
            *(q[:, at.Q_AXLE_INERTIA] * rolls[:, at.R_AXLE] ** 2),
            *(q[:, at.Q_SHAFT_STIFFNESS] * rolls[:, at.R_TWIST] ** 2),
        ]
        return 0.5 * float(sum(parts))

    def spent_j(self) -> dict[str, float]:
        """Where the engine's work went since the start, J, apart from `stored_j`."""
        rolls = self.rolls
        return {
            "absorbed": float(rolls[:, at.R_ABSORBED].sum()),
            "roll losses": float(rolls[:, at.R_LOST].sum()),
            "tyre slip": float(rolls[:, at.R_SLIPPED].sum()),
            "tyre rolling": float(rolls[:, at.R_ROLLED].sum()),
            "brakes": float(rolls[:, at.R_BRAKED].sum()),
            "axles": float(rolls[:, at.R_AXLE_LOST].sum()),
            "gearbox and converter": float(self.truck[at.V_DRIVELINE_LOST]),
        }

    def save(self) -> Saved:
        """The whole state, to come back to with `restore`; cheap, for what-if searches."""
        arrays = tuple(getattr(self, name).copy() for name in _STATE)
        waiting = tuple(tuple(each) for _, each in self._waiting)
        return Saved(arrays, self.frame, self._noise_source.bit_generator.state, waiting)

    def restore(self, saved: Saved) -> None:
        """Go back to a saved state, noise included."""
        for name, kept in zip(_STATE, saved.arrays, strict=True):
            getattr(self, name)[...] = kept
        self.frame = saved.frame
        for (_, waiting), under_way in zip(self._waiting, saved.waiting, strict=True):
            waiting.clear()
            waiting.extend(under_way)
        self._noise_source.bit_generator.state = saved.noise

    def spin(self, *speeds_mps: float) -> None:
        """Set roll speeds as a spin-up motor would have left them, in m/s per roll set."""
        for index, speed in enumerate(speeds_mps):
            self.rolls[index, at.R_SPEED] = speed
            radius = self.roll_parameters[index, at.Q_TYRE_RADIUS]
            if self.inputs[at.I_ON_ROLLS] > 0.0:
                self.rolls[index, [at.R_WHEEL, at.R_AXLE]] = speed / radius

    def supply(self, set_points_a: list[float]) -> None:
        """What the absorbers' supplies are told, A; one with a delay acts on it later."""
        column = self._set_points
        for index, each in enumerate(set_points_a):
            column[index] = each
        for index, waiting in self._waiting:
            waiting.append(set_points_a[index])
            column[index] = waiting.popleft()

    def step(self, tick_start: float) -> None:
        """One frame period. Leaves in `row` the converter counts, the measured currents (10 mA),
        the number of edges per wheel, and the edge ticks of this frame, wheel by wheel, oldest
        first, counted on from `tick_start` without wrapping."""
        whole = self._whole
        if whole[at.N_NOISE] > NOISE_BLOCK - NOISE_RESERVE:
            self._noise_source.standard_normal(out=self._noise)
            whole[at.N_NOISE] = 0
        self._step_frame(*self._memory, float(tick_start), self._tick_rate, self.dt, self.substeps)
        self.frame += 1

    def advance(self, tick_start: float) -> tuple[list[int], list[int], list[list[int]]]:
        """The same; gives converter counts, measured currents and, per wheel, the edge ticks."""
        self.step(tick_start)
        out = self.row.tolist()
        currents = self._braked
        wheels = 2 * currents
        first = wheels + at.WHEELS
        edges = []
        for count in out[wheels:first]:
            edges.append(out[first : first + count])
            first += count
        return out[:currents], out[currents:wheels], edges
