"""Folders for work in progress inside the data directory, on the disk that has the runs.

They go away with their `with`; what a killed service left behind goes when the next one is made.
Who works in a folder holds a lock on it, which ends with the process: neither age nor date says
that nobody needs it any more.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import shutil
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path

# A folder that was made and is not held yet must not be taken for one that was left.
_making = threading.Lock()


class Scratch:
    """A folder `what`-XXXX in `data` until `cleanup`. Raises OSError."""

    def __init__(self, data: Path, what: str) -> None:
        with _making:
            _clear(data, what)
            self._folder = tempfile.TemporaryDirectory(prefix=f"{what}-", dir=data)
            self.name = self._folder.name
            try:
                self._lock = _locked(Path(self.name))
            except BaseException:
                self._folder.cleanup()
                raise

    def cleanup(self) -> None:
        """Remove the folder and what is in it; harmless when it was done before."""
        self._folder.cleanup()
        if self._lock >= 0:
            os.close(self._lock)
            self._lock = -1


@contextlib.contextmanager
def scratch(data: Path, what: str) -> Iterator[Path]:
    """The same for the length of a `with`."""
    made = Scratch(data, what)
    try:
        yield Path(made.name)
    finally:
        made.cleanup()


def _clear(data: Path, what: str) -> None:
    """Remove the folders that nobody works in."""
    for left in data.glob(f"{what}-*"):
        with contextlib.suppress(OSError):  # somebody's, or no folder
            lock = _locked(left)
            try:
                shutil.rmtree(left, ignore_errors=True)
            finally:
                os.close(lock)


def _locked(folder: Path) -> int:
    """A descriptor that holds the folder. Raises OSError when somebody else does."""
    number = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
    try:
        fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(number)
        raise
    return number
