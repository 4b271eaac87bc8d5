"""Folders for work in progress inside the data directory, on the disk that has the runs.

They go away with their `with`; what a killed service left behind goes when the next one is made.
"""

from __future__ import annotations

import contextlib
import shutil
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

STALE_S = 2 * 3600.0  # longer than any such work may take


def new_scratch(data: Path, what: str) -> tempfile.TemporaryDirectory[str]:
    """A new folder `what`-XXXX in `data`; older ones of that name are cleared away."""
    for left in data.glob(f"{what}-*"):
        with contextlib.suppress(OSError):
            # File times are labels of the disk; here they only choose what nobody uses any more.
            if time.time() - left.stat().st_mtime > STALE_S:
                shutil.rmtree(left, ignore_errors=True)
    return tempfile.TemporaryDirectory(prefix=f"{what}-", dir=data)


@contextlib.contextmanager
def scratch(data: Path, what: str) -> Iterator[Path]:
    """The same for the length of a `with`."""
    with new_scratch(data, what) as folder:
        yield Path(folder)
