"""Runs in forms other programs read: CSV, Parquet, ASAM MDF4. Memory stays bounded.

Data flow: run and evaluation -> columns measured with that evaluation's rig description -> View ->
file, one batch of rows at a time. Every form says which run, vehicle, evaluation and correction it
shows and when its first row was. CSV has that in lines that begin with '#', then a line of names;
Parquet in the file's metadata; MDF4 by asammdf in its header, one channel per column.
"""

from __future__ import annotations

import contextlib
import io
import shutil
import tempfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from api.folders import PARQUET_NAME, RAW_NAME
from api.services.export_curves import curves_csv
from api.services.export_forms import ExportForm, ExportHeader, ExportWish
from api.services.export_view import ExportView
from api.store.closing.evaluations import numbered_evaluation, rig_text_of
from daq.errors import RecordingError, Refused
from daq.results.result import Result
from daq.results.series.about import FORMAT, ParquetHeader, read_about
from daq.texts.message import say

EXPORT_KEY = b"drumlin-export"
BATCH_ROWS = 20_000
Progress = Callable[[float], None]


def export(
    folder: Path,
    form: ExportForm,
    target: Path,
    wish: ExportWish | None = None,
    progress: Progress | None = None,
) -> int:
    """Write a closed run to `target`; returns the rows written. `progress` takes shares 0..1.

    The file is there whole or not at all. Raises Refused (column, run or evaluation that is not
    there) and RecordingError (disk).
    """
    wish = wish or ExportWish()
    if not (folder / PARQUET_NAME).is_file():
        raise Refused(
            say("run-has-no-samples-yet", run=folder.name), say("wait-until-closed"), "not-closed"
        )
    tell = progress or (lambda _: None)
    part = target.with_name(target.name + ".part")
    try:
        number, result = _evaluation(folder, wish.number)
        with _measured(folder, number, result, target.parent) as source:
            about = read_about(source)
            header = _header(folder, about, number, result, wish)
            if form is ExportForm.CURVES:
                rows = _curves(result, header, part, wish)
            else:
                rows = _columns(source, form, part, header, wish, result, tell)
        part.replace(target)
    except OSError as error:
        if isinstance(error, FileNotFoundError | NotADirectoryError | PermissionError):
            raise RecordingError(
                say("export-cannot-be-written-because", path=target),
                say("choose-folder-exists-may-be-written"),
            ) from None
        raise RecordingError(
            say("export-cannot-be-written", path=target, error=error), say("make-room-on-disk")
        ) from None
    finally:
        part.unlink(missing_ok=True)
    tell(1.0)
    return rows


def _evaluation(folder: Path, number: int) -> tuple[int, Result | None]:
    """The evaluation to show; (0, None) for a run that has none, such as an identification."""
    try:
        return numbered_evaluation(folder, number or None)
    except RecordingError:
        if number:
            raise
        return 0, None


@contextlib.contextmanager
def _measured(folder: Path, number: int, result: Result | None, near: Path) -> Iterator[Path]:
    """The run's columns as that evaluation measured them: its own file, or measured again."""
    source = folder / PARQUET_NAME
    about = read_about(source)
    own = result is None or result.made.rig_fingerprint == about.rig_fingerprint
    raw = folder / RAW_NAME
    if own and (about.format == FORMAT or not raw.is_file()):
        yield source
        return
    # Imported here: they bring the measuring chain, 70 MB that most exports can spare.
    from daq.recording.reader import Recording  # noqa: PLC0415
    from daq.results.series.parquet import write_run  # noqa: PLC0415
    from daq.results.series.replay import Replay  # noqa: PLC0415
    from daq.rig.description import parse_rig  # noqa: PLC0415

    text = about.rig_text if own else rig_text_of(folder, number)
    replay = Replay(Recording(raw), parse_rig(text, "the evaluation's rig file"))
    with tempfile.TemporaryDirectory(prefix="drumlin-", dir=near) as scratch:
        again = Path(scratch) / PARQUET_NAME
        told = msgspec.structs.replace(
            about, format=FORMAT, rig_name=replay.rig.name, rig_fingerprint=replay.rig.fingerprint
        )
        write_run(again, replay.columns, replay.chunks(), told)
        yield again


def _header(
    folder: Path, about: ParquetHeader, number: int, result: Result | None, wish: ExportWish
) -> ExportHeader:
    began = wish.started_at or about.started_utc
    if about.utc_s is not None:
        began = datetime.fromtimestamp(about.utc_s, UTC).isoformat(timespec="milliseconds")
    rule = result.correction if result is not None else None
    return ExportHeader(
        folder.name,
        wish.vehicle or about.vehicle,
        began,
        about.utc_sigma_s,
        about.rig_name,
        about.rig_fingerprint,
        number,
        result.made.version if result is not None else about.evaluated_by,
        rule.rule if rule is not None else "none",
        rule.factor if rule is not None else 1.0,
        "",
    )


def _curves(result: Result | None, header: ExportHeader, part: Path, wish: ExportWish) -> int:
    if result is None or not result.curves:
        raise Refused(
            say("evaluation-has-no-curves"), say("export-its-samples-instead"), "no-curves"
        )
    text = curves_csv(result, header, wish.units)
    part.write_text(text, encoding="utf-8", newline="")
    return text.count("\n")


def _columns(
    source: Path,
    form: ExportForm,
    part: Path,
    header: ExportHeader,
    wish: ExportWish,
    result: Result | None,
    tell: Progress,
) -> int:
    import pyarrow.parquet as pq  # noqa: PLC0415 (60 MB that a service without exports can spare)

    # Not mapped into memory: each page read would stay resident, hours of them.
    with pq.ParquetFile(source, buffer_size=1 << 20, pre_buffer=False) as file:
        usual_hz = _usual_hz(file)
        view = ExportView(file.schema_arrow, wish, header.correction_factor, usual_hz)
        header = msgspec.structs.replace(
            header,
            rows=view.rows_said,
            units={one.name: one.unit for one in view.columns},
        )
        batches = _batches(file, view, tell)
        write = {ExportForm.CSV: _csv, ExportForm.PARQUET: _parquet, ExportForm.MDF4: _mdf}[form]
        return write(batches, part, header, view)


def _usual_hz(file: Any) -> float:
    first = next(file.iter_batches(1000, columns=["time_s"], use_threads=False), None)
    time = first.column("time_s").to_numpy() if first is not None else np.zeros(0)
    return 1.0 / float(np.median(np.diff(time))) if len(time) > 1 else 1.0


def _batches(file: Any, view: ExportView, tell: Progress) -> Iterator[dict[str, Any]]:
    done, rows = 0, int(file.metadata.num_rows)
    for batch in file.iter_batches(BATCH_ROWS, columns=view.sources, use_threads=False):
        shown = view.of(
            {name: batch.column(name).to_numpy(zero_copy_only=False) for name in view.sources}
        )
        done += batch.num_rows
        tell(0.9 * done / max(rows, 1))
        if shown is not None:
            yield shown


def _table(values: dict[str, Any], view: ExportView, *, missing: bool) -> Any:
    """Arrow table of shown columns, UTC as a timestamp. `missing`: null in place of NaN."""
    import pyarrow as pa  # noqa: PLC0415

    names, arrays = [], []
    for one in view.columns:
        each = values[one.name]
        if one.source == "utc_s":
            micro = np.where(np.isfinite(each), each * 1e6, 0.0).round().astype(np.int64)
            whole = pa.array(micro, mask=~np.isfinite(each)).cast(pa.timestamp("us", "UTC"))
            names.append("utc")
            arrays.append(whole)
            continue
        names.append(one.name)
        arrays.append(pa.array(each, from_pandas=missing and each.dtype.kind == "f"))
    return pa.table(arrays, names=names)


def _csv(
    batches: Iterator[dict[str, Any]], part: Path, header: ExportHeader, view: ExportView
) -> int:
    import pyarrow as pa  # noqa: PLC0415
    import pyarrow.csv as pcsv  # noqa: PLC0415

    rows = 0
    names = ["utc" if one.source == "utc_s" else one.name for one in view.columns]
    with pa.OSFile(str(part), "wb") as sink:
        for line in header.lines():
            sink.write(f"# {line}\n".encode())
        sink.write((",".join(names) + "\n").encode())
        options = pcsv.WriteOptions(include_header=False)
        for values in batches:
            table = _table(values, view, missing=True)
            pcsv.write_csv(table, sink, options)
            rows += table.num_rows
    return rows


def _parquet(
    batches: Iterator[dict[str, Any]], part: Path, header: ExportHeader, view: ExportView
) -> int:
    import pyarrow as pa  # noqa: PLC0415
    import pyarrow.parquet as pq  # noqa: PLC0415

    rows = 0
    writer: Any = None
    told = {EXPORT_KEY: msgspec.json.encode(header)}
    try:
        for values in batches:
            table = _table(values, view, missing=False)
            if writer is None:
                fields = [
                    pa.field(
                        each.name, each.type, each.nullable,
                        {"unit": one.unit if each.name != "utc" else "UTC",
                         "meaning": one.meaning},
                    )
                    for each, one in zip(table.schema, view.columns, strict=True)
                ]  # fmt: skip
                schema = pa.schema(fields, metadata=told)
                # Ranges of values are left out: some readers take them as proof that nothing is
                # missing.
                writer = pq.ParquetWriter(
                    part, schema, compression="zstd", write_statistics=["time_s"]
                )
            writer.write_table(table.cast(schema))
            rows += table.num_rows
    finally:
        if writer is not None:
            writer.close()
    return rows


def _mdf(
    batches: Iterator[dict[str, Any]], part: Path, header: ExportHeader, view: ExportView
) -> int:
    """Blocks of rows appended to one channel group, so that 8 hours need no more than minutes."""
    from asammdf import MDF, Signal  # noqa: PLC0415 (pandas comes with it)

    rows = 0
    begin_s = 0.0
    columns = [one for one in view.columns if one.source != "time_s"]
    with tempfile.TemporaryDirectory(prefix="drumlin-", dir=part.parent) as scratch:
        mdf = MDF(version="4.10")
        try:
            mdf.configure(write_fragment_size=4 << 20)
            with contextlib.suppress(ValueError):
                mdf.header.start_time = datetime.fromisoformat(header.started_at)
            mdf.header.comment = "\n".join(header.lines()[:3])
            for values in batches:
                time_s = values["time_s"]
                if rows == 0:
                    begin_s = float(time_s[0])
                    signals = [
                        Signal(
                            samples=_numbers(values[one.name]), timestamps=time_s - begin_s,
                            name=one.name, unit=one.unit, comment=one.meaning,
                        )
                        for one in columns
                    ]  # fmt: skip
                    mdf.append(
                        signals,
                        acq_name=header.run_id,
                        comment="; ".join(header.lines()[:2]),
                        common_timebase=True,
                    )
                else:
                    block = [(time_s - begin_s, None)]
                    block += [(_numbers(values[one.name]), None) for one in columns]
                    mdf.extend(0, block)
                rows += len(time_s)
            # It prints how fast it goes; standard output belongs to whoever asked for the export.
            with contextlib.redirect_stdout(io.StringIO()):
                whole = mdf.save(Path(scratch) / "run.mf4", overwrite=True, compression=1)
        finally:
            mdf.close()
        shutil.move(str(whole), part)
    return rows


def _numbers(values: Any) -> Any:
    values = np.ascontiguousarray(values)
    return values.astype(np.uint8) if values.dtype == np.bool_ else values
