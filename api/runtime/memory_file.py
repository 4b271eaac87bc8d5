"""What the core must not forget, kept in `memory.json`: written whole or not at all.

Data flows: the loop process hands over `Core.memory()` whenever it changes; a thread of its own
writes it (new file, flushed to the disk, renamed over the old one); the next start reads it.
"""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path

import msgspec

from api.folders import MEMORY_NAME
from control.core.memory import MEMORY_SCHEMA, Memory
from daq.errors import DrumlinError
from daq.texts.message import say


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


def memory_age_s(data: Path) -> float:
    """Seconds since the memory was written, by the computer's clock; 0 when it cannot be right.

    Only cooling while switched off goes by it; control.thermal.rotor_observer does not fully
    believe it.
    """
    try:
        return max(0.0, time.time() - (data / MEMORY_NAME).stat().st_mtime)
    except OSError:
        return 0.0


def write_memory(path: Path, memory: Memory) -> None:
    """Replace the file; a crash at any moment leaves the old or the new one. Raises OSError."""
    data = msgspec.json.format(msgspec.json.encode(memory), indent=1)
    beside = path.with_suffix(".new")
    with open(beside, "wb") as file:
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
            else:
                self.failure = ""
