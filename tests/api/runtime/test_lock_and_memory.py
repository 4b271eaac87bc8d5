"""One set of processes per data directory, and a memory that survives a crash at any moment."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from api.launch.lock import DataLock
from api.runtime.memory_file import MemoryWriter, read_memory, write_memory
from control.core.memory import AbsorberMemory, Memory
from control.safety.faults import TripLatch
from daq.errors import DrumlinError

TRIPPED = Memory(
    session=7,
    trip=TripLatch("link-lost", "The front end is silent.", "Check the cable.", 12.5),
    loaded=True,
    absorbers={"front-left": AbsorberMemory(zero_count=123.0)},
)


def test_a_second_start_is_told_who_holds_the_data_directory(tmp_path: Path) -> None:
    with (
        DataLock(tmp_path),
        pytest.raises(DrumlinError, match=r"already runs .*process \d+"),
        DataLock(tmp_path),
    ):
        pass


def test_the_lock_ends_with_its_holder_even_when_that_one_is_killed(tmp_path: Path) -> None:
    code = (
        "import os, pathlib, signal, sys; from api.launch.lock import DataLock\n"
        "DataLock(pathlib.Path(sys.argv[1])).__enter__(); os.kill(os.getpid(), signal.SIGKILL)"
    )
    subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=False, timeout=300)
    with DataLock(tmp_path):
        pass


def test_a_data_directory_that_cannot_be_made_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(DrumlinError, match="cannot be used"), DataLock(tmp_path / "file" / "data"):
        pass


def test_the_memory_comes_back_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "memory.json"
    assert read_memory(path) is None
    writer = MemoryWriter(path)
    for session in range(50):
        writer.save(Memory(session=session))
    writer.save(TRIPPED)
    writer.close()
    assert read_memory(path) == TRIPPED
    assert sorted(file.name for file in tmp_path.iterdir()) == ["memory.json"]


@pytest.mark.parametrize("damage", [b"", b"{", b"[]", b'{"session": "x"}', b"\xff\xfe"])
def test_a_damaged_memory_is_not_taken_for_a_first_start(tmp_path: Path, damage: bytes) -> None:
    path = tmp_path / "memory.json"
    path.write_bytes(damage)
    with pytest.raises(DrumlinError, match="damaged"):
        read_memory(path)


def test_a_crash_while_writing_leaves_the_old_memory(tmp_path: Path) -> None:
    path = tmp_path / "memory.json"
    write_memory(path, TRIPPED)
    path.with_suffix(".new").write_bytes(b'{"session": 8, "tr')  # cut by a power failure
    assert read_memory(path) == TRIPPED
    write_memory(path, Memory(session=9))
    assert read_memory(path) == Memory(session=9)


def test_a_memory_of_a_newer_version_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "memory.json"
    path.write_bytes(b'{"schema": 99}')
    with pytest.raises(DrumlinError, match="newer version"):
        read_memory(path)


def test_a_full_or_missing_disk_is_counted_and_the_loop_goes_on(tmp_path: Path) -> None:
    writer = MemoryWriter(tmp_path / "gone" / "memory.json")
    writer.save(TRIPPED)
    writer.close()
    assert writer.failures == 1
    assert writer.failure
