"""Closed runs as Parquet: one row per frame, typed columns, unit and meaning in each field.

Data flows: chunks of daq.results.series.columns -> `write_run` -> run.parquet, whole or not at all.
Any tool that reads Parquet reads it without us.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from daq.errors import RecordingError
from daq.results.series.about import ABOUT_KEY, ParquetHeader
from daq.results.series.columns import Chunk, Column
from daq.texts.message import say

_TYPES = {
    "f8": pa.float64(),
    "f4": pa.float32(),
    "u1": pa.uint8(),
    "u2": pa.uint16(),
    "u4": pa.uint32(),
    "i1": pa.int8(),
    "?": pa.bool_(),
}


def schema_of(columns: Sequence[Column]) -> Any:
    """Arrow schema with `unit` and `meaning` in the metadata of each field."""
    return pa.schema(
        [
            pa.field(
                column.name,
                _TYPES[column.type],
                nullable=False,
                metadata={"unit": column.unit, "meaning": column.meaning},
            )
            for column in columns
        ]
    )


def write_run(
    path: Path, columns: Sequence[Column], chunks: Iterable[Chunk], about: ParquetHeader
) -> int:
    """Write the file and return its number of rows. Missing values are NaN.

    `about` is completed with the number of rows, of frames lost, and when the first row was. The
    file appears under its
    name only when it is whole. Raises RecordingError when the disk does not take it.
    """
    part = path.with_name(path.name + ".part")
    schema = schema_of(columns)
    floats = [column.name for column in columns if column.type in ("f8", "f4")]
    rows = lost = 0
    try:
        with pq.ParquetWriter(
            part,
            schema,
            compression="zstd",
            use_dictionary=[column.name for column in columns if column.name not in floats],
            column_encoding=dict.fromkeys(floats, "BYTE_STREAM_SPLIT"),
            write_statistics=["time_s"],
        ) as writer:
            for chunk in chunks:
                arrays = [pa.array(chunk[column.name]) for column in columns]
                writer.write_table(pa.Table.from_arrays(arrays, schema=schema))
                if not rows:
                    about = _begun(about, chunk)
                rows += len(arrays[0])
                lost += int(chunk["frames_lost"].sum()) if "frames_lost" in chunk else 0
            done = msgspec.structs.replace(about, frames=rows, frames_lost=lost)
            writer.add_key_value_metadata({ABOUT_KEY: msgspec.json.encode(done)})
        with part.open("rb") as file:
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        raise RecordingError(
            say("columns-run-cannot-be-written", path=path, error=error),
            say("make-room-on-disk-then-evaluate"),
        ) from None
    finally:
        part.unlink(missing_ok=True)
    return rows


def _begun(about: ParquetHeader, first: Chunk) -> ParquetHeader:
    """When the first row was, by device time and by UTC as far as that is known."""
    told = {
        key: float(first[name][0]) if name in first and np.isfinite(first[name][0]) else None
        for key, name in (
            ("device_s", "time_s"), ("utc_s", "utc_s"), ("utc_sigma_s", "utc_sigma_s")
        )
    }  # fmt: skip
    return msgspec.structs.replace(about, **told)
