"""One rig, one set of processes: a lock file in the data directory that ends with its holder.

The lock is the kernel's (flock), so a killed process never leaves one behind; the file only
tells a person who holds it.
"""

from __future__ import annotations

import fcntl
import os
from pathlib import Path
from types import TracebackType

from daq.errors import DrumlinError

LOCK_NAME = "drumlin.lock"


class DataLock:
    """`with DataLock(directory): ...`. Raises DrumlinError when somebody else holds it."""

    def __init__(self, directory: Path) -> None:
        self._path = directory / LOCK_NAME
        self._number: int | None = None

    def __enter__(self) -> DataLock:
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            way = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC
            number = os.open(self._path, way, 0o600)
        except OSError as error:
            raise DrumlinError(
                f"The data directory {self._path.parent} cannot be used: {error.strerror}.",
                "Choose another with --data, or mend its rights.",
            ) from None
        try:
            fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            holder = os.read(number, 200).decode(errors="replace").strip() or "another process"
            os.close(number)
            raise DrumlinError(
                f"Drumlin already runs on the data directory {self._path.parent} ({holder}).",
                "End that one first, or start this one with another --data directory.",
            ) from None
        os.ftruncate(number, 0)
        os.write(number, f"process {os.getpid()}\n".encode())
        self._number = number
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._number is not None:
            os.close(self._number)  # releases the lock
            self._number = None
