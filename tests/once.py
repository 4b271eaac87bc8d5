"""What many tests look at and none changes is made once, for all workers of a test run."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Callable
from pathlib import Path

import pytest


def once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], object]) -> Path:
    """The folder `name`, filled by `make` by whoever asks first; the others wait for it."""
    base = factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        base = base.parent  # shared by the workers, and cleared away by pytest
    folder = base / name
    with (base / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not folder.exists():
            making = factory.mktemp(name)
            make(making)
            making.rename(folder)
    return folder
