"""From a demand to currents asked of the supplies, for the whole rig, in one compiled step.

Data flow per frame: readings (Frame numbers) + demand -> force_loop.observe per absorber ->
hold.observe per roll set -> demand per roll set -> share -> force_loop.drive -> currents asked.
The gate decides what becomes of them. `Loads` owns the arrays and derives every tuning number
from the rig's lag, inertia and delays.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from control.absorber.identified import Identified, described
from control.absorber.map import COLD_K, GAIN, MAP_COLUMNS, SHAPE, SHAPE_NODES, map_row
from control.load_loop import force_loop, road_load_observer, speed_control, tuning
from control.load_loop.kernel import (
    AIM,
    CAP_SHARE,
    CAP_W,
    DT,
    GENERAL_COLUMNS,
    INPUT_HEAD,
    ROTOR_GOAL,
    TARGET,
    WARM_COLUMNS,
    WEIGHT_GOAL,
    WORK_A2S,
    WORK_J,
    WORK_RAD,
    WORK_S,
    Aim,
    frame,
)
from control.load_loop.load_sharing import Between
from control.load_loop.tuning import OBSERVER_SHARE, Numbers
from daq.rig.description import Absorber, Rig

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


class Loads:
    """Arrays and tuning of one rig. One call of `step` per frame."""

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
        sets, count = len(names), len(rig.absorbers)
        self.frame_s = 1.0 / rig.frame_hz
        self._owner: Ints = np.array(
            [names.index(absorber.roll_set) for absorber in rig.absorbers], dtype=np.int64
        )
        self._sets_fixed = np.zeros((sets, speed_control.FIXED_COLUMNS))
        self._sets = np.zeros((sets, speed_control.STATE_COLUMNS))
        self._roads = np.zeros((sets, road_load_observer.COLUMNS))
        self._fixed = np.zeros((count, force_loop.FIXED_COLUMNS))
        self.maps = np.zeros((count, MAP_COLUMNS))
        self._states = np.zeros((count, force_loop.STATE_COLUMNS))
        self._general = np.zeros(GENERAL_COLUMNS)
        self.weights = np.ones((2, max(sets, count)))
        self._scratch = np.zeros((8, max(sets, count)))
        self._asks = np.zeros(count)
        self._cold_lag_s = np.ones(count)  # of coils at 20 degC
        self._coil_warm = np.ones(count)  # their resistance now over that
        self._warm = np.zeros((count, WARM_COLUMNS))
        self._warm[:, CAP_W] = np.inf
        self._warm[:, CAP_SHARE] = 1.0
        self._warm[:, WEIGHT_GOAL] = 1.0
        size = INPUT_HEAD + 3 * sets + 4 * count
        self.inputs = np.zeros(size)
        self._pack = struct.Struct(f"={size}d").pack_into
        self._buffer = self.inputs.data.cast("B")
        self.output = np.zeros(4 + 5 * count)
        self._field_s = self._unseen_s = 0.0
        self._observer_share = OBSERVER_SHARE
        self._low_speed_mps = rig.limits.low_speed_mps
        self._head = 0
        self._in_flight = 0
        for r, roll_set in enumerate(rig.roll_sets):
            row = self._sets_fixed[r]
            row[speed_control.INERTIA] = roll_set.base_inertia_kg
            row[speed_control.LOSS_A : speed_control.LOSS_C + 1] = roll_set.loss_n
            row[speed_control.MAX_FORCE] = roll_set.max_force_n
        for i, absorber in enumerate(rig.absorbers):
            gain, shape, rotor_k = (learned or {}).get(absorber.name, (1.0, (), COLD_K))
            known = described(absorber, (identified or {}).get(absorber.name))
            self.maps[i] = map_row(known, gain, shape)
            radius = rig.roll_sets[int(self._owner[i])].roll_radius_m
            row = self._fixed[i]
            row[force_loop.LEVER] = absorber.gear_ratio / radius
            self._set_lags(i, known)
            row[force_loop.FORCING_A] = absorber.forcing_a
            ring_s = (
                1.0 / (2 * np.pi * absorber.cell.arm_resonance_hz)
                if (absorber.cell.arm_resonance_hz > 0)
                else 0.0
            )
            row[force_loop.TRUTH_S] = max(0.05, 15.0 * (absorber.cell.filter_delay_s + ring_s))
            row[force_loop.LEARN_S] = 20.0 * row[force_loop.TRUTH_S]
            self.set_rotor(i, rotor_k)
            self.set_cell_delay(i, absorber.cell.filter_delay_s)
        self._see_lags()
        self.set_delays(0.005, 0)

    def _set_lags(self, absorber: int, known: Absorber) -> None:
        row = self._fixed[absorber]
        row[force_loop.COIL_LAG] = known.coil_lag_s
        self._cold_lag_s[absorber] = known.coil_lag_s * self._coil_warm[absorber]
        row[force_loop.FIELD_S] = known.field_lag_s
        row[force_loop.FOLLOW_S] = tuning.follow_time(known.coil_lag_s, self.frame_s)

    def _see_lags(self) -> None:
        """What the models do not know (hysteresis, arm, errors of lags): a share of the lags."""
        self._field_s = float(np.max(self._fixed[:, force_loop.FIELD_S]))
        coil_s = float(np.max(self._fixed[:, force_loop.COIL_LAG]))
        self._unseen_s = tuning.unseen_time(coil_s, self._field_s)

    def adopt(self, absorber: int, found: Identified | None) -> None:
        """Use what an identification found from now on; None: what the rig file says.

        Ask it while nothing is asked of the absorbers.
        """
        known = described(self._rig.absorbers[absorber], found)
        self.maps[absorber] = map_row(known, 1.0, found.shape if found is not None else ())
        self._set_lags(absorber, known)
        self._states[absorber, force_loop.OFFSET_N] = 0.0
        self._see_lags()
        self.set_delays(self.speed_age_s, self._in_flight)

    def ask_currents(self, currents_a: Sequence[float]) -> None:
        """Coil currents to aim for while the aim is CURRENT, A."""
        self._asks[:] = currents_a

    def set_cell_delay(self, absorber: int, delay_s: float) -> None:
        """Declared age of a cell's force at the frame's tick."""
        frames = min(max(delay_s, 0.0) / self.frame_s, force_loop.RING - 2.0)
        self._fixed[absorber, force_loop.CELL_FRAMES] = frames

    def cell_frames(self, absorber: int) -> float:
        """Declared age of a cell's force in frames."""
        return float(self._fixed[absorber, force_loop.CELL_FRAMES])

    def set_delays(self, speed_age_s: float, in_flight: int) -> None:
        """Derive the tuning from the delays at hand: age of the speed, set points on their way."""
        self.speed_age_s = speed_age_s
        flight = min(max(in_flight, 0), 8)
        self._in_flight = flight
        follow_s = float(np.max(self._fixed[:, force_loop.FOLLOW_S]))
        out_s = flight * self.frame_s + 0.5 * self.frame_s
        self._fixed[:, force_loop.SENT_FRAMES] = flight
        self._sets_fixed[:, speed_control.OBSERVER] = speed_control.observer_bandwidth(
            self.frame_s, speed_age_s, self._unseen_s, self._observer_share
        )
        self._sets_fixed[:, speed_control.FEEDBACK] = speed_control.feedback_gain(
            speed_age_s + self.frame_s + out_s + self._unseen_s
        )
        self._sets_fixed[:, speed_control.AHEAD_S] = follow_s + out_s + 0.5 * self._field_s

    def set_observer(self, share: float) -> None:
        """How fast the observer is, as tuning states it; kept within its bounds."""
        if tuning.LEAST_SHARE <= share <= tuning.MOST_SHARE:
            self._observer_share = share
            self.set_delays(self.speed_age_s, self._in_flight)

    @property
    def observer_share(self) -> float:
        return self._observer_share

    def numbers(self, truck_kg: float = 0.0) -> Numbers:
        """The loop's numbers as known now, for control.load_loop.tuning."""
        return Numbers(
            float(np.sum(self._sets_fixed[:, speed_control.INERTIA])),
            float(np.max(self._fixed[:, force_loop.COIL_LAG])),
            self._field_s,
            self.speed_age_s,
            self._in_flight,
            self.frame_s,
            truck_kg,
        )

    @property
    def in_flight(self) -> int:
        return self._in_flight

    def set_rotor(self, absorber: int, rotor_k: float) -> None:
        """The rotor's temperature at once; while load is on `set_heat` changes it gently."""
        self._states[absorber, force_loop.ROTOR_K] = rotor_k
        self._warm[absorber, ROTOR_GOAL] = rotor_k

    def set_heat(self, absorber: int, rotor_k: float, cap_w: float, weight: float) -> None:
        """Rotor temperature, most power it may take, weight among those of its roll set."""
        row = self._warm[absorber]
        row[CAP_W] = cap_w
        row[ROTOR_GOAL] = rotor_k
        row[WEIGHT_GOAL] = weight

    def set_coil(self, absorber: int, warm: float) -> None:
        """Resistance of a coil over that at 20 degC: lag L/R and the supply's ceiling follow."""
        row = self._fixed[absorber]
        row[force_loop.COIL_LAG] = self._cold_lag_s[absorber] / warm
        row[force_loop.FORCING_A] = self._rig.absorbers[absorber].forcing_a / warm
        self._coil_warm[absorber] = warm

    def take_work(self, absorber: int) -> tuple[float, float, float, float]:
        """Seconds, joule, shaft radians and ampere2 seconds since the last call, then anew."""
        row = self._warm[absorber]
        work = (
            float(row[WORK_S]), float(row[WORK_J]), float(row[WORK_RAD]), float(row[WORK_A2S])
        )  # fmt: skip
        row[WORK_S:] = 0.0
        return work

    def rotor_k(self, absorber: int) -> float:
        return float(self._states[absorber, force_loop.ROTOR_K])

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
        rate: float,
        fresh: bool,
        between: int,
        travels_m: Sequence[float],
        ages_s: Sequence[float],
        coils_a: Sequence[float],
        cells_n: Sequence[float],
        shafts_radps: Sequence[float],
        sent_a: Sequence[float],
        shown_mps: Sequence[float],
        shown_delay_s: float,
    ) -> list[float]:
        """One frame. Readings that are not good come in as NaN.

        `travels_m` and `ages_s` are the travel of each roll set up to its newest edge and that
        edge's age, NaN without a new edge; `shown_mps` the reported speeds, `shown_delay_s` old.

        Returns [shortfall_n, reference, held speed (mean of what turns), asked current xN, asked
        force xN, modelled coil current xN, present force xN, force the unlearned map promised xN,
        tractive force of the truck as observed].
        """
        self._pack(
            self._buffer, 0, dt_s, aim, target, rate, fresh, between, self._low_speed_mps,
            shown_delay_s,
            *travels_m, *ages_s, *coils_a, *cells_n, *shafts_radps, *sent_a,
            *shown_mps,
        )  # fmt: skip
        self._head = (self._head + 1) % (force_loop.RING * 1024)
        frame(
            self.inputs, self.output, self._general, self._owner, self._sets_fixed, self._sets,
            self._roads, self._fixed, self.maps, self._states, self.weights, self._warm, self._asks,
            self._scratch, self._head,
        )  # fmt: skip
        return self.output.tolist()


__all__ = ["AIM", "DT", "INPUT_HEAD", "TARGET", "Aim", "Between", "Loads", "frame"]
