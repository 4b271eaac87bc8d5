"""The names in a run's folder, and those in a data directory that several rooms use.

A file that one room alone writes and reads has its name there. docs/operating.md tells what each
holds.
"""

from __future__ import annotations

from pathlib import Path

RUNS_FOLDER = "runs"
RAW_NAME = "raw.drm"
PARQUET_NAME = "run.parquet"
RESULT_NAME = "result.json"
EVENTS_NAME = "events.json"
EVALUATIONS_FOLDER = "evaluations"

DELETED_FOLDER = "deleted"  # tombstones of runs
BLACK_BOXES_FOLDER = "blackbox"
MEMORY_NAME = "memory.json"


def run_folder(data: Path, run_id: str) -> Path:
    """Where a run lies."""
    return data / RUNS_FOLDER / run_id


def raw_of(data: Path, run_id: str) -> Path:
    """The recording of a run."""
    return run_folder(data, run_id) / RAW_NAME
