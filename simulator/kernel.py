"""The compiler wrapper of the simulator: typed for the checker, cached on disk, exact arithmetic.

Compiled functions live in `physics` and `frame_step`; their constants in `layout`.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar, cast

import numba

F = TypeVar("F", bound=Callable[..., Any])


def jit(function: F) -> F:
    """The function, compiled at its first call and cached beside the source."""
    return cast(F, numba.njit(cache=True, fastmath=False)(function))


def refresh_cache(source: str, *depends_on: str) -> None:
    """Make the on-disk cache of `source` notice changes in modules whose code it inlines.

    The compiler stamps a cached function with the time of its own file only, so a change in an
    inlined helper would go unseen. Paths are module files; a read-only tree is left as it is.
    """
    with contextlib.suppress(OSError):
        newest = max(Path(path).stat().st_mtime for path in depends_on)
        if newest > Path(source).stat().st_mtime:
            os.utime(source, (newest, newest))
