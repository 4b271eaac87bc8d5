"""`drumlin runs ...`: find, read and annotate recorded runs; vehicles and sets of runs.

Data flows: command line -> the catalogue and run folders of a data directory -> tables for people,
or one JSON object with --json. Works beside a running service and without one. Exit codes: 0 done;
1 done, and the answer is no (void, not proven, drifted); 2 refused, with the remedy on standard
error. What computes (compare, report, export, ...) is in api.cli.results.
"""

from __future__ import annotations

from typing import Annotated

import typer

from api.cli import results
from api.cli.shared import (
    DATA,
    NO,
    DataOption,
    JsonOption,
    RunArgument,
    UnitsOption,
    UrlOption,
    console,
    done,
    one_line,
    open_catalogue,
    print_json,
    print_table,
    run_of,
    shown,
)
from api.folders import run_folder
from daq.errors import DrumlinError
from daq.quantities import UnitSystem

runs = typer.Typer(no_args_is_help=True, help="Find, compare, report and export recorded runs.")


@runs.command()
def delete(
    run_id: Annotated[str, typer.Argument(help="Run id in full.")],
    name: Annotated[str, typer.Option(help="Who you are.")],
    reason: Annotated[str, typer.Option(help="Why it has to go.")],
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    data: DataOption = DATA,
    store: UrlOption = "",
    json: JsonOption = False,
) -> None:
    """Take a run away for good: recording, results, notes. Who, when and why stay."""
    import getpass

    from api.store.deleting import delete_run

    with open_catalogue(data, store) as catalogue:
        run = run_of(catalogue, run_id) if run_id != "last" else None
        if run is None:
            raise DrumlinError("'last' is not deleted.", "Give the id of the run in full.")
        if not yes and not json:
            typer.confirm(shown(f"Delete {run.id} {run.kind} {run.vehicle} for good?"), abort=True)
        told = delete_run(
            data,
            catalogue,
            run.id,
            one_line(name, 80),
            one_line(reason, 500),
            f"{getpass.getuser()} on this computer",
        )
    done(told, f"Run {run.id} is deleted; {data}/deleted/{run.id}.json says by whom and why.", json)


@runs.command("list")
def list_runs(
    text: Annotated[str, typer.Argument(help="Words in id, kind, vehicle, tags or notes.")] = "",
    kind: Annotated[str, typer.Option(help="Test kind.")] = "",
    vehicle: Annotated[str, typer.Option(help="Vehicle by name.")] = "",
    owner: Annotated[str, typer.Option(help="Owner of the vehicle.")] = "",
    tag: Annotated[str, typer.Option(help="Tag.")] = "",
    set_name: Annotated[str, typer.Option("--set", help="Set of runs.")] = "",
    limit: Annotated[int, typer.Option(min=1, max=500, help="At most so many.")] = 30,
    data: DataOption = DATA,
    store: UrlOption = "",
    units: UnitsOption = UnitSystem.METRIC,
    json: JsonOption = False,
) -> None:
    """Runs, newest first, with the local time of their start and what came out."""
    from api.cli.run_words import local_time, verdict
    from api.store.catalogue import Search

    with open_catalogue(data, store) as catalogue:
        search = Search(text, kind, vehicle, "", tag, "", limit, owner, set_name)
        found = catalogue.find(search)
    if json:
        print_json({"runs": found})
        return
    rows = [
        (run.id, local_time(run.started_at), run.vehicle or "—", run.kind, verdict(run, units),
         ", ".join(run.tags))
        for run in found
    ]  # fmt: skip
    print_table(("run", "local time", "vehicle", "kind", "answer", "tags"), rows, "No run fits.")


@runs.command()
def show(
    run_id: RunArgument,
    number: Annotated[int, typer.Option(help="Evaluation; the newest without.")] = 0,
    data: DataOption = DATA,
    store: UrlOption = "",
    units: UnitsOption = UnitSystem.METRIC,
    json: JsonOption = False,
) -> None:
    """What was asked, what came out, and what to know about it."""
    from api.cli.run_words import figure_rows, sentences, tables
    from api.store import vehicle_records
    from api.store.closing.evaluations import numbered_evaluation
    from api.store.schema import RunState
    from daq.texts.message import render

    with open_catalogue(data, store) as catalogue:
        run = run_of(catalogue, run_id)
        history = vehicle_records.evaluations_of(catalogue, run.id)
    if run.state is RunState.FAILED and not history:
        raise DrumlinError(
            f"Run {run.id} could not be evaluated: {run.reason.rstrip('.')}.",
            "Its recording is as it was; see: drumlin runs reevaluate --help.",
        )
    which, result = numbered_evaluation(run_folder(data, run.id), number or None)
    if json:
        print_json({"run": run, "evaluations": history, "evaluation": which, "result": result})
        raise typer.Exit(0 if result.valid else NO)
    out = console()
    out.print(f"{run.id}  {run.kind}  {run.vehicle}", style="bold", highlight=False, markup=False)
    asked, answer, correction = sentences(result, units)
    out.print(f"Asked: {asked}", style="dim", highlight=False, markup=False)
    out.print(answer, style="bold", highlight=False, markup=False)
    out.print(f"Evaluation {which} of {len(history) or which}. {correction}", highlight=False,
              markup=False)  # fmt: skip
    for reason in result.void:
        out.print(f"Void: {render(reason, units)}", highlight=False, markup=False)
    print_table(("figure", "value"), figure_rows(result, units), "No figures.", right=(1,))
    for head, rows in tables(result, units):
        print_table(head, list(rows), "", right=tuple(range(1, len(head))))
    for flag in result.flags:
        if not flag.voids:
            out.print(f"Flag: {render(flag.text, units)}", highlight=False, markup=False)
    for note in run.notes:
        out.print(f"Note, {note.who}, {note.at}: {note.text}", highlight=False, markup=False)
    if run.tags:
        out.print(f"Tags: {', '.join(run.tags)}", highlight=False, markup=False)
    raise typer.Exit(0 if result.valid else NO)


@runs.command()
def tag(
    run_id: RunArgument,
    names: Annotated[list[str] | None, typer.Argument(help="Tags to add.")] = None,
    remove: Annotated[list[str] | None, typer.Option(help="Tag to take away.")] = None,
    data: DataOption = DATA,
    store: UrlOption = "",
    json: JsonOption = False,
) -> None:
    """Add or take away tags."""
    with open_catalogue(data, store) as catalogue:
        run = run_of(catalogue, run_id)
        kept = (set(run.tags) | {one_line(name, 40) for name in names or ()}) - set(remove or ())
        catalogue.set_tags(run.id, sorted(kept))
        after = catalogue.run(run.id)
    told = after.tags if after else ()
    done({"run_id": run.id, "tags": told}, f"{run.id}: {', '.join(told) or 'no tags'}", json)


@runs.command()
def note(
    run_id: RunArgument,
    text: Annotated[str, typer.Argument(help="What to note.")],
    who: Annotated[str, typer.Option(help="Who notes it.")] = "command line",
    data: DataOption = DATA,
    store: UrlOption = "",
    json: JsonOption = False,
) -> None:
    """Append a note. Notes are never changed."""
    from api.store.catalogue import Note
    from api.store.run_lifecycle import utc_now

    if not text.strip() or len(text) > 4000:
        raise DrumlinError("A note has 1 to 4000 characters.", "Write a shorter one.")
    with open_catalogue(data, store) as catalogue:
        run = run_of(catalogue, run_id)
        added = Note(utc_now(), one_line(who, 120), text)
        catalogue.add_note(run.id, added)
    done({"run_id": run.id, "note": added}, f"Noted on {run.id}.", json)


def _engine_speeds(idle_rpm: float | None, max_rpm: float | None) -> str:
    known = (idle_rpm, max_rpm)
    if known == (None, None):
        return ""
    return " to ".join("?" if one is None else f"{one:.0f}" for one in known)


@runs.command("vehicle")
def vehicle_command(
    name: Annotated[str, typer.Argument(help="Vehicle; without it, all are listed.")] = "",
    owner: Annotated[str | None, typer.Option(help="Whose it is.")] = None,
    about: Annotated[str | None, typer.Option(help="What to know of it.")] = None,
    idle_rpm: Annotated[
        float | None, typer.Option(min=100, max=3000, help="At which its engine idles.")
    ] = None,
    max_rpm: Annotated[
        float | None, typer.Option(min=500, max=20_000, help="At which its engine turns at most.")
    ] = None,
    forget: Annotated[bool, typer.Option("--forget", help="Remove vehicle and owner.")] = False,
    data: DataOption = DATA,
    store: UrlOption = "",
    json: JsonOption = False,
) -> None:
    """List vehicles, or say whose one is and how fast its engine may turn."""
    from api.store import vehicle_records
    from api.store.run_lifecycle import utc_now

    with open_catalogue(data, store) as catalogue:
        if name and forget:
            vehicle_records.drop_vehicle(catalogue, name)
        elif name and any(one is not None for one in (owner, about, idle_rpm, max_rpm)):
            known = {one.name: one for one in vehicle_records.all_vehicles(catalogue)}
            was = known.get(name, vehicle_records.VehicleRecord(name, "", "", ""))
            vehicle_records.put_vehicle(
                catalogue,
                vehicle_records.VehicleRecord(
                    one_line(name, 80),
                    was.owner if owner is None else one_line(owner, 120),
                    was.about if about is None else about,
                    utc_now(),
                    idle_rpm=was.idle_rpm if idle_rpm is None else idle_rpm,
                    max_rpm=was.max_rpm if max_rpm is None else max_rpm,
                ),
            )
        found = vehicle_records.all_vehicles(catalogue)
    if json:
        print_json({"vehicles": found})
        return
    print_table(
        ("vehicle", "owner", "runs", "engine, rpm", "about"),
        [
            (
                one.name,
                one.owner,
                str(one.runs),
                _engine_speeds(one.idle_rpm, one.max_rpm),
                one.about,
            )
            for one in found
        ],
        "No vehicles.",
        right=(2,),
    )


@runs.command("set")
def set_command(
    name: Annotated[str, typer.Argument(help="Set; without it, all are listed.")] = "",
    run_ids: Annotated[list[str] | None, typer.Argument(help="The runs in it.")] = None,
    forget: Annotated[bool, typer.Option("--forget", help="Remove the set; runs stay.")] = False,
    data: DataOption = DATA,
    store: UrlOption = "",
    json: JsonOption = False,
) -> None:
    """List sets of runs, or make one."""
    from api.store import vehicle_records
    from api.store.run_lifecycle import utc_now

    with open_catalogue(data, store) as catalogue:
        if name and forget:
            vehicle_records.drop_set(catalogue, name)
        elif name and run_ids:
            members = tuple(run_of(catalogue, each).id for each in run_ids)
            vehicle_records.put_set(
                catalogue, vehicle_records.RunSet(one_line(name, 80), "", utc_now(), members)
            )
        found = vehicle_records.all_sets(catalogue)
    if json:
        print_json({"sets": found})
        return
    print_table(
        ("set", "runs"),
        [(one.name, ", ".join(one.runs)) for one in found],
        "No sets.",
    )


runs.add_typer(results.results)
