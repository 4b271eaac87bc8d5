"""`drumlin absorbers`: what the rig has found out about its absorbers and its load loop.

Data flow: memory.json in the data directory -> api.identified_now -> lines for people, or one JSON
object (SI) with --json. Reads only; the tune-up is accepted over HTTP by whoever is at the helm.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

_DEMO_RIG = Path(__file__).resolve().parent.parent / "rigs" / "tarnhow.toml"


def absorbers(
    rig: Annotated[Path, typer.Option(help="The rig file.")] = _DEMO_RIG,
    data: Annotated[Path, typer.Option(help="Directory for runs, memory.")] = Path("data"),
    json: Annotated[
        bool, typer.Option("--json", help="Print one JSON object, nothing else.")
    ] = False,
) -> None:
    """What identifications found of each absorber, and the tune-up's advice."""
    import msgspec

    from api.identified_now import identification, lines
    from api.proving import in_force
    from daq.rig import load_rig

    told = identification(load_rig(in_force(rig, data.absolute())), data)
    if json:
        print(msgspec.json.encode(told).decode())
        return
    print("\n".join(lines(told)))
