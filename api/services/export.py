"""Runs in forms other programs read: CSV, Parquet, ASAM MDF4. Memory stays bounded.

Data flow: run.parquet, one row group at a time -> file. CSV has a line of names and a line of
units, empty fields for missing values; Parquet is the run's own file; MDF4 by asammdf has one
channel per column with unit and comment, written column by column from a scratch file of floats.
"""

from __future__ import annotations

import contextlib
import io
import shutil
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from api.folders import PARQUET_NAME
from daq.errors import RecordingError, Refused
from daq.results.about import read_about

FORMS = {
    "csv": ("text/csv; charset=utf-8", "csv"),
    "parquet": ("application/vnd.apache.parquet", "parquet"),
    "mdf4": ("application/octet-stream", "mf4"),
}
Progress = Callable[[float], None]
CSV_ROWS = 20_000
MDF_ROWS = 20_000


def export(
    folder: Path,
    form: str,
    target: Path,
    columns: Sequence[str] = (),
    progress: Progress | None = None,
) -> int:
    """Write a closed run to `target`; returns the rows written. `progress` takes shares 0..1.

    `columns`: which ones ("time_s" is always there); all without. The file is there whole or not
    at all. Raises Refused (no such form, column or run) and RecordingError (disk).
    """
    if form not in FORMS:
        raise Refused(f"There is no form '{form}'.", f"Use {', '.join(FORMS)}.", "form")
    source = folder / PARQUET_NAME
    if not source.is_file():
        raise Refused(
            f"Run {folder.name} has no samples yet.", "Wait until it is closed.", "not-closed"
        )
    tell = progress or (lambda _: None)
    part = target.with_name(target.name + ".part")
    try:
        if form == "parquet":
            rows = _parquet(source, part, columns, tell)
        elif form == "csv":
            rows = _csv(source, part, columns, tell)
        else:
            rows = _mdf(source, part, columns, tell)
        part.replace(target)
    except OSError as error:
        if isinstance(error, FileNotFoundError | NotADirectoryError | PermissionError):
            raise RecordingError(
                f"The export cannot be written to {target}.",
                "Choose a folder that exists and may be written to.",
            ) from None
        raise RecordingError(
            f"The export cannot be written to {target}: {error}.", "Make room on that disk."
        ) from None
    finally:
        part.unlink(missing_ok=True)
    tell(1.0)
    return rows


def _open(source: Path) -> Any:
    import pyarrow.parquet as pq  # noqa: PLC0415 (60 MB that a service without exports can spare)

    # Not mapped into memory: each page read would stay resident, hours of them.
    return pq.ParquetFile(source, buffer_size=1 << 20, pre_buffer=False)


def _chosen(file: Any, columns: Sequence[str]) -> list[str]:
    there = file.schema_arrow.names
    unknown = [name for name in columns if name not in there]
    if unknown:
        raise Refused(
            f"There is no column '{unknown[0][:60]}'.",
            f"They depend on the rig the run was recorded on. Here: {', '.join(there)}.",
            "no-column",
        )
    if not columns:
        return list(there)
    return list(dict.fromkeys(("time_s", *columns)))


def _unit(field: Any) -> str:
    return bytes((field.metadata or {}).get(b"unit", b"")).decode()


def _meaning(field: Any) -> str:
    return bytes((field.metadata or {}).get(b"meaning", b"")).decode()


def _parquet(source: Path, part: Path, columns: Sequence[str], tell: Progress) -> int:
    import pyarrow.parquet as pq  # noqa: PLC0415

    with _open(source) as file:
        rows = int(file.metadata.num_rows)
        if not columns:
            shutil.copyfile(source, part)
            return rows
        names = _chosen(file, columns)
        schema = file.schema_arrow
        kept = schema.empty_table().select(names).schema.with_metadata(schema.metadata)
        # Ranges of values are left out: some readers take them as proof that nothing is missing.
        with pq.ParquetWriter(
            part, kept, compression="zstd", write_statistics=["time_s"]
        ) as writer:
            for group in range(file.num_row_groups):
                writer.write_table(
                    file.read_row_group(group, columns=names, use_threads=False).select(names)
                )
                tell((group + 1) / file.num_row_groups)
    return rows


def _csv(source: Path, part: Path, columns: Sequence[str], tell: Progress) -> int:
    import pyarrow as pa  # noqa: PLC0415
    import pyarrow.csv as pcsv  # noqa: PLC0415

    with _open(source) as file, pa.OSFile(str(part), "wb") as sink:
        names = _chosen(file, columns)
        schema = file.schema_arrow
        sink.write((",".join(names) + "\r\n").encode())
        sink.write((",".join(_unit(schema.field(name)) for name in names) + "\r\n").encode())
        options = pcsv.WriteOptions(include_header=False)
        done, rows = 0, int(file.metadata.num_rows)
        for batch in file.iter_batches(CSV_ROWS, columns=names, use_threads=False):
            table = pa.Table.from_batches([batch]).select(names)
            arrays = [_without_nan(table.column(name)) for name in names]
            pcsv.write_csv(pa.table(arrays, names=names), sink, options)
            done += batch.num_rows
            tell(done / max(rows, 1))
    return rows


def _without_nan(column: Any) -> Any:
    """NaN becomes an empty field: other programs read it as missing."""
    import pyarrow as pa  # noqa: PLC0415

    if not pa.types.is_floating(column.type):
        return column
    return pa.chunked_array(
        [
            pa.array(chunk.to_numpy(zero_copy_only=False), from_pandas=True)
            for chunk in column.chunks
        ],
        type=column.type,
    )


def _mdf(source: Path, part: Path, columns: Sequence[str], tell: Progress) -> int:
    """Blocks of rows appended to one channel group, so that 8 hours need no more than minutes."""
    from asammdf import MDF, Signal  # noqa: PLC0415 (pandas comes with it)

    with (
        _open(source) as file,
        tempfile.TemporaryDirectory(prefix="drumlin-", dir=part.parent) as scratch,
    ):
        names = _chosen(file, columns)
        schema = file.schema_arrow
        rows = int(file.metadata.num_rows)
        about = read_about(source)
        mdf = MDF(version="4.10")
        try:
            mdf.configure(write_fragment_size=4 << 20)
            done = 0
            begin = 0.0
            for batch in file.iter_batches(MDF_ROWS, columns=names, use_threads=False):
                values = {
                    name: np.ascontiguousarray(batch.column(name).to_numpy(zero_copy_only=False))
                    for name in names
                }
                if done == 0:
                    begin = float(values["time_s"][0]) if batch.num_rows else 0.0
                time = values["time_s"] - begin
                if done == 0:
                    signals = [
                        Signal(
                            samples=_numbers(values[name]),
                            timestamps=time,
                            name=name,
                            unit=_unit(schema.field(name)),
                            comment=_meaning(schema.field(name)),
                        )
                        for name in names
                        if name != "time_s"
                    ]
                    mdf.append(
                        signals,
                        acq_name=about.run_id,
                        comment=f"Drumlin run {about.run_id}, rig {about.rig_name}",
                        common_timebase=True,
                    )
                else:
                    block = [(time, None)]
                    block += [(_numbers(values[name]), None) for name in names if name != "time_s"]
                    mdf.extend(0, block)
                done += batch.num_rows
                tell(0.9 * done / max(rows, 1))
            # It prints how fast it goes; standard output belongs to whoever asked for the export.
            with contextlib.redirect_stdout(io.StringIO()):
                whole = mdf.save(Path(scratch) / "run.mf4", overwrite=True, compression=1)
        finally:
            mdf.close()
        shutil.move(str(whole), part)
    return rows


def _numbers(values: Any) -> Any:
    return values.astype(np.uint8) if values.dtype == np.bool_ else values
