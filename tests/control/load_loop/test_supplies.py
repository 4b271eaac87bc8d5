"""A hold behind every kind of supply, through wire, core and simulator: it runs, and calmly."""

from __future__ import annotations

import numpy as np
import pytest

from api.rehearsal.virtual_rig import HOLDER, VirtualRig
from bench.support.effort import Effort
from bench.support.supplies import SUPPLIES, described_with, true_with
from control.core.commands import StartTest
from control.telemetry import State
from control.test_kinds.plans import SteadyHold
from simulator.plant import Plant
from simulator.rig_and_truck import layout as at
from simulator.rig_and_truck.driver import Moment
from simulator.rig_and_truck.setup import tarnhow as true_rig
from tests.control.control_stand import tarnhow

SPEED_MPS = 12.0


def held_behind(supply: str) -> VirtualRig:
    """A hold at full pedal, some seconds old."""
    rig = described_with(tarnhow(), supply)
    virtual = VirtualRig(rig, 3, plant=Plant(true_with(true_rig(3), supply), 3))
    virtual.make_ready()
    virtual.plant.driver.tell(gear=4, pedal=1.0)
    while virtual.plant.world.rolls[1, at.R_SPEED] < SPEED_MPS - 1.0:
        virtual.advance()
    virtual.ask(StartTest(0, HOLDER, "hold", SteadyHold(seconds=60.0, speed_mps=SPEED_MPS)))
    virtual.advance_for(4.0)
    return virtual


@pytest.mark.parametrize("supply", SUPPLIES)
def test_a_hold_runs_calmly_behind_every_kind_of_supply(supply: str) -> None:
    virtual = held_behind(supply)
    plant = virtual.plant
    effort, speeds = Effort(virtual.rig), []
    for _ in range(500):
        virtual.advance()
        effort.note(plant)
        speeds.append(plant.world.rolls[:, at.R_SPEED].copy())
    assert virtual.core.state is State.LOADED, virtual.core.telemetry().first_cause
    asked = effort.figures()
    assert asked["set_point_mean_a"] > 6.0
    assert asked["set_point_sd_share"] < 0.02
    assert asked["set_point_zero_share"] == 0.0
    # The wheels are not learned: what is left of the speed's motion is their run-out.
    assert float((np.std(speeds, axis=0) / SPEED_MPS).max()) < 0.001

    plant.driver.follow([Moment(0.0, pedal=1.0), Moment(0.2, pedal=0.6)], plant.now_s)
    off = []
    for _ in range(1000):
        virtual.advance()
        off.append(plant.world.rolls[:, at.R_SPEED] / SPEED_MPS - 1.0)
    assert virtual.core.state is State.LOADED, virtual.core.telemetry().first_cause
    assert float(np.abs(off).max()) < 0.01
    assert float(np.abs(off[-250:]).max()) < 0.003
