"""An absorber's map as points a person can read: torque over current and speed.

Data flow: rig file + what was identified -> `absorber_map` -> routes and the command line.
"""

from __future__ import annotations

import msgspec

from control.absorber.identified import Identified, described
from control.absorber.map import COLD_K, map_row, torque_at
from daq.rig.description import Absorber, Rig

CURRENT_SHARES = (0.25, 0.5, 0.75, 1.0)
SPEEDS = 8


class MapPoint(msgspec.Struct, frozen=True):
    """Torque at the absorber's shaft, N.m: by the map in force, and by the rig file."""

    current_a: float
    roll_speed_mps: float
    torque_nm: float
    described_nm: float


class AbsorberMapNow(msgspec.Struct, frozen=True):
    """One absorber: what was identified, whether it is in force, and its cold map."""

    name: str
    in_force: bool  # false: never identified, or the rig file was edited since
    identified: Identified | None
    gain: float  # learned in use on top of it
    points: tuple[MapPoint, ...]


def absorber_map(
    rig: Rig, absorber: Absorber, found: Identified | None, gain: float = 1.0
) -> AbsorberMapNow:
    """The map in force beside the rig file's, with a rotor at 20 degC."""
    known = described(absorber, found)
    in_force = found is not None and known is not absorber
    shape = found.shape if found is not None and in_force else ()
    now, guess = map_row(known, gain, shape), map_row(absorber)
    roll_set = next(one for one in rig.roll_sets if one.name == absorber.roll_set)
    top = min(rig.limits.max_speed_mps, roll_set.max_speed_mps)
    points = []
    for share in CURRENT_SHARES:
        for k in range(SPEEDS):
            speed = top * (k + 1) / SPEEDS
            shaft = speed * absorber.gear_ratio / roll_set.roll_radius_m
            current = share * absorber.max_current_a
            points.append(
                MapPoint(
                    current,
                    speed,
                    torque_at(now, current, shaft, COLD_K),
                    torque_at(guess, current, shaft, COLD_K),
                )
            )
    return AbsorberMapNow(absorber.name, in_force, found, gain, tuple(points))
