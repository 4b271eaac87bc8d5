"""A closed run is one Parquet file that any tool reads, whole or not there at all."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import msgspec
import numpy as np
import pyarrow.parquet as pq
import pytest

from daq.errors import RecordingError
from daq.recording.reader import Recording
from daq.results.series.about import ParquetHeader, read_about
from daq.results.series.columns import Chunk, Column
from daq.results.series.parquet import write_run
from daq.results.series.replay import Replay, gather
from tests.daq.parquet_columns import read_columns
from tests.daq.synthetic_run import RunWriter, Truck, hello_for, record_run

COLUMNS = (
    Column("time_s", "s", "f8", "device time"),
    Column("power_w", "W", "f4", "wheel power"),
    Column("sequence", "", "u4", "frame number"),
    Column("frames_lost", "", "u4", "before this frame"),
    Column("permission", "", "u1", "permission"),
    Column("last_set_point", "", "u2", "sequence"),
    Column("tie_downs", "", "i1", "acknowledged"),
    Column("stop_chain_closed", "", "?", "closed"),
)
ABOUT = ParquetHeader(
    run_id="20260101-000000-abcd",
    rig_name="Tarnhow demo rig",
    rig_fingerprint="ab12",
    rig_text="name = 'x'",
    plan=msgspec.Raw(b'{"kind":"steady-hold"}'),
    version="0.1.0",
    evaluated_by="0.1.0",
    started_utc="2026-01-01T00:00:00+00:00",
)


def chunk(start: int, rows: int) -> Chunk:
    number = np.arange(start, start + rows)
    power = (number * 1.5).astype("f4")
    power[number % 7 == 0] = np.nan
    return {
        "time_s": number * 0.002,
        "power_w": power,
        "sequence": (2**32 - 1 - number).astype("u4"),
        "frames_lost": (number % 5 == 4).astype("u4") * 2,
        "permission": (number % 4).astype("u1"),
        "last_set_point": (number % 65_536).astype("u2"),
        "tie_downs": np.full(rows, -1, "i1"),
        "stop_chain_closed": number % 2 == 0,
    }


def test_columns_come_back_exactly_with_their_types(tmp_path: Path) -> None:
    path = tmp_path / "run.parquet"
    assert write_run(path, COLUMNS, [chunk(0, 500), chunk(500, 20)], ABOUT) == 520
    read = read_columns(path)
    for name, values in gather(iter([chunk(0, 500), chunk(500, 20)])).items():
        np.testing.assert_array_equal(read[name], values)
        assert read[name].dtype == values.dtype
    assert list(read_columns(path, ["power_w"])) == ["power_w"]


def test_units_and_meanings_are_in_the_fields(tmp_path: Path) -> None:
    path = tmp_path / "run.parquet"
    write_run(path, COLUMNS, [chunk(0, 10)], ABOUT)
    schema = pq.read_schema(path)
    for column in COLUMNS:
        metadata = schema.field(column.name).metadata
        assert metadata[b"unit"].decode() == column.unit
        assert metadata[b"meaning"].decode() == column.meaning


def test_the_file_says_what_it_is(tmp_path: Path) -> None:
    path = tmp_path / "run.parquet"
    write_run(path, COLUMNS, [chunk(0, 10)], ABOUT)
    about = read_about(path)
    assert about == msgspec.structs.replace(ABOUT, frames=10, frames_lost=4, device_s=0.0)
    assert msgspec.json.decode(about.plan) == {"kind": "steady-hold"}
    assert pq.read_metadata(path).num_rows == 10


def test_a_run_without_a_frame_is_a_file_without_a_row(tmp_path: Path) -> None:
    path = tmp_path / "run.parquet"
    assert write_run(path, COLUMNS, [], ABOUT) == 0
    assert read_columns(path)["time_s"].size == 0
    assert read_about(path).frames == 0


def test_a_writing_that_breaks_off_leaves_the_file_before_and_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "run.parquet"
    write_run(path, COLUMNS, [chunk(0, 10)], ABOUT)
    before = path.read_bytes()

    def broken() -> Iterator[Chunk]:
        yield chunk(0, 5)
        raise RuntimeError("a defect on the way")

    with pytest.raises(RuntimeError, match="on the way"):
        write_run(path, COLUMNS, broken(), ABOUT)
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_a_disk_that_refuses_is_said_with_the_next_step(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="Make room"):
        write_run(tmp_path / "nowhere" / "run.parquet", COLUMNS, [chunk(0, 5)], ABOUT)


def test_a_file_of_another_kind_is_refused_with_the_next_step(tmp_path: Path) -> None:
    other = tmp_path / "other.parquet"
    other.write_bytes(b"no parquet at all, only text")
    with pytest.raises(RecordingError) as caught:
        read_about(other)
    assert "Evaluate the run again" in str(caught.value.remedy)
    with pytest.raises(RecordingError):
        read_about(tmp_path / "nowhere")


def test_a_recording_becomes_a_file_with_the_same_numbers(tmp_path: Path) -> None:
    def play(run: RunWriter) -> None:
        truck = Truck(run.rig, 20.0, 1900.0, 800.0)
        run.received(hello_for(run.rig))
        for _ in range(700):
            run.received(truck.sample())

    raw = tmp_path / "raw.drm"
    record_run(raw, play)
    columns = gather(Replay(Recording(raw)).chunks())
    replay = Replay(Recording(raw))
    path = tmp_path / "run.parquet"
    assert write_run(path, replay.columns, replay.chunks(300), ABOUT) == 700
    read = read_columns(path)
    assert list(read) == [column.name for column in replay.columns]
    for name, values in columns.items():
        np.testing.assert_array_equal(read[name], values)
    assert pq.read_metadata(path).num_row_groups == 3
