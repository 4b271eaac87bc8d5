"""`drumlin prove ...`: verify and calibrate the rig, and see what is due.

Data flows: command line -> recordings, dead weights or the running service -> api.services.proving
-> proving.json in the data directory -> a table for people, or one JSON object (SI) with --json.
Exit codes: 0 done and passed; 1 done, and something failed or is due; 2 refused, with the remedy on
standard error. Imports are made where they are used, so that each command starts quickly.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from api.cli.amounts import amount, amounts
from api.cli.prove_words import CAUTION, figure_line, print_causes
from api.cli.shared import (
    DATA,
    NO,
    DataOption,
    JsonOption,
    RigOption,
    UnitsOption,
    done,
    expect_folder_given,
    print_json,
)
from api.examples import DEMO_RIG
from daq.errors import DrumlinError, Refused
from daq.quantities import UnitSystem

if TYPE_CHECKING:
    from daq.proving.calibration import CalibrationArm
    from daq.proving.record import Proof
    from daq.rig.description import Rig

prove = typer.Typer(no_args_is_help=True, help="Verify and calibrate the rig; see what is due.")

UrlOption = Annotated[str, typer.Option(help="Address of the running service.")]
TokenOption = Annotated[str, typer.Option(help="A token of the role maintain.")]


@prove.command("status")
def status(
    rig: RigOption = DEMO_RIG,
    data: DataOption = DATA,
    units: UnitsOption = UnitSystem.METRIC,
    json: JsonOption = False,
) -> None:
    """Every verification with its date and when it is due."""
    from api.services.proving import read_proving
    from daq.proving.diagnosis import diagnose
    from daq.proving.record import MEANINGS, standing
    from daq.wall_clock import today

    loaded, kept = _rig(rig, data), read_proving(data)
    found = standing(loaded, kept, today())
    causes = diagnose(loaded, kept)
    due = [one for one in found if one.state != "passed"]
    if json:
        print_json({"rig": loaded.name, "standing": found, "causes": causes})
    else:
        for one in found:
            when = f"done {one.done}, due {one.due}" if one.done else ""
            print(f"{one.state:8}  {MEANINGS[one.kind]:40}  {one.subject:14}  {when}")
            if one.proof is not None:
                for figure in one.proof.figures:
                    print(f"            {figure_line(figure, units)}")
                for note in one.proof.notes:
                    print(f"            note: {note}")
        print_causes(causes, units)
    raise typer.Exit(NO if due else 0)


@prove.command("zero")
def zero(
    take: Annotated[bool, typer.Option("--take", help="Take zeros first, at the service.")] = False,
    url: UrlOption = "http://127.0.0.1:8440",
    token: TokenOption = "",
    rig: RigOption = DEMO_RIG,
    data: DataOption = DATA,
    units: UnitsOption = UnitSystem.METRIC,
    json: JsonOption = False,
) -> None:
    """The zeros in use against the calibrated ones."""
    from api.cli.prove_live import ServiceClient
    from api.services.proving import prove_zero

    loaded = _rig(rig, data)
    if take:
        ServiceClient(url, token).take_zeros()
    _keep(loaded, data, prove_zero(loaded, data), units, json)


@prove.command("dead-weight")
def dead_weight(
    absorber: Annotated[str, typer.Argument(help="Whose load cell.")],
    setup: Annotated[Path, typer.Option(help="TOML: calibration_arm_m, cell_arm_m, ...")],
    loads: Annotated[
        Path | None,
        typer.Option(help="CSV: mass_kg (or mass_lb),count,rising,side. Without: read live."),
    ] = None,
    masses: Annotated[
        str, typer.Option(help="Live: in order, e.g. 0,20,40,60,80,60,40,20,0kg; bare by --units.")
    ] = "",
    seconds: Annotated[float, typer.Option(min=1, max=120, help="Live: mean over so long.")] = 5.0,
    url: UrlOption = "http://127.0.0.1:8440",
    token: TokenOption = "",
    rig: RigOption = DEMO_RIG,
    data: DataOption = DATA,
    units: UnitsOption = UnitSystem.METRIC,
    json: JsonOption = False,
) -> None:
    """Calibrate a load cell with dead weights, from a file or on the running rig."""
    from api.services.proving import prove_dead_weight, read_loads, read_setup

    loaded = _rig(rig, data)
    how: CalibrationArm = read_setup(_text(setup), loaded)
    if loads is not None:
        given = read_loads(_text(loads))
        basis = loads.name
    else:
        from api.cli.prove_live import live_loads

        wanted = amounts(masses, "mass", units, "--masses")
        given = live_loads(loaded, absorber, wanted, seconds, url, token, data, units)
        basis = "read on the running rig"
    _keep(loaded, data, prove_dead_weight(loaded, absorber, given, how, basis), units, json)


@prove.command("coasts")
def coasts(
    runs: Annotated[list[str], typer.Argument(help="Run ids or recordings of coasts.")],
    rig: RigOption = DEMO_RIG,
    data: DataOption = DATA,
    units: UnitsOption = UnitSystem.METRIC,
    json: JsonOption = False,
) -> None:
    """Base inertia and losses from coasts of free rolls: unloaded, and under two or more loads."""
    _from_runs("coasts", runs, rig, data, units, json)


@prove.command("daily")
def daily(
    run: Annotated[str, typer.Argument(help="Run id or recording of one short coast.")],
    rig: RigOption = DEMO_RIG,
    data: DataOption = DATA,
    units: UnitsOption = UnitSystem.METRIC,
    json: JsonOption = False,
) -> None:
    """The day's check: one coast of free rolls, under three minutes, against the rig file."""
    _from_runs("daily", [run], rig, data, units, json)


@prove.command("shunt")
def shunt(
    absorber: Annotated[str, typer.Argument(help="Whose load cell.")],
    shunt_ohm: Annotated[float, typer.Option("--shunt", help="Resistor across one arm, ohm.")],
    bridge_ohm: Annotated[float, typer.Option("--bridge", help="Of the cell, ohm.")] = 350.0,
    seconds: Annotated[float, typer.Option(min=1, max=30, help="Mean over so long.")] = 5.0,
    url: UrlOption = "http://127.0.0.1:8440",
    token: TokenOption = "",
    rig: RigOption = DEMO_RIG,
    data: DataOption = DATA,
    units: UnitsOption = UnitSystem.METRIC,
    json: JsonOption = False,
) -> None:
    """A known resistor across a cell's bridge, read on the running rig: under a minute."""
    from api.cli.prove_live import ServiceClient, wait_for_enter
    from api.services.proving import prove_shunt
    from daq.proving.quick_checks import shunt_signal
    from daq.proving.record import absorber_named

    loaded = _rig(rig, data)
    absorber_named(loaded, absorber)
    expected = shunt_signal(bridge_ohm, shunt_ohm)
    service = ServiceClient(url, token)
    print(CAUTION, file=sys.stderr)
    read = []
    for what in ("Nothing on the arm, shunt open", "Close the shunt", "Open the shunt again"):
        wait_for_enter(f"{what}, then press Enter: ")
        read.append(service.cell_force(absorber, seconds))
    _keep(loaded, data, prove_shunt(loaded, absorber, expected, (read[0], read[1], read[2])),
          units, json)  # fmt: skip


@prove.command("delay")
def delay(
    run: Annotated[str, typer.Argument(help="Run id or recording of a step test.")],
    rig: RigOption = DEMO_RIG,
    data: DataOption = DATA,
    units: UnitsOption = UnitSystem.METRIC,
    json: JsonOption = False,
) -> None:
    """Delay between force and speed, from a coast in which the load came on and off."""
    _from_runs("delay", [run], rig, data, units, json)


@prove.command("response")
def response(
    run: Annotated[str, typer.Argument(help="Run id or recording with steps of load.")],
    rig: RigOption = DEMO_RIG,
    data: DataOption = DATA,
    units: UnitsOption = UnitSystem.METRIC,
    json: JsonOption = False,
) -> None:
    """Settling of the force after steps of load, from an identification or a stepped coast."""
    _from_runs("response", [run], rig, data, units, json)


@prove.command("run-out")
def run_out(
    runs: Annotated[list[str], typer.Argument(help="Run ids or recordings with turning rolls.")],
    rig: RigOption = DEMO_RIG,
    data: DataOption = DATA,
    units: UnitsOption = UnitSystem.METRIC,
    json: JsonOption = False,
) -> None:
    """Pitch errors, run-out and number of teeth of the wheels; best from several free coasts."""
    _from_runs("run-out", runs, rig, data, units, json)


@prove.command("wiring")
def wiring(
    run: Annotated[str, typer.Argument(help="Run id or recording that loads one at a time.")],
    rig: RigOption = DEMO_RIG,
    data: DataOption = DATA,
    units: UnitsOption = UnitSystem.METRIC,
    json: JsonOption = False,
) -> None:
    """Whether each absorber's load arrives at its own cell and roll set."""
    _from_runs("wiring", [run], rig, data, units, json)


@prove.command("time-base")
def time_base(
    run: Annotated[str, typer.Argument(help="Run id or recording of at least 1000 s.")],
    pulses: Annotated[
        str, typer.Option(help="Wheel channel that gets one pulse per second; else the host clock.")
    ] = "",
    rig: RigOption = DEMO_RIG,
    data: DataOption = DATA,
    units: UnitsOption = UnitSystem.METRIC,
    json: JsonOption = False,
) -> None:
    """The front end's clock against network time of this computer, or one pulse per second."""
    _from_runs("time-base", [run], rig, data, units, json, pulses)


@prove.command("diameter")
def diameter(
    roll_set: Annotated[str, typer.Argument(help="Which roll set.")],
    circumferences: Annotated[
        str, typer.Option(help="Across the width: 3141.6,3141.5,3141.7mm, or in inches: 123.685in")
    ] = "",
    distance: Annotated[
        str, typer.Option(help="Or a distance rolled, e.g. 314.16m or 1030.7ft ...")
    ] = "",
    turns: Annotated[float | None, typer.Option(help="... in so many turns of the roll.")] = None,
    sigma: Annotated[
        str, typer.Option(help="Standard uncertainty of one reading: 0.1mm, 0.004in.")
    ] = "",
    dials: Annotated[
        str, typer.Option(help="Dial readings of the surface's run-out: 0.02,0.05mm.")
    ] = "",
    rig: RigOption = DEMO_RIG,
    data: DataOption = DATA,
    units: UnitsOption = UnitSystem.METRIC,
    json: JsonOption = False,
) -> None:
    """Diameter of a roll set from circumferences, or from a distance rolled in known turns."""
    import math

    from api.services.proving import prove_diameter
    from daq.proving.rolls import roll_radius

    loaded = _rig(rig, data)
    print(CAUTION, file=sys.stderr)
    found = roll_radius(
        amounts(circumferences, "small length", units, "--circumferences"),
        distance_m=amount(distance, "distance", units, "--distance") if distance else math.nan,
        turns=math.nan if turns is None else turns,
        reading_sigma_m=amount(sigma, "small length", units, "--sigma") if sigma else math.nan,
        dials_m=amounts(dials, "small length", units, "--dials"),
    )
    how = "circumferences" if circumferences else "a distance rolled"
    _keep(loaded, data, prove_diameter(loaded, roll_set, found, how), units, json)


@prove.command("lines")
def lines(
    rig: RigOption = DEMO_RIG,
    data: DataOption = DATA,
    units: UnitsOption = UnitSystem.METRIC,
    json: JsonOption = False,
) -> None:
    """Print the lines that the passed proofs would write into the rig file (SI, as it is)."""
    from api.services.proving import expect_same_rig, read_proving
    from daq.proving.overlay import rig_lines

    proving = read_proving(data)
    expect_same_rig(proving, _rig(rig, data))
    if json:
        print_json({"values": proving.values(), "lines": rig_lines(proving.values())})
        return
    print(rig_lines(proving.values()), end="")


@prove.command("apply")
def apply(
    rig: RigOption = DEMO_RIG,
    data: DataOption = DATA,
    out: Annotated[
        Path | None, typer.Option(help="Write a whole rig file here instead of an overlay.")
    ] = None,
    units: UnitsOption = UnitSystem.METRIC,
    json: JsonOption = False,
) -> None:
    """Lay what was proven over the rig file from the next start on, or write a new rig file."""
    from api.services.proving import read_proving, write_overlay
    from api.services.rig_in_force import CALIBRATION_NAME
    from daq.proving.overlay import merged

    text = _text(rig)
    loaded = _rig(rig, data)
    if out is not None:
        if out.exists():
            raise Refused(f"{out} is there already.", "Give another name.", "exists")
        made = merged(text, read_proving(data).values(), str(rig))
        out.write_text(made, encoding="utf-8")
        done({"file": str(out)}, f"{out}: the rig file with what was proven.", json)
        return
    file = write_overlay(loaded, text, data)
    path = data / CALIBRATION_NAME
    text = f"{path}: {len(file.values)} values, in force at the next start."
    done({"file": str(path), "values": file.values}, text, json)


# --- helpers -----------------------------------------------------------------------------------


def _from_runs(
    kind: str,
    runs: list[str],
    rig: Path,
    data: Path,
    units: UnitSystem,
    json: bool,
    pulses: str = "",
) -> None:
    from api.services.proving import of_runs, recording_of

    loaded = _rig(rig, data)
    paths = [recording_of(data, run) for run in runs]
    _keep(loaded, data, of_runs(kind, loaded, paths, pulses), units, json)


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise DrumlinError(
            f"{path} cannot be read: {error}.", "Check its name and rights."
        ) from None


def _rig(rig: Path, data: Path) -> Rig:
    from api.services.rig_in_force import in_force
    from daq.rig.description import load_rig

    expect_folder_given(data)
    return load_rig(in_force(rig, data))


def _keep(rig: Rig, data: Path, proofs: Sequence[Proof], units: UnitSystem, json: bool) -> None:
    from api.services.proving import keep
    from daq.proving.overlay import rig_lines

    causes = keep(data, rig, proofs).causes
    if json:
        print_json({"proofs": proofs, "causes": causes})
    else:
        for proof in proofs:
            verdict = "passed" if proof.passed else "FAILED"
            print(f"{verdict}  {proof.kind} {proof.subject}, due {proof.due}, from {proof.basis}")
            for figure in proof.figures:
                print(f"        {figure_line(figure, units)}")
            for note in proof.notes:
                print(f"        note: {note}")
        values = {key: value for one in proofs if one.passed for key, value in one.values.items()}
        if values:
            print("\nFor the rig file (or drumlin prove apply):\n")
            print(rig_lines(values), end="")
        print_causes(causes, units)
    raise typer.Exit(0 if all(proof.passed for proof in proofs) else NO)
