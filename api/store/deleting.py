"""Takes a run away for good, by a person who says who they are and why; a tombstone stays.

Data flow: run id, name, reason -> tombstone `deleted/<id>.json` -> rows of the catalogue -> folder.
In that order: cut off anywhere, asking again finishes it, and what was there is not found anew.
"""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Sequence
from pathlib import Path

import msgspec

from api.folders import DELETED_FOLDER, RAW_NAME, run_folder
from api.store.atomic_file import atomic_write
from api.store.catalogue import RUN_ID, Catalogue, Run
from api.store.run_lifecycle import utc_now
from api.store.schema import RunState
from daq.errors import NoSuchRun, Refused, StoreError
from daq.texts.message import say

NAME_CHARS = 80
LEAST_REASON_CHARS = 5
MOST_REASON_CHARS = 500


class Tombstone(msgspec.Struct, frozen=True):
    """What stays of a run."""

    run_id: str
    deleted_at: str  # UTC label
    name: str  # of the person
    holder: str  # token or account it was done with
    reason: str
    kind: str = ""
    vehicle: str = ""
    started_at: str = ""
    raw_bytes: int = 0
    raw_sha256: str = ""  # of the recording, so that a copy kept elsewhere can be told


def delete_run(
    data: Path,
    catalogue: Catalogue,
    run_id: str,
    name: str,
    reason: str,
    holder: str,
    needed: Sequence[str] = (),
) -> Tombstone:
    """Delete a run. Raises NoSuchRun, Refused (still being written, needed) and StoreError.

    `needed`: ids of runs that something under way counts on.
    """
    name, reason = " ".join(name.split()), " ".join(reason.split())
    if not name or len(reason) < LEAST_REASON_CHARS:
        raise Refused(
            say("run-not-deleted-without-name-reason"),
            say("say-who-you-are-in-few"),
            "who-and-why",
        )
    run = catalogue.run(run_id)
    folder = run_folder(data, run_id)
    told = tombstone_of(data, run_id)
    if run is None and not (told is not None and folder.exists()):
        raise NoSuchRun(say("no-such-run", run=run_id), say("look-at-list-runs"))
    if run is not None and run.state in (RunState.RECORDING, RunState.CLOSING):
        raise Refused(
            say("run-still-being-recorded-or-evaluated", run=run_id),
            say("wait-until-closed-then-delete"),
            "run-open",
        )
    if run_id in needed:
        raise Refused(
            say("campaign-under-way-counts-on-run", run=run_id),
            say("end-campaign-first-or-leave-run"),
            "run-needed",
        )
    try:
        if told is None:
            told = _tombstone(run_id, folder, run, name[:NAME_CHARS], reason, holder)
            kept = data / DELETED_FOLDER
            kept.mkdir(exist_ok=True)
            body = msgspec.json.format(msgspec.json.encode(told), indent=2) + b"\n"
            atomic_write(kept / f"{run_id}.json", body)
        catalogue.remove(run_id)
        if folder.is_symlink():
            folder.unlink()
        elif folder.exists():
            shutil.rmtree(folder)
    except OSError as error:
        raise StoreError(
            say("run-could-not-be-deleted", run=run_id, error=error),
            say("check-data-directory-its-rights-then"),
        ) from None
    return told


def tombstone_of(data: Path, run_id: str) -> Tombstone | None:
    """What stays of a deleted run; None: it was not deleted."""
    if not RUN_ID.match(run_id):
        return None
    try:
        return msgspec.json.decode(
            (data / DELETED_FOLDER / f"{run_id}.json").read_bytes(), type=Tombstone
        )
    except (OSError, msgspec.DecodeError):
        return None


def _tombstone(
    run_id: str, folder: Path, run: Run | None, name: str, reason: str, holder: str
) -> Tombstone:
    size, digest = 0, ""
    if (folder / RAW_NAME).is_file():
        with (folder / RAW_NAME).open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
            size = file.tell()
    return Tombstone(
        run_id, utc_now(), name, holder, reason[:MOST_REASON_CHARS],
        run.kind if run else "", run.vehicle if run else "", run.started_at if run else "",
        size, digest,
    )  # fmt: skip
