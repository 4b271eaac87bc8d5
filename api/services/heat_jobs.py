"""Questions about heat, worked out by a bounded process: nobody else waits for them.

Data flow: the rotors' memory on the disk, rig file, ambient now -> control.forecast -> JSON.
"""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

import msgspec

from api.jobs.job import Job
from control.forecast.question import Change
from control.test_kinds.plans import Plan
from daq.quantities import UnitSystem

HEAT_MB = 1024
# What every question about heat needs; none of it starts a thread.
_HEAT = ("api.services.thermal_status", "control.forecast.endurance", "control.forecast.outlook")


class EnduranceJob(Job, frozen=True):
    """Permitted seconds over power and speed, as control.forecast.endurance.EnduranceMap."""

    rig: str
    data: str
    ambient_k: float | None
    running: bool
    cold: bool
    speeds: int
    powers: int
    memory_mb: ClassVar[int] = HEAT_MB
    loads: ClassVar[tuple[str, ...]] = _HEAT

    def run(self) -> bytes:
        from api.services.thermal_status import endurance_told, rig_heat  # noqa: PLC0415
        from daq.rig.description import load_rig  # noqa: PLC0415

        rotors, _ = rig_heat(
            load_rig(Path(self.rig)), Path(self.data), self.ambient_k, self.running, self.cold
        )
        return msgspec.json.encode(endurance_told(rotors, self.speeds, self.powers))


class HeatJob(Job, frozen=True):
    """Whether the rig can run a plan by heat, as control.forecast.answer.HeatAnswer."""

    rig: str
    data: str
    ambient_k: float | None
    running: bool
    cold: bool
    plan: Plan
    power_w: float | None
    speed_mps: float | None
    ratio_per_m: float | None
    change: Change
    units: UnitSystem
    memory_mb: ClassVar[int] = HEAT_MB
    loads: ClassVar[tuple[str, ...]] = _HEAT

    def run(self) -> bytes:
        from api.services.thermal_status import rig_heat  # noqa: PLC0415
        from control.forecast.answer import answer  # noqa: PLC0415
        from control.forecast.duty import Expected  # noqa: PLC0415
        from daq.rig.description import load_rig  # noqa: PLC0415

        rotors, memory = rig_heat(
            load_rig(Path(self.rig)), Path(self.data), self.ambient_k, self.running, self.cold
        )
        expected = Expected(self.power_w, self.speed_mps, self.ratio_per_m or memory.ratio_per_m)
        return msgspec.json.encode(answer(self.plan, rotors, expected, self.units, self.change))


class OutlookJob(Job, frozen=True):
    """What heat says of a test that starts, as msgpack of control.forecast.outlook.Outlook."""

    rig: str
    data: str
    ambient_k: float | None
    plan: Plan
    power_w: float | None  # wheel power expected at full pedal; None: the most the rig can take
    speed_mps: float | None
    ratio_per_m: float | None  # as measured now; a learned one goes before it
    units: UnitSystem
    memory_mb: ClassVar[int] = HEAT_MB
    loads: ClassVar[tuple[str, ...]] = _HEAT

    def run(self) -> bytes:
        from api.services.thermal_status import rig_heat  # noqa: PLC0415
        from control.forecast.duty import Expected  # noqa: PLC0415
        from control.forecast.outlook import outlook  # noqa: PLC0415
        from daq.rig.description import load_rig  # noqa: PLC0415

        rotors, memory = rig_heat(
            load_rig(Path(self.rig)), Path(self.data), self.ambient_k, running=True
        )
        ratio = memory.ratio_per_m if memory.ratio_per_m is not None else self.ratio_per_m
        expected = Expected(self.power_w, self.speed_mps, ratio)
        return msgspec.msgpack.encode(outlook(self.plan, rotors, expected, self.units))
