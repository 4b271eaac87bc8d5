"""Evaluates a run's folder, first when it is closed and again whenever somebody asks.

Data flow: run.parquet, the plan and rig text in it, events.json -> daq.results.evaluate ->
evaluations/NNNN.json. Another rig file means measuring again: then the raw recording is replayed
into a Parquet file that is thrown away. Raw data are only ever read here, and run.parquet is made
anew only when nobody can read it.
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import msgspec

from api.folders import EVALUATIONS_FOLDER, EVENTS_NAME, PARQUET_NAME, RAW_NAME
from api.store.atomic_file import atomic_write
from api.store.closing.columns import write_columns
from api.store.closing.evaluations import read_evaluation
from api.version import VERSION
from daq.errors import RecordingError
from daq.recording.reader import Recording
from daq.results.evaluate import evaluate
from daq.results.given import load
from daq.results.result import EvaluationSettings, Result
from daq.results.series.about import ParquetHeader, read_about
from daq.results.series.parquet import write_run
from daq.results.series.replay import Replay
from daq.rig.description import Rig, parse_rig
from daq.texts.published import written


def evaluate_folder(
    folder: Path, settings: EvaluationSettings | None = None, rig: Rig | None = None
) -> Result:
    """Evaluate the run in `folder`. Raises DrumlinError (Refused, RecordingError) saying why not.

    `rig` in place of the recording's own measures the whole run again with its constants.
    """
    settings = settings or EvaluationSettings()
    if rig is None:
        about = _about(folder)
        own = parse_rig(about.rig_text, "the recording's rig file")
        plan = _plan(about.plan)
        events = read_events(folder)
        return evaluate(load(folder / PARQUET_NAME, own, plan, settings, events), VERSION)
    replay = Replay(Recording(folder / RAW_NAME), rig)
    with tempfile.TemporaryDirectory(prefix="drumlin-") as scratch:
        path = Path(scratch) / PARQUET_NAME
        about = ParquetHeader(
            run_id=folder.name,
            rig_name=rig.name,
            rig_fingerprint=rig.fingerprint,
            rig_text="",
            version=replay.header.version,
            evaluated_by=VERSION,
        )
        write_run(path, replay.columns, replay.chunks(), about)
        plan = _plan(replay.header.plan)
        return evaluate(load(path, rig, plan, settings, replay.events), VERSION)


def _about(folder: Path) -> ParquetHeader:
    """What the columns say of themselves; made anew from the recording when nobody can read them.

    Raises RecordingError when neither can be read.
    """
    path = folder / PARQUET_NAME
    try:
        return read_about(path)
    except RecordingError:
        if not (folder / RAW_NAME).is_file():
            raise
    replay = Replay(Recording(folder / RAW_NAME))
    write_columns(folder, replay, replay.chunks())
    return read_about(path)


def write_evaluation(folder: Path, number: int, result: Result, rig_text: str = "") -> Path:
    """Keep a result in the run's folder under its number, whole or not at all.

    `rig_text`: the rig file it was measured again with, if it was; exports need it.
    """
    kept = folder / EVALUATIONS_FOLDER
    kept.mkdir(exist_ok=True)
    path = kept / f"{number:04d}.json"
    if rig_text:
        atomic_write(path.with_suffix(".toml"), rig_text.encode())
    atomic_write(path, msgspec.json.format(msgspec.json.encode(written(result)), indent=1) + b"\n")
    return path


def lean(result: Result) -> dict[str, Any]:
    """A result without its curves, as the catalogue keeps it."""
    told: dict[str, Any] = written(msgspec.structs.replace(result, curves=[]))
    return told


def read_events(folder: Path) -> list[dict[str, Any]]:
    """Events as the rig told them, kept when the run was closed; [] for runs closed before that."""
    try:
        told = msgspec.json.decode((folder / EVENTS_NAME).read_bytes())
    except (OSError, msgspec.DecodeError):
        return []
    return told if isinstance(told, list) else []


def _plan(raw: bytes | msgspec.Raw) -> dict[str, Any]:
    try:
        plan = msgspec.json.decode(bytes(raw)) if raw else None
    except msgspec.DecodeError:
        plan = None
    return plan if isinstance(plan, dict) else {}


__all__ = [
    "evaluate_folder",
    "lean",
    "read_evaluation",
    "read_events",
    "write_evaluation",
]
