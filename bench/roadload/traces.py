"""Force tracking for bench.roadload: the simulated truck and driver on traces of open data."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from api.rehearsal.drivers import DRIVERS
from api.rehearsal.virtual_rig import HOLDER, VirtualRig
from bench.roadload.road import LADEN, plant_of, road_n
from bench.support.rigs import advance_until
from control.core.commands import StartTest
from control.core.memory import Memory
from control.telemetry import State
from control.test_kinds.plans import Grade, SpeedTrace
from control.test_kinds.simulated_road import Profile, road_load_of
from control.test_kinds.trace import TraceTest
from daq.rig.description import Rig
from simulator.rig_and_truck import layout as at

DATA = Path(__file__).resolve().parents[2] / "tests" / "data"  # sources: SOURCES.md there
QUICK_S = 25.0
LEAST_N = 9.8
ACT_EVERY = 5


class RoadTrace(msgspec.Struct, frozen=True):
    name: str
    points: tuple[tuple[float, float], ...]  # (s, m/s)
    by_distance: tuple[tuple[float, float], ...]  # (m, %), empty: level


def traces_of(quick: bool) -> list[RoadTrace]:
    """UDDS, HWFET and a recorded trip whose grade goes by distance, as a route does.

    `quick`: some seconds of the first and the last.
    """
    found = []
    for name, file, start in (
        ("UDDS", "udds.csv", 185.0),
        ("HWFET", "hwfet.csv", 0.0),
        ("recorded trip with grades", "graded_trip.csv", 0.0),
    ):
        if quick and name == "HWFET":
            continue
        table = np.genfromtxt(DATA / file, delimiter=",", skip_header=1)[:, :3]
        first = start if quick else 0.0
        last = first + QUICK_S if quick else math.inf
        table = table[(table[:, 0] >= first) & (table[:, 0] <= last)]
        times, speeds = table[:, 0] - table[0, 0], table[:, 1]
        metres = np.concatenate(
            ([0.0], np.cumsum(0.5 * (speeds[1:] + speeds[:-1]) * np.diff(times)))
        )
        route: list[tuple[float, float]] = []
        if np.any(table[:, 2]):
            for place, grade in zip(metres.tolist(), (100.0 * table[:, 2]).tolist(), strict=True):
                if not route or place > route[-1][0] + 1.0:
                    route.append((place, grade))
        found.append(
            RoadTrace(name, tuple(zip(times.tolist(), speeds.tolist(), strict=True)), tuple(route))
        )
    return found


def roll_by_hand(virtual: VirtualRig) -> None:
    """Up to speed, out of gear and down again without load, as before any test of a day: the tooth
    wheels' tables of before find their turn."""
    truck, rolls = virtual.plant.driver, virtual.plant.world.rolls
    truck.tell(pedal=0.35)
    advance_until(virtual, lambda: float(rolls[:, at.R_SPEED].min()) > 13.0)
    truck.tell(pedal=0.0, gear=0)
    virtual.advance_for(8.0)
    truck.tell(brake=0.4)
    advance_until(virtual, lambda: float(rolls[:, at.R_SPEED].max()) < 0.01)
    truck.tell(pedal=0.0, gear=-1)


def drive_trace(trace: RoadTrace, rig: Rig, seed: int, memory: Memory) -> dict[str, Any]:
    """Drive it; what the truck felt less what the road would have asked, N."""
    virtual = VirtualRig(rig, seed, memory, plant_of(rig, seed, truck=True))
    grade = Grade(by_distance=trace.by_distance) if trace.by_distance else Grade(percent=0.0)
    plan = SpeedTrace(LADEN, points=trace.points, grade=grade, countdown_s=0.5)
    virtual.make_ready()
    roll_by_hand(virtual)
    driver = DRIVERS[SpeedTrace](virtual, plan, None, 1.0)
    driver.begin()
    virtual.ask(StartTest(0, HOLDER, "bench", plan))
    load = road_load_of(LADEN)
    hill = Profile(trace.by_distance) if trace.by_distance else None
    world = virtual.plant.world
    masses = world.roll_parameters[:, at.Q_MASS].copy()
    base, period = float(masses.sum()), world.period_s
    low = rig.limits.low_speed_mps
    rows: list[tuple[float, float, float, float]] = []  # error, reference, able, speed
    metres = 0.0
    before = float(masses @ world.rolls[:, at.R_SPEED]) / base
    count = 0
    test = virtual.core.test
    while virtual.core.state is State.LOADED and test is not None:
        virtual.advance()
        count += 1
        if count % ACT_EVERY == 0:
            driver.act(test)
        speed = float(masses @ world.rolls[:, at.R_SPEED]) / base
        acceleration = (speed - before) / period
        before = speed
        assert isinstance(test, TraceTest)
        if test.phase != "trace":
            continue
        metres += speed * period
        percent = hill(metres) if hill is not None else 0.0
        braking = float(world.rolls[:, at.R_ABSORBER].sum() + world.rolls[:, at.R_LOSS].sum())
        felt = braking + base * acceleration
        reference = road_n(load, speed, acceleration, percent)
        # Acceleration of the truck itself by what it pulls, and what absorbers would have to give.
        wanted = (felt - road_n(load, speed, 0.0, percent)) / load.effective_mass_kg
        needed = felt - base * wanted - float(world.rolls[:, at.R_LOSS].sum())
        able = speed > 2.0 * low and needed > 150.0
        rows.append((felt - reference, reference, 1.0 if able else 0.0, speed))
    table = np.array(rows)
    told: dict[str, Any] = {
        "trace": trace.name,
        "seconds": len(table) * period,
        "able_share": float(table[:, 2].mean()),
    }
    for name, seconds in (("0_1", 0.1), ("1", 1.0)):
        n = round(seconds / period)
        whole = len(table) // n * n
        mean = table[:whole].reshape(-1, n, 4).mean(axis=1)
        use = mean[:, 2] > 0.999
        error, reference_n = mean[use, 0], mean[use, 1]
        limit = np.maximum(LEAST_N, 0.01 * np.abs(reference_n))
        told[f"rms_{name}_s_n"] = float(np.sqrt(np.mean(error**2)))
        told[f"bias_{name}_s_n"] = float(np.mean(error))
        told[f"reference_rms_{name}_s_n"] = float(np.sqrt(np.mean(reference_n**2)))
        told[f"within_limit_share_{name}_s"] = float(np.mean(np.abs(error) <= limit))
    summary = test.summary() if test is not None else {}
    for name in ("shortfall_s", "shortfall_ns", "worst_shortfall_n"):
        told[name] = summary.get(name, 0.0)
    return told
