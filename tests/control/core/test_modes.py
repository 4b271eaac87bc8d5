"""Force, power and speed aims, the ways between them, and roll sets that nothing or all couples."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from api.rehearsal.virtual_rig import HOLDER as VIRTUAL_HOLDER
from api.rehearsal.virtual_rig import VirtualRig
from control.core.commands import Adjust, StartTest
from control.core.controller_inputs import ControllerInputs
from control.telemetry import State
from control.test_kinds.plans import SteadyHold
from daq.rig.description import load_rig
from simulator.rig_and_truck import layout as at
from simulator.rig_and_truck.driver import TransferCase
from tests.control.control_stand import HOLDER, Stand

FORCE_5K = SteadyHold(seconds=60.0, settle_s=1.0, force_n=5000.0)
POWER_90K = SteadyHold(seconds=60.0, settle_s=1.0, power_w=90_000.0)


def absorbed(stand: Stand) -> float:
    """Force of the stand's brakes at the roll surface, N."""
    total = 0.0
    for i, absorber in enumerate(stand.rig.absorbers):
        speed = stand.speeds[0 if absorber.roll_set == "front" else 1]
        total += stand.torque(stand.coils[i], speed * 6.4) * 6.4
    return total


def balanced(stand: Stand) -> None:
    """A driver who keeps the speed: the truck gives what the brakes and bearings take."""
    stand.drive_n = absorbed(stand) + stand.loss(0) + stand.loss(1)


def held(plan: SteadyHold) -> Stand:
    stand = Stand().ready()
    stand.speeds = [20.0, 20.0]
    stand.frames(0.3)
    assert stand.ask(StartTest(0, HOLDER, "run", plan)).accepted
    for _ in range(4500):
        balanced(stand)
        stand.frame()
    return stand


def test_a_constant_force_is_met_by_the_load_cells() -> None:
    stand = held(FORCE_5K)
    assert absorbed(stand) == pytest.approx(5000.0, rel=0.005)


def test_a_constant_power_is_met_and_follows_the_speed() -> None:
    stand = held(POWER_90K)
    mean = sum(stand.speeds) / 2.0
    assert absorbed(stand) * mean == pytest.approx(90_000.0, rel=0.01)
    stand.speeds = [speed * 1.1 for speed in stand.speeds]
    for _ in range(1500):
        balanced(stand)
        stand.frame()
    mean = sum(stand.speeds) / 2.0
    assert absorbed(stand) * mean == pytest.approx(90_000.0, rel=0.01)


def test_taking_up_a_force_overshoots_by_little() -> None:
    stand = Stand().ready()
    stand.speeds = [20.0, 20.0]
    stand.frames(0.3)
    assert stand.ask(StartTest(0, HOLDER, "run", FORCE_5K)).accepted
    most = 0.0
    for _ in range(4500):
        balanced(stand)
        stand.frame()
        most = max(most, absorbed(stand))
    assert most < 5000.0 * 1.02


WAYS = [("speed", 20.0), ("rpm", 20.0 * 9.5), ("force", 5000.0), ("power", 90_000.0)]


@pytest.mark.parametrize("first", ["speed", "rpm", "force", "power"])
def test_no_change_of_what_is_held_makes_the_load_jump(first: str) -> None:
    names = {
        "speed": {"speed_mps": 20.0},
        "rpm": {"rpm": 20.0 * 9.5 * 60.0 / (2.0 * math.pi)},
        "force": {"force_n": 5000.0},
        "power": {"power_w": 90_000.0},
    }
    stand = held(SteadyHold(seconds=600.0, settle_s=1.0, **names[first]))
    for quantity, set_point in WAYS:
        stand.drive_n = absorbed(stand) + stand.loss(0) + stand.loss(1)
        before = absorbed(stand)
        assert stand.ask(Adjust(0, HOLDER, set_point, quantity)).accepted
        for _ in range(25):  # 50 ms: a jump of the demand would show in the coils by now
            stand.frame()
            assert abs(absorbed(stand) - before) < 0.05 * 24_000.0
        for _ in range(1000):
            if quantity in ("force", "power"):
                balanced(stand)
            stand.frame()
        assert stand.core.state is State.LOADED


def test_a_new_set_point_is_walked_to_at_a_limited_rate() -> None:
    stand = held(FORCE_5K)
    assert stand.ask(Adjust(0, HOLDER, 10_000.0)).accepted
    before = absorbed(stand)
    steepest = 0.0
    for _ in range(1500):
        balanced(stand)
        stand.frame()
        now = absorbed(stand)
        steepest = max(steepest, now - before)
        before = now
    # Full force in 4 s (control.test_kinds.base): 6 N/ms, with a third on top for the map's
    # corrections.
    assert steepest / stand.dt < 1.35 * 24_000.0 / 4.0
    assert absorbed(stand) == pytest.approx(10_000.0, rel=0.01)


TARGET_MPS = 60.0 / 3.6


def held_on_the_simulated_rig(case: TransferCase, front_tyre: float = 1.0) -> VirtualRig:
    """Half pedal, held at 60 km/h for 6 s; the front tyres are `front_tyre` times as large."""
    virtual = VirtualRig(load_rig(Path(__file__).parents[3] / "rigs" / "tarnhow.toml"), 2)
    virtual.make_ready()
    world = virtual.plant.world
    world.roll_parameters[0, at.Q_TYRE_RADIUS] *= front_tyre
    virtual.plant.driver.tell(pedal=0.5, gear=4, case=case)
    while world.rolls[1, at.R_SPEED] < TARGET_MPS - 0.7:
        virtual.advance()
    plan = SteadyHold(seconds=60.0, settle_s=1.0, speed_mps=TARGET_MPS)
    virtual.ask(StartTest(0, VIRTUAL_HOLDER, "run", plan))
    virtual.advance_for(6.0)
    return virtual


@pytest.fixture(scope="module", params=[TransferCase.LOCKED, TransferCase.OPEN])
def simulated(request: pytest.FixtureRequest) -> tuple[float, float, float]:
    """Held at 60 km/h on the simulated rig, then the floor: (steady, step, speed error)."""
    virtual = held_on_the_simulated_rig(request.param)
    plant = virtual.plant
    rolls = plant.world.rolls
    steady = step = error = 0.0
    for k in range(2500):
        if k == 1000:
            plant.driver.tell(pedal=1.0)
        virtual.advance()
        apart = abs(float(rolls[0, at.R_SPEED] - rolls[1, at.R_SPEED])) * 3.6
        if k < 1000:
            steady = max(steady, apart)
        else:
            step = max(step, apart)
            error = max(error, abs(float(rolls[:, at.R_SPEED].mean()) / TARGET_MPS - 1.0))
    assert virtual.core.state is State.LOADED
    return steady, step, error


def test_the_electronic_shaft_keeps_the_roll_sets_together(
    simulated: tuple[float, float, float],
) -> None:
    steady, step, _ = simulated
    assert steady < 0.1, "km/h, held"
    assert step < 0.3, "km/h, in a full-throttle step"


def test_full_throttle_moves_the_speed_by_little(simulated: tuple[float, float, float]) -> None:
    assert simulated[2] < 0.005


def test_tyres_of_unlike_size_hold_no_truck_back_below_its_set_point() -> None:
    virtual = held_on_the_simulated_rig(TransferCase.LOCKED, front_tyre=1.004)
    virtual.plant.driver.tell(pedal=0.0)
    virtual.advance_for(5.0)
    rolls = virtual.plant.world.rolls
    assert rolls[:, at.R_SPEED].mean() < 0.97 * TARGET_MPS
    apart = abs(float(rolls[0, at.R_SPEED] / rolls[1, at.R_SPEED] - 1.0))
    assert apart > 0.002, "the tyres do keep the rolls apart"
    measured = virtual.core.measured
    assert measured is not None
    carried = [one.current.value for one in measured.absorbers]
    assert max(carried) < 0.3, "A"


def test_the_flat_row_says_what_the_readings_say() -> None:
    import msgspec

    virtual = VirtualRig(load_rig(Path(__file__).parents[3] / "rigs" / "tarnhow.toml"), 3)
    virtual.plant.driver.tell(pedal=0.3)
    flat, fields = ControllerInputs(virtual.rig), ControllerInputs(virtual.rig)
    compared = 0
    for k in range(3000):
        if k == 2000:
            virtual.plant.break_it("cell", "open-bridge", "front-left")
        virtual.advance()
        measured = virtual.core.measured
        if measured is None or k % 10:
            continue
        flat.read(measured)
        fields.read(msgspec.structs.replace(measured, flat=()))
        for name in ("speeds", "coils", "cells", "shafts", "doubtful", "force_n", "power_w"):
            assert getattr(flat, name) == pytest.approx(getattr(fields, name), nan_ok=True), name
        compared += 1
    assert compared > 200
