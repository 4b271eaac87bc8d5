"""The columns of a run, made from its recording: `run.parquet`, and the rig's events beside it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import msgspec

from api.folders import EVENTS_NAME, PARQUET_NAME
from api.store.atomic_file import atomic_write
from api.version import VERSION
from daq.results.series.about import ParquetHeader
from daq.results.series.columns import Chunk
from daq.results.series.parquet import write_run
from daq.results.series.replay import Replay


def write_columns(folder: Path, replay: Replay, chunks: Iterator[Chunk]) -> int:
    """Write both files whole; `chunks` are the replay's. Returns the number of frames.

    Raises RecordingError or OSError.
    """
    header = replay.header
    about = ParquetHeader(
        run_id=folder.name,
        rig_name=replay.rig.name,
        rig_fingerprint=header.rig_fingerprint,
        rig_text=header.rig_text,
        plan=header.plan,
        version=header.version,
        evaluated_by=VERSION,
        started_utc=header.started_utc,
        vehicle=header.vehicle,
    )
    frames = write_run(folder / PARQUET_NAME, replay.columns, chunks, about)
    atomic_write(folder / EVENTS_NAME, msgspec.json.encode(replay.events))
    return frames
