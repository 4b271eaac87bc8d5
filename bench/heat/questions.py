"""Random questions for the answer before a test: rigs' rotors, plans and what is expected."""

from __future__ import annotations

import msgspec
import numpy as np

from control.forecast.duty import Expected
from control.forecast.rig_heat import RigHeat
from control.test_kinds.plans import (
    Grade,
    GradeClimb,
    Plan,
    PowerSweep,
    RoadVehicle,
    SpeedTrace,
    SpoolUp,
    SteadyHold,
    SteppedMap,
)
from control.thermal.record import RotorRecord
from control.thermal.rotor import NODES, model_of
from control.thermal.rotor_observer import PRIOR_SIGMA, RotorObserver
from daq.rig.description import Rig

TRUCK = RoadVehicle(a_n=300.0, mass_kg=3600.0, b_n_per_mps=5.0, c_n_per_mps2=0.6)


def random_heat(rig: Rig, seed: int) -> RigHeat:
    """Rotors learned well, badly or not at all, at random temperatures, in a random room."""
    draw = np.random.default_rng([seed, 1])
    ambient = float(draw.uniform(268.0, 308.0))
    learned = draw.uniform() < 0.7
    records = {}
    for absorber in rig.absorbers if learned else ():
        start = ambient + float(draw.exponential(60.0))
        observer = RotorObserver(model_of(absorber.heat), min(start, 520.0))
        known = float(draw.uniform(0.05, 1.0))  # how much of the prior's doubt is left
        observer.covariance *= known**2
        for place, sigma in enumerate(PRIOR_SIGMA[:-1]):
            observer.x[NODES + place] = float(np.clip(draw.normal(), -1.5, 1.5)) * sigma
        records[absorber.name] = RotorRecord(observer.memory())
    heat = RigHeat(rig, records, ambient)
    if draw.uniform() < 0.5:
        front = float(draw.uniform(0.2, 0.8))
        heat.share((front, 1.0 - front))
    return heat


def question(seed: int) -> tuple[Plan, Expected]:
    """A plan of any kind that heat may limit, with the power that a truck would give."""
    draw = np.random.default_rng([seed, 2])
    expected = Expected(
        power_w=float(draw.uniform(60e3, 380e3)),
        speed_mps=float(draw.uniform(8.0, 35.0)),
        ratio_per_m=float(draw.uniform(6.0, 14.0)),
    )
    speed = float(draw.uniform(8.0, 38.0))
    seconds = float(draw.uniform(60.0, 1500.0))
    by_time = bool(draw.uniform() < 0.5)
    plans: tuple[Plan, ...] = (
        SteadyHold(seconds=seconds, speed_mps=speed),
        SteadyHold(seconds=seconds, rpm=float(draw.uniform(1400.0, 2400.0))),
        SteadyHold(seconds=seconds, force_n=float(draw.uniform(2000.0, 14_000.0))),
        SteadyHold(seconds=seconds, power_w=float(draw.uniform(60e3, 300e3))),
        SteppedMap(
            points_rpm=tuple(float(each) for each in draw.uniform(1400.0, 2400.0, 8)),
            settle_s=5.0, average_s=60.0,
        ),
        PowerSweep(from_mps=14.0, to_mps=32.0, mps_per_s=float(draw.uniform(0.05, 0.4))),
        SpoolUp(speed_mps=speed, seconds=60.0),
        GradeClimb(
            vehicle=msgspec.structs.replace(TRUCK, trailer_kg=6000.0, trailer_tyres=8),
            grade=Grade(percent=float(draw.uniform(3.0, 9.0))), target_mps=speed,
            seconds=seconds if by_time else None, distance_m=None if by_time else seconds * speed,
        ),
        SpeedTrace(
            vehicle=msgspec.structs.replace(TRUCK, trailer_kg=6000.0, trailer_tyres=8),
            points=((0.0, 0.0), (20.0, speed), (20.0 + seconds, speed)),
            grade=Grade(percent=float(draw.uniform(2.0, 7.0))),
        ),
    )  # fmt: skip
    return plans[int(draw.integers(len(plans)))], expected
