"""Heavy work on a run's folder: closing it, evaluating it again."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import ClassVar

import msgspec

from api.folders import RAW_NAME
from api.jobs.job import LONG_S, Job, WorkError
from api.jobs.work import work
from api.store.closing.closed import Closed
from daq.results.result import EvaluationSettings
from daq.texts.message import say

ROOM = 4  # Parquet file, results and what making them needs, in sizes of the recording
LEAST_BYTES = 64 << 20
# What closing and evaluating need, without the Parquet library, which starts a thread.
_REPLAY = ("api.version", "daq.results.series.replay")


class CloseJob(Job, frozen=True):
    """Replays the raw recording into run.parquet and result.json."""

    folder: str
    time_limit_s: ClassVar[float] = 1800.0
    niceness: ClassVar[int] = 10
    most_waiting: ClassVar[int] = 1 << 30  # the keeper asks for one after the other
    loads: ClassVar[tuple[str, ...]] = _REPLAY

    def place(self) -> Path:
        return Path(self.folder)

    def most_bytes(self) -> int:
        # A recording from elsewhere may be made to unfold into far more than it is.
        with contextlib.suppress(OSError):
            return max(LEAST_BYTES, ROOM * (Path(self.folder) / RAW_NAME).stat().st_size)
        return LEAST_BYTES

    def run(self) -> bytes:
        from api.store.closing.close_run import close  # noqa: PLC0415

        return msgspec.json.encode(close(Path(self.folder)))


class EvaluateJob(Job, frozen=True):
    """Evaluates without keeping: the caller numbers and keeps the answer."""

    folder: str
    settings: EvaluationSettings
    time_limit_s: ClassVar[float] = LONG_S
    loads: ClassVar[tuple[str, ...]] = _REPLAY

    def run(self) -> bytes:
        from api.store.closing.evaluating import evaluate_folder  # noqa: PLC0415

        return msgspec.json.encode(evaluate_folder(Path(self.folder), self.settings))


async def close_in_worker(folder: Path, time_limit_s: float = 0.0) -> Closed:
    """Close the run in `folder`. Never raises for what the worker does; cancelling ends it."""
    try:
        told = await work(CloseJob(str(folder)), time_limit_s)
        return msgspec.json.decode(told, type=Closed)
    except WorkError as error:
        return Closed(False, error=error.problem)
    except msgspec.DecodeError as error:
        return Closed(False, error=say("evaluation-gave-no-usable-answer", error=error))
