"""`drumlin runs ...`: find, read, compare, report, export and re-evaluate recorded runs.

Data flows: command line -> the catalogue and run folders of a data directory -> tables for people,
or one JSON object with --json. Works beside a running service and without one. Exit codes: 0 done;
1 done, and the answer is no (void, not proven, drifted); 2 refused, with the remedy on standard
error. Imports are made where they are used, so that each command starts quickly.
"""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from daq.errors import DrumlinError, Refused
from daq.units import UnitSystem

runs = typer.Typer(no_args_is_help=True, help="Find, compare, report and export recorded runs.")

DataOption = Annotated[Path, typer.Option(help="Directory for runs, catalogue, tokens, memory.")]
UrlOption = Annotated[str, typer.Option("--store", help="Catalogue URL, if not SQLite in DATA.")]
UnitsOption = Annotated[UnitSystem, typer.Option(help="Units of what people read; JSON is SI.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON object, nothing else.")]
RunArgument = Annotated[str, typer.Argument(help="Run id, or 'last'.")]
DATA = Path("data")
NO = 1


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
    json: JsonOption = False,
) -> None:
    """Runs, newest first."""
    from api.store.catalogue import Search

    with _catalogue(data, store) as catalogue:
        search = Search(text, kind, vehicle, "", tag, "", limit, owner, set_name)
        found = catalogue.find(search)
    if json:
        _print_json({"runs": found})
        return
    rows = [
        (run.id, run.kind, run.vehicle or "—", run.state.value, f"{run.frames:,}",
         ", ".join(run.tags))
        for run in found
    ]  # fmt: skip
    _table(("run", "kind", "vehicle", "state", "frames", "tags"), rows, "No run fits.", right=(4,))


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
    from api.store import garage
    from api.store.kept import read_evaluation
    from daq.results.words import with_interval

    with _catalogue(data, store) as catalogue:
        run = _run(catalogue, run_id)
        history = garage.evaluations_of(catalogue, run.id)
    result = read_evaluation(_folder(data, run.id), number or None)
    if json:
        _print_json({"run": run, "evaluations": history, "result": result})
        raise typer.Exit(0 if result.valid else NO)
    out = _console()
    out.print(f"[bold]{run.id}[/]  {run.kind}  {run.vehicle}", highlight=False)
    out.print(f"Asked: {result.asked}", style="dim", highlight=False, markup=False)
    out.print(result.answer, style="bold", highlight=False, markup=False)
    for reason in result.void:
        out.print(f"Void: {reason}", highlight=False, markup=False)
    _table(
        ("figure", "value"),
        [(one.label, with_interval(one, units)) for one in result.figures],
        "No figures.",
        right=(1,),
    )
    for flag in result.flags:
        if not flag.voids:
            out.print(f"Flag: {flag.text}", highlight=False, markup=False)
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
    with _catalogue(data, store) as catalogue:
        run = _run(catalogue, run_id)
        kept = (set(run.tags) | {_line(name, 40) for name in names or ()}) - set(remove or ())
        catalogue.set_tags(run.id, sorted(kept))
        after = catalogue.run(run.id)
    told = after.tags if after else ()
    _done({"run_id": run.id, "tags": told}, f"{run.id}: {', '.join(told) or 'no tags'}", json)


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
    from api.store.keeper import utc_now

    if not text.strip() or len(text) > 4000:
        raise DrumlinError("A note has 1 to 4000 characters.", "Write a shorter one.")
    with _catalogue(data, store) as catalogue:
        run = _run(catalogue, run_id)
        added = Note(utc_now(), _line(who, 120), text)
        catalogue.add_note(run.id, added)
    _done({"run_id": run.id, "note": added}, f"Noted on {run.id}.", json)


@runs.command()
def compare(
    before: Annotated[str, typer.Option(help="Runs or sets before, with commas.")],
    after: Annotated[str, typer.Option(help="Runs or sets after, with commas.")],
    quantity: Annotated[str, typer.Option(help="Curve or figure; power without.")] = "",
    level: Annotated[float, typer.Option(min=0.5, max=0.999, help="Of the interval.")] = 0.95,
    report: Annotated[Path | None, typer.Option(help="Write a report: .pdf or .html.")] = None,
    data: DataOption = DATA,
    store: UrlOption = "",
    units: UnitsOption = UnitSystem.METRIC,
    json: JsonOption = False,
) -> None:
    """Did a change gain anything? Exit code 0 when gained, 1 when lost or not proven."""
    from api.comparing import compare as work
    from daq.results.words import shown

    with _catalogue(data, store) as catalogue:
        sides = [_expand(catalogue, side) for side in (before, after)]
        if report is not None:
            from api.report.render import render_gain
            from api.store.reporting import subject_of

            subject = subject_of(catalogue, [*sides[0], *sides[1]], units)
            form = report.suffix.removeprefix(".")
            body = render_gain(data / "runs", sides[0], sides[1], form, subject, quantity, level)
            _write(report, body, "--report")
    found = work(data / "runs", sides[0], sides[1], quantity, level)
    if json:
        _print_json(found)
        raise typer.Exit(0 if found.verdict == "gained" else NO)
    out = _console()
    out.print(found.sentence, style="bold", highlight=False, markup=False)
    rows = [
        (shown(one.x, found.x_unit, units=units), f"{100 * one.change:+.1f} %",
         f"{100 * one.low:+.1f} to {100 * one.high:+.1f} %", one.verdict)
        for one in found.per_bin
    ]  # fmt: skip
    if rows:
        _table((found.x_name, "change", "interval", ""), rows, "", right=(0, 1, 2))
    for warning in found.warnings:
        out.print(f"Not alike: {warning}", highlight=False, markup=False)
    for one in found.left_out:
        out.print(f"Left out: {one.run_id}: {one.why}", highlight=False, markup=False)
    raise typer.Exit(0 if found.verdict == "gained" else NO)


@runs.command()
def chart(
    which: Annotated[str, typer.Argument(help="Set of check runs, or run ids with commas.")],
    quantity: Annotated[str, typer.Option(help="Figure; the main one without.")] = "",
    data: DataOption = DATA,
    store: UrlOption = "",
    units: UnitsOption = UnitSystem.METRIC,
    json: JsonOption = False,
) -> None:
    """Does the rig still read what it read? Exit code 1 when a rule of the chart is broken."""
    from api.comparing import consistency
    from daq.results.words import shown

    with _catalogue(data, store) as catalogue:
        asked = _expand(catalogue, which)
    found = consistency(data / "runs", asked, quantity)
    if json:
        _print_json(found)
        raise typer.Exit(NO if found.chart.findings else 0)
    limits = found.chart
    told = {finding.index: finding for finding in limits.findings}
    width = 31
    rows = []
    for place, (run_id, value) in enumerate(zip(found.runs, limits.values, strict=True)):
        share = (value - limits.lower) / ((limits.upper - limits.lower) or 1.0)
        at = min(max(round(share * (width - 1)), 0), width - 1)
        strip = ["·"] * width
        strip[width // 2] = "│"
        strip[at] = "●"
        rows.append((
            run_id, shown(value, found.unit, units=units), "".join(strip),
            told[place].text if place in told else "",
        ))  # fmt: skip
    _table(("run", found.quantity, "three sigma either side", ""), rows, "No runs.", right=(1,))
    raise typer.Exit(NO if found.chart.findings else 0)


@runs.command()
def report(
    run_id: RunArgument,
    form: Annotated[str, typer.Option("--form", help="html or pdf.")] = "pdf",
    to: Annotated[Path | None, typer.Option(help="File; named after the run without.")] = None,
    number: Annotated[int, typer.Option(help="Evaluation; the newest without.")] = 0,
    data: DataOption = DATA,
    store: UrlOption = "",
    units: UnitsOption = UnitSystem.METRIC,
    json: JsonOption = False,
) -> None:
    """Write the run's report: one HTML file that needs nothing else, or a PDF."""
    from api.report.render import render
    from api.store.reporting import about_of

    with _catalogue(data, store) as catalogue:
        run = _run(catalogue, run_id)
        about = about_of(catalogue, run, number, units)
    body = render(_folder(data, run.id), form, about)
    target = to or Path(f"{run.id}.{form}")
    _write(target, body, "--to")
    _done({"run_id": run.id, "file": str(target), "bytes": len(body)}, str(target), json)


@runs.command()
def export(
    run_id: RunArgument,
    form: Annotated[str, typer.Option("--form", help="csv, parquet or mdf4.")] = "csv",
    to: Annotated[Path | None, typer.Option(help="File; named after the run without.")] = None,
    columns: Annotated[str, typer.Option(help="Names with commas; all without.")] = "",
    data: DataOption = DATA,
    store: UrlOption = "",
    json: JsonOption = False,
) -> None:
    """Write the run's samples for other programs."""
    from api.export import FORMS
    from api.export import export as work

    with _catalogue(data, store) as catalogue:
        run = _run(catalogue, run_id)
    suffix = FORMS[form][1] if form in FORMS else form
    target = to or Path(f"{run.id}.{suffix}")
    names = tuple(name for name in columns.split(",") if name)
    with _progress(f"Exporting {run.id}", quiet=json) as tell:
        rows = work(_folder(data, run.id), form, target, names, tell)
    told = {"run_id": run.id, "file": str(target), "rows": rows}
    _done(told, f"{target}: {rows:,} rows", json)


@runs.command()
def reevaluate(
    run_ids: Annotated[list[str], typer.Argument(help="Runs, or sets of runs.")],
    settings: Annotated[str, typer.Option(help='JSON, e.g. {"smooth_rpm": 100}.')] = "{}",
    rig: Annotated[Path | None, typer.Option(help="Measure again with this rig file.")] = None,
    data: DataOption = DATA,
    store: UrlOption = "",
    json: JsonOption = False,
) -> None:
    """Evaluate runs again. Recordings and earlier evaluations stay as they are."""
    import msgspec

    from api.store import garage
    from api.store.evaluating import evaluate_folder, lean, write_evaluation
    from api.store.keeper import utc_now
    from daq.results.result import Settings
    from daq.rig import load_rig

    try:
        wanted = msgspec.json.decode(settings, type=Settings)
    except msgspec.DecodeError as error:
        raise DrumlinError(
            f"These settings cannot be used: {error}.", "docs/results.md lists them."
        ) from None
    other = load_rig(rig) if rig is not None else None
    told: list[dict[str, Any]] = []
    with _catalogue(data, store) as catalogue:
        asked = [one for word in run_ids for one in _expand(catalogue, word)]
        with _progress("Evaluating", quiet=json) as tell:
            for place, run_id in enumerate(asked):
                run = _run(catalogue, run_id)
                folder = _folder(data, run.id)
                result = evaluate_folder(folder, wanted, other)
                row = garage.Evaluation(
                    run.id, 0, utc_now(), "command line", result.made.version,
                    result.made.settings, result.answer, result.valid,
                )  # fmt: skip
                number = garage.note_evaluation(catalogue, row, lean(result))
                write_evaluation(folder, number, result)
                told.append({"run_id": run.id, "number": number, "valid": result.valid,
                             "answer": result.answer})  # fmt: skip
                tell((place + 1) / len(asked))
    if json:
        _print_json({"evaluated": told})
    else:
        for each in told:
            _console().print(
                f"{each['run_id']} evaluation {each['number']}: {each['answer']}",
                highlight=False, markup=False, soft_wrap=True,
            )  # fmt: skip
    raise typer.Exit(0 if all(each["valid"] for each in told) else NO)


@runs.command("import")
def import_run(
    recording: Annotated[Path, typer.Argument(help="A raw.drm made on the same wire.")],
    vehicle: Annotated[str, typer.Option(help="Vehicle it was.")] = "",
    data: DataOption = DATA,
    store: UrlOption = "",
    json: JsonOption = False,
) -> None:
    """Take in a recording made elsewhere; it is copied, closed and evaluated."""
    from api.store.importing import import_recording

    with (
        _catalogue(data, store) as catalogue,
        _progress("Reading the recording", quiet=json) as tell,
    ):
        taken = import_recording(data / "runs", catalogue, recording, _line(vehicle, 80), tell)
    _done(taken, f"{taken.run_id}: {taken.frames:,} frames. {taken.answer}", json)


@runs.command("vehicle")
def vehicle_command(
    name: Annotated[str, typer.Argument(help="Vehicle; without it, all are listed.")] = "",
    owner: Annotated[str | None, typer.Option(help="Whose it is.")] = None,
    about: Annotated[str | None, typer.Option(help="What to know of it.")] = None,
    forget: Annotated[bool, typer.Option("--forget", help="Remove vehicle and owner.")] = False,
    data: DataOption = DATA,
    store: UrlOption = "",
    json: JsonOption = False,
) -> None:
    """List vehicles, or say whose one is."""
    from api.store import garage
    from api.store.keeper import utc_now

    with _catalogue(data, store) as catalogue:
        if name and forget:
            garage.drop_vehicle(catalogue, name)
        elif name and (owner is not None or about is not None):
            known = {one.name: one for one in garage.all_vehicles(catalogue)}
            was = known.get(name, garage.Vehicle(name, "", "", ""))
            garage.put_vehicle(
                catalogue,
                garage.Vehicle(
                    _line(name, 80),
                    was.owner if owner is None else _line(owner, 120),
                    was.about if about is None else about,
                    utc_now(),
                ),
            )
        found = garage.all_vehicles(catalogue)
    if json:
        _print_json({"vehicles": found})
        return
    _table(
        ("vehicle", "owner", "runs", "about"),
        [(one.name, one.owner, str(one.runs), one.about) for one in found],
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
    from api.store import garage
    from api.store.keeper import utc_now

    with _catalogue(data, store) as catalogue:
        if name and forget:
            garage.drop_set(catalogue, name)
        elif name and run_ids:
            members = tuple(_run(catalogue, each).id for each in run_ids)
            garage.put_set(catalogue, garage.RunSet(_line(name, 80), "", utc_now(), members))
        found = garage.all_sets(catalogue)
    if json:
        _print_json({"sets": found})
        return
    _table(
        ("set", "runs"),
        [(one.name, ", ".join(one.runs)) for one in found],
        "No sets.",
    )


# --- shared ---------------------------------------------------------------------------------------


@contextlib.contextmanager
def _catalogue(data: Path, url: str) -> Iterator[Any]:
    from api.store.catalogue import Catalogue

    if not data.is_dir():
        raise DrumlinError(
            f"There is no data directory {data}.", "Give it with --data, e.g. --data data."
        )
    catalogue = Catalogue.open(data, url)
    try:
        yield catalogue
    finally:
        catalogue.close()


def _run(catalogue: Any, run_id: str) -> Any:
    from api.store.catalogue import Search

    if run_id == "last":
        newest = catalogue.find(Search(limit=1))
        if not newest:
            raise DrumlinError("There are no runs yet.", "Record one first.")
        run_id = newest[0].id
    found = catalogue.run(run_id)
    if found is None:
        raise DrumlinError(f"There is no run {run_id}.", "See them with: drumlin runs list.")
    return found


def _expand(catalogue: Any, words: str) -> list[str]:
    """Run ids from ids and names of sets with commas between."""
    from api.store import garage
    from api.store.catalogue import RUN_ID

    found: list[str] = []
    for word in (each.strip() for each in words.split(",")):
        if word == "last" or RUN_ID.match(word):
            found.append(_run(catalogue, word).id)
        elif word:
            found += garage.one_set(catalogue, word).runs
    return list(dict.fromkeys(found))


def _folder(data: Path, run_id: str) -> Path:
    return data / "runs" / run_id


def _line(text: str, most: int) -> str:
    if len(text) > most or any(ord(letter) < 32 or ord(letter) == 127 for letter in text):
        raise Refused(
            f"'{text[:20]}...' is too long or holds control characters.",
            f"Use one line of at most {most} characters.",
            "invalid",
        )
    return text


def _write(target: Path, body: bytes, option: str) -> None:
    try:
        target.write_bytes(body)
    except OSError as error:
        raise DrumlinError(
            f"{target} cannot be written: {error}.", f"Give another {option}."
        ) from None


def _console() -> Any:
    from rich.console import Console

    return Console()


def _table(
    head: tuple[str, ...],
    rows: Sequence[tuple[str, ...]],
    nothing: str,
    right: tuple[int, ...] = (),
) -> None:
    from rich.table import Table
    from rich.text import Text

    out = _console()
    if not rows:
        out.print(nothing)
        return
    table = Table(box=None, pad_edge=False, header_style="dim")
    for place, name in enumerate(head):
        table.add_column(name, justify="right" if place in right else "left", overflow="fold")
    for row in rows:
        table.add_row(*(Text(cell) for cell in row))
    out.print(table)


@contextlib.contextmanager
def _progress(what: str, *, quiet: bool) -> Iterator[Callable[[float], None]]:
    """A bar on standard error for long work; nothing with --json or without a terminal."""
    if quiet or not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=1.0)
        yield lambda share: bar.update(task, completed=share)


def _print_json(told: Any) -> None:
    import msgspec

    print(msgspec.json.encode(told).decode())


def _done(told: Any, text: str, as_json: bool) -> None:
    if as_json:
        _print_json(told)
    else:
        _console().print(text, highlight=False, markup=False, soft_wrap=True)
