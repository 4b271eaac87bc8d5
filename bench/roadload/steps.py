"""Force settling for bench.roadload: a step of the truck's force, and a step of the road's.

Each step meets, on the same free rolls: our road-load mode; the coils' own limit
(bench.roadload.road.coil_bound_s); and a plain form, the regulation's formula with the measured
acceleration, filtered as little as keeps it calm.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from bench.roadload.road import FreeRolls, coil_bound_s, plant_of, road_n
from bench.support.effort import Effort
from control.absorber.map import current_for, map_row
from control.test_kinds.climb import ClimbTest
from control.test_kinds.plans import Grade, GradeClimb, RoadVehicle
from control.test_kinds.simulated_road import road_load_of
from daq.measure.chain import Chain
from daq.rig.description import Rig
from daq.wire.codec import encode
from daq.wire.deframer import Deframer, Direction
from daq.wire.frames import AskIdentity, Hello, SetPoint
from simulator.rig_and_truck import layout as at

BASE_PERCENT = 5.0  # the hill before a step: absorbers can give and take
BEFORE_S, AFTER_S = 3.0, 1.2
STEADY_S = 1.5  # before the step, in which what the actuators do is looked at
PER_MPS_N = 2000.0  # whoever pushes keeps the speed before the step
WITHIN = 0.10  # of the step; 40 CFR 1066.245 as restated in check value TGT-11


class StepCase:
    """One step: of the push (N) or of the grade (%)."""

    def __init__(
        self, name: str, vehicle: RoadVehicle, kmh: float, push_n: float, grade: float
    ) -> None:
        self.name, self.vehicle, self.kmh = name, vehicle, kmh
        self.push_n, self.grade = push_n, grade
        self.load = road_load_of(vehicle)

    @property
    def plain(self) -> bool:
        """Whether the plain form meets it too: where the absorbers have most to do."""
        return self.kmh == 30.0 and self.load.mass_kg > 5000.0

    def applied_n(self, base_kg: float) -> float:
        """What the absorbers have to change: all but what the rolls' own inertia takes."""
        mass = self.load.effective_mass_kg
        if self.grade:
            return self.size_n * base_kg / mass
        return abs(self.push_n * (1.0 - base_kg / mass))

    @property
    def size_n(self) -> float:
        """The step in newtons at the roll surface."""
        if self.push_n:
            return abs(self.push_n)
        high = road_n(self.load, 10.0, 0.0, BASE_PERCENT + self.grade)
        return abs(high - road_n(self.load, 10.0, 0.0, BASE_PERCENT))


def settled_ms(errors: np.ndarray[Any, Any], within_n: float, frame_s: float) -> float:
    """Time of the last value outside, ms; infinite when the end is outside."""
    outside = np.nonzero(np.abs(errors) > within_n)[0]
    if not len(outside):
        return 0.0
    last = int(outside[-1])
    if last >= len(errors) - 2:
        return math.inf
    return (last + 1) * frame_s * 1e3


def ours(case: StepCase, rolls: FreeRolls) -> dict[str, Any]:
    """The step on our road-load mode; the rolls are ready again afterwards."""
    speed = case.kmh / 3.6
    rolls.drive_to(speed)
    rolls.slow_to(speed)
    at_s = BEFORE_S + 1.0
    grades: tuple[tuple[float, float], ...] = ((0.0, BASE_PERCENT), (1e6, BASE_PERCENT))
    if case.grade:
        there = BASE_PERCENT + case.grade
        grades = ((0.0, BASE_PERCENT), (at_s, BASE_PERCENT), (at_s + 1e-3, there), (1e6, there))
    plan = GradeClimb(case.vehicle, Grade(by_time=grades), target_mps=speed, seconds=600.0)
    rolls.push(road_n(case.load, speed, 0.0, 0.0))
    rolls.start(plan)
    test = rolls.core.test
    assert isinstance(test, ClimbTest)
    while test.phase != "climb":
        rolls.push(road_n(case.load, rolls.speed, 0.0, 0.0))
        rolls.advance()
    steady = Effort(rolls.rig)
    while test.elapsed_s < at_s - 2e-3:
        rolls.push(road_n(case.load, rolls.speed, 0.0, BASE_PERCENT))
        rolls.advance()
        if test.elapsed_s > at_s - STEADY_S:
            steady.note(rolls.plant)
    within = WITHIN * case.size_n
    mass = case.load.effective_mass_kg
    applied = case.applied_n(rolls.base_kg)
    push = road_n(case.load, rolls.speed, 0.0, BASE_PERCENT)
    after = BASE_PERCENT + case.grade
    bound_s = coil_bound_s(
        rolls, case.push_n, case.load, after, WITHIN * applied * mass / rolls.base_kg
    )
    rolls.push(push + case.push_n)
    frame_s = rolls.plant.world.period_s
    errors: list[float] = []
    speeds = [rolls.speed]
    for _ in range(round(AFTER_S / frame_s)):
        rolls.advance()
        speeds.append(rolls.speed)
        acceleration = (speeds[-1] - speeds[-2]) / frame_s
        errors.append(push + case.push_n - road_n(case.load, speeds[-1], acceleration, after))
    rolls.end()
    tail = np.array(errors[len(errors) // 2 :])
    e = np.array(errors)
    return {
        "case": case.name,
        "size_n": case.size_n,
        "applied_step_n": applied,
        "settle_ms": settled_ms(e * rolls.base_kg / mass, WITHIN * applied, frame_s),
        "felt_settle_ms": settled_ms(e, within, frame_s),
        "settle_bound_ms": bound_s * 1e3,
        "beyond_n": float(np.max(-np.sign(e[0]) * e)),
        "rest_rms_n": float(np.sqrt(np.mean(tail**2))),
        "rest_mean_n": float(np.mean(tail)),
        **steady.figures(),
    }


def repeated(case: StepCase, rolls: FreeRolls, times: int) -> dict[str, Any]:
    """The step `times` over, each with noise of its own; medians, and each one's settling."""
    told = [ours(case, rolls) for _ in range(times)]
    merged: dict[str, Any] = {"case": case.name}
    for key in told[0]:
        if key != "case":
            merged[key] = float(np.median([one[key] for one in told]))
    merged["each_settle_ms"] = [one["settle_ms"] for one in told]
    return merged


def cases(small: RoadVehicle, large: RoadVehicle, quick: bool) -> list[StepCase]:
    """Both trucks, pull and hill; up and down at two speeds, or `quick`: up at 30 km/h."""
    found = []
    for kmh in (30.0,) if quick else (30.0, 80.0):
        for who, vehicle, push in (("small", small, 1500.0), ("large", large, 3000.0)):
            for sign, word in ((1.0, "up"),) if quick else ((1.0, "up"), (-1.0, "down")):
                name = f"{who} truck, {kmh:.0f} km/h"
                found.append(StepCase(f"{name}, pull {word}", vehicle, kmh, sign * push, 0.0))
                found.append(StepCase(f"{name}, hill {word}", vehicle, kmh, 0.0, 3.0 * sign))
    return found


# ---- the plain form ------------------------------------------------------------------------------


def plain_tuned(case: StepCase, rig: Rig, seed: int, quick: bool) -> float:
    """Settling of the plain form with the best of some filters, ms; infinite: none is calm."""
    filters = (0.15, 0.3, 0.6) if quick else (0.05, 0.1, 0.2, 0.3, 0.45, 0.7)
    return min(plain(case, rig, seed, each) for each in filters)


def plain(case: StepCase, rig: Rig, seed: int, filter_s: float) -> float:
    """1066.210 with the reported acceleration behind one filter, rig file's map, no forcing."""
    plant = plant_of(rig, seed)
    plant.receive(encode(AskIdentity(1)))
    hello = None
    for frame in Deframer(Direction.FROM_FRONT_END).feed(plant.advance()):
        if isinstance(frame, Hello):
            hello = frame
    if hello is None:
        raise RuntimeError("the simulated front end did not greet")
    chain, world = Chain(rig, hello), plant.world
    masses = world.roll_parameters[:, at.Q_MASS]
    base_kg, period = float(masses.sum()), world.period_s
    mass, speed = case.load.effective_mass_kg, case.kmh / 3.6
    maps = [map_row(one) for one in rig.absorbers]
    levers = [one.gear_ratio / rig.roll_sets[0].roll_radius_m for one in rig.absorbers]
    currents = [0.0] * len(maps)
    trims = [0.0] * len(maps)
    slow_a, grade, sequence = 0.0, BASE_PERCENT, 0
    errors: list[float] = []
    before_frames, after_frames = round(6.0 / period), round(AFTER_S / period)
    push = 0.0
    true_before = speed
    for k in range(before_frames + after_frames):
        if k == 200:  # the chain has its first readings of standing rolls
            plant.spin(speed, speed)
        true = float(masses @ world.rolls[:, at.R_SPEED]) / base_kg
        if k < before_frames:
            foot = PER_MPS_N * (speed - true) if k < before_frames - 1000 else 0.0
            push = max(0.0, road_n(case.load, true, 0.0, BASE_PERCENT) + foot)
        elif k == before_frames:
            push += case.push_n
            grade += case.grade
        world.inputs[at.I_PUSH] = push if k > 200 else 0.0
        sequence = (sequence + 1) & 0xFFFF
        steps = tuple(int(min(max(a, 0.0), 30.0) * 100.0) for a in currents)
        plant.receive(encode(SetPoint(1, sequence, 100, 0, steps)))
        sample = plant.step()
        if sample is None:
            raise RuntimeError("the simulated front end dropped a frame")
        measured = chain.update(sample)
        a = sum(one.acceleration.value for one in measured.roll_sets) / 2.0
        v = sum(one.speed.value for one in measured.roll_sets) / 2.0
        if math.isfinite(a + v) and k > 400:
            slow_a += (a - slow_a) * min(1.0, period / filter_s)
            v += slow_a * measured.roll_sets[0].speed_delay_s
            need = road_n(case.load, v, 0.0, grade) + (mass - base_kg) * slow_a
            for one in rig.roll_sets:
                need -= one.loss_n[0] + v * (one.loss_n[1] + v * one.loss_n[2])
            each = max(need, 0.0) / len(maps)
            for i, absorber in enumerate(measured.absorbers):
                if math.isfinite(absorber.force.value):
                    trims[i] += (each - absorber.force.value) * period / 0.5
                trims[i] = min(max(trims[i], -0.3 * each), 0.3 * each)
                torque = (each + trims[i]) / levers[i]
                currents[i] = current_for(maps[i], torque, v * levers[i], 293.15)
        true = float(masses @ world.rolls[:, at.R_SPEED]) / base_kg
        acceleration = (true - true_before) / period
        true_before = true
        if k >= before_frames:
            errors.append(push - road_n(case.load, true, acceleration, grade))
    applied = np.array(errors) * base_kg / mass
    return settled_ms(applied, WITHIN * case.applied_n(base_kg), period)
