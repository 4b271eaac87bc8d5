"""The one door to compiled code: `jit` compiles a numeric function and keeps its type.

Kernels work in place on preallocated arrays and know nothing of frames, readings or time of day.
The compiled form is cached beside the source, so a second start does not compile again.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

F = TypeVar("F", bound=Callable[..., Any])


def jit(function: F) -> F:
    """Compile a numeric function. IEEE arithmetic is kept exactly (no fast-math rewriting)."""
    return cast(F, numba.njit(cache=True, fastmath=False)(function))
