"""Takes in a recording made elsewhere on the same wire: copied, closed and evaluated like any run.

Data flow: a raw.drm -> its header -> runs/<id>/raw.drm -> api.store.closing.close_run -> catalogue,
tagged "imported". On the command line the file given is only read, and closing is part of it; what
came by HTTP is moved into its place (`take_in`) and closed by the keeper. A recording that is there
already is refused.
"""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import msgspec

from api.folders import RAW_NAME
from api.store import vehicle_records
from api.store.catalogue import RUN_ID, Catalogue, NewRun
from api.store.deleting import tombstone_of
from api.store.run_lifecycle import new_run_id, started_at
from api.store.schema import RunState
from daq import wall_clock
from daq.errors import DrumlinError, RecordingError, Refused
from daq.recording.reader import Recording
from daq.rig.description import parse_rig
from daq.texts.message import Text, say
from daq.texts.published import text_of

FIRST_YEAR = 2000
IMPORTED = "imported"
INTERRUPTED_REASON = say("recording-was-cut-off-at-source")


class Looked(msgspec.Struct, frozen=True):
    """What a recording says of itself."""

    run_id: str  # its own when it has the form of one
    rig_name: str
    rig_fingerprint: str


class Taken(msgspec.Struct, frozen=True):
    run_id: str
    frames: int
    answer: Text


def import_recording(
    runs_folder: Path,
    catalogue: Catalogue,
    source: Path,
    vehicle: str = "",
    progress: Callable[[float], None] | None = None,
) -> Taken:
    """Take a recording in. Raises RecordingError (not ours, disk) and Refused (already here)."""
    # Only here: who looks at a recording, or moves it to its place, evaluates nothing.
    from api.store.closing.close_run import close  # noqa: PLC0415

    tell = progress or (lambda _: None)
    looked = look(source)
    run_id = looked.run_id
    folder = _place(runs_folder, catalogue, run_id)
    try:
        shutil.copyfile(source, folder / RAW_NAME)
        tell(0.2)
        closed = close(folder)
        tell(0.9)
        if closed.error:
            raise RecordingError(
                say("recording-cannot-be-read", why=closed.error), say("copy-anew")
            )
        plan = closed.plan
        catalogue.begin_run(
            NewRun(run_id, looked.rig_name, looked.rig_fingerprint, closed.kind,
                   closed.started_at, vehicle or closed.vehicle, "", plan, closed.software)
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
    answer: Text = ""
    if isinstance(closed.result, dict) and "made" in closed.result:
        vehicle_records.note_first(catalogue, run_id, closed.result)
        answer = text_of(closed.result["answer"])
    catalogue.set_tags(run_id, [IMPORTED])
    return Taken(run_id, closed.frames, answer)


def take_in(
    runs_folder: Path,
    catalogue: Catalogue,
    source: Path,
    looked: Looked,
    vehicle: str = "",
    holder: str = "",
) -> str:
    """Move a recording that was looked at to its place, as a run that waits to be closed; its id.

    Raises Refused (already here).
    """
    run_id = looked.run_id
    folder = _place(runs_folder, catalogue, run_id)
    try:
        os.replace(source, folder / RAW_NAME)
        catalogue.begin_run(
            NewRun(run_id, looked.rig_name, looked.rig_fingerprint, "", started_at(run_id),
                   vehicle, holder)
        )  # fmt: skip
        catalogue.end_run(run_id, "", "")  # when and how it ended is in the recording
    except (DrumlinError, OSError):
        shutil.rmtree(folder, ignore_errors=True)
        raise
    return run_id


def look(source: Path) -> Looked:
    """Who made it where. Raises RecordingError and RigError when it is none of ours."""
    if not source.is_file():
        raise RecordingError(say("there-no-file", path=source), say("give-raw-drm-of-run"))
    header = Recording(source).header()
    rig = parse_rig(header.rig_text, "the recording's rig file")
    return Looked(_id_of(header.run_id, header.started_utc), rig.name, rig.fingerprint)


def _place(runs_folder: Path, catalogue: Catalogue, run_id: str) -> Path:
    """A new folder for the run. Raises Refused when it is here already."""
    folder = runs_folder / run_id
    told = tombstone_of(runs_folder.parent, run_id)
    if told is not None:
        raise Refused(
            say("run-was-deleted-by", run=run_id, name=told.name, reason=told.reason),
            say("take-in-again-remove-its-tombstone"),
            "run-deleted",
        )
    if catalogue.known([run_id]) or folder.exists():
        raise Refused(
            say("run-here-already", run=run_id),
            say("nothing-was-changed-evaluate-again-if"),
            "run-exists",
        )
    folder.mkdir(parents=True)
    return folder


def _id_of(run_id: str, started_utc: str) -> str:
    """The recording's own id when it is one, else one from its start."""
    if RUN_ID.match(run_id) and _of_our_time(run_id):
        return run_id
    try:
        made = f"{datetime.fromisoformat(started_utc):%Y%m%d-%H%M%S}-{secrets.token_hex(2)}"
    except ValueError:
        return new_run_id()
    return made if RUN_ID.match(made) and _of_our_time(made) else new_run_id()


def _of_our_time(run_id: str) -> bool:
    """Ids stand in the order of their dates: one of 9999 would be the last run for ever."""
    label = started_at(run_id)
    if not label:
        return False
    tomorrow = wall_clock.utc_now() + timedelta(days=1)
    return int(label[:4]) >= FIRST_YEAR and datetime.fromisoformat(label) <= tomorrow
