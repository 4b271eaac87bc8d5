"""What the core must not forget, kept in `memory.json`: written whole or not at all.

Data flows: the loop process hands over `Core.memory()` whenever it changes; a thread of its own
writes it (new file, flushed to the disk, renamed over the old one); the next start reads it.
"""

from __future__ import annotations

import os
import threading
from pathlib import Path

import msgspec

from api.folders import MEMORY_NAME
from api.runtime.host_clock import boot_id, uptime_s
from control.core.memory import MEMORY_SCHEMA, Memory
from daq import wall_clock
from daq.errors import DrumlinError
from daq.texts.message import say

RETRY_S = 1.0  # after a write that failed


def read_memory(path: Path) -> Memory | None:
    """The memory, or None on a rig's first start.

    Raises DrumlinError when the file cannot be understood: a latched trip must not be lost by
    starting over silently.
    """
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise DrumlinError(
            say("rig-memory-cannot-be-read", path=path, why=error.strerror), say("mend-its-rights")
        ) from None
    try:
        memory = msgspec.json.decode(data, type=Memory)
    except msgspec.DecodeError as error:
        raise DrumlinError(
            say("rig-memory-damaged", path=path, error=error),
            say("may-hold-latched-trip-check-rig"),
        ) from None
    if memory.schema > MEMORY_SCHEMA:
        raise DrumlinError(
            say("rig-memory-was-written-by-newer", path=path),
            say("use-version-or-move-file-away"),
        )
    return memory


class _Written(msgspec.Struct, frozen=True):
    """When a memory was written, by a clock that nobody steps."""

    boot: str = ""
    uptime_s: float = 0.0


class _Kept(Memory, frozen=True):
    """The file."""

    written: _Written = _Written()


class _When(msgspec.Struct, frozen=True):
    """Of the file, only this."""

    written: _Written = _Written()


def memory_age_s(data: Path) -> float:
    """Seconds since the memory was written; 0 when that cannot be known.

    By the uptime while the computer stays on, whatever happens to its date; else by the date. Only
    cooling while switched off goes by it; control.thermal.rotor_observer does not fully believe it.
    """
    path = data / MEMORY_NAME
    try:
        written = msgspec.json.decode(path.read_bytes(), type=_When).written
        if written.boot and written.boot == boot_id():
            return max(0.0, uptime_s() - written.uptime_s)
        return max(0.0, 1e-9 * (wall_clock.unix_ns() - path.stat().st_mtime_ns))
    except (OSError, msgspec.DecodeError):
        return 0.0


def write_memory(path: Path, memory: Memory) -> None:
    """Replace the file; a crash at any moment leaves the old or the new one. Raises OSError."""
    kept = _Kept(**msgspec.structs.asdict(memory), written=_Written(boot_id(), uptime_s()))
    data = msgspec.json.format(msgspec.json.encode(kept), indent=1)
    beside = path.with_suffix(".new")
    beside.unlink(missing_ok=True)  # a link put there would have what it points to overwritten
    with open(beside, "xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    os.replace(beside, path)
    directory = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(directory)
    finally:
        os.close(directory)


class MemoryWriter:
    """Writes the newest memory on a thread of its own; `save` returns at once."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._condition = threading.Condition()
        self._next: Memory | None = None
        self._ending = False
        self.failures = 0
        self.failure = ""
        self._thread = threading.Thread(target=self._run, name="memory writer", daemon=True)
        self._thread.start()

    def save(self, memory: Memory) -> None:
        """Have this memory written; one still waiting is replaced."""
        with self._condition:
            self._next = memory
            self._condition.notify()

    def close(self) -> None:
        """Write what waits and end the thread."""
        with self._condition:
            self._ending = True
            self._condition.notify()
        self._thread.join(timeout=10.0)

    def _again(self, memory: Memory) -> None:
        """A latched trip must reach the disk once that takes it, though nothing else changes."""
        with self._condition:
            if not self._ending and self._next is None:
                self._condition.wait(RETRY_S)
            if not self._ending and self._next is None:
                self._next = memory

    def _run(self) -> None:
        while True:
            with self._condition:
                while self._next is None and not self._ending:
                    self._condition.wait()
                memory, self._next = self._next, None
            if memory is None:
                return
            try:
                write_memory(self._path, memory)
            except OSError as error:
                self.failures += 1
                self.failure = error.strerror or str(error)
                self._again(memory)
            else:
                self.failure = ""
