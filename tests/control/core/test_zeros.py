"""Zeros of the load cells as a person takes them: through the core, at the simulated rig.

One procedure decides (daq.measure.rest, daq.measure.force.zero); each of its refusals is provoked.
Limits: common practice, no source.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import msgspec
import pytest

from api.rehearsal.virtual_rig import HOLDER, VirtualRig
from control.core.commands import Acknowledge, MakeReady, TakeHelm, ZeroCells
from control.telemetry import State
from daq.errors import Refused
from daq.rig.description import Rig, load_rig
from simulator.plant import Plant
from simulator.rig_and_truck.setup import Setup, tarnhow
from tests.daq.synthetic import RIG_FILE

RIG = msgspec.structs.replace(load_rig(RIG_FILE), frame_hz=100)
CELL = RIG.absorbers[2].cell
NAME = RIG.absorbers[2].name
COUNTS_PER_N = 2.0**23 / (CELL.full_scale_mv_per_v * CELL.newton_per_mv_per_v)


def rig_with(change: Callable[[Setup], Setup] = lambda setup: setup, rig: Rig = RIG) -> VirtualRig:
    """The simulated rig, parked, somebody at the helm, rolls at rest for four seconds."""
    setup = tarnhow(7)
    board = dataclasses.replace(setup.front_end, frame_hz=rig.frame_hz)
    setup = change(dataclasses.replace(setup, front_end=board))
    return VirtualRig(rig, 7, plant=Plant(setup, 7))


def resting(virtual: VirtualRig) -> VirtualRig:
    virtual.advance_for(4.0)
    virtual.ask(TakeHelm(0, HOLDER, "Ada"))
    return virtual


def refused(virtual: VirtualRig) -> str:
    """Code of the refusal; nothing changed, and the rig does not get ready."""
    with pytest.raises(Refused) as caught:
        virtual.ask(ZeroCells(0, HOLDER))
    assert virtual.core.zeros == {}
    if virtual.core.state is State.PARKED:
        virtual.ask(Acknowledge(0, HOLDER))
        with pytest.raises(Refused):
            virtual.ask(MakeReady(0, HOLDER))
        assert virtual.core.state is State.PARKED
    assert caught.value.remedy
    return caught.value.code


def weight_on_the_arm(newtons: float) -> Callable[[Setup], Setup]:
    def change(setup: Setup) -> Setup:
        absorbers = list(setup.absorbers)
        one = absorbers[2]
        absorbers[2] = dataclasses.replace(
            one, zero_counts=one.zero_counts + newtons * COUNTS_PER_N
        )
        return dataclasses.replace(setup, absorbers=tuple(absorbers))

    return change


def test_zeros_at_rest_are_those_of_the_cells_and_the_rig_gets_ready() -> None:
    virtual = resting(rig_with())
    virtual.ask(ZeroCells(0, HOLDER))
    for absorber, true in zip(RIG.absorbers, virtual.plant.setup.absorbers, strict=True):
        off_n = (virtual.core.zeros[absorber.name] - true.zero_counts) / COUNTS_PER_N
        assert abs(off_n) < 1.0, absorber.name
    virtual.ask(Acknowledge(0, HOLDER))
    virtual.ask(MakeReady(0, HOLDER))
    virtual.advance_for(0.5)
    measured = virtual.core.measured
    assert measured is not None
    assert max(abs(one.cell_force.value) for one in measured.absorbers) < 3.0
    assert virtual.core.memory().absorbers[NAME].zero_count == virtual.core.zeros[NAME]


@pytest.mark.parametrize(
    ("kind", "amount", "code"),
    [
        ("saturated", 0.0, "zero-no-reading"),
        ("open-bridge", 0.0, "zero-no-reading"),
        ("off", 0.0, "zero-no-reading"),  # no fresh conversion
        ("stuck", 0.0, "zero-no-reading"),
        ("noisy", 60.0, "zero-not-stable"),
        ("drift", 5.0, "zero-not-stable"),
        ("garbage", 0.0, "zero-not-stable"),
    ],
)
def test_a_bad_cell_is_refused(kind: str, amount: float, code: str) -> None:
    virtual = rig_with()
    virtual.plant.break_it("cell", kind, CELL.converter, amount, after_s=1.0)
    with pytest.raises(Refused, match=NAME):
        resting(virtual).ask(ZeroCells(0, HOLDER))
    assert refused(virtual) == code


def test_two_clean_seconds_are_needed_after_the_converter_was_saturated() -> None:
    virtual = rig_with()
    virtual.plant.break_it("cell", "saturated", CELL.converter, after_s=2.8, for_s=0.2)
    assert refused(resting(virtual)) == "zero-not-ready"
    virtual.advance_for(1.5)
    virtual.ask(ZeroCells(0, HOLDER))
    assert set(virtual.core.zeros) == {one.name for one in RIG.absorbers}


@pytest.mark.parametrize("share", [0.25, 0.8, -0.8])
def test_a_loaded_cell_is_not_zeroed_away(share: float) -> None:
    virtual = resting(rig_with(weight_on_the_arm(share * CELL.capacity_n)))
    assert refused(virtual) == "zero-too-far"


def test_a_cell_a_little_off_its_calibrated_zero_is_accepted() -> None:
    virtual = resting(rig_with(weight_on_the_arm(0.1 * CELL.capacity_n)))
    virtual.ask(ZeroCells(0, HOLDER))
    assert virtual.core.zeros[NAME] / COUNTS_PER_N == pytest.approx(300.0, abs=25.0)


def test_rolls_must_have_rested_for_two_seconds() -> None:
    virtual = rig_with()
    virtual.advance_for(0.5)
    virtual.ask(TakeHelm(0, HOLDER, "Ada"))
    assert refused(virtual) == "speed-not-known"
    virtual.advance_for(1.0)
    assert refused(virtual) == "zero-not-at-rest"
    virtual.advance_for(2.5)
    virtual.ask(ZeroCells(0, HOLDER))


def test_turning_rolls_are_refused() -> None:
    virtual = resting(rig_with())
    virtual.plant.driver.tell(gear=2, brake=0.0, pedal=0.3)
    virtual.advance_for(6.0)
    assert refused(virtual) == "rolls-turning"


def test_a_coil_that_carries_current_is_refused() -> None:
    virtual = rig_with()
    virtual.plant.break_it("absorber", "stuck-on", RIG.absorbers[0].name, 1.5)
    assert refused(resting(virtual)) == "current-on"
