"""The one door to compiled code: `jit` compiles a numeric function and keeps its type.

Kernels work in place on preallocated arrays and know nothing of frames, readings or time of day.
The compiled form is cached beside the source, so a second start does not compile again.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar, cast

import numba

F = TypeVar("F", bound=Callable[..., Any])


def jit(function: F) -> F:
    """Compile a numeric function. IEEE arithmetic is kept exactly (no fast-math rewriting)."""
    return cast(F, numba.njit(cache=True, fastmath=False)(function))


def bound(function: F, *arguments: Any) -> F:
    """The compiled form for arguments of these types, for calls with them alone.

    It does not look the types up at each call, which costs more than a small kernel. Compiles, or
    loads from the cache, at once.
    """
    type_of = cast(Any, numba).typeof
    return cast(F, cast(Any, function).compile(tuple(type_of(one) for one in arguments)))


def refresh_cache(source: str, *depends_on: str) -> None:
    """Drop the cached kernels of the module file `source` when modules it compiles in have changed.

    The compiler stamps a cached function with the contents of its own file only; a change in a
    helper from another file would go unseen. Call it before the first `jit` of the module. A tree
    that cannot be written is left as it is.
    """
    path = Path(source)
    cache = path.parent / "__pycache__"
    note = cache / f"{path.stem}.kernel-sources"
    with contextlib.suppress(OSError):
        digest = hashlib.sha256()
        for helper in depends_on:
            digest.update(Path(helper).read_bytes())
        if note.exists() and note.read_text(encoding="ascii") == digest.hexdigest():
            return
        for index in cache.glob(f"{path.stem}.*.nbi"):
            index.unlink(missing_ok=True)
        cache.mkdir(exist_ok=True)
        note.write_text(digest.hexdigest(), encoding="ascii")
