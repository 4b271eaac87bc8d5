"""What keeps a test from starting: zeros, calibration, cautions, vehicle, memory."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import date
from pathlib import Path

import msgspec
import pytest

from api.runtime.calibration_due import calibration_problem
from control.core.commands import Acknowledge, MakeReady, StartTest
from control.telemetry import State
from daq.rig.description import Rig, load_rig
from tests.api.runtime.test_engine import Stand as EngineStand
from tests.control.control_stand import HOLD_20, HOLDER, Stand

RIG = Path(__file__).parents[3] / "rigs" / "tarnhow.toml"
TODAY = date(2026, 11, 25)


def calibrated(on: str, days: float = 365.0) -> Rig:
    """The demo rig with another date on its third cell."""
    rig = load_rig(RIG)
    absorbers = list(rig.absorbers)
    cell = msgspec.structs.replace(absorbers[2].cell, calibrated_on=on)
    absorbers[2] = msgspec.structs.replace(absorbers[2], cell=cell)
    limits = msgspec.structs.replace(rig.limits, calibration_days=days)
    return msgspec.structs.replace(rig, absorbers=tuple(absorbers), limits=limits)


@pytest.mark.parametrize(
    ("on", "said"),
    [
        ("2026-10-05", ""),
        ("2025-11-25", ""),
        ("2025-11-24", "366 days ago"),
        ("", "empty"),
        ("last summer", "no date"),
        ("2026-11-26", ""),
        ("2026-11-27", "future"),
    ],
)
def test_a_calibration_holds_for_its_days_and_not_one_longer(on: str, said: str) -> None:
    problem = calibration_problem(calibrated(on), TODAY)
    if said:
        assert said in problem
        assert problem.startswith("rear-left")
    else:
        assert problem == ""


def test_a_rig_may_leave_the_date_to_others() -> None:
    assert calibration_problem(calibrated("1999-01-01", days=0.0), TODAY) == ""


@pytest.mark.parametrize("code", ["calibration-due", "memory-failed", "service-gone"])
def test_what_is_told_from_outside_keeps_a_rig_from_getting_ready_but_never_unloads_it(
    code: str,
) -> None:
    stand = Stand().at_helm()
    stand.core.outside(code, True, "told")
    stand.frame()
    assert stand.ask(MakeReady(0, HOLDER)).code == code
    loaded = Stand().loaded()
    loaded.core.outside(code, True, "told")
    loaded.frames(0.5)
    assert loaded.core.state is State.LOADED


def test_a_test_of_another_vehicle_than_the_one_acknowledged_is_refused() -> None:
    stand = Stand().ready()
    assert stand.ask(Acknowledge(0, HOLDER, "grey van")).accepted
    assert stand.core.telemetry().vehicle == "grey van"  # people see which one it is
    for vehicle in ("red truck", ""):
        answer = stand.ask(StartTest(0, HOLDER, "run", HOLD_20, vehicle))
        assert answer.code == "wrong-vehicle"
        assert "grey van" in str(answer.reason)
        assert stand.core.state is State.READY
    stand.speeds = [19.5, 19.5]
    stand.frames(0.2)
    assert stand.ask(StartTest(0, HOLDER, "run", HOLD_20, "grey van")).accepted


def in_the_way(place: Path) -> bool:
    """A folder where the next writing wants its file; not while a writing is under way."""
    try:
        place.mkdir()
    except FileExistsError:
        return False
    return True


async def until(reached: Callable[[], bool]) -> None:
    """Wait in real time for the thread that writes."""
    while not reached():
        await asyncio.sleep(0.01)


class Reader:
    """A connected service that takes whatever it is offered."""

    def offer_telemetry(self, packed: bytes) -> None: ...


async def test_the_loop_tells_the_core_what_only_it_can_see(tmp_path: Path) -> None:
    stand = EngineStand(tmp_path)
    stand.engine.rig = calibrated("2020-01-01")
    stand.engine.tick()
    await stand.run(1.1)

    def codes() -> set[str]:
        return {view.code for view in stand.engine.core.telemetry().faults if view.active}

    assert codes() == {"calibration-due"}, "nobody has read yet, so nobody is missed"
    stand.server._clients.add(Reader())  # type: ignore[arg-type]
    await stand.run(1.1)
    stand.server._clients.clear()
    await until(lambda: in_the_way(tmp_path / "memory.new"))
    stand.engine._save_memory(0.0)
    stand.engine._memory.save(stand.engine.core.memory())
    await until(lambda: bool(stand.engine._memory.failure))
    await stand.run(1.1)
    assert codes() == {"calibration-due", "service-gone", "memory-failed"}
    (tmp_path / "memory.new").rmdir()
    stand.engine._memory.save(stand.engine.core.memory())
    await until(lambda: not stand.engine._memory.failure)
    await stand.run(1.1)
    assert codes() == {"calibration-due", "service-gone"}
    stand.engine.close()


async def test_a_memory_that_can_be_written_again_is_no_fault_any_more(tmp_path: Path) -> None:
    stand = EngineStand(tmp_path)
    await until(lambda: in_the_way(tmp_path / "memory.new"))
    stand.engine._memory.save(stand.engine.core.memory())
    await until(lambda: bool(stand.engine._memory.failure))
    (tmp_path / "memory.new").rmdir()
    stand.engine._memory.save(stand.engine.core.memory())
    await until(lambda: not stand.engine._memory.failure)
    stand.engine.close()


def test_wheels_nobody_has_learned_are_told_before_any_test() -> None:
    stand = Stand().ready()
    told = [one for one in stand.events if one.data.get("code") == "wheels-unlearned"]
    assert told
    assert not [one for one in stand.events if one.kind == "run-started"]
    assert "front" in str(told[0].data["roll_sets"])
