"""Room on the data's disk for work in progress: reserved when it is asked for, not when it writes.

Data flow: size that some work may come to -> `DiskBudget.reserve` -> room for the length of a
`with`, or NoRoom. What several works may still write together never reaches below what a running
test needs.
"""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Iterator
from pathlib import Path

from api.jobs.job import NoRoom
from daq.texts.message import Text, say

LEAST_MB = 300.0  # above where the loop ends a running test (api.runtime.run_file), and then some


class DiskBudget:
    """The room of one data directory; sizes in MB (1e6 bytes)."""

    def __init__(self, data: Path, min_free_mb: float) -> None:
        self._data = data
        self._floor_mb = max(min_free_mb, LEAST_MB)
        self.reserved_mb = 0.0

    def free_mb(self) -> float:
        """What the disk has free. Raises OSError when it does not answer."""
        return shutil.disk_usage(self._data).free / 1e6

    def has(self, size_mb: float) -> bool:
        """Whether so much may be written beside what is reserved already."""
        try:
            return self.free_mb() - self.reserved_mb - size_mb >= self._floor_mb
        except OSError:
            return False

    @contextlib.contextmanager
    def reserve(self, size_mb: float, remedy: Text) -> Iterator[None]:
        """Room for so much. Raises NoRoom with that remedy."""
        if not self.has(size_mb):
            raise NoRoom(
                say("takes-up-mb-for-while-so", size_mb=size_mb, floor_mb=self._floor_mb),
                remedy,
            )
        self.reserved_mb += size_mb
        try:
            yield
        finally:
            self.reserved_mb -= size_mb
