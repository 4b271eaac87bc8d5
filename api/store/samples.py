"""Samples of a closed run for plotting: each column reduced to the least and greatest per bin.

Data flows: run.parquet -> the asked columns only -> min/max per bin of equal time -> JSON. A peak
of one frame stays visible however wide the bins. Everything here blocks: call it in a thread.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from api.folders import PARQUET_NAME
from daq.errors import Refused, StoreError
from daq.texts.message import say

TIME_COLUMN = "time_s"
MAX_BINS = 5000
MAX_COLUMNS = 40

Floats = npt.NDArray[np.float64]


class Series(msgspec.Struct, frozen=True):
    """One column; null where a bin holds no value."""

    unit: str
    least: list[float | None]
    greatest: list[float | None]


class Samples(msgspec.Struct, frozen=True):
    """`time_s` is the start of each bin in seconds from the run's first frame."""

    run_id: str
    frames: int
    duration_s: float
    from_s: float
    to_s: float
    bin_s: float
    time_s: list[float]
    columns: dict[str, Series]
    available: dict[str, str]  # name to unit, of everything that may be asked for


def read_samples(folder: Path, names: list[str], bins: int, from_s: float, to_s: float) -> Samples:
    """Columns `names` between two times in `bins` bins. Raises Refused and StoreError."""
    import pyarrow.parquet as pq  # noqa: PLC0415 (60 MB that a service without plots can spare)

    path = folder / PARQUET_NAME
    try:
        # A file of our own with few row groups: a memory map reads only the asked columns.
        with pq.ParquetFile(path, memory_map=True) as file:
            return _read(file, folder.name, names, bins, from_s, to_s)
    except FileNotFoundError:
        raise Refused(
            say("run-has-no-samples-yet", run=folder.name),
            say("wait-until-closed-watch-live-meanwhile"),
            "not-closed",
        ) from None
    except (OSError, ValueError) as error:
        raise StoreError(
            say("samples-run-cannot-be-read", run=folder.name, error=error),
            say("evaluate-run-again-its-raw-recording"),
        ) from None


def _read(
    file: Any, run_id: str, names: list[str], bins: int, from_s: float, to_s: float
) -> Samples:
    available = {
        field.name: _unit(field)
        for field in file.schema_arrow
        if field.name != TIME_COLUMN and _plottable(field)
    }
    unknown = [name for name in names if name not in available]
    if unknown:
        raise Refused(
            say("run-has-no-column", run=run_id, column=unknown[0][:60]),
            say("ask-without-columns-first-answer-lists"),
            "no-column",
        )
    if not from_s < to_s:
        raise Refused(say("stretch-has-no-length"), say("give-from-s-before-s"), "no-length")
    time = _floats(file, TIME_COLUMN)
    if time.size:
        time = time - time[0]
    duration = float(time[-1]) if time.size else 0.0
    to_s = min(to_s, duration)
    first, last = np.searchsorted(time, [from_s, to_s], side="left")
    last = min(int(last) + 1, time.size)
    first = int(min(first, last))
    bins = max(1, min(bins, MAX_BINS))
    width = max((to_s - from_s) / bins, 1e-9)
    edges = from_s + width * np.arange(bins)
    starts = np.searchsorted(time[first:last], edges, side="left")
    columns = {  # one in memory at a time: forty of an eight-hour run would be gigabytes
        name: _series(_floats(file, name)[first:last], starts, available[name]) for name in names
    }
    return Samples(
        run_id=run_id,
        frames=int(time.size),
        duration_s=duration,
        from_s=from_s,
        to_s=to_s,
        bin_s=float(width),
        time_s=edges.tolist() if names else [],
        columns=columns,
        available=available,
    )


def reduce_min_max(values: Floats, starts: npt.NDArray[np.intp]) -> tuple[Floats, Floats]:
    """Least and greatest of `values[starts[i]:starts[i + 1]]`; NaN for empty or all-NaN bins."""
    ends = np.append(starts[1:], values.size)
    least = np.full(starts.size, np.nan)
    greatest = np.full(starts.size, np.nan)
    filled = ends > starts
    if filled.any():
        # fmin and fmax pass over NaN, which marks a missing reading.
        at = starts[filled]
        least[filled] = np.fmin.reduceat(values, at)
        greatest[filled] = np.fmax.reduceat(values, at)
    return least, greatest


def _series(values: Floats, starts: npt.NDArray[np.intp], unit: str) -> Series:
    least, greatest = reduce_min_max(values, starts)
    return Series(unit, least.tolist(), greatest.tolist())


def _floats(file: Any, name: str) -> Floats:
    column = file.read(columns=[name], use_threads=False).column(name).combine_chunks()
    array: Floats = np.asarray(column.to_numpy(zero_copy_only=False), dtype=np.float64)
    return array


def _plottable(field: Any) -> bool:
    kind = str(field.type)
    return kind in ("double", "float", "bool") or kind.startswith(("int", "uint"))


def _unit(field: Any) -> str:
    metadata = field.metadata or {}
    return bytes(metadata.get(b"unit", b"")).decode()
