"""What a worker process may take: whatever it is fed, it goes first and leaves room for the rest.

A recording from elsewhere, or one of many hours, must not cost the loop its memory or the rig its
disk. Called once at the start of a worker, by the worker itself.
"""

from __future__ import annotations

import contextlib
import os
import resource
import shutil
from pathlib import Path

MEMORY_SHARE = 0.75  # of the computer's memory; more is refused to the worker, not to the loop
DISK_SHARE = 0.8  # of what is free at the start, for one file
GOES_FIRST = "1000"  # when memory runs out all the same, the kernel ends this process


def apply_limits(folder: Path, niceness: int) -> None:
    """Bound this process. `folder` is on the disk it writes to. What a system refuses is left."""
    with contextlib.suppress(OSError):
        os.nice(niceness)
    with contextlib.suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text(GOES_FIRST, encoding="ascii")
    memory = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    _limit(resource.RLIMIT_DATA, int(MEMORY_SHARE * memory))
    with contextlib.suppress(OSError):
        _limit(resource.RLIMIT_FSIZE, int(DISK_SHARE * shutil.disk_usage(folder).free))


def _limit(what: int, most: int) -> None:
    with contextlib.suppress(OSError, ValueError):
        _, hard = resource.getrlimit(what)
        if hard == resource.RLIM_INFINITY or most < hard:
            resource.setrlimit(what, (most, hard))
