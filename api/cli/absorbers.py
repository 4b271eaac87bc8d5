"""`drumlin absorbers`: what the rig has found out about its absorbers and its load loop.

Data flow: memory.json in the data directory -> api.services.absorber_status -> lines for people, or
one JSON object (SI) with --json. Reads only; the tune-up is accepted over HTTP by whoever is at the
helm.
"""

from __future__ import annotations

from api.cli.shared import (
    DATA,
    DataOption,
    JsonOption,
    RigOption,
    expect_folder_given,
    print_json,
)
from api.examples import DEMO_RIG


def absorbers(rig: RigOption = DEMO_RIG, data: DataOption = DATA, json: JsonOption = False) -> None:
    """What identifications found of each absorber, and the tune-up's advice."""
    from api.services.absorber_status import identification, lines
    from api.services.rig_in_force import in_force
    from daq.rig.description import load_rig

    expect_folder_given(data)
    told = identification(load_rig(in_force(rig, data.absolute())), data)
    if json:
        print_json(told)
        return
    print("\n".join(lines(told)))
