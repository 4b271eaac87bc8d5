"""Takes in a recording made elsewhere on the same wire: copied, closed and evaluated like any run.

Data flow: a raw.drm -> its header -> runs/<id>/raw.drm -> api.store.closing -> catalogue, tagged
"imported". On the command line the file given is only read, and closing is part of it; what came
by HTTP is moved into its place (`take_in`) and closed by the keeper. A recording that is there
already is refused.
"""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import msgspec

from api.store import garage
from api.store.catalogue import RUN_ID, Catalogue, NewRun
from api.store.closing import RAW_NAME, close
from api.store.keeper import new_run_id, started_at
from api.store.schema import RunState
from daq.errors import DrumlinError, RecordingError, Refused
from daq.recording import Recording
from daq.rig import Rig, parse_rig

IMPORTED = "imported"
INTERRUPTED_REASON = "The recording has no end: it was cut off where it was made."


class Taken(msgspec.Struct, frozen=True):
    run_id: str
    frames: int
    answer: str


def import_recording(
    runs_folder: Path,
    catalogue: Catalogue,
    source: Path,
    vehicle: str = "",
    progress: Callable[[float], None] | None = None,
) -> Taken:
    """Take a recording in. Raises RecordingError (not ours, disk) and Refused (already here)."""
    tell = progress or (lambda _: None)
    run_id, rig = _checked(runs_folder, catalogue, source)
    folder = runs_folder / run_id
    folder.mkdir(parents=True)
    try:
        shutil.copyfile(source, folder / RAW_NAME)
        tell(0.2)
        closed = close(folder)
        tell(0.9)
        if closed.error:
            raise RecordingError(f"The recording cannot be read: {closed.error}", "Copy it anew.")
        plan = closed.plan
        catalogue.begin_run(
            NewRun(run_id, rig.name, rig.fingerprint, closed.kind, closed.started_at, vehicle,
                   "", plan, closed.software)
        )  # fmt: skip
    except (DrumlinError, OSError):
        shutil.rmtree(folder, ignore_errors=True)
        raise
    state = RunState.CLOSED if closed.complete else RunState.INTERRUPTED
    catalogue.close_run(
        run_id,
        state,
        {
            "reason": closed.reason if closed.complete else INTERRUPTED_REASON,
            "ended_at": closed.ended_at,
            "frames": closed.frames,
            "raw_bytes": closed.raw_bytes,
            "conditions": closed.conditions,
            "result": closed.result,
        },
    )
    answer = ""
    if isinstance(closed.result, dict) and "made" in closed.result:
        garage.note_first(catalogue, run_id, closed.result)
        answer = str(closed.result["answer"])
    catalogue.set_tags(run_id, [IMPORTED])
    return Taken(run_id, closed.frames, answer)


def take_in(
    runs_folder: Path, catalogue: Catalogue, source: Path, vehicle: str = "", holder: str = ""
) -> str:
    """Move a recording to its place and note it as a run that waits to be closed; its id.

    Raises RecordingError and RigError (not ours) and Refused (already here).
    """
    run_id, rig = _checked(runs_folder, catalogue, source)
    folder = runs_folder / run_id
    folder.mkdir(parents=True)
    try:
        os.replace(source, folder / RAW_NAME)
        catalogue.begin_run(
            NewRun(run_id, rig.name, rig.fingerprint, "", started_at(run_id), vehicle, holder)
        )
        catalogue.end_run(run_id, "", "")  # when and how it ended is in the recording
    except (DrumlinError, OSError):
        shutil.rmtree(folder, ignore_errors=True)
        raise
    return run_id


def _checked(runs_folder: Path, catalogue: Catalogue, source: Path) -> tuple[str, Rig]:
    """Id and rig of a recording that can be taken in."""
    if not source.is_file():
        raise RecordingError(f"There is no file {source}.", "Give the raw.drm of a run.")
    header = Recording(source).header()
    rig = parse_rig(header.rig_text, "the recording's rig file")
    run_id = _id_of(header.run_id, header.started_utc)
    if catalogue.known([run_id]) or (runs_folder / run_id).exists():
        raise Refused(
            f"Run {run_id} is here already.",
            "Nothing was changed; evaluate it again if its results are old.",
            "run-exists",
        )
    return run_id, rig


def _id_of(run_id: str, started_utc: str) -> str:
    """The recording's own id when it is one, else one from its start."""
    if RUN_ID.match(run_id):
        return run_id
    try:
        moment = datetime.fromisoformat(started_utc)
    except ValueError:
        return new_run_id()
    return f"{moment:%Y%m%d-%H%M%S}-{secrets.token_hex(2)}"
