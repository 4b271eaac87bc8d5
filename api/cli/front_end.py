"""`drumlin front-end`: the file for a reference front end's flash, and a check of any front end.

Data flow: TOML -> daq.front_end.configuration -> UF2 or raw record; port ->
daq.front_end.conformance -> a line per question. Neither needs a rig file or a running service.
"""

from __future__ import annotations

import json as jsonlib
from pathlib import Path
from typing import Annotated

import typer

from api.cli.shared import JsonOption

front_end = typer.Typer(no_args_is_help=True, help="The board on the rig: configure and check it.")


@front_end.command()
def configure(
    wiring: Annotated[Path, typer.Argument(help="TOML file: what is wired to the board.")],
    out: Annotated[
        Path, typer.Option(help="File to write: .uf2 for the chip's USB drive, or .bin.")
    ],
    json: JsonOption = False,
) -> None:
    """Make the file for a board's flash from a TOML file; nothing is written to a board."""
    from daq.front_end.configuration import (
        FrontEndError,
        config_hash,
        load_configuration,
        record,
    )
    from daq.front_end.image import RECORD_START, uf2

    data = record(load_configuration(wiring))
    if out.suffix == ".uf2":
        out.write_bytes(uf2(data, RECORD_START))
    elif out.suffix == ".bin":
        out.write_bytes(data)
    else:
        raise FrontEndError(
            f"{out} ends neither in .uf2 nor in .bin.",
            "Name the file for the chip's USB drive .uf2, the bare record .bin.",
        )
    told = {"file": str(out), "bytes": len(data), "config_hash": f"{config_hash(data):016x}"}
    if json:
        print(jsonlib.dumps(told))
        return
    print(
        f"{out}: {len(data)} bytes of configuration; HELLO will carry hash {told['config_hash']}."
    )
    print("Put the board into its USB boot mode with the supplies off, and copy the file onto it.")


@front_end.command()
def check(
    port: Annotated[str, typer.Argument(help="Serial device of the front end.")],
    baud: Annotated[int, typer.Option(help="Rate of the line.")] = 2_000_000,
    at_rest: Annotated[
        bool,
        typer.Option(
            "--at-rest", help="Confirms: rolls at rest, supplies disconnected, nobody on the rig."
        ),
    ] = False,
    json: JsonOption = False,
) -> None:
    """Play sound, damaged and late frames to a front end and say what differs from docs/wire.md."""
    from daq.front_end.configuration import FrontEndError
    from daq.front_end.conformance import CAUTION, check_port

    if not at_rest:
        raise FrontEndError(
            CAUTION, "Make the rig safe first; then give --at-rest to confirm it and run the check."
        )
    findings = check_port(port, baud)
    failed = [finding for finding in findings if not finding.passed]
    if json:
        rows = [
            {"question": each.question, "passed": each.passed, "seen": each.seen}
            for each in findings
        ]
        print(jsonlib.dumps({"questions": len(findings), "failed": len(failed), "findings": rows}))
    else:
        for each in findings:
            print(
                f"{'as it should' if each.passed else 'DIFFERS':12}  {each.question}: {each.seen}"
            )
        print(f"{len(findings)} questions, {len(failed)} differ from docs/wire.md.")
    if failed:
        raise typer.Exit(1)
