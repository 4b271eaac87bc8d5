"""What the driver must give beside a held speed: a power at the wheels, or that of a grade.

Data flow: SteadyHold -> DriverTarget -> power at the wheels for the speed that is held. The
absorbers hold the speed; whether the truck gives that power is the driver's and the truck's.
"""

from __future__ import annotations

from control.test_kinds.plans import SteadyHold
from control.test_kinds.road_load import check_grade, force
from control.test_kinds.simulated_road import road_load_of
from daq.errors import Refused
from daq.texts.message import say


class DriverTarget:
    """The aim of one hold."""

    def __init__(self, plan: SteadyHold) -> None:
        """Raises Refused when the plan's aim does not fit what it holds."""
        self._power_w = plan.target_power_w
        self._grade = plan.target_grade
        if self._grade is not None:
            self._load = road_load_of(self._grade.vehicle)
            check_grade(self._grade.percent)
        if not self:
            return
        if self._power_w is not None and self._grade is not None:
            raise Refused(
                say("hold-has-one-aim-not-two"),
                say("give-target-power-or-target-grade"),
                "plan-target",
            )
        if plan.rpm is None and plan.speed_mps is None:
            raise Refused(
                say("aim-for-driver-needs-held-speed"),
                say("hold-rpm-or-speed-beside-it"),
                "plan-target",
            )

    def __bool__(self) -> bool:
        return self._power_w is not None or self._grade is not None

    def power_w(self, speed_mps: float) -> float:
        """Power at the wheels that meets the aim at this roll speed."""
        if self._grade is None:
            return self._power_w or 0.0
        newton = force(
            self._load,
            speed_mps,
            grade_percent=self._grade.percent,
            headwind_mps=self._grade.vehicle.headwind_mps,
            air_kg_m3=self._grade.vehicle.air_kg_m3,
        )
        return newton * speed_mps
