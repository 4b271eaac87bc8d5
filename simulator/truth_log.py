"""The truth on disk: a JSON line that names the columns, then rows of 64-bit floats.

Data flows: plant -> TruthLog -> file -> `read_truth` -> benches and tests, never over the wire.
"""

from __future__ import annotations

import json
from pathlib import Path
from types import TracebackType

import numpy as np
import numpy.typing as npt

from simulator.plant import Plant


class TruthLog:
    """Writes every `every`-th frame's truth, with the frame's sequence number and device tick."""

    def __init__(self, path: Path, plant: Plant, every: int = 5) -> None:
        self._plant = plant
        self._every = every
        self._left = 1
        self._file = path.open("wb")
        names = ["sequence", "tick", *plant.truth_names]
        head = {
            "columns": names,
            "dtype": "<f8",
            "frame_hz": plant.setup.front_end.frame_hz,
            "every": every,
            "note": "tick counts on without wrapping from the board's start value",
        }
        self._file.write(json.dumps(head).encode() + b"\n")
        self._row = np.empty(len(names), dtype="<f8")

    def frame(self) -> None:
        """Call after each frame."""
        self._left -= 1
        if self._left:
            return
        self._left = self._every
        board = self._plant.front_end
        self._row[0] = board.sequence - 1
        self._row[1] = board.ticks
        self._row[2:] = self._plant.world.truth_row
        self._file.write(self._row.tobytes())

    def close(self) -> None:
        self._file.close()

    def __enter__(self) -> TruthLog:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def read_truth(path: Path) -> tuple[list[str], npt.NDArray[np.float64]]:
    """Column names and one row per logged frame; a torn last row is left out."""
    with path.open("rb") as file:
        head = json.loads(file.readline())
        names: list[str] = head["columns"]
        data = file.read()
    width = 8 * len(names)
    whole = len(data) // width * width
    return names, np.frombuffer(data[:whole], dtype="<f8").reshape(-1, len(names))
