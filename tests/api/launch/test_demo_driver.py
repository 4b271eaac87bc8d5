"""The demo's driver brings every kind of test to a valid end, by instruction and dials alone."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec
import pytest

from api.launch.demo_driver import Follower, value_in
from api.rehearsal.virtual_rig import HOLDER, VirtualRig
from control.core.commands import MakeReady, StartTest
from control.telemetry import State
from control.test_kinds.plans import (
    Coastdown,
    Grade,
    GradeClimb,
    Plan,
    PowerSweep,
    RoadVehicle,
    SnapSmoke,
    SpeedTrace,
    SpoolUp,
    SteadyHold,
    SteppedMap,
    kind_of,
)
from daq.rig.description import load_rig
from daq.texts.message import Message
from simulator.plant import Plant
from simulator.rig_and_truck.setup import tarnhow
from simulator.seat import tell

RIG = msgspec.structs.replace(
    load_rig(Path(__file__).parents[3] / "rigs" / "tarnhow.toml"), frame_hz=250
)
TRUCK = RoadVehicle(a_n=226.5, b_n_per_mps=1.59, c_n_per_mps2=0.949, mass_kg=3600.0)
PLANS: tuple[Plan, ...] = (
    SteadyHold(seconds=5.0, settle_s=2.0, rpm=1700.0),
    SteadyHold(seconds=6.0, settle_s=2.0, force_n=2500.0),
    SteppedMap(points_rpm=(1600.0, 1900.0), settle_s=1.0, average_s=2.0, timeout_s=90.0),
    PowerSweep(from_rpm=1800.0, to_rpm=2600.0, rpm_per_s=200.0),
    SpoolUp(rpm=1600.0, settle_s=1.0, seconds=4.0),
    GradeClimb(TRUCK, Grade(percent=4.0), target_mps=14.0, seconds=15.0),
    SpeedTrace(
        TRUCK,
        points=((0.0, 0.0), (3.0, 0.0), (15.0, 11.0), (25.0, 12.0), (32.0, 12.0)),
        countdown_s=1.0,
    ),
    Coastdown(from_mps=14.0, to_mps=12.0, interval_mps=1.0),
    SnapSmoke(idle_s=5.0, probe_s=1.0),
)


def drive(plan: Plan) -> tuple[dict[str, Any], float]:
    """Start a plan from standstill and let the follower drive; its summary and deepest pedal."""
    setup = tarnhow(1)
    board = replace(setup.front_end, frame_hz=RIG.frame_hz)
    virtual = VirtualRig(RIG, 1, plant=Plant(replace(setup, front_end=board), 1))
    virtual.make_ready()
    virtual.ask(StartTest(0, HOLDER, "run", plan))
    follower = Follower()
    until_s = virtual.plant.now_s + 150.0
    deepest = 0.0
    while virtual.core.state in (State.LOADED, State.EASING):
        virtual.advance()
        if virtual.frames % 12 == 0:
            words = follower.words(virtual.core.telemetry(), virtual.plant.now_s)
            if words:
                tell(virtual.plant, words)
            deepest = max(deepest, virtual.plant.driver.pedal)
        assert virtual.plant.now_s < until_s, virtual.core.telemetry().test
    words = follower.words(virtual.core.telemetry(), virtual.plant.now_s)
    if words:  # it may have braked while the load was eased off
        tell(virtual.plant, words)
    assert virtual.plant.driver.brake > 0.0
    assert virtual.plant.driver.pedal == 0.0
    (ended,) = [event for event in virtual.events if event.kind == "run-ended"]
    return dict(ended.data), deepest


@pytest.mark.parametrize("plan", PLANS, ids=kind_of)
def test_the_driver_brings_a_test_to_a_valid_end(plan: Plan) -> None:
    told, deepest = drive(plan)
    assert told["void"] == ""
    assert told["valid"] is True
    if isinstance(plan, PowerSweep | SpoolUp | SteppedMap | SnapSmoke):
        assert deepest == 1.0  # floored


def test_a_truck_that_has_stood_for_a_while_is_held_as_the_first_time() -> None:
    setup = tarnhow(1)
    board = replace(setup.front_end, frame_hz=RIG.frame_hz)
    virtual = VirtualRig(RIG, 1, plant=Plant(replace(setup, front_end=board), 1))
    virtual.make_ready()
    for number in range(2):
        tell(virtual.plant, {"gear": 4, "brake": 0.0, "pedal": 40.0})
        virtual.advance_for(16.0)
        plan = SteadyHold(seconds=4.0, settle_s=2.0, rpm=1900.0)
        virtual.ask(StartTest(0, HOLDER, f"run {number}", plan))
        tell(virtual.plant, {"pedal": 100.0})
        virtual.advance_for(16.0)
        tell(virtual.plant, {"pedal": 0.0, "brake": 30.0})
        virtual.advance_for(60.0)
        if virtual.core.state is State.PARKED:  # it stood longer than rolls stay ready
            virtual.ask(MakeReady(0, HOLDER))
    ended = [event.data for event in virtual.events if event.kind == "run-ended"]
    assert [one["valid"] for one in ended] == [True, True], ended
    first, second = (float(one["mean_power_w"]) for one in ended)
    assert second == pytest.approx(first, rel=0.02)


def test_numbers_are_read_from_instructions() -> None:
    assert value_in(Message("light", {"force_n": 1200.0}), "force_n") == 1200.0
    assert math.isnan(value_in(Message("light", {"force_n": 1200.0}), "above_mps"))
    assert math.isnan(value_in("Stay on the floor.", "force_n"))
