"""What a worker process may take: whatever it is fed, it goes first and leaves room for the rest.

A recording from elsewhere, or one of many hours, must not cost the loop its memory or the rig its
disk. Called once at the start of a worker, by the worker itself.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import resource
import shutil
import signal
from pathlib import Path

from api.runtime.protection import set_oom_score

MEMORY_SHARE = 0.75  # of the computer's memory; more is refused to the worker, not to the loop
DISK_SHARE = 0.8  # of what is free at the start, for one file
_PR_SET_PDEATHSIG = 1  # of prctl(2)
GOES_FIRST = 1000  # when memory runs out all the same, the kernel ends this process


def apply_limits(folder: Path, niceness: int, memory_mb: int = 0, most_bytes: int = 0) -> None:
    """Bound this process. What a system refuses is left.

    `folder` is on the disk it writes to; `memory_mb`: what it may add to what it has, 0 for its
    share of the computer's; `most_bytes`: of one file, 0 for its share of what is free.
    """
    with contextlib.suppress(OSError):
        os.nice(niceness)
    set_oom_score(GOES_FIRST)
    memory = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    most = int(MEMORY_SHARE * memory)
    if memory_mb:
        most = min(most, _data_bytes() + (memory_mb << 20))
    _limit(resource.RLIMIT_DATA, most)
    with contextlib.suppress(OSError):
        free = int(DISK_SHARE * shutil.disk_usage(folder).free)
        _limit(resource.RLIMIT_FSIZE, min(free, most_bytes) if most_bytes else free)


def end_with_parent() -> None:
    """Have this process killed when the one that it was forked from is gone, however that went."""
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, int(signal.SIGKILL))


def _data_bytes() -> int:
    """Data and stack of this process, as RLIMIT_DATA counts them."""
    with contextlib.suppress(OSError, ValueError, IndexError):
        pages = Path("/proc/self/statm").read_text(encoding="ascii").split()[5]
        return int(pages) * os.sysconf("SC_PAGE_SIZE")
    return 0


def _limit(what: int, most: int) -> None:
    with contextlib.suppress(OSError, ValueError):
        _, hard = resource.getrlimit(what)
        if hard == resource.RLIM_INFINITY or most < hard:
            resource.setrlimit(what, (most, hard))
