"""Permitted minutes as a map over power and speed, from the rotors as they are now.

Data flow: control.forecast.rig_heat.RigHeat -> a forward run per cell -> `endurance_map` for the
page and the command line.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec

from control.forecast.duty import DutySegment
from control.forecast.rig_heat import RigHeat

MAP_STEP_S = 3.0
MAP_HORIZON_S = 3600.0


class EnduranceMap(msgspec.Struct, frozen=True):
    """Permitted seconds at constant work: rows by power, columns by speed.

    0: the absorbers cannot take this power at this speed; `horizon_s`: that long or longer.
    """

    speeds_mps: tuple[float, ...]
    powers_w: tuple[float, ...]
    permitted_s: tuple[tuple[float, ...], ...]
    limiting: tuple[tuple[str, ...], ...]  # absorber that limits, "" when none
    torque_power_w: tuple[float, ...]  # most power at each speed by torque, cold
    horizon_s: float
    ambient_k: float
    start_k: tuple[float, ...]  # rim of each absorber at the start


def endurance_map(
    heat: RigHeat, speeds_mps: Sequence[float], powers_w: Sequence[float]
) -> EnduranceMap:
    """Permitted seconds over power and speed, from the rotors' present temperature."""
    rows: list[tuple[float, ...]] = []
    names: list[tuple[str, ...]] = []
    for power in powers_w:
        row: list[float] = []
        who: list[str] = []
        for speed in speeds_mps:
            if power > heat.torque_power(speed):
                row.append(0.0)
                who.append("")
                continue
            found = heat.through((DutySegment(MAP_HORIZON_S, power, speed),), dt_s=MAP_STEP_S)
            never = math.isnan(found.limited_after_s)
            row.append(MAP_HORIZON_S if never else found.limited_after_s)
            who.append("" if never else heat.rig.absorbers[found.limiting].name)
        rows.append(tuple(row))
        names.append(tuple(who))
    return EnduranceMap(
        tuple(speeds_mps), tuple(powers_w), tuple(rows), tuple(names),
        tuple(heat.torque_power(speed) for speed in speeds_mps), MAP_HORIZON_S, heat.ambient_k,
        heat.start_k,
    )  # fmt: skip
