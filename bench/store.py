"""The run store at its size: 8 h of recording, a first plot, a search, an export.

A recording of 8 h at 500 frames a second is written by the real recorder from frames of the
simulated rig (its 77 columns are more than the 40 of the contract), faster than it would come in:
the processor time it takes is set against the 8 h. The first hour and the 8 h are then Parquet
files made by the real replay of a shorter recording, its row groups repeated with time carried on.
Every figure says in `how` what was measured directly.
"""

from __future__ import annotations

import os
import random
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from api.report.content import RunDetails
from api.report.render import render
from api.services.comparing import compare
from api.store.catalogue import Catalogue, Search
from api.store.closing.close_run import close
from api.store.samples import read_samples
from api.store.schema import run_words, runs
from bench.support.common import Options, run_bench
from bench.support.recorded import RecordedRig, approach, floor_when, ready_rig
from control.test_kinds.plans import SteadyHold
from daq.recording.reader import Record, Recording
from daq.recording.recorder import RawRecorder, RecordKind
from daq.results.series.about import ParquetHeader
from daq.results.series.parquet import write_run
from daq.results.series.replay import CHUNK_ROWS, Replay

FRAMES_A_SECOND = 500
COLUMNS = 40
PLOTTED = ["power_w", "torque_nm", "engine_speed_radps", "speed_mps"]
FINDS = 40
_EXPORT = """
import re, sys
from pathlib import Path
from api.services.export import export
from api.services.export_forms import ExportWish, form_of
wish = ExportWish(tuple(sys.argv[4].split(",")))
rows = export(Path(sys.argv[1]), form_of(sys.argv[2]), Path(sys.argv[3]), wish)
# not ru_maxrss: that remembers the process which started this one
peak = re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text()).group(1)
print(rows, int(peak) / 1024)
"""


def template(folder: Path, seed: int, seconds: float) -> None:
    """A real recording of a hold on the simulated rig."""
    virtual: RecordedRig = ready_rig(seed)
    approach(virtual, 20.0)
    virtual.begin(folder, SteadyHold(seconds=seconds, rpm=1900.0, settle_s=2.0))
    virtual.play(floor_when("take-up", "settle", "hold"), seconds + 30.0)


def recorded(source: Path, target: Path, hours: float) -> dict[str, float]:
    """Write `hours` of the template's records again and again through the real recorder."""
    records: list[Record] = [one for one in Recording(source) if one.payload]
    frames = sum(1 for one in records if one.kind == RecordKind.RX)
    span_ns = records[-1].host_ns - records[0].host_ns
    wanted = int(hours * 3600 * FRAMES_A_SECOND)
    rounds = max(1, round(wanted / frames))
    cpu = time.process_time()
    recorder = RawRecorder(target)
    lost = 0
    for number in range(rounds):
        shift = number * span_ns
        for one in records:
            while not recorder.append(one.kind, one.host_ns + shift, one.payload):
                lost += 1
                time.sleep(0.002)
    recorder.close()
    cpu = time.process_time() - cpu
    recorded_s = rounds * frames / FRAMES_A_SECOND
    return {
        "mb_per_h": target.stat().st_size / 1e6 / (recorded_s / 3600.0),
        "cpu_share": cpu / recorded_s,
        "recorded_h": recorded_s / 3600.0,
        "waits": float(lost),
    }


def parquet(source: Path, target: Path, hours: float) -> int:
    """A Parquet run of this length: the template's columns with time carried on."""
    replay = Replay(Recording(source))
    about = ParquetHeader(
        run_id=target.parent.name, rig_name=replay.rig.name, rig_fingerprint="", rig_text="",
        version="bench", evaluated_by="bench",
    )  # fmt: skip
    one = target.with_name("one.parquet")
    write_run(one, replay.columns, replay.chunks(), about)
    with pq.ParquetFile(one) as file:
        table = file.read()
        metadata = file.metadata.metadata
    one.unlink()
    time_s = table.column("time_s").to_numpy()
    step = float(time_s[-1] - time_s[0]) + 1.0 / FRAMES_A_SECOND
    # Row groups as long as those of a real run: they decide what a reader holds at once.
    groups = max(1, round(CHUNK_ROWS / len(time_s)))
    table = pa.concat_tables([table] * groups).combine_chunks()
    time_s = np.concatenate([time_s + number * step for number in range(groups)])
    step *= groups
    rounds = max(1, round(hours * 3600.0 / step))
    schema = table.schema.with_metadata(metadata)
    at = table.schema.get_field_index("time_s")
    floats = [f.name for f in schema if pa.types.is_floating(f.type)]
    with pq.ParquetWriter(
        target, schema, compression="zstd", write_statistics=["time_s"],
        use_dictionary=[name for name in schema.names if name not in floats],
        column_encoding=dict.fromkeys(floats, "BYTE_STREAM_SPLIT"),
    ) as writer:  # fmt: skip
        for number in range(rounds):
            moved = pa.array(time_s + number * step)
            writer.write_table(table.set_column(at, schema.field(at), moved).cast(schema))
    return rounds * int(table.num_rows)


def first_plot(folder: Path) -> float:
    """Median seconds to least and greatest per bin of four columns, as the page asks for them."""
    taken = []
    for _ in range(3):
        begun = time.perf_counter()
        read_samples(folder, PLOTTED, 1000, 0.0, float("inf"))
        taken.append(time.perf_counter() - begun)
    return float(np.median(taken))


def finding(folder: Path, count: int, seed: int) -> dict[str, float]:
    """Slowest, median and dearest of searches of several kinds among `count` runs, in ms."""
    catalogue = Catalogue.open(folder)
    draw = random.Random(seed)
    kinds = ["steady-hold", "power-sweep", "grade-climb", "coastdown"]
    rows, words = [], []
    for number in range(count):
        run_id = f"20{20 + number // 20000:02d}0101-{number % 1000000:06d}-{number:04x}"
        kind, vehicle = draw.choice(kinds), f"vehicle {draw.randrange(4000)}"
        rows.append({
            "id": run_id, "rig_name": "r", "rig_fingerprint": "f", "kind": kind,
            "vehicle": vehicle, "state": "closed", "started_at": "2024-01-01T00:00:00+00:00",
            "plan": '{"kind":"x"}' * 20, "result": '{"answer":"x"}' * 100,
        })  # fmt: skip
        words.append({"run_id": run_id, "words": f"{run_id}\n{kind}\n{vehicle}\nnote {number}"})
    with catalogue.engine.begin() as connection:
        connection.execute(runs.insert(), rows)
        connection.execute(run_words.insert(), words)
    asked = [
        *(Search(text=f"note {draw.randrange(count)}") for _ in range(FINDS // 4)),
        *(Search(text="nothing like it") for _ in range(FINDS // 8)),
        *(Search(vehicle=f"vehicle {draw.randrange(4000)}") for _ in range(FINDS // 4)),
        *(Search(kind="coastdown", text="vehicle 7") for _ in range(FINDS // 16)),
        *(Search(kind="coastdown", text="nothing like it") for _ in range(FINDS // 16 + 1)),
        *(Search() for _ in range(FINDS // 4)),
    ]
    taken, cpu = [], []
    for search in asked:
        begun, busy = time.perf_counter(), time.process_time()
        catalogue.find(search)
        taken.append((time.perf_counter() - begun) * 1e3)
        cpu.append((time.process_time() - busy) * 1e3)
    catalogue.close()
    return {"worst": max(taken), "median": float(np.median(taken)), "cpu": max(cpu)}


def exporting(folder: Path, form: str, columns: str) -> tuple[int, float, float]:
    """Rows, peak memory in MB and seconds of an export in a process of its own."""
    begun = time.perf_counter()
    with tempfile.TemporaryDirectory(prefix="drumlin-", dir=folder) as scratch:
        done = subprocess.run(
            [sys.executable, "-c", _EXPORT, str(folder), form, f"{scratch}/out", columns],
            check=True,
            capture_output=True,
            text=True,
            env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
        )
    rows, peak = done.stdout.splitlines()[-1].split()  # asammdf may say something before
    return int(rows), float(peak), time.perf_counter() - begun


class Waits:
    """What a person waits for after a run, as the jobs do it: seconds, and processor seconds."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self.busy: dict[str, float] = {}

    def of(self, name: str, work: Callable[[], object]) -> None:
        """The second time counts: the process that works has been warm since the start."""
        for _ in range(2):
            begun, busy = time.perf_counter(), time.process_time()
            work()
            self.seconds[name] = time.perf_counter() - begun
            self.busy[name] = time.process_time() - busy


def waits(source: Path, minutes: float) -> Waits:
    """Evaluation of a minute (a shorter run counts in proportion), its report, a comparison."""
    found = Waits()
    runs_folder = source.parent
    found.of("evaluate", lambda: close(source))
    for times in (found.seconds, found.busy):
        times["evaluate"] /= minutes
    about = RunDetails(source.name)
    found.of("report", lambda: render(source, "pdf", about))
    sides: list[list[str]] = [[], []]
    for number in range(6):
        run_id = f"20260102-00000{number}-0000"
        shutil.copytree(source, runs_folder / run_id)
        sides[number % 2].append(run_id)
    found.of("compare", lambda: compare(runs_folder, sides[0], sides[1]))
    return found


def measure(options: Options) -> dict[str, Any]:
    """All of it, in a scratch folder."""
    hours = 0.5 if options.quick else 8.0
    plotted_h = 0.5 if options.quick else 1.0
    count = 20_000 if options.quick else 100_000
    with tempfile.TemporaryDirectory(prefix="drumlin-") as scratch:
        base = Path(scratch)
        source = base / "20260101-000000-0000"
        template(source, options.seed, 20.0 if options.quick else 60.0)
        raw = source / "raw.drm"
        waited = waits(source, (20.0 if options.quick else 60.0) / 60.0)
        written = recorded(raw, base / "long.drm", hours)
        (base / "long.drm").unlink()
        one_hour = base / "20260101-000001-0001"
        one_hour.mkdir()
        plotted_rows = parquet(raw, one_hour / "run.parquet", plotted_h)
        plot_s = first_plot(one_hour)
        long = base / "20260101-000002-0002"
        long.mkdir()
        parquet(raw, long / "run.parquet", hours)
        size_mb = (long / "run.parquet").stat().st_size / 1e6
        with pq.ParquetFile(long / "run.parquet") as file:
            names = ",".join(file.schema_arrow.names[:COLUMNS])
            all_columns = len(file.schema_arrow.names)
        exports = {form: exporting(long, form, names) for form in ("csv", "parquet", "mdf4")}
        found = finding(base / "catalogue", count, options.seed)
    return {
        "mb_per_h": written["mb_per_h"],
        "cpu_share": written["cpu_share"],
        "evaluate_minute_s": waited.seconds["evaluate"],
        "evaluate_minute_cpu_s": waited.busy["evaluate"],
        "report_s": waited.seconds["report"],
        "report_cpu_s": waited.busy["report"],
        "compare_s": waited.seconds["compare"],
        "compare_cpu_s": waited.busy["compare"],
        "first_plot_s": plot_s,
        "find_ms": found["worst"],
        "find_median_ms": found["median"],
        "find_cpu_ms": found["cpu"],
        "export_peak_mb": max(peak for _, peak, _ in exports.values()),
        "export_peak_mb_by_form": {form: peak for form, (_, peak, _) in exports.items()},
        "export_s_by_form": {form: taken for form, (_, _, taken) in exports.items()},
        "export_rows": exports["csv"][0],
        "export_columns": COLUMNS,
        "hours": hours,
        "plotted_rows": plotted_rows,
        "catalogued_runs": count,
        "parquet_mb_per_h": size_mb / hours,
        "parquet_columns": all_columns,
        "recorder_waits": written["waits"],
        "own_peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "how": {
            "mb_per_h, cpu_share": "the recorder's thread and appends, records of a simulated hold "
            "repeated; simulator, chain and link are not in it",
            "evaluate_minute_s, report_s, compare_s": "closing a run into Parquet and result, its "
            "PDF, three runs before against three after; warm process, no queue; cpu beside it",
            "first_plot_s": "median of 3, least and greatest in 1,000 bins of four columns, file "
            "in the page cache",
            "find_ms": "slowest of 40 searches: words found and not found, vehicle, kind, newest; "
            "find_cpu_ms: most processor time of one, what it would be on an idle computer",
            "export_peak_mb": "largest resident memory of an exporting process, worst of the forms",
        },
    }


if __name__ == "__main__":
    run_bench("store", measure)
