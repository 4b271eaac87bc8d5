"""From a demand to currents asked of the supplies, for the whole rig, in one compiled step.

Data flow per frame: readings (Frame numbers) + demand -> force_loop.observe per absorber ->
hold.observe per roll set -> demand per roll set -> share -> force_loop.drive -> currents asked.
The gate decides what becomes of them. `Loads` owns the arrays and derives every tuning number
from the rig's lag, inertia and delays.
"""

from __future__ import annotations

import enum
import struct
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from control import absorber as absorber_module
from control import force_loop, hold, tuneup
from control import share as share_module
from control.absorber import (
    COLD_K,
    GAIN,
    MAP_COLUMNS,
    SHAPE,
    SHAPE_NODES,
    capacity,
    current_for,
    map_row,
)
from control.identified import Identified, described
from control.share import Between, by_weight
from control.tuneup import OBSERVER_SHARE, Numbers
from daq.kernel import jit, refresh_cache
from daq.rig import Absorber, Rig

refresh_cache(
    __file__, absorber_module.__file__, force_loop.__file__, hold.__file__, share_module.__file__
)

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


class Aim(enum.IntEnum):
    """What the running demand is about."""

    NOTHING = 0  # observe only
    SPEED = 1  # m/s, each roll set or the mean
    FORCE = 2  # N, whole rig at the roll surface
    POWER = 3  # W, whole rig at the roll surface
    TRACK = 4  # m/s: the target is the reference of this frame, the rate its acceleration
    CURRENT = 5  # A, of each absorber: only to identify them


TAKE_UP_S = 1.0  # full force may build up in this time after a start or a change of aim
TAKE_UP_GRACE_S = 1.5  # from then on the rate no longer counts
UNSEEN_SHARE = 0.04  # of the coil's lag: what neither its model nor the field's explains
SPLIT_S = 0.3  # how fast the shares of the roll sets follow the drive forces
SHAFT_SHARE = 0.5  # of the speed feedback, between roll sets: tyres may couple them stiffly
YIELD_S = 0.1  # how fast a tracked reference yields to rolls that cannot follow it
RAMP_SOFT_S = 0.3  # a ramp reaches its rate in this time
RAMP_EASE_PER_S = 2.0  # how a reference comes to rest at its target

# General state columns.
REFERENCE, REFERENCE_RATE, BUILT_N, SINCE_S, SHORTFALL_N = range(5)
GENERAL_COLUMNS = 5

# Heat columns per absorber, from control.heat_keeper: most power, rotor temperature, weight; the
# share of its capacity that an absorber may give now; and the work since it was last taken.
CAP_W, ROTOR_GOAL, WEIGHT_GOAL, CAP_SHARE, WORK_S, WORK_J, WORK_RAD = range(7)
WARM_COLUMNS = 7
CAP_SLEW_S = 5.0  # the share goes from all to nothing in no less than this: never a step in load
LEAST_SHARE = 1e-3
HEAT_FOLLOW_S = 1.0  # temperature and weight come a few times a second: followed without steps

# Input layout: head, then blocks per roll set and per absorber.
DT, AIM, TARGET, RATE, FRESH, BETWEEN, LOW_SPEED, SHOWN_DELAY = range(8)
INPUT_HEAD = 8


@jit
def take_up(inputs: Floats, general: Floats, aim: int, common_mps: float, given_n: float) -> None:
    """The reference: from where the rig is to the target, at a limited rate with soft ends."""
    dt = inputs[DT]
    if inputs[FRESH] > 0.0:
        general[SINCE_S] = 0.0
        general[REFERENCE_RATE] = 0.0
        general[BUILT_N] = given_n
        general[REFERENCE] = given_n
        if aim == 1:
            general[REFERENCE] = common_mps
        elif aim == 3:
            general[REFERENCE] = given_n * common_mps
    general[SINCE_S] += dt
    if aim == 4:  # whoever asks knows where the reference goes, and how it gets there
        general[REFERENCE] = inputs[TARGET]
        general[REFERENCE_RATE] = inputs[RATE]
        return
    limit = inputs[RATE]
    off = inputs[TARGET] - general[REFERENCE]
    wanted_rate = min(max(RAMP_EASE_PER_S * off, -limit), limit)
    jerk = limit * dt / RAMP_SOFT_S
    general[REFERENCE_RATE] += min(max(wanted_rate - general[REFERENCE_RATE], -jerk), jerk)
    general[REFERENCE] += general[REFERENCE_RATE] * dt
    if abs(off) < 1e-9 * (1.0 + abs(inputs[TARGET])):
        general[REFERENCE] = inputs[TARGET]
        general[REFERENCE_RATE] = 0.0


@jit
def frame(
    inputs: Floats,
    output: Floats,
    general: Floats,
    owner: Ints,
    sets_fixed: Floats,
    sets: Floats,
    fixed: Floats,
    maps: Floats,
    states: Floats,
    weights: Floats,
    warm: Floats,
    asks: Floats,
    scratch: Floats,
    head: int,
) -> None:
    """One frame for all roll sets and absorbers; see the module docstring for the order."""
    set_count = sets.shape[0]
    count = states.shape[0]
    dt = inputs[DT]
    aim = int(inputs[AIM])
    travels = inputs[INPUT_HEAD : INPUT_HEAD + set_count]
    ages = inputs[INPUT_HEAD + set_count : INPUT_HEAD + 2 * set_count]
    base = INPUT_HEAD + 2 * set_count
    coils = inputs[base : base + count]
    cells = inputs[base + count : base + 2 * count]
    shafts = inputs[base + 2 * count : base + 3 * count]
    sent = inputs[base + 3 * count : base + 4 * count]
    shown = inputs[base + 4 * count : base + 4 * count + set_count]

    for i in range(count):
        force_loop.observe(
            fixed[i], maps[i], states[i], head, dt, coils[i], cells[i], shafts[i], sent[i]
        )
    fastest = 0.0
    for r in range(set_count):
        tick = 0.0
        now = 0.0
        for i in range(count):
            if owner[i] == r:
                tick += states[i, force_loop.FORCE_TICK_N]
                now += states[i, force_loop.FORCE_NOW_N]
        hold.observe(
            sets_fixed[r], sets[r], dt, travels[r], ages[r], shown[r], inputs[SHOWN_DELAY],
            tick, now,
        )  # fmt: skip
        scratch[3, r] = now
        fastest = max(fastest, sets[r, hold.SPEED])

    # What each absorber may give, after its heat guard; and the work it does.
    for i in range(count):
        follow = min(1.0, dt / HEAT_FOLLOW_S)
        states[i, force_loop.ROTOR_K] += (
            warm[i, ROTOR_GOAL] - states[i, force_loop.ROTOR_K]
        ) * follow
        weights[1, i] += (warm[i, WEIGHT_GOAL] - weights[1, i]) * follow
        lever = fixed[i, force_loop.LEVER]
        speed = sets[owner[i], hold.SPEED]
        room = capacity(maps[i], speed * lever, states[i, force_loop.ROTOR_K]) * lever
        most_w = room * max(speed, inputs[LOW_SPEED])
        goal = warm[i, CAP_W] / most_w if warm[i, CAP_W] < most_w else 1.0
        pace = dt / CAP_SLEW_S
        warm[i, CAP_SHARE] += min(max(goal - warm[i, CAP_SHARE], -pace), pace)
        # Never quite nothing: a roll set without room would drop out of the speed that is held.
        scratch[7, i] = room * max(warm[i, CAP_SHARE], LEAST_SHARE)
        warm[i, WORK_S] += dt
        warm[i, WORK_J] += states[i, force_loop.FORCE_TICK_N] * speed * dt
        warm[i, WORK_RAD] += speed * lever * dt

    # What turns takes part; its mean speed is what is held.
    mass = 0.0
    common = 0.0
    given = 0.0
    drive = 0.0
    for r in range(set_count):
        scratch[0, r] = 0.0
        scratch[1, r] = 0.0
        if sets[r, hold.SPEED] < inputs[LOW_SPEED]:
            continue
        room = 0.0
        for i in range(count):
            if owner[i] == r:
                room += scratch[7, i]
        scratch[1, r] = min(room, sets_fixed[r, hold.MAX_FORCE])
        mass += sets_fixed[r, hold.INERTIA]
        common += sets_fixed[r, hold.INERTIA] * sets[r, hold.SPEED]
        given += scratch[3, r]
        scratch[5, r] = max(0.0, hold.net_drive(sets_fixed[r], sets[r]))
        drive += scratch[5, r]
    common = common / mass if mass > 0.0 else fastest
    take_up(inputs, general, aim, common, given)
    tracks = aim == 4
    if tracks:
        aim = 1
        if mass == 0.0:
            general[REFERENCE] = common

    asked = 0.0
    if aim == 1 and mass > 0.0:
        # Every roll set's share of the drive force: slow, because tyres and transfer case couple
        # the sets and what they exchange is not the engine's; the sum is free of it.
        follow = 1.0 if inputs[FRESH] > 0.0 else min(1.0, dt / SPLIT_S)
        rush = 0.0
        for r in range(set_count):
            if scratch[1, r] > 0.0:
                if drive > 300.0:
                    target_share = scratch[5, r] / drive
                    sets[r, hold.SHARE] += (target_share - sets[r, hold.SHARE]) * follow
                asked += hold.meet(sets_fixed[r], sets[r])
                rush += sets_fixed[r, hold.INERTIA] * sets[r, hold.SPEED_AHEAD] / mass
            else:
                sets[r, hold.SHARE] = 0.0
        asked += hold.correct(sets_fixed, mass, rush - general[REFERENCE], general[REFERENCE_RATE])
    elif aim == 2:
        asked = general[REFERENCE]
    elif aim == 3:
        asked = general[REFERENCE] / max(common, inputs[LOW_SPEED])
    if asked < 0.0:  # an absorber cannot drive
        asked = 0.0
        if tracks and common < general[REFERENCE]:
            # What is simulated goes as slow as the rolls; not for one noisy frame.
            general[REFERENCE] += (common - general[REFERENCE]) * min(1.0, dt / YIELD_S)
    if aim > 0 and general[SINCE_S] < TAKE_UP_GRACE_S:
        full = 0.0
        for r in range(set_count):
            full += scratch[1, r]
        most = general[BUILT_N] + full * dt / TAKE_UP_S
        if asked > most:
            asked = most
            if aim == 1:  # the speed runs on until the force is there: start from where it is
                general[REFERENCE] = common
                general[REFERENCE_RATE] = 0.0
        general[BUILT_N] = asked
    shortfall = 0.0
    if aim == 1 and int(inputs[BETWEEN]) == 0:
        total = 0.0
        for r in range(set_count):
            total += sets[r, hold.SHARE]
        for r in range(set_count):
            if scratch[1, r] > 0.0 and total > 0.0:
                apart = sets[r, hold.SPEED_AHEAD] - common
                pull = SHAFT_SHARE * sets_fixed[r, hold.FEEDBACK] * sets_fixed[r, hold.INERTIA]
                most = hold.CORRECTION_SHARE * sets_fixed[r, hold.MAX_FORCE]
                # Rolls found apart are brought together gently, not in a jump.
                most *= min(1.0, (general[SINCE_S] / TAKE_UP_GRACE_S) ** 2)
                want = asked * sets[r, hold.SHARE] / total
                want += min(max(pull * apart, -most), most)
                scratch[0, r] = max(0.0, want)
    elif aim > 0:
        shortfall = by_weight(
            asked, weights[0, :set_count], scratch[1, :set_count], scratch[0, :set_count]
        )

    # Absorbers of each roll set, by headroom; what a roll set is asked and cannot place is missing.
    for r in range(set_count):
        shortfall += scratch[0, r]
        n = 0
        for i in range(count):
            if owner[i] == r:
                scratch[4, n] = scratch[7, i]
                scratch[5, n] = weights[1, i] * scratch[4, n]
                n += 1
        demand = min(scratch[0, r], sets_fixed[r, hold.MAX_FORCE])
        by_weight(demand, scratch[5, :n], scratch[4, :n], scratch[6, :n])
        n = 0
        for i in range(count):
            if owner[i] == r:
                scratch[2, i] = scratch[6, n]
                shortfall -= scratch[6, n]
                n += 1
    general[SHORTFALL_N] = max(0.0, shortfall) if aim > 0 else 0.0
    if tracks and shortfall > 1.0 and common > general[REFERENCE]:
        # At capacity: what is simulated goes as fast as the rolls.
        general[REFERENCE] += (common - general[REFERENCE]) * min(1.0, dt / YIELD_S)

    output[0] = general[SHORTFALL_N]
    output[1] = general[REFERENCE]
    output[2] = common
    for i in range(count):
        current = 0.0
        if aim > 0:
            shaft = sets[owner[i], hold.SPEED] * fixed[i, force_loop.LEVER]
            if aim == 5:
                cap = scratch[7, i] / fixed[i, force_loop.LEVER]  # what its heat allows
                most = current_for(maps[i], cap, shaft, states[i, force_loop.ROTOR_K])
                goal = min(asks[i], most) if warm[i, CAP_SHARE] < 1.0 else asks[i]
                current = force_loop.force(fixed[i], states[i], goal)
            else:
                current = force_loop.drive(fixed[i], maps[i], states[i], scratch[2, i], shaft)
        output[3 + i] = current
        output[3 + count + i] = scratch[2, i]
        output[3 + 2 * count + i] = states[i, force_loop.MODEL_A]
        output[3 + 3 * count + i] = states[i, force_loop.FORCE_TICK_N]
        # What the map promised at the moment the cell speaks of, before learning bent it.
        output[3 + 4 * count + i] = states[i, force_loop.THEN_N] / max(0.3, maps[i, GAIN])
    total_drive = 0.0
    for r in range(set_count):
        total_drive += sets[r, hold.DRIVE_N]
    output[3 + 5 * count] = total_drive


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
        self._sets_fixed = np.zeros((sets, hold.FIXED_COLUMNS))
        self._sets = np.zeros((sets, hold.STATE_COLUMNS))
        self._fixed = np.zeros((count, force_loop.FIXED_COLUMNS))
        self.maps = np.zeros((count, MAP_COLUMNS))
        self._states = np.zeros((count, force_loop.STATE_COLUMNS))
        self._general = np.zeros(GENERAL_COLUMNS)
        self.weights = np.ones((2, max(sets, count)))
        self._scratch = np.zeros((8, max(sets, count)))
        self._asks = np.zeros(count)
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
            row[hold.INERTIA] = roll_set.base_inertia_kg
            row[hold.LOSS_A : hold.LOSS_C + 1] = roll_set.loss_n
            row[hold.MAX_FORCE] = roll_set.max_force_n
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
        row[force_loop.FIELD_S] = known.field_lag_s
        row[force_loop.FOLLOW_S] = max(6.0 * self.frame_s, 0.06 * known.coil_lag_s)

    def _see_lags(self) -> None:
        """What the models do not know (hysteresis, arm, errors of lags): a share of the lags."""
        self._field_s = float(np.max(self._fixed[:, force_loop.FIELD_S]))
        coil_s = float(np.max(self._fixed[:, force_loop.COIL_LAG]))
        self._unseen_s = UNSEEN_SHARE * coil_s + 0.3 * self._field_s

    def adopt(self, absorber: int, found: Identified) -> None:
        """Use what an identification found from now on; ask it while nothing is asked."""
        known = described(self._rig.absorbers[absorber], found)
        self.maps[absorber] = map_row(known, 1.0, found.shape)
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
        self._sets_fixed[:, hold.OBSERVER] = hold.observer_bandwidth(
            self.frame_s, speed_age_s, self._unseen_s, self._observer_share
        )
        self._sets_fixed[:, hold.FEEDBACK] = hold.feedback_gain(
            follow_s + self._unseen_s, speed_age_s + self.frame_s + out_s
        )
        self._sets_fixed[:, hold.AHEAD_S] = follow_s + out_s + 0.5 * self._field_s

    def set_observer(self, share: float) -> None:
        """How fast the observer is, as control.tuneup states it; kept within its bounds."""
        if tuneup.LEAST_SHARE <= share <= tuneup.MOST_SHARE:
            self._observer_share = share
            self.set_delays(self.speed_age_s, self._in_flight)

    @property
    def observer_share(self) -> float:
        return self._observer_share

    def numbers(self, truck_kg: float = 0.0) -> Numbers:
        """The loop's numbers as known now, for control.tuneup."""
        return Numbers(
            float(np.sum(self._sets_fixed[:, hold.INERTIA])),
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

    def take_work(self, absorber: int) -> tuple[float, float, float]:
        """Seconds, joule and shaft radians since the last call; they begin anew."""
        row = self._warm[absorber]
        work = (float(row[WORK_S]), float(row[WORK_J]), float(row[WORK_RAD]))
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
            self._fixed, self.maps, self._states, self.weights, self._warm, self._asks,
            self._scratch, self._head,
        )  # fmt: skip
        return self.output.tolist()


__all__ = ["Aim", "Between", "Loads", "frame"]
