"""Closes one run: replays raw.drm through the measuring chain into run.parquet and result.json.

Data flows: raw.drm -> daq.results -> run.parquet, events.json, evaluations/0001.json, result.json
and a Closed. The service has it done as a job (api.store.closing.jobs). The recording is only read;
doing it again makes the same files anew with this version's evaluation.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from api.folders import RAW_NAME, RESULT_NAME
from api.store.atomic_file import atomic_write
from api.store.closing.closed import Closed
from api.store.closing.columns import write_columns
from api.store.closing.evaluating import (
    evaluate_folder,
    lean,
    write_evaluation,
)
from api.version import VERSION
from daq.errors import DrumlinError, Refused
from daq.recording.reader import Recording
from daq.results.series.columns import Chunk, slug
from daq.results.series.replay import Replay
from daq.texts.message import Text, say, sentences
from daq.texts.published import text_of, written

END_WAIT_S = 1.0  # what the recorder needs at most to write its end
TRIES = 10


def close(folder: Path) -> Closed:
    """Make the files of a run. What goes wrong is said in `error`, nothing is raised for it."""
    path = folder / RAW_NAME
    try:
        size = path.stat().st_size
        for _ in range(TRIES):
            closed = _replay(folder)
            if closed.complete:
                break
            time.sleep(END_WAIT_S)  # perhaps the recorder is still writing
            if path.stat().st_size == size:
                break
            size = path.stat().st_size
    except MemoryError:
        raw_bytes = path.stat().st_size
        told = say("recording-holds-more-than-computer-memory")
        return Closed(False, raw_bytes=raw_bytes, error=told)
    except (DrumlinError, OSError) as error:
        raw_bytes = path.stat().st_size if path.exists() else 0
        why = sentences((error.problem, error.remedy)) if isinstance(error, DrumlinError) else ""
        return Closed(False, raw_bytes=raw_bytes, error=why or str(error))
    return closed


def _replay(folder: Path) -> Closed:
    replay = Replay(Recording(folder / RAW_NAME))
    header = replay.header
    plan = _plan(header.plan)
    kind = str(plan.get("kind", ""))
    slow = {channel.name: f"slow_{slug(channel.name)}" for channel in replay.rig.slow}
    kept = _Kept(("time_s", *slow.values()))
    frames = write_columns(folder, replay, kept.pass_on(replay.chunks()))
    columns = kept.columns()
    ended = next(
        (each for each in reversed(replay.events) if each.get("kind") == "run-ended"), None
    )
    health = replay.recording.health
    result, number = _result(folder, kind) if frames else (None, 0)
    closed = Closed(
        complete=health.ended or ended is not None,
        frames=frames,
        raw_bytes=(folder / RAW_NAME).stat().st_size,
        reason=_reason(ended),
        rig_name=replay.rig.name,
        rig_fingerprint=header.rig_fingerprint,
        kind=kind,
        vehicle=header.vehicle,
        started_at=header.started_utc,
        ended_at=_later(header.started_utc, _duration(columns)),
        software=header.version,
        plan=plan or None,
        conditions=_conditions(columns, replay),
        result=result,
    )
    told = {
        "run_id": folder.name,
        "evaluation": number,
        "evaluated_by": VERSION,
        **written(closed),
        "recording": msgspec.to_builtins(health),
    }
    atomic_write(
        folder / RESULT_NAME, msgspec.json.format(msgspec.json.encode(told), indent=2) + b"\n"
    )
    return closed


class _Kept:
    """The few columns that the evaluation needs, kept while all of them pass to the file."""

    def __init__(self, names: tuple[str, ...]) -> None:
        self._names = names
        self._parts: list[Chunk] = []

    def pass_on(self, chunks: Iterator[Chunk]) -> Iterator[Chunk]:
        for chunk in chunks:
            self._parts.append({name: chunk[name] for name in self._names})
            yield chunk

    def columns(self) -> Chunk:
        if not self._parts:
            return {name: np.empty(0) for name in self._names}
        return {name: np.concatenate([part[name] for part in self._parts]) for name in self._names}


def _result(folder: Path, kind: str) -> tuple[dict[str, Any] | None, int]:
    """The first evaluation, kept in the folder as number 1.

    A run whose kind is not known has none; why an evaluation failed is said in its place.
    """
    try:
        result = evaluate_folder(folder)
    except Refused:
        return None, 0
    except DrumlinError as error:
        return {"kind": kind, "problem": error.problem, "remedy": error.remedy}, 0
    write_evaluation(folder, 1, result)
    return lean(result), 1


def _conditions(columns: Chunk, replay: Replay) -> dict[str, Any]:
    """Mean, least and greatest of every slow channel over the run, SI; and what was lost."""
    found: dict[str, Any] = {}
    units = {column.name: column.unit for column in replay.columns}
    for channel in replay.rig.slow:
        name = f"slow_{slug(channel.name)}"
        values = columns[name][np.isfinite(columns[name])]
        if values.size:
            found[channel.name] = {
                "unit": units[name],
                "meaning": channel.meaning,
                "mean": float(values.mean(dtype=np.float64)),
                "least": float(values.min()),
                "greatest": float(values.max()),
            }
    return {
        "channels": found,
        "frames_lost": replay.frames_lost,
        "damaged_frames": replay.damaged,
        "damaged_blocks": replay.recording.health.damaged_blocks,
        "misfits": replay.misfits,
        "events_left_out": replay.events_left_out,
        "duration_s": _duration(columns),
    }


def _duration(columns: Chunk) -> float:
    time_s = columns["time_s"]
    span = float(time_s[-1] - time_s[0]) if len(time_s) > 1 else 0.0
    return span if math.isfinite(span) else 0.0


def _later(label: str, seconds: float) -> str:
    """A UTC label some seconds after another; "" when that one is none."""
    try:
        moment = datetime.fromisoformat(label) + timedelta(seconds=seconds)
    except (ValueError, OverflowError):
        return ""
    return moment.isoformat(timespec="seconds")


def _plan(raw: bytes) -> dict[str, Any]:
    try:
        plan = msgspec.json.decode(raw) if raw else None
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        plan = None
    return plan if isinstance(plan, dict) else {}


def _reason(ended: dict[str, Any] | None) -> Text:
    return text_of(ended.get("text", "")) if ended is not None else ""
