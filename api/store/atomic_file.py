"""Files that are there whole or not at all, whatever happens while they are written."""

from __future__ import annotations

import os
from pathlib import Path


def atomic_write(path: Path, body: bytes) -> None:
    """Replace the file; a crash at any moment leaves the old or the new one. Raises OSError."""
    part = path.with_name(path.name + ".part")
    try:
        part.unlink(missing_ok=True)  # a link put there would have what it points to overwritten
        with part.open("xb") as file:
            file.write(body)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
