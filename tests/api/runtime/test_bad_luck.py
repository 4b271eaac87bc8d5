"""What befalls a rig's computer under load: its date steps, its disk takes nothing more.

On the real engine with the simulated rig, in virtual time. Each: what the operator reads, what the
load did, what was lost of the recording, and back to ready.
"""

from __future__ import annotations

import asyncio
import errno
import itertools
import os
import threading
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from api.runtime import memory_file, run_file
from api.runtime.memory_file import MemoryWriter, memory_age_s, read_memory, write_memory
from control.core.memory import Memory
from control.telemetry import State
from daq.recording import recorder
from daq.recording.reader import Recording
from daq.recording.recorder import RecordKind
from tests.api.runtime.test_engine import Stand, repr_text
from tests.api.stepped import YEAR_S, WallClock

RUN_ID = "20260101-000000-test"
FRAMES_A_SECOND = 500


@pytest.fixture
async def stand(tmp_path: Path) -> AsyncIterator[Stand]:
    stand = Stand(tmp_path)
    yield stand
    stand.engine.close()


def active(stand: Stand) -> set[str]:
    return {fault.code for fault in stand.engine.telemetry().faults if fault.active}


async def until(stand: Stand, reached: Callable[[], bool]) -> None:
    """Let virtual time pass, and the threads of the disk have some of the real one."""
    for _ in range(600):
        if reached():
            return
        await stand.run(0.1)
        await asyncio.sleep(0.005)
    raise AssertionError(f"{stand.engine.core.state}, {active(stand)}")


async def off_along_the_ramp(stand: Stand) -> None:
    """The load goes by easing, no trip, and no coil loses it at a stroke."""
    await until(stand, lambda: stand.engine.core.state is not State.LOADED)
    assert stand.engine.core.state is State.EASING
    before = [each.set_point_a for each in stand.engine.telemetry().absorbers]
    await stand.run(0.2)
    after = [each.set_point_a for each in stand.engine.telemetry().absorbers]
    most = stand.engine.rig.absorbers[0].max_current_a / stand.engine.rig.limits.ease_off_s
    assert all(was - is_now <= 0.25 * most for was, is_now in zip(before, after, strict=True))
    await until(stand, lambda: stand.engine.unloaded)
    assert stand.engine.core.state is not State.TRIPPED


def frames_of(data: Path) -> list[int]:
    """Host times of the frames that the run's recording holds, ns."""
    raw = data / "runs" / RUN_ID / "raw.drm"
    return [each.host_ns for each in Recording(raw) if each.kind == RecordKind.RX]


# ---- the date


async def test_a_year_ahead_and_a_year_back_during_a_hold_are_not_noticed(
    stand: Stand, monkeypatch: pytest.MonkeyPatch
) -> None:
    wall = WallClock(monkeypatch)
    await stand.loaded(RUN_ID)
    await stand.settle(RUN_ID)
    before = len(stand.events)
    for wall.off_s in (YEAR_S, -YEAR_S, 0.0):
        stand.engine._calibration_due_s = 0.0  # the hourly look at the date falls into this time
        await stand.run(1.5)
        assert stand.engine.core.state is State.LOADED
        assert stand.engine.telemetry().helm.holder
        assert active(stand) <= {"wheels-unlearned"}
    assert [event.text for event in stand.events[before:] if event.kind != "notice"] == []
    stand.engine.ease_off()
    await until(stand, lambda: any(event.kind == "run-ended" for event in stand.events))
    times = frames_of(stand.data)
    steps = [later - earlier for earlier, later in itertools.pairwise(times[1:])]
    assert max(steps) < 1.5e9 / FRAMES_A_SECOND, "no frame is missing, and none has another time"


def test_rotors_cool_by_the_time_that_passed_not_by_the_date(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A loop that restarts within a year's step would take hot rotors for cold."""
    wall = WallClock(monkeypatch)
    now_s = [5000.0]
    monkeypatch.setattr(memory_file, "uptime_s", lambda: now_s[0])
    write_memory(tmp_path / "memory.json", Memory(session=3))
    for wall.off_s in (YEAR_S, -YEAR_S, 0.0):
        now_s[0] += 20.0
        assert memory_age_s(tmp_path) == pytest.approx(now_s[0] - 5000.0)
    monkeypatch.setattr(memory_file, "boot_id", lambda: "another")
    wall.off_s = 3600.0  # switched off meanwhile: the date is all there is
    assert memory_age_s(tmp_path) == pytest.approx(3600.0, abs=60.0)
    wall.off_s = -YEAR_S
    assert memory_age_s(tmp_path) == 0.0
    assert read_memory(tmp_path / "memory.json") is not None


# ---- the disk


class Disk:
    """A disk that from some moment on takes nothing: full of files, or made read-only."""

    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        self.refuses = 0
        self._open, self._pwrite, self._builtin = os.open, os.pwrite, open
        self._statvfs, self._replace = os.statvfs, os.replace
        self.files_free = 10_000
        patch.setattr(recorder.os, "open", self.open)
        patch.setattr(recorder.os, "pwrite", self.pwrite)
        patch.setattr(run_file.os, "statvfs", self.statvfs)
        patch.setattr(memory_file, "open", self.open_file, raising=False)

    def _check(self, makes: bool) -> None:
        if self.refuses and (makes or self.refuses == errno.EROFS):
            raise OSError(self.refuses, os.strerror(self.refuses))

    def open(self, path: Any, way: int, *more: Any, **named: Any) -> int:
        if way & (os.O_CREAT | os.O_TMPFILE & ~os.O_DIRECTORY):
            self._check(makes=True)
        return self._open(path, way, *more, **named)

    def open_file(self, path: Any, mode: str) -> Any:
        self._check(makes=True)
        return self._builtin(path, mode)

    def pwrite(self, *arguments: Any) -> int:
        self._check(makes=False)
        return self._pwrite(*arguments)

    def statvfs(self, path: Any) -> Any:
        told = self._statvfs(path)
        return SimpleNamespace(
            f_bavail=told.f_bavail, f_frsize=told.f_frsize, f_files=10_000,
            f_favail=0 if self.refuses == errno.ENOSPC else self.files_free,
        )  # fmt: skip


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> Disk:
    return Disk(monkeypatch)


async def test_a_disk_made_read_only_under_load(stand: Stand, disk: Disk) -> None:
    await stand.loaded(RUN_ID)
    await stand.settle(RUN_ID)
    await asyncio.sleep(0.6)  # what was recorded until now is on the disk by then
    began_ns = int(stand.clock() * 1e9)
    disk.refuses = errno.EROFS
    await off_along_the_ramp(stand)
    told = [event for event in stand.events if event.data.get("code") == "recorder-failed"]
    assert "Read-only" in repr_text(told)
    await until(stand, lambda: "memory-failed" in active(stand))
    while stand.engine._files._thread._work_queue.qsize():  # the last tries to end the file
        await asyncio.sleep(0.01)
    await asyncio.sleep(1.2)
    await until(stand, lambda: "recorder-failed" in active(stand))
    disk.refuses = 0
    await until(stand, lambda: not active(stand) & {"recorder-failed", "memory-failed"})
    assert began_ns - max(frames_of(stand.data)) < 1e9, "at most a second is lost"
    assert stand.engine.core.state is State.READY


async def test_a_disk_without_room_for_another_file(stand: Stand, disk: Disk) -> None:
    await stand.loaded(RUN_ID)
    await stand.settle(RUN_ID)
    disk.refuses = errno.ENOSPC
    await until(stand, lambda: {"disk-low", "memory-failed"} <= active(stand))
    assert stand.engine.core.state is State.LOADED, "its recording has its file"
    told = " ".join(str(fault.text) for fault in stand.engine.telemetry().faults)
    assert "room for 0 more files" in told
    stand.engine.ease_off()
    await until(stand, lambda: any(event.kind == "run-ended" for event in stand.events))
    disk.refuses = 0
    await until(stand, lambda: not active(stand) & {"disk-low", "memory-failed"})
    times = frames_of(stand.data)
    assert max(b - a for a, b in itertools.pairwise(times[1:])) < 1.5e9 / 500


def test_a_trip_that_could_not_be_written_is_written_once_it_can(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing else changes on a rig that stands; a restart must find it tripped all the same."""
    monkeypatch.setattr(memory_file, "RETRY_S", 0.01)
    path = tmp_path / "later" / "memory.json"
    writer = MemoryWriter(path)
    writer.save(Memory(session=7, loaded=True))
    tried = threading.Event()
    while not writer.failures:
        tried.wait(0.005)
    assert writer.failure
    path.parent.mkdir()
    while writer.failure:
        tried.wait(0.005)
    found = read_memory(path)
    assert found is not None
    assert (found.session, found.loaded) == (7, True)
    writer.close()


def test_links_in_the_data_directory_are_not_written_through(tmp_path: Path) -> None:
    """Somebody else's, to a file that they may not write themselves."""
    victim = tmp_path / "victim"
    victim.write_text("precious")
    data = tmp_path / "data"
    data.mkdir()
    for name in ("memory.new", "memory.json"):
        (data / name).symlink_to(victim)
    write_memory(data / "memory.json", Memory(session=9))
    assert victim.read_text() == "precious"
    found = read_memory(data / "memory.json")
    assert found is not None
    assert found.session == 9
