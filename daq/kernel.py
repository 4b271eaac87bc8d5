"""The one door to compiled code: `jit` compiles a numeric function and keeps its type.

Kernels work in place on preallocated arrays and know nothing of frames, readings or time of day.
The compiled form is cached beside the source, so a second start does not compile again.
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
    """Compile a numeric function. IEEE arithmetic is kept exactly (no fast-math rewriting)."""
    return cast(F, numba.njit(cache=True, fastmath=False)(function))


def refresh_cache(source: str, *depends_on: str) -> None:
    """Make the cache of the module file `source` notice changes in modules it compiles in.

    The compiler stamps a cached function with its own file only; a change in a helper from another
    file would go unseen. A tree that cannot be written is left as it is.
    """
    with contextlib.suppress(OSError):
        newest = max(Path(path).stat().st_mtime for path in depends_on)
        if newest > Path(source).stat().st_mtime:
            os.utime(source, (newest, newest))
