"""Reads kept evaluations of a run's folder, and nothing else: light enough for a quick worker.

Data flow: evaluations/NNNN.json -> Result. Writing them is api.store.closing.evaluating.
"""

from __future__ import annotations

from pathlib import Path

import msgspec

from api.folders import EVALUATIONS_FOLDER, PARQUET_NAME
from daq.errors import RecordingError
from daq.results.result import Result
from daq.texts.message import say


def read_evaluation(folder: Path, number: int | None = None) -> Result:
    """A kept result: that of a number, or the newest. Raises RecordingError when there is none."""
    return numbered_evaluation(folder, number)[1]


def numbered_evaluation(folder: Path, number: int | None = None) -> tuple[int, Result]:
    """The same with its number."""
    kept = sorted((folder / EVALUATIONS_FOLDER).glob("[0-9]*.json"))
    if number is not None:
        kept = [path for path in kept if path.stem == f"{number:04d}"]
    if not kept and number is None and not (folder / PARQUET_NAME).exists():
        raise RecordingError(
            say("run-has-no-result-yet", run=folder.name), say("wait-until-closed")
        )
    if not kept:
        raise RecordingError(
            say("run-has-no-evaluation-number", run=folder.name, number=number)
            if number is not None
            else say("run-has-no-evaluation", run=folder.name),
            say("evaluate-run-again"),
        )
    try:
        return int(kept[-1].stem), msgspec.json.decode(kept[-1].read_bytes(), type=Result)
    except (OSError, msgspec.DecodeError) as error:
        raise RecordingError(
            say("cannot-be-read", path=kept[-1], error=error), say("evaluate-run-again")
        ) from None


def rig_text_of(folder: Path, number: int) -> str:
    """The rig file that an evaluation measured the run again with. Raises RecordingError."""
    try:
        return (folder / EVALUATIONS_FOLDER / f"{number:04d}.toml").read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        raise RecordingError(
            say("rig-file-evaluation-run-was-not", number=number, run=folder.name),
            say("evaluate-run-again-with-rig-file"),
        ) from None
