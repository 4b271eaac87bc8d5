"""The part of `drumlin runs ...` that computes: compare, chart, report, export, evaluate, import.

Data flows: command line -> api.services.comparing, api.report, api.services.export, api.store ->
tables for people, files, or one JSON object with --json. Exit codes as in api.cli.runs.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from api.cli.shared import (
    DATA,
    NO,
    DataOption,
    JsonOption,
    LanguageOption,
    RunArgument,
    UnitsOption,
    UrlOption,
    console,
    done,
    expand,
    one_line,
    open_catalogue,
    print_json,
    print_table,
    progress,
    run_of,
    waiting,
    write_file,
)
from api.folders import RUNS_FOLDER, run_folder
from daq.errors import DrumlinError
from daq.quantities import UnitSystem

if TYPE_CHECKING:
    from daq.results.result import Result
    from daq.texts.message import Text

results = typer.Typer()


@results.command()
def compare(
    before: Annotated[str, typer.Option(help="Runs or sets before, with commas.")],
    after: Annotated[str, typer.Option(help="Runs or sets after, with commas.")],
    quantity: Annotated[str, typer.Option(help="Curve or figure; power without.")] = "",
    level: Annotated[float, typer.Option(min=0.5, max=0.999, help="Of the interval.")] = 0.95,
    report: Annotated[Path | None, typer.Option(help="Write a report: .pdf or .html.")] = None,
    data: DataOption = DATA,
    store: UrlOption = "",
    units: UnitsOption = UnitSystem.METRIC,
    language: LanguageOption = "en",
    json: JsonOption = False,
) -> None:
    """Did a change gain anything? Exit code 0 when gained, 1 when lost or not proven."""
    from api.services.comparing import compare as work
    from daq.quantities import shown, signed_percent

    with open_catalogue(data, store) as catalogue:
        sides = [expand(catalogue, side) for side in (before, after)]
        if report is not None:
            from api.report.catalogue_facts import subject_of
            from api.report.render import render_gain
            from daq.texts.reader import Reader

            subject = subject_of(catalogue, [*sides[0], *sides[1]], Reader(units, language))
            form = report.suffix.removeprefix(".")
            with waiting("Drawing the report", quiet=json):
                body = render_gain(
                    data / RUNS_FOLDER, sides[0], sides[1], form, subject, quantity, level
                )
            write_file(report, body, "--report")
    with progress("Comparing", quiet=json) as tell:
        found = work(data / RUNS_FOLDER, sides[0], sides[1], quantity, level, tell=tell)
    if json:
        print_json(found)
        raise typer.Exit(0 if found.verdict == "gained" else NO)
    out = console()
    out.print(found.sentence, style="bold", highlight=False, markup=False)
    rows = [
        (shown(one.x, found.x_unit, units=units), f"{signed_percent(one.change)} %",
         f"{signed_percent(one.low)} to {signed_percent(one.high)} %", one.verdict)
        for one in found.per_bin
    ]  # fmt: skip
    if rows:
        print_table((found.x_name, "change", "interval", ""), rows, "", right=(0, 1, 2))
    for warning in found.warnings:
        out.print(f"Not alike: {warning}", highlight=False, markup=False)
    for one in found.left_out:
        out.print(f"Left out: {one.run_id}: {one.why}", highlight=False, markup=False)
    raise typer.Exit(0 if found.verdict == "gained" else NO)


@results.command()
def chart(
    which: Annotated[str, typer.Argument(help="Set of check runs, or run ids with commas.")],
    quantity: Annotated[str, typer.Option(help="Figure; the main one without.")] = "",
    data: DataOption = DATA,
    store: UrlOption = "",
    units: UnitsOption = UnitSystem.METRIC,
    json: JsonOption = False,
) -> None:
    """Does the rig still read what it read? Exit code 1 when a rule of the chart is broken."""
    from api.services.comparing import consistency
    from daq.quantities import shown

    with open_catalogue(data, store) as catalogue:
        asked = expand(catalogue, which)
    found = consistency(data / RUNS_FOLDER, asked, quantity)
    if json:
        print_json(found)
        raise typer.Exit(NO if found.chart.findings else 0)
    limits = found.chart
    marked = {finding.index for finding in limits.findings}
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
            "!" if place in marked else "",
        ))  # fmt: skip
    print_table(
        ("run", found.quantity, "three sigma either side", ""), rows, "No runs.", right=(1,)
    )
    out = console()
    for finding in limits.findings:  # a run may break several rules
        text = f"{found.runs[finding.index]}: {finding.text}"
        out.print(text, highlight=False, markup=False, soft_wrap=True)
    for one in found.left_out:
        out.print(f"Left out: {one.run_id}: {one.why}", highlight=False, markup=False)
    raise typer.Exit(NO if found.chart.findings else 0)


@results.command()
def report(
    run_id: RunArgument,
    form: Annotated[
        str, typer.Option("--format", help="html or pdf; after the name of --to, else pdf.")
    ] = "",
    to: Annotated[Path | None, typer.Option(help="File; named after the run without.")] = None,
    number: Annotated[int, typer.Option(help="Evaluation; the newest without.")] = 0,
    data: DataOption = DATA,
    store: UrlOption = "",
    units: UnitsOption = UnitSystem.METRIC,
    language: LanguageOption = "en",
    json: JsonOption = False,
) -> None:
    """Write the run's report: one HTML file that needs nothing else, or a PDF."""
    from api.report.catalogue_facts import about_of
    from api.report.render import render
    from daq.texts.reader import Reader

    with open_catalogue(data, store) as catalogue:
        run = run_of(catalogue, run_id)
        about = about_of(catalogue, run, number, Reader(units, language))
    form = form or _form_of(to, {"html": "html", "htm": "html"}, "pdf")
    with waiting(f"Drawing the report of {run.id}", quiet=json):
        body = render(run_folder(data, run.id), form, about)
    target = to or Path(f"{run.id}.{form}")
    write_file(target, body, "--to")
    done({"run_id": run.id, "file": str(target), "bytes": len(body)}, str(target), json)


@results.command()
def export(
    run_id: RunArgument,
    form: Annotated[
        str,
        typer.Option(
            "--format", help="csv, parquet, mdf4 or curves; after the name of --to, else csv."
        ),
    ] = "",
    to: Annotated[Path | None, typer.Option(help="File; named after the run without.")] = None,
    columns: Annotated[str, typer.Option(help="Names with commas; all without.")] = "",
    number: Annotated[int, typer.Option(help="Evaluation; the newest without.")] = 0,
    units: Annotated[str, typer.Option(help="si, metric or us.")] = "si",
    hz: Annotated[float, typer.Option(min=0, help="Averaged to so many rows a second.")] = 0.0,
    data: DataOption = DATA,
    store: UrlOption = "",
    json: JsonOption = False,
) -> None:
    """Write the run's samples, or the curves of its evaluation, for other programs."""
    from api.services.export import export as work
    from api.services.export_forms import ExportUnits, ExportWish, form_of

    wanted = form_of(form, to)
    try:
        system = ExportUnits(units)
    except ValueError:
        raise DrumlinError(f"There are no units '{units[:20]}'.", "Use si, metric or us.") from None
    with open_catalogue(data, store) as catalogue:
        run = run_of(catalogue, run_id)
    target = to or Path(f"{run.id}.{wanted.suffix}")
    names = tuple(name for name in columns.split(",") if name)
    wish = ExportWish(names, number, system, hz, run.vehicle, run.started_at)
    with progress(f"Exporting {run.id}", quiet=json) as tell:
        rows = work(run_folder(data, run.id), wanted, target, wish, tell)
    told = {"run_id": run.id, "file": str(target), "rows": rows}
    done(told, f"{target}: {rows:,} rows", json)


def _form_of(to: Path | None, by_suffix: dict[str, str], usual: str) -> str:
    """What a file's name says it will be."""
    return by_suffix.get(to.suffix.removeprefix(".").lower(), usual) if to is not None else usual


@results.command()
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

    from api.store import vehicle_records
    from api.store.closing.evaluating import evaluate_folder, lean, write_evaluation
    from api.store.run_lifecycle import utc_now
    from daq.results.result import EvaluationSettings
    from daq.rig.description import load_rig

    try:
        wanted = msgspec.json.decode(settings, type=EvaluationSettings)
    except msgspec.DecodeError as error:
        raise DrumlinError(
            f"These settings cannot be used: {error}.", "docs/results.md lists them."
        ) from None
    other = load_rig(rig) if rig is not None else None
    rig_text = rig.read_text(encoding="utf-8") if rig is not None else ""
    told: list[dict[str, Any]] = []
    with open_catalogue(data, store) as catalogue:
        asked = [one for word in run_ids for one in expand(catalogue, word)]
        with progress("Evaluating", quiet=json) as tell:
            for place, run_id in enumerate(asked):
                run = run_of(catalogue, run_id)
                folder = run_folder(data, run.id)
                result = evaluate_folder(folder, wanted, other)
                row = vehicle_records.Evaluation(
                    run.id, 0, utc_now(), "command line", result.made.version,
                    result.made.settings, result.answer, result.valid,
                )  # fmt: skip
                number = vehicle_records.note_evaluation(catalogue, row, lean(result))
                write_evaluation(folder, number, result, rig_text)
                told.append({"run_id": run.id, "number": number, "valid": result.valid,
                             "answer": result.answer,
                             "not_corrected": _not_corrected(result)})  # fmt: skip
                tell((place + 1) / len(asked))
    if json:
        print_json({"evaluated": told})
    else:
        for each in told:
            console().print(
                f"{each['run_id']} evaluation {each['number']}: {each['answer']}",
                highlight=False, markup=False, soft_wrap=True,
            )  # fmt: skip
    for each in told:
        if each["not_corrected"]:
            print(f"drumlin: {each['run_id']}: {each['not_corrected']}", file=sys.stderr)
    fine = all(each["valid"] and not each["not_corrected"] for each in told)
    raise typer.Exit(0 if fine else NO)


def _not_corrected(result: Result) -> Text:
    """Why the rule that was asked for was not applied; "" when it was, or none was asked for."""
    from daq.results.correction import Rule

    made = result.correction
    if made is None or result.made.settings.rule is Rule.NONE or made.rule != Rule.NONE.value:
        return ""
    return next(iter(made.reasons), "")


@results.command("import")
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
        open_catalogue(data, store) as catalogue,
        progress("Reading the recording", quiet=json) as tell,
    ):
        taken = import_recording(
            data / RUNS_FOLDER, catalogue, recording, one_line(vehicle, 80), tell
        )
    done(taken, f"{taken.run_id}: {taken.frames:,} frames. {taken.answer}", json)
