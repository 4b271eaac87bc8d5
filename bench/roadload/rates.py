"""Acceleration and unloaded coastdown for bench.roadload, from true speeds and true time."""

from __future__ import annotations

import math
from typing import Any

from bench.roadload.road import MPH, FreeRolls, road_n
from bench.support.rigs import coil_shares, full_sets
from control.telemetry import State
from control.test_kinds.plans import Coastdown, Grade, GradeClimb, RoadVehicle
from control.test_kinds.road_load import RoadLoad
from control.test_kinds.simulated_road import road_load_of
from simulator.rig_and_truck import layout as at

SLOW_MPS, FAST_MPS = 10.0 * MPH, 40.0 * MPH  # 40 CFR 1066.265
COAST_FROM_MPS, COAST_TO_MPS, INTERVAL_MPS = 70.0 * MPH, 10.0 * MPH, 10.0 * MPH
FLAT = 1.0  # N: a road load of nothing would be refused
QUICK_FROM_MPS, QUICK_TO_MPS = 60.0 * MPH, 50.0 * MPH
LIMIT_N, LIMIT_SHARE = 9.8, 0.01  # check value TGT-17
BEYOND = 0.1  # of the time
EMPTY = 0.02 / 30.0  # of the continuous current: a coil with less carries nothing
STANDING_S = 2.5  # between the start of the test and the pull
RISE_S = 0.5  # of the pull
MOST_LOSS_N = 250.0  # of this machine at 40 mph


class Capacity:
    """Watches, from the truth, whether a roll set's absorbers carry all that their coils may.

    One roll set is enough: the rolls are free of each other, and what it cannot hold the other
    must not take, or they would run apart.
    """

    def __init__(self, rolls: FreeRolls) -> None:
        self._rolls = rolls
        self._frames = self._full = 0
        self.least_n = math.inf  # total force of the absorbers while at capacity

    def look(self) -> None:
        """After each frame."""
        self._frames += 1
        if full_sets(self._rolls.plant):
            self._full += 1
            self.least_n = min(self.least_n, self._rolls.absorbed_n)

    @property
    def share(self) -> float:
        """Of the frames, at capacity."""
        return self._full / max(self._frames, 1)


class Floor:
    """Watches, from the truth, whether a roll set brakes more than the road though no coil carries
    current: losses, drag and what the iron keeps of its last field. An absorber cannot drive."""

    def __init__(self, rolls: FreeRolls, load: RoadLoad) -> None:
        self._rolls, self._load = rolls, load
        self._frames = self._under = 0

    def look(self) -> None:
        """After each frame."""
        world = self._rolls.plant.world
        self._frames += 1
        for roll, coils in coil_shares(self._rolls.plant).items():
            if max(coils) > EMPTY:
                continue
            row = world.rolls[roll]
            road = road_n(self._load, float(row[at.R_SPEED]), 0.0, 0.0)
            mass_kg = float(world.roll_parameters[roll, at.Q_MASS])
            need = road * mass_kg / self._load.effective_mass_kg
            if float(row[at.R_ABSORBER] + row[at.R_LOSS]) > need:
                self._under += 1
                return

    @property
    def share(self) -> float:
        """Of the frames, at the floor."""
        return self._under / max(self._frames, 1)


def passing_s(
    rolls: FreeRolls,
    speeds: list[float],
    rising: bool,
    patience_s: float,
    watch: Capacity | Floor | None = None,
) -> list[float]:
    """True times at which the true speed passes each of `speeds`, interpolated within a frame."""
    found: list[float] = []
    before, before_s = rolls.speed, rolls.plant.now_s
    until_s = before_s + patience_s
    while len(found) < len(speeds):
        rolls.advance()
        if watch is not None:
            watch.look()
        now, now_s = rolls.speed, rolls.plant.now_s
        while len(found) < len(speeds):
            goal = speeds[len(found)]
            if (now < goal) if rising else (now > goal):
                break
            found.append(before_s + (now_s - before_s) * (goal - before) / (now - before))
        before, before_s = now, now_s
        if now_s > until_s or rolls.core.state is not State.LOADED:
            found += [math.nan] * (len(speeds) - len(found))
    return found


def accelerations(
    rolls: FreeRolls, rates_mph_s: tuple[float, ...], vehicle: RoadVehicle
) -> list[dict[str, Any]]:
    """Mean rate between 10 and 40 mph against the one that the pull should give.

    The load has been taken up and the pull has risen (over `RISE_S`) before 10 mph, so that a
    steady acceleration is measured and no start of a test. `beyond`: over more than a tenth of that
    time the coils of a roll set carried all they may, in truth, and the absorbers gave less than
    this rate asks of them (`shortfall_n` at worst): not to be had on this machine, whatever the
    controller.
    """
    mass = road_load_of(vehicle).effective_mass_kg
    flat = RoadVehicle(a_n=FLAT, mass_kg=road_load_of(vehicle).mass_kg, effective_mass_kg=mass)
    found = []
    for rate in rates_mph_s:
        asked = rate * MPH
        rolls.slow_to(2.0)
        plan = GradeClimb(flat, Grade(percent=0.0), target_mps=45.0, seconds=600.0)
        rolls.start(plan)
        begun_s = rolls.plant.now_s
        while rolls.plant.now_s < begun_s + STANDING_S:  # load is taken up gently at a start
            rolls.push(rolls.losses_n + rolls.drag_n)
            rolls.advance()
        steps = round(RISE_S * rolls.rig.frame_hz)
        for step in range(1, steps + 1):
            rolls.push((mass * asked + FLAT) * step / steps)
            rolls.advance()
        passing_s(rolls, [SLOW_MPS - 0.01], True, 120.0)
        watch = Capacity(rolls)
        first, last = passing_s(rolls, [SLOW_MPS, FAST_MPS], True, 120.0, watch)
        rolls.end()
        got = (FAST_MPS - SLOW_MPS) / (last - first)
        told = _rate(f"up {rate:g} mph/s", asked, got)
        # Less the losses, which only help; at least so much has to be absorbed.
        needed_n = (mass - rolls.base_kg) * asked + FLAT - MOST_LOSS_N
        short_n = max(0.0, needed_n - watch.least_n)
        told |= {"at_capacity": watch.share, "needed_n": needed_n, "shortfall_n": short_n}
        told["beyond"] = watch.share > BEYOND and short_n > 0.0
        found.append(told)
        slowing = RoadVehicle(a_n=mass * asked, mass_kg=flat.mass_kg, effective_mass_kg=mass)
        plan_down = Coastdown(FAST_MPS + 2.0, SLOW_MPS, vehicle=slowing, lead_mps=1.0)
        _coast_from(rolls, plan_down)
        first, last = passing_s(rolls, [FAST_MPS, SLOW_MPS + 0.1], False, 120.0)
        rolls.end()
        got = (FAST_MPS - SLOW_MPS - 0.1) / (last - first)
        found.append(_rate(f"down {rate:g} mph/s", asked, got))
    return found


def _rate(name: str, asked: float, got: float) -> dict[str, Any]:
    error = 100.0 * (got / asked - 1.0)
    return {"case": name, "asked_mps2": asked, "error_pct": error, "beyond": False}


def _coast_from(rolls: FreeRolls, plan: Coastdown) -> None:
    """Start the test, push the rolls above its first speed, and let go."""
    above = plan.from_mps + 1.5 * plan.lead_mps
    if rolls.speed > plan.from_mps:
        rolls.slow_to(plan.from_mps)
    rolls.start(plan)
    while rolls.speed < above:
        rolls.push(9000.0)
        rolls.advance()
    rolls.push(0.0)


def reference_s(vehicle: RoadVehicle, fast: float, slow: float) -> float:
    """Seconds a truck takes by its road load alone, by Simpson's rule over speed."""
    load = road_load_of(vehicle)
    n = 200
    step = (fast - slow) / n
    total = 0.0
    for k in range(n + 1):
        weight = 1.0 if k in (0, n) else 4.0 if k % 2 else 2.0
        total += weight / road_n(load, slow + k * step, 0.0, 0.0)
    return load.effective_mass_kg * total * step / 3.0


def coastdown(name: str, vehicle: RoadVehicle, rolls: FreeRolls, quick: bool) -> dict[str, Any]:
    """Force error of each 10 mph interval as a share of what 1066.270 allows.

    An interval is not `possible` when for over a tenth of it some roll set is at its floor.
    """
    load = road_load_of(vehicle)
    # Short and quick at 60 mph, where the road asks most.
    top, last = (QUICK_FROM_MPS, QUICK_TO_MPS) if quick else (COAST_FROM_MPS, COAST_TO_MPS)
    count = round((top - last) / INTERVAL_MPS)
    marks = [top - k * INTERVAL_MPS for k in range(count + 1)]
    # The test goes on a little below the last mark, so that the load is still on there.
    plan = Coastdown(top + 1.0, last - 1.0, vehicle=vehicle, timeout_s=1200.0)
    _coast_from(rolls, plan)
    times = passing_s(rolls, marks[:1], False, 400.0)
    floors: list[float] = []
    for mark in marks[1:]:
        floor = Floor(rolls, load)
        times += passing_s(rolls, [mark], False, 400.0, floor)
        floors.append(floor.share)
    rolls.end()
    intervals = []
    for k in range(count):
        fast, slow = marks[k], marks[k + 1]
        mean_n = load.effective_mass_kg * (fast - slow) / (times[k + 1] - times[k])
        reference_n = load.effective_mass_kg * (fast - slow) / reference_s(vehicle, fast, slow)
        limit_n = max(LIMIT_N, LIMIT_SHARE * reference_n)
        intervals.append(
            {
                "from_mph": fast / MPH,
                "force_n": reference_n,
                "error_n": mean_n - reference_n,
                "limit_n": limit_n,
                "share": abs(mean_n - reference_n) / limit_n,
                "at_floor": floors[k],
                "possible": floors[k] <= BEYOND,
            }
        )
    can = [one["share"] for one in intervals if one["possible"]]
    return {
        "case": name,
        "worst_share": max(can) if can else math.nan,
        "worst_share_with_impossible": max(one["share"] for one in intervals),
        "impossible": sum(not one["possible"] for one in intervals),
        "intervals": intervals,
    }
