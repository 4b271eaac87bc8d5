"""What a job is: data that crosses to a worker process, and what is done with it there.

Each room declares its own kinds (`jobs.py` in it) and imports what is heavy only inside `run`, so
that whoever asks for the work does not load it.
"""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

import msgspec

from daq.errors import DrumlinError
from daq.texts.message import Text

LONG_S = 900.0  # for work that grows with the length of a recording


class Job(msgspec.Struct, frozen=True):
    """Base of every kind of job. One of a kind is done at a time."""

    time_limit_s: ClassVar[float] = 20.0
    niceness: ClassVar[int] = 5
    most_waiting: ClassVar[int] = 8  # beside the one that is done; more are refused
    memory_mb: ClassVar[int] = 0  # 0: a share of the computer's
    # Modules that every job of this kind needs and that start no thread: loaded once for all.
    loads: ClassVar[tuple[str, ...]] = ()

    def place(self) -> Path:
        """A path on the disk that the job writes to, if it writes."""
        return Path()

    def most_bytes(self) -> int:
        """The largest file that it may write; 0: a share of what is free."""
        return 0

    def run(self) -> bytes:
        """The work itself, in the worker. Raises DrumlinError saying why it cannot be done."""
        raise NotImplementedError


class WorkError(DrumlinError):
    """The work could not be done."""


class NoRoom(WorkError):
    """The disk has no room for it."""


class Busy(WorkError):
    """Too much of that kind waits already."""


class Complaint(msgspec.Struct, frozen=True):
    """Why a worker gave up, in place of its answer."""

    problem: Text
    remedy: Text
    code: str = ""
