"""From a demand to currents asked of the supplies, for the whole rig, in one compiled step.

Data flow per frame: readings and demand -> records -> control.load_loop.kernel.step -> Output. The
gate decides what becomes of the currents. `LoadLoop` owns the records (control.load_loop.records)
and puts into them every tuning number that control.load_loop.tuning derives from the rig's lags,
inertia and delays.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence

import msgspec
import numpy as np
import numpy.typing as npt

from control.absorber.identified import Identified, described
from control.absorber.map import COLD_K, GAIN, SHAPE, SHAPE_NODES, map_row
from control.load_loop import constants as c
from control.load_loop import kernel, tuning
from control.load_loop.aims import Aim
from control.load_loop.records import (
    ABSORBER,
    HISTORY,
    LOOP,
    LOOP_OUTPUTS,
    ROLL_SET,
    Records,
    offsets,
)
from control.load_loop.tuning import OBSERVER_SHARE, PlantParameters
from daq.kernel import bound
from daq.rig.description import Absorber, Rig

Floats = npt.NDArray[np.float64]
MOST_FLIGHT_FRAMES = 8


class Output(msgspec.Struct, frozen=True, gc=False):
    """What one frame of the load loop led to."""

    shortfall_n: float  # asked and not to be had
    reference: float  # shaped set point, in the unit of the aim
    speed_mps: float  # held: mean of what turns, by inertia
    drive_n: float  # tractive force of the truck, losses of the rolls included, as observed
    currents_a: tuple[float, ...]  # asked of each supply


class LoadLoop:
    """Records and tuning of one rig. One call of `step` per frame."""

    def __init__(
        self,
        rig: Rig,
        learned: dict[str, tuple[float, tuple[float, ...], float]] | None = None,
        identified: dict[str, Identified] | None = None,
    ) -> None:
        """`learned`: per absorber name gain, shape and rotor temperature (K) from memory;
        `identified`: what an identification found, in place of the rig file's map and lags."""
        self._rig = rig
        names = [roll_set.name for roll_set in rig.roll_sets]
        self.frame_s = 1.0 / rig.frame_hz
        self.loop: Records = np.zeros(1, LOOP)
        self.roll_sets: Records = np.zeros(len(names), ROLL_SET)
        self.absorbers: Records = np.zeros(len(rig.absorbers), ABSORBER)
        self.maps: Floats = self.absorbers["map"]
        count = len(rig.absorbers)
        self._tuned_lag_s = np.ones(count)  # of coils, which the tuning follows from
        self._cold_lag_s = np.ones(count)  # of coils at 20 degC
        self._coil_warm = np.ones(count)  # their resistance now over that
        self._observer_share = OBSERVER_SHARE
        self._in_flight = 0
        self.loop["low_speed_mps"] = rig.limits.low_speed_mps
        self.roll_sets["share_weight"] = 1.0
        for detector in ("hold", "road"):
            self.loop[detector]["innovation_level_n"] = 10.0 * c.LEAST_INNOVATION_N
        for r, roll_set in enumerate(rig.roll_sets):
            one = self.roll_sets[r]
            one["inertia_kg"] = roll_set.base_inertia_kg
            one["loss_a"], one["loss_b"], one["loss_c"] = roll_set.loss_n
            one["max_force_n"] = roll_set.max_force_n
        self.absorbers["power_limit_w"] = np.inf
        self.absorbers["capacity_share"] = 1.0
        self.absorbers["headroom_weight"] = self.absorbers["weight_goal"] = 1.0
        for i, absorber in enumerate(rig.absorbers):
            gain, shape, rotor_k = (learned or {}).get(absorber.name, (1.0, (), COLD_K))
            known = described(absorber, (identified or {}).get(absorber.name))
            self.maps[i] = map_row(known, gain, shape)
            each = self.absorbers[i]
            each["group"] = owner = names.index(absorber.roll_set)
            each["shaft_per_surface"] = absorber.gear_ratio / rig.roll_sets[owner].roll_radius_m
            each["ceiling_a"] = absorber.forcing_a
            self._set_lags(i, known, absorber.name in (identified or {}))
            ring_hz = absorber.cell.arm_resonance_hz
            ring_s = 1.0 / (2 * np.pi * ring_hz) if ring_hz > 0 else 0.0
            late_s = absorber.cell.filter_delay_s + ring_s
            tau_s = max(c.CELL_TAU_LEAST_S, c.CELL_TAU_DELAYS * late_s)
            each["cell_correction_tau_s"] = tau_s
            each["map_learning_s"] = c.LEARN_TAUS * tau_s
            self.set_rotor(i, rotor_k)
            self.set_cell_delay(i, absorber.cell.filter_delay_s)
        self.set_delays(0.005, 0)
        self._wire_records()

    def _wire_records(self) -> None:
        """Where `step` writes what comes in and reads what comes out."""
        self._loop_bytes, self._set_bytes, self._absorber_bytes = (
            records.view(np.uint8).data for records in (self.loop, self.roll_sets, self.absorbers)
        )
        self._pack_demand = struct.Struct("=dqddqd").pack_into
        self._pack_set = struct.Struct("=3d").pack_into
        self._pack_absorber = struct.Struct("=4d").pack_into
        self._set_offsets = offsets(self.roll_sets, "travel_m")
        self._absorber_offsets = offsets(self.absorbers, "measured_a")
        self._unpack_outputs = struct.Struct(f"={len(LOOP_OUTPUTS)}d").unpack_from
        self._outputs_at = offsets(self.loop, LOOP_OUTPUTS[0])[0]
        self._currents = self.absorbers["current_a"]
        self._step = bound(kernel.step, self.loop, self.roll_sets, self.absorbers)

    def _set_lags(self, absorber: int, known: Absorber, found: bool) -> None:
        """Lags as identified, or as the rig file says them of coil, field and supply."""
        each = self.absorbers[absorber]
        supply = known.supply
        lag_s = known.coil_lag_s if found else supply.lag_s(known.coil_lag_s)
        each["coil_lag_s"] = self._tuned_lag_s[absorber] = lag_s
        each["field_lag_s"] = known.field_lag_s
        each["alert_follow_s"] = tuning.follow_time(lag_s, self.frame_s, supply.dead_s)
        each["calm_follow_s"] = tuning.CALM_OVER_ALERT * each["alert_follow_s"]
        each["supply_frames"] = round(supply.dead_s / self.frame_s)
        each["measured_part"] = tuning.measured_part(supply.acts_every_s, self.frame_s)
        self._cold_lag_s[absorber] = lag_s * self._coil_warm[absorber]

    def adopt(self, absorber: int, found: Identified | None) -> None:
        """Use what an identification found from now on; None: what the rig file says.

        Ask it while nothing is asked of the absorbers.
        """
        known = described(self._rig.absorbers[absorber], found)
        self.maps[absorber] = map_row(known, 1.0, found.shape if found is not None else ())
        self._set_lags(absorber, known, found is not None)
        self.absorbers[absorber]["cell_correction_n"] = 0.0
        self.set_delays(self.speed_age_s, self._in_flight)

    def ask_currents(self, currents_a: Sequence[float]) -> None:
        """Coil currents to aim for while the aim is CURRENT, A."""
        self.absorbers["wanted_a"] = currents_a

    def set_cell_delay(self, absorber: int, delay_s: float) -> None:
        """Declared age of a cell's force at the frame's tick."""
        frames = min(max(delay_s, 0.0) / self.frame_s, HISTORY - 2.0)
        self.absorbers[absorber]["cell_delay_frames"] = frames

    def cell_frames(self, absorber: int) -> float:
        """Declared age of a cell's force in frames."""
        return float(self.absorbers[absorber]["cell_delay_frames"])

    def set_delays(self, speed_age_s: float, in_flight: int) -> None:
        """Derive the tuning from the delays at hand: age of the speed, set points on their way."""
        self.speed_age_s = speed_age_s
        self._in_flight = min(max(in_flight, 0), MOST_FLIGHT_FRAMES)
        self.absorbers["flight_frames"] = self._in_flight + self.absorbers["supply_frames"]
        plant, share = self.plant_parameters(), self._observer_share
        calm, alert = tuning.derive(plant, share, 0.0), tuning.derive(plant, share, 1.0)
        hold, road = self.loop["hold"], self.loop["road"]
        hold["slow_per_s"], hold["fast_per_s"] = calm.observer_per_s, alert.observer_per_s
        road["slow_per_s"], road["fast_per_s"] = c.ROAD_SLOW_PER_S, c.ROAD_FAST_PER_S
        hold["change_low"], hold["change_high"] = c.HOLD_CHANGE_LOW, c.HOLD_CHANGE_HIGH
        road["change_low"], road["change_high"] = c.ROAD_CHANGE_LOW, c.ROAD_CHANGE_HIGH
        self.roll_sets["feedback_per_s"] = alert.feedback_per_s
        self.roll_sets["calm_lookahead_s"] = calm.lookahead_s
        self.roll_sets["alert_lookahead_s"] = alert.lookahead_s

    def set_observer(self, share: float) -> None:
        """How fast the observer is, as tuning states it; kept within its bounds."""
        if tuning.LEAST_SHARE <= share <= tuning.MOST_SHARE:
            self._observer_share = share
            self.set_delays(self.speed_age_s, self._in_flight)

    @property
    def observer_share(self) -> float:
        return self._observer_share

    def plant_parameters(self, truck_kg: float = 0.0) -> PlantParameters:
        """The rig as its speed loop knows it now, for control.load_loop.tuning."""
        return PlantParameters(
            float(np.sum(self.roll_sets["inertia_kg"])),
            float(np.max(self._tuned_lag_s)),
            float(np.max(self.absorbers["field_lag_s"])),
            self.speed_age_s,
            self._in_flight,
            self.frame_s,
            truck_kg,
            max(absorber.supply.dead_s for absorber in self._rig.absorbers),
        )

    @property
    def in_flight(self) -> int:
        return self._in_flight

    def set_rotor(self, absorber: int, rotor_k: float) -> None:
        """The rotor's temperature at once; while load is on `set_heat` changes it gently."""
        each = self.absorbers[absorber]
        each["rotor_k"] = each["rotor_goal_k"] = rotor_k

    def set_heat(self, absorber: int, rotor_k: float, power_w: float, weight: float) -> None:
        """Rotor temperature, most power it may take, weight among those of its roll set."""
        each = self.absorbers[absorber]
        each["power_limit_w"] = power_w
        each["rotor_goal_k"] = rotor_k
        each["weight_goal"] = weight

    def set_coil(self, absorber: int, warm: float) -> None:
        """Resistance of a coil over that at 20 degC: lag L/R and the supply's ceiling follow."""
        each = self.absorbers[absorber]
        each["coil_lag_s"] = self._cold_lag_s[absorber] / warm
        each["ceiling_a"] = self._rig.absorbers[absorber].forcing_a / warm
        self._coil_warm[absorber] = warm

    def take_work(self, absorber: int) -> tuple[float, float, float, float]:
        """Seconds, joule, shaft radians and ampere2 seconds since the last call, then anew."""
        each = self.absorbers[absorber]
        work = (
            float(each["work_s"]), float(each["work_j"]), float(each["work_rad"]),
            float(each["work_a2s"]),
        )  # fmt: skip
        for name in ("work_s", "work_j", "work_rad", "work_a2s"):
            each[name] = 0.0
        return work

    def rotor_k(self, absorber: int) -> float:
        return float(self.absorbers[absorber]["rotor_k"])

    def asked_n(self, absorber: int) -> float:
        """Force asked of an absorber in the last frame, at the roll surface, N."""
        return float(self.absorbers[absorber]["asked_n"])

    def learned(self, absorber: int) -> tuple[float, tuple[float, ...]]:
        """Gain and shape learned so far."""
        row = self.maps[absorber]
        shape = tuple(float(value) for value in row[SHAPE : SHAPE + SHAPE_NODES])
        return float(row[GAIN]), shape

    def step(
        self,
        dt_s: float,
        aim: int,
        target: float,
        target_rate: float,
        restart: bool,
        travels_m: Sequence[float],
        ages_s: Sequence[float],
        coils_a: Sequence[float],
        cells_n: Sequence[float],
        shafts_radps: Sequence[float],
        sent_a: Sequence[float],
        shown_mps: Sequence[float],
        shown_delay_s: float,
    ) -> Output:
        """One frame. Readings that are not good come in as NaN.

        `travels_m` and `ages_s` are the travel of each roll set up to its newest edge and that
        edge's age, NaN without a new edge; `shown_mps` the reported speeds, `shown_delay_s` old.
        """
        pack, buffer = self._pack_set, self._set_bytes
        self._pack_demand(
            self._loop_bytes, 0, dt_s, aim, target, target_rate, restart, shown_delay_s
        )
        for at, travel, age, shown in zip(
            self._set_offsets, travels_m, ages_s, shown_mps, strict=True
        ):
            pack(buffer, at, travel, age, shown)
        pack, buffer = self._pack_absorber, self._absorber_bytes
        for at, coil, cell, shaft, sent in zip(
            self._absorber_offsets, coils_a, cells_n, shafts_radps, sent_a, strict=True
        ):
            pack(buffer, at, coil, cell, shaft, sent)
        self._step(self.loop, self.roll_sets, self.absorbers)
        shortfall_n, reference, speed_mps, drive_n = self._unpack_outputs(
            self._loop_bytes, self._outputs_at
        )
        return Output(shortfall_n, reference, speed_mps, drive_n, tuple(self._currents.tolist()))


def asking_nothing(absorbers: int) -> Output:
    """What the load loop led to before its first frame."""
    return Output(0.0, 0.0, 0.0, 0.0, (0.0,) * absorbers)


__all__ = ["Aim", "LoadLoop", "Output", "asking_nothing"]
