"""Results of runs: evaluations, reports, exports, comparisons, vehicles and sets of runs.

Data flows: request -> role check -> a worker process for what is heavy (api.jobs), a
thread for what waits for disk or catalogue -> response. Raw data is never changed by anything here.
"""

from __future__ import annotations

import asyncio
import contextlib
from pathlib import Path as FilePath
from typing import Annotated, Literal
from weakref import WeakSet

import msgspec
from fastapi import APIRouter, Path, Query, Request
from msgspec import Meta
from starlette.background import BackgroundTask
from starlette.responses import FileResponse, Response

from api.http.answers.bodies import NO_NUL, ONE_LINE, WORD, answer, gives, read, takes
from api.http.answers.problems import Problem
from api.http.context import Context, context_of
from api.http.entry.tokens import Role
from api.jobs.job import Busy
from api.report.catalogue_facts import about_of, subject_of
from api.report.content import MEDIA
from api.report.html import POLICY
from api.report.jobs import GainReportJob, ReportJob
from api.services.comparing import Compared, Consistent, compare, consistency
from api.services.export_forms import ExportForm, ExportUnits, ExportWish
from api.services.jobs import ExportJob
from api.store import vehicle_records
from api.store.catalogue import Run
from api.store.closing.evaluating import lean, write_evaluation
from api.store.closing.evaluations import read_evaluation
from api.store.closing.jobs import EvaluateJob
from api.store.run_lifecycle import utc_now
from api.store.run_timeline import RunMoment, timeline
from api.store.scratch import Scratch
from daq.errors import NoSuchRun, RecordingError
from daq.quantities import UnitSystem
from daq.results.result import EvaluationSettings, Result
from daq.texts.catalogue import ENGLISH
from daq.texts.message import say
from daq.texts.reader import Reader

MOST_OUT = 8  # exports on their way at a time: each keeps its file until it was read
HEAD_BYTES = 1 << 20  # names, units and what the file says of itself
FEWER = say("ask-for-fewer-columns-or-make")
CELL_BYTES = 16  # of one value in the widest form
ALL_COLUMNS = 100

router = APIRouter(prefix="/api", tags=["results"])
_out: WeakSet[Scratch] = WeakSet()

RunId = Annotated[str, Path(pattern=r"^[0-9]{8}-[0-9]{6}-[0-9a-z]{4,12}$")]
Id = Annotated[str, Meta(pattern=r"^[0-9]{8}-[0-9]{6}-[0-9a-z]{4,12}(?![\s\S])")]
Name = Annotated[str, Meta(min_length=1, max_length=80, pattern=ONE_LINE)]
Word = Annotated[str, Query(max_length=80, pattern=WORD)]
Language = Annotated[str, Query(pattern=r"^[a-z]{2}$")]
Number = Annotated[int | None, Query(ge=1, le=9999)]


class Timeline(msgspec.Struct, frozen=True):
    moments: list[RunMoment]


class NewEvaluation(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    settings: EvaluationSettings = EvaluationSettings()


class Evaluated(msgspec.Struct, frozen=True):
    number: int
    result: Result


class Evaluations(msgspec.Struct, frozen=True):
    evaluations: list[vehicle_records.Evaluation]


class ComparisonRequest(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Runs before and after a change. `quantity` "" compares power, else the main figure."""

    before: Annotated[list[Id], Meta(min_length=2, max_length=50)]
    after: Annotated[list[Id], Meta(min_length=2, max_length=50)]
    quantity: Annotated[str, Meta(max_length=60, pattern=ONE_LINE)] = ""
    level: Annotated[float, Meta(gt=0.5, lt=1)] = 0.95


class Vehicles(msgspec.Struct, frozen=True):
    vehicles: list[vehicle_records.VehicleRecord]


class PutVehicle(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    name: Name
    owner: Annotated[str, Meta(max_length=120, pattern=ONE_LINE)] = ""
    about: Annotated[str, Meta(max_length=4000, pattern=NO_NUL)] = ""
    idle_rpm: Annotated[float, Meta(ge=100, le=3000)] | None = None  # of its engine
    max_rpm: Annotated[float, Meta(ge=500, le=20_000)] | None = None


class Sets(msgspec.Struct, frozen=True):
    sets: list[vehicle_records.RunSet]


class PutSet(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    name: Name
    runs: Annotated[list[Id], Meta(max_length=vehicle_records.MOST_MEMBERS)]
    about: Annotated[str, Meta(max_length=4000, pattern=NO_NUL)] = ""


@router.get("/runs/{run_id}/result", responses=gives(Result))
async def result(request: Request, run_id: RunId, number: Number = None) -> Response:
    """The whole result with its curves: the newest evaluation, or the one of that number."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    await _run(context, run_id)
    return answer(await _kept(context, run_id, number))


@router.get("/runs/{run_id}/timeline", responses=gives(Timeline))
async def run_timeline(request: Request, run_id: RunId) -> Response:
    """What happened in a run: phases, set points, faults, notices, each with its time in it."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    await _run(context, run_id)
    found = await asyncio.to_thread(timeline, context.keeper.runs_folder / run_id)
    return answer(Timeline(found))


@router.get("/runs/{run_id}/evaluations", responses=gives(Evaluations))
async def evaluations(request: Request, run_id: RunId) -> Response:
    """How often a run was evaluated, by whom, with which settings, and what came out."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    await _run(context, run_id)
    found = await asyncio.to_thread(
        vehicle_records.evaluations_of, context.keeper.catalogue, run_id
    )
    return answer(Evaluations(found))


@router.post(
    "/runs/{run_id}/evaluations",
    status_code=201,
    responses=gives(Evaluated, 201),
    openapi_extra=takes(NewEvaluation),
)
async def reevaluate(request: Request, run_id: RunId) -> Response:
    """Evaluate a run again with other settings; earlier evaluations stay."""
    context = context_of(request)
    caller = context.caller(request, Role.OPERATE)
    body = await read(request, NewEvaluation)
    await _run(context, run_id)
    folder = context.keeper.runs_folder / run_id
    told = await context.have_done(EvaluateJob(str(folder), body.settings))
    made = msgspec.json.decode(told, type=Result)

    def keep() -> int:
        told = vehicle_records.Evaluation(
            run_id, 0, utc_now(), caller.name, made.made.version, made.made.settings,
            made.answer, made.valid,
        )  # fmt: skip
        number = vehicle_records.note_evaluation(context.keeper.catalogue, told, lean(made))
        write_evaluation(folder, number, made)
        return number

    number = await asyncio.to_thread(keep)
    await context.audit.write(
        caller, "evaluate", "done", detail={"run_id": run_id, "number": number}
    )
    return answer(Evaluated(number, made), 201)


@router.get("/runs/{run_id}/report", responses=gives(None))
async def report(
    request: Request,
    run_id: RunId,
    form: Literal["html", "pdf"] = "html",
    number: Number = None,
    units: UnitSystem = UnitSystem.METRIC,
    language: Language = ENGLISH,
) -> Response:
    """The run's report: one HTML file that needs nothing else, or a PDF, in those units and that
    language; English where there is no catalogue of it."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    run = await _run(context, run_id)
    reader = Reader(units, language)
    about = await asyncio.to_thread(about_of, context.keeper.catalogue, run, number or 0, reader)
    folder = context.keeper.runs_folder / run_id
    return _document(await context.have_done(ReportJob(str(folder), form, about)), run_id, form)


@router.get("/runs/{run_id}/export", responses=gives(None))
async def export(
    request: Request,
    run_id: RunId,
    form: ExportForm = ExportForm.CSV,
    columns: Annotated[str, Query(max_length=4000, pattern=WORD)] = "",
    number: Number = None,
    units: ExportUnits = ExportUnits.SI,
    hz: Annotated[float, Query(ge=0, le=1000, allow_inf_nan=False)] = 0.0,
) -> Response:
    """A closed run as CSV, Parquet, ASAM MDF4, or its curves as a table; `columns` are names with
    commas; of the newest evaluation or that `number`; `hz` averages to so many rows a second."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    run = await _run(context, run_id)
    names = tuple(dict.fromkeys(name for name in columns.split(",") if name))
    if len(_out) >= MOST_OUT:
        raise Busy(
            say("exports-are-on-their-way-already", count=MOST_OUT), say("wait-until-one-through")
        )
    most = run.frames * (len(names) or ALL_COLUMNS) * CELL_BYTES + HEAD_BYTES
    # Of another evaluation than the first it may be measured anew beside it.
    with context.disk.reserve(most * (2 if number else 1) / 1e6, FEWER):
        return await _exported(
            context,
            run,
            form,
            ExportWish(names, number or 0, units, hz, run.vehicle, run.started_at),
            most,
        )


async def _exported(
    context: Context, run: Run, form: ExportForm, wish: ExportWish, most_bytes: int
) -> Response:
    scratch = await asyncio.to_thread(Scratch, context.settings.data, "export")
    _out.add(scratch)
    try:
        target = FilePath(scratch.name) / f"{run.id}.{form.suffix}"
        folder = context.keeper.runs_folder / run.id
        await context.have_done(ExportJob(str(folder), form.value, str(target), wish, most_bytes))
    except BaseException:
        _forget(scratch)
        raise
    return FileResponse(
        target,
        media_type=form.media,
        filename=target.name,
        background=BackgroundTask(_forget, scratch),
    )


@router.post("/compare", responses=gives(Compared), openapi_extra=takes(ComparisonRequest))
async def compare_runs(request: Request) -> Response:
    """Before against after over all valid repeats: gained, lost or not proven."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    body = await read(request, ComparisonRequest)
    await _known(context, body)
    found = await context.slowly(
        compare,
        context.keeper.runs_folder,
        body.before,
        body.after,
        body.quantity,
        body.level,
    )
    return answer(found)


@router.post("/compare/report", responses=gives(None), openapi_extra=takes(ComparisonRequest))
async def compare_report(
    request: Request,
    form: Literal["html", "pdf"] = "html",
    units: UnitSystem = UnitSystem.METRIC,
    language: Language = ENGLISH,
) -> Response:
    """The same comparison as a report for whoever asked for the change."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    body = await read(request, ComparisonRequest)
    await _known(context, body)
    subject = await asyncio.to_thread(
        subject_of,
        context.keeper.catalogue,
        [*body.before, *body.after],
        Reader(units, language),
    )
    job = GainReportJob(
        str(context.keeper.runs_folder), tuple(body.before), tuple(body.after), form, subject,
        body.quantity, body.level,
    )  # fmt: skip
    return _document(await context.have_done(job), "before-and-after", form)


@router.get("/consistency", responses=gives(Consistent))
async def chart(
    request: Request,
    set_name: Annotated[str, Query(alias="set", min_length=1, max_length=80, pattern=WORD)],
    quantity: Word = "",
) -> Response:
    """Control chart over the check runs of a set: does the rig still read what it read?"""
    context = context_of(request)
    context.caller(request, Role.WATCH)

    def look() -> Consistent:
        runs = vehicle_records.one_set(context.keeper.catalogue, set_name).runs
        return consistency(context.keeper.runs_folder, runs, quantity)

    return answer(await context.slowly(look))


@router.get("/vehicles", responses=gives(Vehicles))
async def vehicles(request: Request) -> Response:
    """Every vehicle with its owner and its number of runs."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    found = await asyncio.to_thread(vehicle_records.all_vehicles, context.keeper.catalogue)
    return answer(Vehicles(found))


@router.put(
    "/vehicles", responses=gives(vehicle_records.VehicleRecord), openapi_extra=takes(PutVehicle)
)
async def put_vehicle(request: Request) -> Response:
    """Add a vehicle, or change its owner, description and engine speeds."""
    context = context_of(request)
    caller = context.caller(request, Role.OPERATE)
    body = await read(request, PutVehicle)
    vehicle = vehicle_records.VehicleRecord(
        body.name, body.owner, body.about, utc_now(), idle_rpm=body.idle_rpm, max_rpm=body.max_rpm
    )
    await asyncio.to_thread(vehicle_records.put_vehicle, context.keeper.catalogue, vehicle)
    await context.audit.write(caller, "put-vehicle", "done", detail={"vehicle": body.name})
    return answer(vehicle)


@router.delete("/vehicles", status_code=204, responses=gives(None, 204))
async def drop_vehicle(
    request: Request, name: Annotated[str, Query(min_length=1, max_length=80, pattern=WORD)]
) -> Response:
    """Forget a vehicle and its owner; its runs keep its name."""
    context = context_of(request)
    caller = context.caller(request, Role.MAINTAIN)
    await asyncio.to_thread(vehicle_records.drop_vehicle, context.keeper.catalogue, name)
    await context.audit.write(caller, "drop-vehicle", "done", detail={"vehicle": name})
    return Response(status_code=204)


@router.get("/sets", responses=gives(Sets))
async def sets(request: Request) -> Response:
    """Every set of runs."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    return answer(Sets(await asyncio.to_thread(vehicle_records.all_sets, context.keeper.catalogue)))


@router.put("/sets", responses=gives(vehicle_records.RunSet), openapi_extra=takes(PutSet))
async def put_set(request: Request) -> Response:
    """Make a set of runs, or replace the runs in it."""
    context = context_of(request)
    caller = context.caller(request, Role.OPERATE)
    body = await read(request, PutSet)
    wanted = vehicle_records.RunSet(
        body.name, body.about, utc_now(), tuple(dict.fromkeys(body.runs))
    )
    await asyncio.to_thread(vehicle_records.put_set, context.keeper.catalogue, wanted)
    await context.audit.write(caller, "put-set", "done", detail={"set": body.name})
    return answer(wanted)


@router.delete("/sets", status_code=204, responses=gives(None, 204))
async def drop_set(
    request: Request, name: Annotated[str, Query(min_length=1, max_length=80, pattern=WORD)]
) -> Response:
    """Forget a set; its runs stay."""
    context = context_of(request)
    caller = context.caller(request, Role.OPERATE)
    await asyncio.to_thread(vehicle_records.drop_set, context.keeper.catalogue, name)
    await context.audit.write(caller, "drop-set", "done", detail={"set": name})
    return Response(status_code=204)


def _document(body: bytes, name: str, form: str) -> Response:
    headers = {"Content-Disposition": f'inline; filename="{name}.{form}"'}
    if form == "html":  # it brings its own style, which the page's policy would forbid
        headers["Content-Security-Policy"] = POLICY
    return Response(body, 200, headers, MEDIA[form])


async def _known(context: Context, body: ComparisonRequest) -> None:
    """Raises NoSuchRun when a run to compare is not in the catalogue."""
    asked = [*body.before, *body.after]
    known = await asyncio.to_thread(context.keeper.catalogue.known, asked)
    lacking = [run_id for run_id in asked if run_id not in known]
    if lacking:
        raise NoSuchRun(say("no-such-run", run=lacking[0]), say("look-at-list-runs"))


async def _run(context: Context, run_id: str) -> Run:
    run = await asyncio.to_thread(context.keeper.catalogue.run, run_id)
    if run is None:
        raise NoSuchRun(say("no-such-run", run=run_id), say("look-at-list-runs"))
    return run


async def _kept(context: Context, run_id: str, number: int | None) -> Result:
    folder = context.keeper.runs_folder / run_id
    try:
        return await asyncio.to_thread(read_evaluation, folder, number)
    except RecordingError as error:
        raise Problem(404, "no-evaluation", error.problem, error.remedy) from None


def _forget(scratch: Scratch) -> None:
    _out.discard(scratch)
    with contextlib.suppress(OSError):
        scratch.cleanup()
