"""The compiler wrapper of the simulator: typed for the checker, cached on disk, exact arithmetic.

Compiled functions live in `physics`, `truck` and `frame_step` of the rig and truck, their constants
in `layout`; and in `sample_bytes` of the front end.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar, cast

import numba

F = TypeVar("F", bound=Callable[..., Any])

_HERE = Path(__file__).parent
_SOURCES = (
    "kernel.py",
    *(f"rig_and_truck/{name}.py" for name in ("layout", "physics", "truck", "frame_step")),
    "front_end/sample_bytes.py",
)


def _cache_directory() -> str:
    """A cache of its own for each state of the sources.

    The compiler stamps a cached function with its own file only, so a change in a constant or a
    helper that it inlines would go unseen.
    """
    digest = hashlib.sha256(b"".join((_HERE / name).read_bytes() for name in _SOURCES))
    return str(_HERE / "__pycache__" / f"compiled-{digest.hexdigest()[:16]}")


_CACHE = _cache_directory()


def jit(function: F) -> F:
    """The function, compiled at its first call and cached beside the source."""
    config: Any = numba.config  # its settings are made at run time
    given = config.CACHE_DIR
    config.CACHE_DIR = given or _CACHE
    try:
        return cast(F, numba.njit(cache=True, fastmath=False)(function))
    finally:
        config.CACHE_DIR = given


def bound(function: F, *arguments: Any) -> F:
    """The compiled form for arguments of these types alone, which need not be looked up then."""
    dispatcher: Any = function
    types: Any = numba
    return cast(F, dispatcher.compile(tuple(types.typeof(one) for one in arguments)))
