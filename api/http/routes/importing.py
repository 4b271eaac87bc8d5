"""Takes in a recording made elsewhere on the same wire, sent as the body of one request.

Data flow: body, in pieces and bounded -> a file of its own in the data directory -> header checked
-> runs/<id>/raw.drm -> the keeper's queue, which has it closed and evaluated like any run. No name
that was sent is ever used for a file: the run's id comes from the recording, and only when it has
the form of one.
"""

from __future__ import annotations

import asyncio
from pathlib import Path as FilePath
from typing import Annotated

import msgspec
from fastapi import APIRouter, Query, Request
from starlette.requests import ClientDisconnect
from starlette.responses import Response

from api.folders import RAW_NAME
from api.http.answers.bodies import (
    WORD_OF_ONE_LINE,
    answer,
    expect_file,
    gives,
    length_of,
    takes_file,
)
from api.http.answers.problems import Problem
from api.http.context import Context, context_of
from api.http.entry.tokens import Role
from api.jobs.job import Busy, WorkError
from api.services.jobs import LookJob
from api.store.closing.jobs import ROOM
from api.store.importing import IMPORTED, Looked, take_in
from api.store.scratch import scratch
from daq.texts.message import say

PIECE_TIME_S = 20.0  # between two pieces
WHOLE_TIME_S = 1800.0
BUFFER_BYTES = 1 << 20
ELSEWHERE = say("make-room-in-data-directory-then")

router = APIRouter(prefix="/api", tags=["runs"])
_busy = asyncio.Lock()


class Imported(msgspec.Struct, frozen=True):
    """A recording that was taken in; it is closed and evaluated next."""

    run_id: str
    bytes: int


@router.post(
    "/runs/import",
    status_code=202,
    responses=gives(Imported, 202),
    openapi_extra=takes_file(),
)
async def take(
    request: Request, vehicle: Annotated[str, Query(max_length=80, pattern=WORD_OF_ONE_LINE)] = ""
) -> Response:
    """Send a raw recording (`raw.drm`) as the body; watch the run's state for its evaluation."""
    context = context_of(request)
    caller = context.caller(request, Role.OPERATE)
    declared = _declared(request, context)
    if _busy.locked():
        raise Problem(
            409,
            "import-running",
            say("another-recording-being-taken-in"),
            say("wait-until-through-then-send-one"),
        )
    most_mb = (1 + ROOM) * declared / 1e6
    async with _busy:
        with (
            context.disk.reserve(most_mb, ELSEWHERE),
            scratch(context.settings.data, "import") as folder,
        ):
            path = folder / RAW_NAME
            size = await _receive(request, path, declared)
            looked = await _look(context, path)
            run_id = await asyncio.to_thread(_keep, context, path, looked, vehicle, caller.name)
    context.keeper.close_soon(run_id)
    await context.audit.write(
        caller, "import", "done", detail={"run_id": run_id, "bytes": size, "vehicle": vehicle}
    )
    return answer(Imported(run_id, size), 202)


def _declared(request: Request, context: Context) -> int:
    """Length of the body as announced, when it may be sent at all."""
    expect_file(request, "a recording", RAW_NAME)
    declared = length_of(request)
    if declared is None:
        raise Problem(411, "length", say("length-recording-not-given"), say("send-content-length"))
    most_mb = context.settings.store.import_mb
    if declared > most_mb * 1_000_000:
        raise Problem(
            413,
            "too-large",
            say("recording-larger-than-mb", most_mb=most_mb),
            say("use-drumlin-runs-import-on-computer"),
        )
    return declared


async def _receive(request: Request, path: FilePath, declared: int) -> int:
    """The body into a file; its size. What is more than announced, late or cut off is refused."""
    late = Problem(
        408,
        "slow-body",
        say("nothing-recording-arrived-for-s-or", limit=PIECE_TIME_S),
        say("check-network-then-send-again"),
    )
    size = 0
    buffer = bytearray()
    stream = request.stream().__aiter__()
    try:
        async with asyncio.timeout(WHOLE_TIME_S):
            with path.open("wb") as file:
                while True:
                    async with asyncio.timeout(PIECE_TIME_S):
                        piece = await anext(stream, None)
                    if piece is None:
                        break
                    size += len(piece)
                    if size > declared:
                        raise Problem(
                            413, "too-large", say("more-was-sent-than-announced"), say("send-again")
                        )
                    buffer += piece
                    if len(buffer) >= BUFFER_BYTES:
                        await asyncio.to_thread(file.write, bytes(buffer))
                        buffer.clear()
                await asyncio.to_thread(file.write, bytes(buffer))
    except TimeoutError:
        raise late from None
    except ClientDisconnect:
        raise Problem(400, "cut-off", say("request-was-cut-off"), say("send-again")) from None
    if size < declared:
        raise Problem(400, "cut-off", say("less-was-sent-than-announced"), say("send-again"))
    return size


async def _look(context: Context, path: FilePath) -> Looked:
    """In a process of its own, for a while only: nobody knows what was sent."""
    try:
        return msgspec.json.decode(await context.have_done(LookJob(str(path))), type=Looked)
    except Busy:
        raise
    except WorkError as error:
        # The path of our own scratch file would tell the sender nothing.
        told = str(error.problem).replace(str(path), "What was sent")
        raise Problem(422, "not-a-recording", told, error.remedy) from None


def _keep(context: Context, path: FilePath, looked: Looked, vehicle: str, holder: str) -> str:
    """Into the runs' folder and the catalogue."""
    keeper = context.keeper
    run_id = take_in(keeper.runs_folder, keeper.catalogue, path, looked, vehicle, holder)
    keeper.catalogue.set_tags(run_id, [IMPORTED])
    return run_id
