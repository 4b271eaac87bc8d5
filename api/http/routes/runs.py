"""Recorded runs: find, read, plot, annotate. Runs are never edited."""

from __future__ import annotations

import asyncio
import math
from typing import Annotated

import msgspec
from fastapi import APIRouter, Path, Query, Request
from msgspec import Meta
from starlette.responses import Response

from api.http.answers.bodies import NO_NUL, ONE_LINE, WORD, answer, gives, read, takes
from api.http.answers.problems import Problem
from api.http.context import context_of
from api.http.entry.tokens import Role
from api.store.catalogue import MAX_PAGE, MAX_TAGS, Note, Run, RunSummary, Search
from api.store.deleting import (
    LEAST_REASON_CHARS,
    MOST_REASON_CHARS,
    NAME_CHARS,
    Tombstone,
    delete_run,
)
from api.store.run_lifecycle import utc_now
from api.store.samples import MAX_BINS, MAX_COLUMNS, Samples, read_samples
from api.store.schema import RunState
from daq.errors import NoSuchRun
from daq.texts.message import say

router = APIRouter(prefix="/api/runs", tags=["runs"])

RunId = Annotated[str, Path(pattern=r"^[0-9]{8}-[0-9]{6}-[0-9a-z]{4,12}$")]
Tag = Annotated[str, Meta(min_length=1, max_length=40, pattern=ONE_LINE)]
Word = Annotated[str, Query(max_length=80, pattern=WORD)]
Seconds = Annotated[float, Query(ge=0, le=1e6, allow_inf_nan=False)]


class RunList(msgspec.Struct, frozen=True):
    runs: list[RunSummary]
    next: str  # pass as `before` for the next page; "" at the end


class NewNote(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    text: Annotated[str, Meta(min_length=1, max_length=4000, pattern=NO_NUL)]


class Deletion(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Who deletes a run, and why."""

    name: Annotated[str, Meta(min_length=1, max_length=NAME_CHARS, pattern=ONE_LINE)]
    reason: Annotated[
        str,
        Meta(min_length=LEAST_REASON_CHARS, max_length=MOST_REASON_CHARS, pattern=ONE_LINE),
    ]


class Tags(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    tags: Annotated[list[Tag], Meta(max_length=MAX_TAGS)]


class RunVehicle(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    vehicle: Annotated[str, Meta(max_length=80, pattern=ONE_LINE)]


@router.get("", responses=gives(RunList))
async def find(
    request: Request,
    q: Word = "",
    kind: Word = "",
    vehicle: Word = "",
    state: RunState | None = None,
    tag: Word = "",
    owner: Annotated[str, Query(max_length=120, pattern=WORD)] = "",
    set_name: Annotated[str, Query(alias="set", max_length=80, pattern=WORD)] = "",
    before: Word = "",
    limit: Annotated[int, Query(ge=1, le=MAX_PAGE)] = 50,
) -> Response:
    """Runs, newest first; `q` looks into ids, vehicles, notes and tags."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    wanted = state.value if state else ""
    search = Search(q, kind, vehicle, wanted, tag, before, limit + 1, owner, set_name)
    runs = await context.slowly(context.keeper.catalogue.find, search)
    more = len(runs) > limit
    return answer(RunList(runs[:limit], runs[limit - 1].id if more else ""))


@router.get("/{run_id}", responses=gives(Run))
async def one(request: Request, run_id: RunId) -> Response:
    """One run with plan, conditions, result, notes and tags."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    run = await asyncio.to_thread(context.keeper.catalogue.run, run_id)
    if run is None:
        raise NoSuchRun(say("no-such-run", run=run_id), say("look-at-list-runs"))
    return answer(run)


@router.get("/{run_id}/samples", responses=gives(Samples))
async def samples(
    request: Request,
    run_id: RunId,
    columns: Annotated[str, Query(max_length=4000, pattern=WORD)] = "",
    points: Annotated[int, Query(ge=1, le=MAX_BINS)] = 1000,
    from_s: Seconds = 0.0,
    to_s: Annotated[float | None, Query(ge=0, le=1e6, allow_inf_nan=False)] = None,
) -> Response:
    """Columns (comma-separated names) as least and greatest per bin; without columns, the list."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    names = list(dict.fromkeys(name for name in columns.split(",") if name))
    if len(names) > MAX_COLUMNS:
        raise Problem(
            422, "invalid", say("more-than-columns", most=MAX_COLUMNS), say("ask-for-fewer-at-time")
        )
    if not await asyncio.to_thread(context.keeper.catalogue.known, [run_id]):
        raise NoSuchRun(say("no-such-run", run=run_id), say("look-at-list-runs"))
    folder = context.keeper.runs_folder / run_id
    end = math.inf if to_s is None else to_s
    return answer(await context.slowly(read_samples, folder, names, points, from_s, end))


@router.post(
    "/{run_id}/notes", status_code=201, responses=gives(Note, 201), openapi_extra=takes(NewNote)
)
async def add_note(request: Request, run_id: RunId) -> Response:
    """Append a note."""
    context = context_of(request)
    caller = context.caller(request, Role.OPERATE)
    body = await read(request, NewNote)
    note = Note(utc_now(), caller.name, body.text)
    await asyncio.to_thread(context.keeper.catalogue.add_note, run_id, note)
    await context.audit.write(caller, "add-note", "done", detail={"run_id": run_id})
    return answer(note, 201)


@router.post("/{run_id}/delete", responses=gives(Tombstone), openapi_extra=takes(Deletion))
async def delete(request: Request, run_id: RunId) -> Response:
    """Take a run away for good; who, when and why stay."""
    context = context_of(request)
    caller = context.caller(request, Role.MAINTAIN)
    body = await read(request, Deletion)
    hand = context.campaigns.current
    needed = (
        [ran.run_id for ran in hand.sequence.runs]
        if hand is not None and not hand.sequence.ended
        else []
    )
    told = await context.slowly(
        delete_run, context.settings.data, context.keeper.catalogue, run_id, body.name,
        body.reason, caller.name, needed,
    )  # fmt: skip
    await context.audit.write(
        caller,
        "delete-run",
        "done",
        detail={"run_id": run_id, "name": told.name, "raw_sha256": told.raw_sha256},
        reason=told.reason,
    )
    return answer(told)


@router.put("/{run_id}/tags", responses=gives(Tags), openapi_extra=takes(Tags))
async def set_tags(request: Request, run_id: RunId) -> Response:
    """Replace the tags."""
    context = context_of(request)
    caller = context.caller(request, Role.OPERATE)
    body = await read(request, Tags)
    names = sorted(set(body.tags))
    await asyncio.to_thread(context.keeper.catalogue.set_tags, run_id, names)
    await context.audit.write(
        caller, "set-tags", "done", detail={"run_id": run_id, "tags": ", ".join(names)}
    )
    return answer(Tags(names))


@router.put("/{run_id}/vehicle", responses=gives(RunVehicle), openapi_extra=takes(RunVehicle))
async def set_vehicle(request: Request, run_id: RunId) -> Response:
    """Correct which vehicle it was."""
    context = context_of(request)
    caller = context.caller(request, Role.OPERATE)
    body = await read(request, RunVehicle)
    await asyncio.to_thread(context.keeper.catalogue.set_vehicle, run_id, body.vehicle)
    await context.audit.write(
        caller, "set-vehicle", "done", detail={"run_id": run_id, "vehicle": body.vehicle}
    )
    return answer(body)
