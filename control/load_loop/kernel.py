"""One frame of the load loop for the whole rig, compiled: records in, currents asked out.

The functions stand in the order of the block diagram of docs/control.md, and `step` calls them in
that order. Everything they hand on is a named field of control.load_loop.records.
"""

from __future__ import annotations

from control.absorber import map as absorber_module
from control.absorber.map import GAIN, capacity, current_for
from control.load_loop import (
    aims,
    disturbance_observer,
    force_loop,
    load_sharing,
    speed_control,
)
from control.load_loop import constants as c
from control.load_loop.disturbance_observer import (
    detect_change,
    disturbance_feedforward,
    net_drive,
    predicted_speed,
    update_filters,
    use_filters,
)
from control.load_loop.force_loop import (
    current_for_force,
    lead_compensate,
    update_force_model,
)
from control.load_loop.load_sharing import share_by_weight
from control.load_loop.records import HISTORY, Record, Records
from control.load_loop.speed_control import speed_feedback
from daq.kernel import jit, refresh_cache

refresh_cache(
    __file__,
    absorber_module.__file__,
    aims.__file__,
    c.__file__,
    force_loop.__file__,
    speed_control.__file__,
    disturbance_observer.__file__,
    load_sharing.__file__,
)

FRAMES_COUNTED = HISTORY * 1024  # then the count begins anew; the history is a ring


@jit
def update_observers(loop: Record, roll_sets: Records, absorbers: Records) -> float:
    """Both observers of every roll set; returns the speed of the fastest, m/s."""
    dt, late = loop.dt_s, loop.shown_delay_s
    for r in range(roll_sets.shape[0]):
        roll_set = roll_sets[r]
        tick = 0.0
        now = 0.0
        correction = 0.0
        for i in range(absorbers.shape[0]):
            if absorbers[i].group == r:
                tick += absorbers[i].force_tick_n
                now += absorbers[i].force_now_n
                correction += absorbers[i].cell_correction_n
        roll_set.absorbers_tick_n = tick
        roll_set.absorbers_now_n = now
        update_filters(roll_set.hold, loop.hold, roll_set, True, dt, late, correction)
        update_filters(roll_set.road, loop.road, roll_set, False, dt, late, correction)
    hold_gap = road_gap = hold_slow = hold_plain = road_slow = road_plain = 0.0
    for r in range(roll_sets.shape[0]):
        hold, road = roll_sets[r].hold, roll_sets[r].road
        hold_gap = max(hold_gap, hold.since_edge_s)
        road_gap = max(road_gap, road.since_edge_s)
        hold_slow += hold.fast.drive_n - hold.slow.drive_n
        hold_plain += hold.fast.drive_n - hold.plain.drive_n
        road_slow += road.fast.drive_n - road.slow.drive_n
        road_plain += road.fast.drive_n - road.plain.drive_n
    hold_changed = detect_change(loop.hold, hold_slow, hold_plain, hold_gap, dt)
    road_changed = detect_change(loop.road, road_slow, road_plain, road_gap, dt)
    fastest = 0.0
    for r in range(roll_sets.shape[0]):
        roll_set = roll_sets[r]
        use_filters(roll_set.hold, loop.hold.fast_part, hold_changed)
        use_filters(roll_set.road, loop.road.fast_part, road_changed)
        roll_set.speed_mps = roll_set.hold.speed_mps
        fastest = max(fastest, roll_set.speed_mps)
    return fastest


@jit
def alertness(loop: Record) -> float:
    """How much the force loops hurry: as much as the detector of the observers that steer."""
    if loop.aim == aims.SPEED:
        return float(loop.hold.alertness)
    if loop.aim == aims.TRACK:
        return float(loop.road.alertness)
    return 1.0 if loop.aim == aims.CURRENT else 0.0


@jit
def look_ahead(loop: Record, roll_sets: Records) -> None:
    """How far ahead a force asked now acts: later while the force loops do not hurry."""
    alert = alertness(loop)
    for r in range(roll_sets.shape[0]):
        roll_set = roll_sets[r]
        calm_s = roll_set.calm_lookahead_s
        roll_set.lookahead_s = calm_s + alert * (roll_set.alert_lookahead_s - calm_s)


@jit
def limit_available_force(loop: Record, roll_sets: Records, absorbers: Records) -> None:
    """What each absorber may give, after its thermal limit; and the work it does."""
    dt = loop.dt_s
    for i in range(absorbers.shape[0]):
        absorber = absorbers[i]
        follow = min(1.0, dt / c.THERMAL_FOLLOW_S)
        absorber.rotor_k += (absorber.rotor_goal_k - absorber.rotor_k) * follow
        absorber.headroom_weight += (absorber.weight_goal - absorber.headroom_weight) * follow
        ratio = absorber.shaft_per_surface
        speed = roll_sets[absorber.group].speed_mps
        # In forces as the cells tell them: what they add to the map now, they add at the most too.
        most_n = capacity(absorber.map, speed * ratio, absorber.rotor_k) * ratio
        most_n = max(0.0, most_n + absorber.cell_correction_n)
        most_w = most_n * max(speed, loop.low_speed_mps)
        goal = absorber.power_limit_w / most_w if absorber.power_limit_w < most_w else 1.0
        pace = dt / c.CAPACITY_SLEW_S
        absorber.capacity_share += min(max(goal - absorber.capacity_share, -pace), pace)
        absorber.available_n = most_n * max(absorber.capacity_share, c.LEAST_CAPACITY_SHARE)
        absorber.share_weight = absorber.headroom_weight * absorber.available_n
        absorber.work_s += dt
        absorber.work_j += absorber.force_tick_n * speed * dt
        absorber.work_rad += speed * ratio * dt
        absorber.work_a2s += absorber.coil_a**2 * dt


@jit
def combine_roll_sets(
    loop: Record, roll_sets: Records, absorbers: Records, fastest_mps: float
) -> None:
    """What turns takes part; its mean speed is what is held."""
    mass = 0.0
    common = 0.0
    given = 0.0
    drive = 0.0
    for r in range(roll_sets.shape[0]):
        roll_set = roll_sets[r]
        roll_set.asked_n = 0.0
        roll_set.available_n = 0.0
        if roll_set.speed_mps < loop.low_speed_mps:
            continue
        available = 0.0
        for i in range(absorbers.shape[0]):
            if absorbers[i].group == r:
                available += absorbers[i].available_n
        roll_set.available_n = min(available, roll_set.max_force_n)
        mass += roll_set.inertia_kg
        common += roll_set.inertia_kg * roll_set.speed_mps
        given += roll_set.absorbers_now_n
        roll_set.net_drive_n = max(0.0, net_drive(roll_set.hold, roll_set))
        drive += roll_set.net_drive_n
    loop.turning_kg = mass
    loop.held_speed_mps = common / mass if mass > 0.0 else fastest_mps
    loop.given_n = given
    loop.net_drive_n = drive


@jit
def shape_reference(loop: Record) -> None:
    """The reference: from where the rig is to the target, at a limited rate with soft ends."""
    dt = loop.dt_s
    if loop.restart > 0:
        loop.since_start_s = 0.0
        loop.reference_rate = 0.0
        loop.built_up_n = loop.given_n
        loop.reference = loop.given_n
        if loop.aim == aims.SPEED:
            loop.reference = loop.held_speed_mps
        elif loop.aim == aims.POWER:
            loop.reference = loop.given_n * loop.held_speed_mps
    loop.since_start_s += dt
    if loop.aim == aims.TRACK:  # whoever asks knows where the reference goes, and how
        loop.reference = loop.target
        loop.reference_rate = loop.target_rate
        if loop.turning_kg == 0.0:
            loop.reference = loop.held_speed_mps
        return
    limit = loop.target_rate
    off = loop.target - loop.reference
    wanted_rate = min(max(c.RAMP_ARRIVAL_PER_S * off, -limit), limit)
    jerk = limit * dt / c.RAMP_SOFT_S
    loop.reference_rate += min(max(wanted_rate - loop.reference_rate, -jerk), jerk)
    loop.reference += loop.reference_rate * dt
    if abs(off) < 1e-9 * (1.0 + abs(loop.target)):
        loop.reference = loop.target
        loop.reference_rate = 0.0
    moving = abs(loop.reference_rate) > c.MOVING_SHARE * limit
    if moving and abs(off) > limit * c.MOVING_LEFT_S and loop.since_start_s > c.BUILD_UP_WITHIN_S:
        remembered_s = c.EXPANDING_MEMORY / c.MOVING_POLE_PER_S
        loop.hold.since_change_s = min(loop.hold.since_change_s, remembered_s)


@jit
def force_for_speed(loop: Record, roll_sets: Records) -> float:
    """Force of the whole rig that holds the reference speed, N; and each roll set's share of it.

    The share follows the drive forces slowly, because tyres and transfer case couple the sets and
    what they exchange is not the engine's; the sum is free of it.
    """
    tracks = loop.aim == aims.TRACK
    mass, drive = loop.turning_kg, loop.net_drive_n
    filter_s = c.ROAD_LOAD_SHARE_FILTER_S if tracks else c.LOAD_SHARE_FILTER_S
    follow = 1.0 if loop.restart > 0 else min(1.0, loop.dt_s / filter_s)
    asked = 0.0
    predicted_mean = 0.0
    for r in range(roll_sets.shape[0]):
        roll_set = roll_sets[r]
        if roll_set.available_n > 0.0:
            if drive > c.SHARED_DRIVE_ABOVE_N:
                roll_set.drive_share += (
                    roll_set.net_drive_n / drive - roll_set.drive_share
                ) * follow
            elif loop.restart > 0 or roll_set.drive_share == 0.0:
                # Nobody drives, as in a coastdown: as they are heavy.
                roll_set.drive_share = roll_set.inertia_kg / mass
            if tracks:
                asked += net_drive(roll_set.road, roll_set)
                predicted_mean += roll_set.inertia_kg * roll_set.road.speed_mps / mass
            else:
                asked += disturbance_feedforward(roll_set.hold, roll_set)
                predicted = predicted_speed(roll_set.hold, roll_set)
                predicted_mean += roll_set.inertia_kg * predicted / mass
        else:
            roll_set.drive_share = 0.0
    over = predicted_mean - loop.reference
    if tracks:
        return float(asked + mass * (c.TRACK_PER_S * over - loop.reference_rate))
    return float(asked + speed_feedback(roll_sets, mass, over, loop.reference_rate))


@jit
def total_force(loop: Record, roll_sets: Records) -> None:
    """Force asked of the whole rig: after the aim, no less than none, built up after a start."""
    holds_speed = loop.aim in (aims.SPEED, aims.TRACK)
    asked = 0.0
    if holds_speed and loop.turning_kg > 0.0:
        asked = force_for_speed(loop, roll_sets)
    elif loop.aim == aims.FORCE:
        asked = loop.reference
    elif loop.aim == aims.POWER:
        asked = loop.reference / max(loop.held_speed_mps, loop.low_speed_mps)
    if asked < 0.0:  # an absorber cannot drive
        asked = 0.0
        if loop.aim == aims.TRACK and loop.held_speed_mps < loop.reference:
            # What is simulated goes as slow as the rolls; not for one noisy frame.
            yield_reference(loop)
    if loop.aim != aims.NOTHING and loop.since_start_s < c.BUILD_UP_WITHIN_S:
        full = 0.0
        for r in range(roll_sets.shape[0]):
            full += roll_sets[r].available_n
        most = loop.built_up_n + full * loop.dt_s / c.BUILD_UP_S
        if asked > most:
            asked = most
            if holds_speed:  # the speed runs on until the force is there: start from where it is
                loop.reference = loop.held_speed_mps
        loop.built_up_n = asked
    loop.total_n = asked


@jit
def yield_reference(loop: Record) -> None:
    """A tracked reference goes where the rolls are (back-calculation anti-windup)."""
    loop.reference += (loop.held_speed_mps - loop.reference) * min(
        1.0, loop.dt_s / c.REFERENCE_YIELD_S
    )


@jit
def share_by_speed(loop: Record, roll_sets: Records) -> None:
    """Each roll set's share of the total, and the cross-coupling that brings the sets together."""
    tracks = loop.aim == aims.TRACK
    mass, asked = loop.turning_kg, loop.total_n
    shares = 0.0
    sync_gain = c.ROAD_SYNC_GAIN if tracks else c.SYNC_GAIN
    middle = 0.0 if tracks else loop.held_speed_mps
    for r in range(roll_sets.shape[0]):
        roll_set = roll_sets[r]
        shares += roll_set.drive_share
        roll_set.sync_mps = predicted_speed(roll_set.hold, roll_set)
        if tracks and roll_set.available_n > 0.0:
            # The coupling of the sets must not add to the whole, whatever accelerates.
            roll_set.sync_mps = predicted_speed(roll_set.road, roll_set)
            middle += roll_set.inertia_kg * roll_set.sync_mps / mass
    whole = asked
    wanted = deadband_excess = 0.0
    for r in range(roll_sets.shape[0]):
        roll_set = roll_sets[r]
        if roll_set.available_n > 0.0 and shares > 0.0:
            speed_difference = roll_set.sync_mps - middle
            per_mps = sync_gain * roll_set.feedback_per_s * roll_set.inertia_kg
            most = c.FEEDBACK_FORCE_SHARE * roll_set.max_force_n
            # Rolls found apart are brought together gently, not in a jump.
            most *= min(1.0, (2.0 * loop.since_start_s / c.BUILD_UP_WITHIN_S) ** 2)
            beyond = speed_difference - c.SYNC_DEADBAND * loop.held_speed_mps
            deadband_excess += min(max(per_mps * beyond, 0.0), most)
            sync_force = min(max(per_mps * speed_difference, -most), most)
            whole += sync_force
            roll_set.asked_n = max(0.0, asked * roll_set.drive_share / shares + sync_force)
            wanted += roll_set.asked_n
    # A coupling that one set cannot answer by driving must not brake on the whole: where nothing is
    # asked, tyres of unlike size would hold a truck back for ever.
    whole = max(whole, 0.0) + deadband_excess
    if wanted > whole:
        for r in range(roll_sets.shape[0]):
            roll_sets[r].asked_n *= whole / wanted


@jit
def share_total(loop: Record, roll_sets: Records, absorbers: Records) -> None:
    """The total between roll sets, each set's between its absorbers; what is left is missing."""
    shortfall = 0.0
    if loop.aim in (aims.SPEED, aims.TRACK):
        share_by_speed(loop, roll_sets)
    elif loop.aim != aims.NOTHING:
        shortfall = share_by_weight(roll_sets, 0, loop.total_n)
    for r in range(roll_sets.shape[0]):
        shortfall += roll_sets[r].asked_n
        demand = min(roll_sets[r].asked_n, roll_sets[r].max_force_n)
        share_by_weight(absorbers, r, demand)
        for i in range(absorbers.shape[0]):
            if absorbers[i].group == r:
                shortfall -= absorbers[i].asked_n
    loop.shortfall_n = max(0.0, shortfall) if loop.aim != aims.NOTHING else 0.0
    at_capacity = shortfall > 1.0
    if loop.aim == aims.TRACK and at_capacity and loop.held_speed_mps > loop.reference:
        yield_reference(loop)


@jit
def currents(loop: Record, roll_sets: Records, absorbers: Records) -> None:
    """Current asked of every supply, and what the map promised before learning bent it."""
    alert = alertness(loop)
    for i in range(absorbers.shape[0]):
        absorber = absorbers[i]
        ratio = absorber.shaft_per_surface
        shaft = roll_sets[absorber.group].speed_mps * ratio
        absorber.current_a = 0.0
        if loop.aim == aims.CURRENT:
            wanted = absorber.wanted_a
            if absorber.capacity_share < 1.0:  # what its thermal limit allows
                most = (absorber.available_n - absorber.cell_correction_n) / ratio
                wanted = min(wanted, current_for(absorber.map, most, shaft, absorber.rotor_k))
            absorber.current_a = lead_compensate(absorber, wanted, alert)
        elif loop.aim != aims.NOTHING:
            absorber.current_a = current_for_force(absorber, shaft, alert)
        absorber.unlearned_force_n = absorber.delayed_map_force_n / max(0.3, absorber.map[GAIN])
    drive = 0.0
    for r in range(roll_sets.shape[0]):
        observer = roll_sets[r].road if loop.aim == aims.TRACK else roll_sets[r].hold
        drive += observer.drive_n
    loop.drive_n = drive


@jit
def step(loops: Records, roll_sets: Records, absorbers: Records) -> None:
    """One frame for all roll sets and absorbers; `loops` holds the one record of the whole."""
    loop = loops[0]
    loop.frame = (loop.frame + 1) % FRAMES_COUNTED
    for i in range(absorbers.shape[0]):
        update_force_model(absorbers[i], loop.frame, loop.dt_s)
    fastest = update_observers(loop, roll_sets, absorbers)
    look_ahead(loop, roll_sets)
    limit_available_force(loop, roll_sets, absorbers)
    combine_roll_sets(loop, roll_sets, absorbers, fastest)
    shape_reference(loop)
    total_force(loop, roll_sets)
    share_total(loop, roll_sets, absorbers)
    currents(loop, roll_sets, absorbers)
