"""Holding a speed: the observer, the map, the force loop and the whole loop on a second plant."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest

from control.absorber.map import (
    MAP_COLUMNS,
    MAX_A,
    capacity,
    current_for,
    excitation,
    excitation_inverse,
    map_row,
    torque_at,
)
from control.core.commands import EaseOff, StartTest
from control.load_loop import records
from control.load_loop.load_sharing import share_by_weight
from control.telemetry import State
from control.test_kinds.plans import SteadyHold
from tests.control.control_stand import HOLD_20, HOLDER, Stand, tarnhow

ABSORBER = tarnhow().absorbers[0]


# ---- the map -------------------------------------------------------------------------------------


def test_the_inverse_map_gives_back_the_torque_it_was_asked_for() -> None:
    row = map_row(ABSORBER)
    row[8:MAP_COLUMNS] = np.linspace(0.9, 1.2, MAP_COLUMNS - 8)  # a learned shape
    for speed in (20.0, 60.0, 120.0, 300.0):
        for torque in (50.0, 200.0, 400.0):
            if torque < capacity(row, speed, 293.15):
                current = current_for(row, torque, speed, 293.15)
                assert torque_at(row, current, speed, 293.15) == pytest.approx(torque, rel=2e-3)


def test_more_than_there_is_gives_the_continuous_current_and_less_than_the_drag_none() -> None:
    row = map_row(ABSORBER)
    assert current_for(row, 5000.0, 100.0, 293.15) == row[MAX_A]
    assert current_for(row, 3.0, 100.0, 293.15) == 0.0
    assert current_for(row, math.nan, 100.0, 293.15) == 0.0
    assert torque_at(row, 20.0, 0.0, 293.15) == 0.0, "an eddy-current brake cannot hold"


def test_excitation_is_squared_when_small_and_one_at_the_rated_current() -> None:
    assert excitation(30.0, 30.0, 24.0) == pytest.approx(1.0)
    small = excitation(0.2, 30.0, 24.0) / excitation(0.1, 30.0, 24.0)
    assert small == pytest.approx(4.0, rel=1e-3)
    assert excitation_inverse(excitation(17.0, 30.0, 24.0), 30.0, 24.0) == pytest.approx(17.0)


# ---- sharing ----------------------------------------------------------


def test_shares_follow_the_weights_and_what_one_cannot_take_goes_to_the_others() -> None:
    takers = np.zeros(4, records.ABSORBER)
    takers["group"] = [1, 1, 0, 1]
    takers["share_weight"], takers["available_n"] = [1, 1, 9, 2], [100, 500, 900, 500]
    takers["asked_n"][2] = 7.0  # of another group
    asked = takers["asked_n"]
    assert share_by_weight(takers, 1, 400.0) == 0.0
    assert asked.tolist() == [100.0, 100.0, 7.0, 200.0]
    assert share_by_weight(takers, 1, 1000.0) == 0.0
    assert asked.sum() == pytest.approx(1007.0)
    assert share_by_weight(takers, 1, 1500.0) == pytest.approx(400.0), "the shortfall is said"
    assert share_by_weight(takers, 1, -5.0) == 0.0
    assert asked.tolist() == [0.0, 0.0, 7.0, 0.0]


# ---- the whole loop on the stand -----------------------------------------------------------------


def test_a_steady_hold_holds_the_speed_and_the_rolls_together() -> None:
    stand = Stand().loaded()
    stand.frames(5.0)
    held = []
    for _ in range(1000):
        stand.frame()
        held.append(tuple(stand.speeds))
    front, rear = np.array(held).T
    assert abs(front.mean() - 20.0) < 0.01
    assert max(front.std(), rear.std()) < 0.0005 * 20.0
    assert np.abs(front - rear).max() * 3.6 < 0.1, "km/h"


def test_a_pedal_change_is_met_before_the_speed_has_moved_far() -> None:
    stand = Stand().loaded()
    stand.frames(5.0)
    worst = 0.0
    for k in range(1500):
        stand.drive_n = max(9000.0 - 3600.0 * k * stand.dt / 0.2, 5400.0)
        stand.frame()
        worst = max(worst, *(abs(speed - 20.0) for speed in stand.speeds))
    assert worst < 0.004 * 20.0
    assert max(abs(speed - 20.0) for speed in stand.speeds) < 0.001 * 20.0


def test_take_up_brings_no_overshoot_below_the_set_point() -> None:
    stand = Stand().ready()
    stand.speeds = [19.0, 19.0]
    stand.frames(0.3)
    stand.drive_n = 7000.0
    assert stand.ask(StartTest(0, HOLDER, "run", HOLD_20)).accepted
    lowest_after_arrival, arrived = 99.0, False
    for _ in range(3000):
        stand.frame()
        arrived = arrived or min(stand.speeds) > 19.99
        if arrived:
            lowest_after_arrival = min(lowest_after_arrival, *stand.speeds)
    assert arrived
    assert lowest_after_arrival > 20.0 * 0.997


def test_the_load_comes_on_gradually() -> None:
    stand = Stand().ready()
    stand.speeds = [20.0, 20.0]
    stand.frames(0.3)
    stand.drive_n = 9000.0
    stand.ask(StartTest(0, HOLDER, "run", HOLD_20))
    stand.frames(0.1)
    assert max(stand.coils) < 12.0, "a tenth of a second after the start"


def test_a_two_wheel_drive_truck_is_held_on_its_one_roll_set() -> None:
    stand = Stand()
    stand.pinned = [0.0, None]
    stand.ready()
    stand.speeds = [0.0, 19.5]
    stand.frames(0.3)
    stand.drive_n = 9000.0  # the stand gives 55 % of it to the rear
    assert stand.ask(StartTest(0, HOLDER, "run", HOLD_20)).accepted
    stand.frames(8.0)
    assert stand.core.state is State.LOADED
    assert stand.speeds[1] == pytest.approx(20.0, rel=1e-3)
    assert stand.coils[0] == stand.coils[1] == 0.0, "no current on rolls that stand"


def test_engine_speed_is_held_through_the_measured_ratio() -> None:
    rpm = 1900.0
    speed = rpm * 2 * math.pi / 60 / 9.5
    stand = Stand().loaded(SteadyHold(seconds=60.0, settle_s=1.0, rpm=rpm))
    stand.frames(6.0)
    assert max(stand.speeds) == pytest.approx(speed, rel=1e-3)
    view = stand.core.telemetry().test
    assert view is not None
    assert view.unit == "rad/s"
    assert abs(view.error_relative) < 1e-3


def test_engine_speed_is_held_again_soon_after_its_ratio_changed() -> None:
    rpm = 1900.0
    stand = Stand().loaded(SteadyHold(seconds=60.0, settle_s=1.0, rpm=rpm))
    stand.frames(6.0)
    stand.engine_ratio *= 1.01  # more pull, more slip
    stand.frames(1.0)
    view = stand.core.telemetry().test
    assert view is not None
    assert abs(view.error_relative) < 2e-3


def test_what_the_absorbers_cannot_do_is_said_as_a_shortfall() -> None:
    stand = Stand().loaded()
    stand.drive_n = 30_000.0
    stand.frames(1.0)
    view = stand.core.telemetry().test
    assert view is not None
    assert view.shortfall_n > 1000.0


def test_brakes_stronger_than_their_map_give_all_they_have() -> None:
    # The rig file knows 60 % of the torque; the cells know better.
    rig = tarnhow()
    weak = tuple(
        msgspec.structs.replace(
            absorber,
            map=msgspec.structs.replace(
                absorber.map, peak_torque_nm=0.6 * absorber.map.peak_torque_nm
            ),
        )
        for absorber in rig.absorbers
    )
    stand = Stand(rig=msgspec.structs.replace(rig, absorbers=weak)).loaded()
    stand.frames(3.0)
    stand.drive_n = 30_000.0
    stand.frames(0.2)
    assert min(stand.coils) > 0.97 * rig.absorbers[0].max_current_a
    view = stand.core.telemetry().test
    assert view is not None
    assert view.shortfall_n > 1000.0


def test_no_load_is_asked_below_the_low_speed_limit() -> None:
    stand = Stand().ready()
    stand.speeds = [1.2, 1.2]
    stand.drive_n = 300.0
    assert stand.ask(StartTest(0, HOLDER, "run", HOLD_20)).accepted
    for _ in range(300):
        stand.frame()
        if max(stand.speeds) < 1.4:
            assert stand.sent == [0.0] * 4


def test_the_map_is_learned_from_the_load_cells_and_kept_over_a_restart() -> None:
    stand = Stand().loaded()
    stand.frames(10.0)
    gains = [one.gain for one in stand.core.memory().absorbers.values()]
    assert all(0.5 < gain < 1.0 for gain in gains), "the stand's brakes are weaker than the guess"
    again = Stand(stand.core.memory())
    assert [again.core.loads.learned(i)[0] for i in range(4)] == pytest.approx(gains)


def test_the_same_frames_and_commands_give_the_same_bytes() -> None:
    def run() -> tuple[list[object], bytes]:
        stand = Stand().loaded()
        stand.drive_n = 6000.0
        stand.frames(1.0)
        stand.ask(EaseOff(0, HOLDER))
        stand.frames(1.0)
        memory = msgspec.json.encode(stand.core.memory())
        return [*stand.set_points, *stand.events], memory

    first, second = run(), run()
    assert msgspec.json.encode(first[0]) == msgspec.json.encode(second[0])
    assert first[1] == second[1]


def test_memory_survives_the_way_to_disk_and_back() -> None:
    from control.core.memory import Memory

    memory = Stand().loaded().core.memory()
    assert msgspec.json.decode(msgspec.json.encode(memory), type=Memory) == memory


def test_a_snapshot_can_be_sent_whatever_the_state() -> None:
    stand = Stand()
    msgspec.json.encode(stand.core.telemetry())
    stand.loaded()
    msgspec.json.encode(stand.core.telemetry())
    stand.stop_chain = False
    stand.frames(0.1)
    assert b"stop-chain-open" in msgspec.json.encode(stand.core.telemetry())
