"""The `drumlin` command: what a person or a script types. Each command hands over to one module.

Whatever goes wrong on purpose ends in one message with the next step and a non-zero exit code,
never in a traceback. Imports are made where they are used, so that each command starts quickly.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from api.cli.absorbers import absorbers
from api.cli.amounts import ForceOption, PowerOption, SpeedOption, amount, amount_if_given
from api.cli.audit import audit
from api.cli.front_end import front_end
from api.cli.heat import heat
from api.cli.prove import prove
from api.cli.runs import runs
from api.cli.shared import (
    DATA,
    NO,
    DataOption,
    JsonOption,
    RigOption,
    UnitsOption,
    expect_folder,
    for_reader,
    have_kernels,
)
from api.examples import DEMO_RIG
from daq.errors import DrumlinError
from daq.quantities import RPM, UnitSystem

app = typer.Typer(
    name="drumlin",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Acquisition and load control for heavy chassis dynamometers.",
)
tokens = typer.Typer(no_args_is_help=True, help="Who may watch, operate or maintain.")
app.add_typer(tokens, name="token")
app.add_typer(runs, name="runs")
app.add_typer(prove, name="prove")
app.add_typer(front_end, name="front-end")
app.command("heat")(heat)
app.command("absorbers")(absorbers)
app.command("audit")(audit)


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


@app.command()
def serve(
    rig: RigOption,
    port: Annotated[str, typer.Option(help="Serial device of the front end.")] = "",
    data: DataOption = DATA,
    listen: Annotated[str, typer.Option(help="HOST:PORT of the page and the interface.")] = "",
    settings: Annotated[Path | None, typer.Option(help="A drumlin.toml; optional.")] = None,
) -> None:
    """Run a rig: the loop process and the service process, until Ctrl-C."""
    from api.launch.serve import ServeSettings, parse_listen
    from api.launch.serve import serve as run
    from api.services.rig_in_force import in_force

    have_kernels()
    host, listen_port = parse_listen(listen)
    used = in_force(rig, data.absolute())
    if used != rig:
        _say(f"drumlin: the calibration in {data} is laid over {rig}.")
    run(ServeSettings(used, port, data.absolute(), host, listen_port, settings), _say)


@app.command()
def demo(
    rig: RigOption = DEMO_RIG,
    data: DataOption = DATA,
    listen: Annotated[str, typer.Option(help="HOST:PORT of the page and the interface.")] = "",
    settings: Annotated[Path | None, typer.Option(help="A drumlin.toml; optional.")] = None,
    unattended: Annotated[
        bool, typer.Option("--unattended", help="Run one hold by itself, then end.")
    ] = False,
    seconds: Annotated[float, typer.Option(help="Length of the unattended hold.")] = 60.0,
    rpm: Annotated[float, typer.Option(help="Engine speed of the unattended hold.")] = 1900.0,
    follow: Annotated[
        bool, typer.Option("--follow", help="The driver does what the running test asks.")
    ] = False,
    json: JsonOption = False,
) -> None:
    """Everything on one computer with a simulated rig and truck behind a serial device."""
    from api.launch.demo import DemoSettings
    from api.launch.demo import demo as run
    from api.launch.serve import parse_listen

    have_kernels()
    host, listen_port = parse_listen(listen)
    asked = DemoSettings(
        rig, data.absolute(), host, listen_port, settings, unattended, seconds, rpm, follow=follow
    )
    run(asked, _say, as_json=json)


@app.command()
def driver(
    what: Annotated[
        list[str],
        typer.Argument(
            help="pedal|brake PERCENT, gear N, transfer-case open|locked|rear, engine on|off, "
            "full, lift, drive-at METRES_PER_SECOND, mend."
        ),
    ],
    data: DataOption = DATA,
) -> None:
    """Tell the demo's driver what to do, e.g.: drumlin driver pedal 60."""
    from api.launch.demo import tell_driver

    tell_driver(data.absolute(), what)


@app.command()
def rehearse(
    what: Annotated[str, typer.Argument(help="A plan file, or a test kind with options.")],
    rig: RigOption = DEMO_RIG,
    rpm: Annotated[float | None, typer.Option(help="Engine speed to hold or begin at.")] = None,
    speed: SpeedOption = "",
    force: ForceOption = "",
    power: PowerOption = "",
    minutes: Annotated[float, typer.Option(help="Length of a hold or a climb.")] = 3.0,
    points: Annotated[str, typer.Option(help="Map points in rpm: 1500,1800,2100.")] = "",
    start: Annotated[str, typer.Option(help="Sweep (rpm) or coast (speed) from.")] = "",
    stop: Annotated[str, typer.Option(help="Sweep (rpm) or coast (speed) to.")] = "",
    rate: Annotated[float, typer.Option(help="Rate of a sweep, rpm per second.")] = 150.0,
    after: Annotated[str, typer.Option(help="Spool-up: speed or load held.")] = "speed",
    grade: Annotated[float | None, typer.Option(help="Grade of a climb, per cent.")] = None,
    route: Annotated[Path | None, typer.Option(help="Route of a climb, CSV or GPX.")] = None,
    trace: Annotated[Path | None, typer.Option(help="Speed trace, CSV.")] = None,
    mass: Annotated[
        str, typer.Option(help="Of the simulated road truck: 3600kg, 8000lb.")
    ] = "3600kg",
    trailer: Annotated[str, typer.Option(help="Mass of its trailer: 2000kg, 4400lb.")] = "0kg",
    gear: Annotated[int | None, typer.Option(help="Gear of the simulated truck.")] = None,
    pedal: Annotated[float, typer.Option(help="Pedal of the simulated driver, per cent.")] = 100.0,
    seed: Annotated[int, typer.Option(help="Seed of everything random.")] = 1,
    data: DataOption = DATA,
    units: UnitsOption = UnitSystem.METRIC,
    json: JsonOption = False,
) -> None:
    """Run a test against the simulated rig in virtual time, many times faster than real time."""
    from api.rehearsal.plan_options import COASTS, PlanOptions, plan_of
    from api.rehearsal.rehearse import PlanSettings
    from api.rehearsal.rehearse import rehearse as run
    from api.rehearsal.words import as_json, lines
    from api.services.plan_files import load_plan
    from api.services.thermal_status import heat_told
    from control.campaigns.campaign import Campaign

    if what.endswith(".toml"):
        plan = load_plan(Path(what))
    else:
        of, per = ("speed", 1.0) if what in COASTS else ("engine speed", RPM)
        begin = amount(start, of, units, "--start") * per if start else None
        end = amount(stop, of, units, "--stop") * per if stop else None
        asked = PlanOptions(
            rpm,
            amount_if_given(speed, "speed", units, "--speed"),
            amount_if_given(force, "force", units, "--force"),
            amount_if_given(power, "power", units, "--power"),
            minutes, points, begin, end, rate, after, grade, route, trace,
            amount(mass, "mass", units, "--mass"),
            amount(trailer, "mass", units, "--trailer"),
        )  # fmt: skip
        plan = plan_of(what, asked)
    have_kernels()
    result = run(PlanSettings(rig, plan, gear, pedal, seed))
    if not isinstance(plan, Campaign):
        result["heat"] = heat_told(rig, data, plan, result, units)
    print(as_json(result) if json else "\n".join(lines(result, units)))
    whole = "complete" if isinstance(plan, Campaign) else "valid"
    if not result.get(whole):
        why = result.get("void") or result.get("why") or result.get("reason") or "see above"
        _say(f"drumlin: this would not count: {why}.")
        raise typer.Exit(NO)


@app.command("compile")
def compile_now() -> None:
    """Compile the numerical kernels: once after an installation or an update."""
    have_kernels()
    _say("The numerical kernels are compiled.")


@app.command()
def examples(
    copy: Annotated[Path | None, typer.Option(help="A new directory to copy them to.")] = None,
) -> None:
    """Where the demo's rig file and the example plans are, or copies of them to adapt."""
    import shutil

    from api.examples import EXAMPLES, PLANS

    if copy is None:
        for path in (DEMO_RIG, *sorted(PLANS.glob("*.toml"))):
            print(path)
        return
    if copy.exists():
        raise DrumlinError(f"{copy} is there already.", "Give --copy a new directory.")
    shutil.copytree(EXAMPLES, copy, ignore=shutil.ignore_patterns("*.py", "__pycache__"))
    print(copy)


@app.command()
def blackbox(
    name: Annotated[str, typer.Argument(help="Which one; the newest when left out.")] = "",
    data: DataOption = DATA,
    all_names: Annotated[bool, typer.Option("--list", help="Only list what there is.")] = False,
    last: Annotated[float, typer.Option(help="Seconds before the end to tell.")] = 60.0,
    units: UnitsOption = UnitSystem.METRIC,
    json: JsonOption = False,
) -> None:
    """Tell what led to a trip: events, commands, set points of the last minute before it."""
    from api.cli.shared import print_json
    from api.report.black_box import lines, names, path_of, story

    if all_names:
        if json:
            print_json({"blackboxes": list(names(data))})
            return
        for each in names(data):
            print(each)
        return
    told = story(path_of(data, name), last)
    if json:
        print_json(told)
        return
    print("\n".join(lines(told, units)))


@tokens.command("add")
def token_add(
    name: Annotated[str, typer.Argument(help="Whose token it is.")],
    role: Annotated[str, typer.Option(help="watch, operate or maintain.")] = "operate",
    days: Annotated[
        int | None,
        typer.Option(min=1, max=3650, help="Days until it expires; never when left out."),
    ] = None,
    data: DataOption = DATA,
    json: JsonOption = False,
) -> None:
    """Make a token and show its secret once."""
    from api.cli.shared import print_json
    from api.http.entry.tokens import Role, TokenBook

    try:
        wanted = Role(role)
    except ValueError:
        raise DrumlinError(
            f"There is no role '{role}'.", "Use watch, operate or maintain."
        ) from None
    expect_folder(data)
    book = TokenBook(data)
    if wanted is not Role.MAINTAIN and not book.in_use:
        raise DrumlinError(
            "The first token must have the role maintain: from then on everybody needs one.",
            f"Make that one first: drumlin token add NAME --role maintain --data {data}.",
        )
    made, secret = book.add(name, wanted, days)
    if json:
        told = {"id": made.id, "name": made.name, "role": made.role.value, "token": secret}
        print_json({**told, "expires": made.expires})
        return
    print(secret)
    _say("Keep it now: it is not shown again.")


@tokens.command("list")
def token_list(data: DataOption = DATA, json: JsonOption = False) -> None:
    """All tokens, without their secrets."""
    from api.cli.shared import print_json
    from api.http.entry.tokens import TokenBook

    expect_folder(data)
    found = TokenBook(data).tokens()
    if json:
        told = [
            {"id": one.id, "name": one.name, "role": one.role.value, "made": one.made,
             "revoked": one.revoked, "expires": one.expires}
            for one in found
        ]  # fmt: skip
        print_json({"tokens": told})
        return
    for token in found:
        until = f"until {token.expires}" if token.expires else "valid"
        over = f"revoked {token.revoked}" if token.revoked else f"expired {token.expires}"
        state = until if token.valid else over
        print(f"{token.id}  {token.role.value:8}  {token.name}  made {token.made}  {state}")


@tokens.command("revoke")
def token_revoke(
    name: Annotated[str, typer.Argument(help="Name or id.")],
    data: DataOption = DATA,
    json: JsonOption = False,
) -> None:
    """End a token's validity, at once."""
    from api.cli.shared import done
    from api.http.entry.tokens import TokenBook

    expect_folder(data)
    token = TokenBook(data).revoke(name)
    told = {"id": token.id, "name": token.name, "revoked": token.revoked}
    done(told, f"{token.name} ({token.id}) is revoked.", json)


def main() -> None:
    """Entry of the console command."""
    try:
        app()
    except DrumlinError as error:
        _say(f"drumlin: {for_reader(error.problem)}")
        if error.remedy:
            _say(f"         {for_reader(error.remedy)}")
        sys.exit(getattr(error, "exit_code", 2))
    except KeyboardInterrupt:
        sys.exit(130)


if __name__ == "__main__":
    main()
