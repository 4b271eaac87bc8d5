"""Reads the columns of a closed run, as any tool would."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy.typing as npt
import pyarrow.parquet as pq

Array = npt.NDArray[Any]


def read_columns(path: Path, names: Sequence[str] | None = None) -> dict[str, Array]:
    """Columns of a run's Parquet file; all of them without `names`."""
    table = pq.read_table(path, columns=None if names is None else list(names))
    return {name: table.column(name).to_numpy() for name in table.column_names}
