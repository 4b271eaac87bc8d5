"""One frame of the load loop for the whole rig, compiled: rows in, currents asked out.

Data flow: `inputs` (packed by control.load_loop.loop) -> force_loop.observe per absorber ->
hold.observe per roll set -> demand per roll set -> share -> force_loop.drive -> `output`. The rows
are owned by control.load_loop.loop.
"""

from __future__ import annotations

import enum

import numpy as np
import numpy.typing as npt

from control.absorber import map as absorber_module
from control.absorber.map import GAIN, capacity, current_for
from control.load_loop import force_loop, speed_control
from control.load_loop import load_sharing as share_module
from control.load_loop import road_load_observer as road
from control.load_loop.load_sharing import by_weight
from daq.kernel import jit, refresh_cache

refresh_cache(
    __file__,
    absorber_module.__file__,
    force_loop.__file__,
    speed_control.__file__,
    road.__file__,
    share_module.__file__,
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
SPLIT_S = 0.15  # how fast the shares of the roll sets follow the drive forces
SHAFT_SHARE = 0.5  # of the speed feedback, between roll sets
# The same two on a simulated road: it often asks little, and a firm pull then swings the sets.
ROAD_SPLIT_S, ROAD_SHAFT_SHARE = 0.3, 0.22
UNLIKE = 0.002  # of the speed: so far from the mean tyres of unlike size may turn their rolls
TRACK_PER_S = 0.2  # how a speed off a tracked reference is brought back: a road forgives, slowly
YIELD_S = 0.1  # how fast a tracked reference yields to rolls that cannot follow it
RAMP_SOFT_S = 0.3  # a ramp reaches its rate in this time
RAMP_EASE_PER_S = 4.0  # how a reference comes to rest at its target

# General state columns.
REFERENCE, REFERENCE_RATE, BUILT_N, SINCE_S, SHORTFALL_N = range(5)
GENERAL_COLUMNS = 5

# Heat columns per absorber, from control.thermal.manager: most power, rotor temperature, weight;
# the share of its capacity that an absorber may give now; and the work since it was last taken.
CAP_W, ROTOR_GOAL, WEIGHT_GOAL, CAP_SHARE, WORK_S, WORK_J, WORK_RAD, WORK_A2S = range(8)
WARM_COLUMNS = 8
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
    roads: Floats,
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
        truth = 0.0
        for i in range(count):
            if owner[i] == r:
                tick += states[i, force_loop.FORCE_TICK_N]
                now += states[i, force_loop.FORCE_NOW_N]
                truth += states[i, force_loop.OFFSET_N]
        speed_control.observe(
            sets_fixed[r], sets[r], dt, travels[r], ages[r], shown[r], inputs[SHOWN_DELAY],
            tick, now,
        )  # fmt: skip
        road.observe_road(
            sets_fixed[r], roads[r], dt, travels[r], ages[r], shown[r], inputs[SHOWN_DELAY],
            tick, truth,
        )  # fmt: skip
        scratch[3, r] = now
        fastest = max(fastest, sets[r, speed_control.SPEED])

    # What each absorber may give, after its heat guard; and the work it does.
    for i in range(count):
        follow = min(1.0, dt / HEAT_FOLLOW_S)
        states[i, force_loop.ROTOR_K] += (
            warm[i, ROTOR_GOAL] - states[i, force_loop.ROTOR_K]
        ) * follow
        weights[1, i] += (warm[i, WEIGHT_GOAL] - weights[1, i]) * follow
        lever = fixed[i, force_loop.LEVER]
        speed = sets[owner[i], speed_control.SPEED]
        # In forces as the cells tell them: what they add to the map now, they add at the most too.
        room = capacity(maps[i], speed * lever, states[i, force_loop.ROTOR_K]) * lever
        room = max(0.0, room + states[i, force_loop.OFFSET_N])
        most_w = room * max(speed, inputs[LOW_SPEED])
        goal = warm[i, CAP_W] / most_w if warm[i, CAP_W] < most_w else 1.0
        pace = dt / CAP_SLEW_S
        warm[i, CAP_SHARE] += min(max(goal - warm[i, CAP_SHARE], -pace), pace)
        # Never quite nothing: a roll set without room would drop out of the speed that is held.
        scratch[7, i] = room * max(warm[i, CAP_SHARE], LEAST_SHARE)
        warm[i, WORK_S] += dt
        warm[i, WORK_J] += states[i, force_loop.FORCE_TICK_N] * speed * dt
        warm[i, WORK_RAD] += speed * lever * dt
        warm[i, WORK_A2S] += states[i, force_loop.COIL_A] ** 2 * dt

    # What turns takes part; its mean speed is what is held.
    mass = 0.0
    common = 0.0
    given = 0.0
    drive = 0.0
    for r in range(set_count):
        scratch[0, r] = 0.0
        scratch[1, r] = 0.0
        if sets[r, speed_control.SPEED] < inputs[LOW_SPEED]:
            continue
        room = 0.0
        for i in range(count):
            if owner[i] == r:
                room += scratch[7, i]
        scratch[1, r] = min(room, sets_fixed[r, speed_control.MAX_FORCE])
        mass += sets_fixed[r, speed_control.INERTIA]
        common += sets_fixed[r, speed_control.INERTIA] * sets[r, speed_control.SPEED]
        given += scratch[3, r]
        scratch[5, r] = max(0.0, speed_control.net_drive(sets_fixed[r], sets[r]))
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
        split_s = ROAD_SPLIT_S if tracks else SPLIT_S
        follow = 1.0 if inputs[FRESH] > 0.0 else min(1.0, dt / split_s)
        rush = 0.0
        for r in range(set_count):
            if scratch[1, r] > 0.0:
                if drive > 300.0:
                    target_share = scratch[5, r] / drive
                    sets[r, speed_control.SHARE] += (
                        target_share - sets[r, speed_control.SHARE]
                    ) * follow
                elif inputs[FRESH] > 0.0 or sets[r, speed_control.SHARE] == 0.0:
                    # Nobody drives, as in a coastdown: as they are heavy.
                    sets[r, speed_control.SHARE] = sets_fixed[r, speed_control.INERTIA] / mass
                if tracks:
                    asked += road.meet_road(sets_fixed[r], roads[r])
                    rush += sets_fixed[r, speed_control.INERTIA] * roads[r, road.SPEED] / mass
                else:
                    asked += speed_control.meet(sets_fixed[r], sets[r])
                    rush += (
                        sets_fixed[r, speed_control.INERTIA]
                        * sets[r, speed_control.SPEED_AHEAD]
                        / mass
                    )
            else:
                sets[r, speed_control.SHARE] = 0.0
        if tracks:
            over = rush - general[REFERENCE]
            asked += mass * (TRACK_PER_S * over - general[REFERENCE_RATE])
        else:
            asked += speed_control.correct(
                sets_fixed, mass, rush - general[REFERENCE], general[REFERENCE_RATE]
            )
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
        general[BUILT_N] = asked
    shortfall = 0.0
    if aim == 1 and int(inputs[BETWEEN]) == 0:
        total = 0.0
        together = ROAD_SHAFT_SHARE if tracks else SHAFT_SHARE
        middle = 0.0 if tracks else common
        for r in range(set_count):
            total += sets[r, speed_control.SHARE]
            scratch[5, r] = sets[r, speed_control.SPEED_AHEAD]
            if tracks and scratch[1, r] > 0.0:
                # The pull between the sets must not add to the whole, whatever accelerates.
                scratch[5, r] = speed_control.speed_ahead(
                    sets_fixed[r], roads[r, road.SPEED], roads[r, road.DRIVE_N], scratch[3, r]
                )
                middle += sets_fixed[r, speed_control.INERTIA] * scratch[5, r] / mass
        whole = asked
        wanted = free = 0.0
        for r in range(set_count):
            if scratch[1, r] > 0.0 and total > 0.0:
                apart = scratch[5, r] - middle
                pull = (
                    together
                    * sets_fixed[r, speed_control.FEEDBACK]
                    * sets_fixed[r, speed_control.INERTIA]
                )
                most = speed_control.CORRECTION_SHARE * sets_fixed[r, speed_control.MAX_FORCE]
                # Rolls found apart are brought together gently, not in a jump.
                most *= min(1.0, (2.0 * general[SINCE_S] / TAKE_UP_GRACE_S) ** 2)
                free += min(max(pull * (apart - UNLIKE * common), 0.0), most)
                pull = min(max(pull * apart, -most), most)
                whole += pull
                scratch[0, r] = max(0.0, asked * sets[r, speed_control.SHARE] / total + pull)
                wanted += scratch[0, r]
        # A pull that one set cannot answer by driving must not brake on the whole: where nothing is
        # asked, tyres of unlike size would hold a truck back for ever.
        whole = max(whole, 0.0) + free
        if wanted > whole:
            for r in range(set_count):
                scratch[0, r] *= whole / wanted
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
        demand = min(scratch[0, r], sets_fixed[r, speed_control.MAX_FORCE])
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
            shaft = sets[owner[i], speed_control.SPEED] * fixed[i, force_loop.LEVER]
            if aim == 5:
                # What its heat allows.
                cap = (scratch[7, i] - states[i, force_loop.OFFSET_N]) / fixed[i, force_loop.LEVER]
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
        total_drive += roads[r, road.DRIVE_N] if tracks else sets[r, speed_control.DRIVE_N]
    output[3 + 5 * count] = total_drive
