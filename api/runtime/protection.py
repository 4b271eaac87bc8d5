"""What keeps a process when the computer runs out of memory, as far as the system lets it.

Data flow: supervisor -> `set_oom_score` of a child; loop -> `lock_pages`; `protection` -> health.
Lowering a score and locking pages need rights (docs/operating.md); it works without, and says so.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import resource
from pathlib import Path

import msgspec

KEPT = -500  # of loop and supervisor: the kernel ends almost everything else first
_CURRENT, _FUTURE, _ON_FAULT = 1, 2, 4  # MCL_* of mlockall(2)


class Protection(msgspec.Struct, frozen=True):
    """How a process stands; null where that cannot be read."""

    oom_score_adj: int | None  # below 0: others are ended before it
    locked_mb: float | None  # of its memory, never written to a swap disk


def set_oom_score(score: int, pid: int | None = None) -> None:
    """Say how soon the kernel shall end a process; more than the system lets is left."""
    with contextlib.suppress(OSError):
        Path(f"/proc/{pid or 'self'}/oom_score_adj").write_text(str(score), encoding="ascii")


def lock_pages() -> bool:
    """Keep this process's pages in memory from now on. False: not allowed.

    Not tried under a limit: what is mapped beyond it later would be refused.
    """
    unlimited = resource.getrlimit(resource.RLIMIT_MEMLOCK)[0] == resource.RLIM_INFINITY
    if not unlimited and os.geteuid() != 0:
        return False
    return int(ctypes.CDLL(None).mlockall(_CURRENT | _FUTURE | _ON_FAULT)) == 0


def protection(pid: int) -> Protection:
    """What the system says of a process."""
    folder = Path(f"/proc/{pid}")
    score: int | None = None
    locked_mb: float | None = None
    with contextlib.suppress(OSError, ValueError):
        score = int((folder / "oom_score_adj").read_text(encoding="ascii"))
    with contextlib.suppress(OSError, ValueError, StopIteration):
        lines = (folder / "status").read_text(encoding="utf-8").splitlines()
        locked_mb = next(int(one.split()[1]) for one in lines if one.startswith("VmLck:")) / 1024.0
    return Protection(score, locked_mb)
