"""Engine speeds that a plan may ask for: those of the vehicle on the rolls, else the rig file's."""

from __future__ import annotations

import msgspec

from daq.rig.description import Rig


class EngineRange(msgspec.Struct, frozen=True):
    """`vehicle`: whose idle and greatest speed, rpm; "": the default of the rig file."""

    idle_rpm: float
    max_rpm: float
    vehicle: str = ""


def engine_range(
    rig: Rig, vehicle: str = "", idle_rpm: float | None = None, max_rpm: float | None = None
) -> EngineRange:
    """The range of a vehicle; what is not known of it is the rig file's default."""
    return EngineRange(
        idle_rpm or rig.limits.engine_idle_rpm,
        max_rpm or rig.limits.engine_max_rpm,
        vehicle if idle_rpm or max_rpm else "",
    )
