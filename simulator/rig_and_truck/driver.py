"""The driver in the simulated truck: follows a script of times and values, or is told live.

Data flows: script or `tell` -> `step` -> pedal, brake, gear and transfer case of the truck.
Pedal and brake are shares, 0 to 1. Gear: -1 automatic, 0 neutral, 1 to 6 held.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
import numpy.typing as npt

from simulator.rig_and_truck import layout as at

FOOT_PER_S = 5.0  # full stroke in 0.2 s, a determined foot
AUTOMATIC = -1
NEUTRAL = 0


class TransferCase(IntEnum):
    OPEN = 0
    LOCKED = 1
    REAR_ONLY = 2


@dataclass(frozen=True, slots=True)
class Moment:
    """One line of a script. What is None stays as it was; pedal and brake move linearly to here."""

    time_s: float
    pedal: float | None = None
    brake: float | None = None
    gear: int | None = None
    case: TransferCase | None = None


class Driver:
    """Holds what the driver does now. Starts with a foot on the brake, engine idling, in 4th."""

    def __init__(self) -> None:
        self.pedal = 0.0  # told
        self.brake = 0.3
        self.gear = 4
        self.case = TransferCase.LOCKED
        self.engine_on = True
        self.lock_up = True
        # A speed to drive at by eye (m/s over true time), for traces and warm-up; None: as told.
        self.drive_at: Callable[[float], float] | None = None
        self._script: tuple[Moment, ...] = ()
        self._times: list[float] = []
        self._pedal_line: tuple[list[float], list[float]] = ([], [])
        self._brake_line: tuple[list[float], list[float]] = ([], [])
        self._passed = 0
        self._reach = 0.0  # integrator of the driver by eye
        self._foot = 0.0
        self._foot_on_brake = 0.3

    def tell(
        self,
        pedal: float | None = None,
        brake: float | None = None,
        gear: int | None = None,
        case: TransferCase | None = None,
    ) -> None:
        """Say what to do from now on; giving pedal takes the foot off the brake, a script ends.

        Raises ValueError, saying what is allowed, when a value is out of range.
        """
        if pedal is not None and not 0.0 <= pedal <= 1.0:
            raise ValueError("The pedal goes from 0 to 1 (0 to 100 %).")
        if brake is not None and not 0.0 <= brake <= 1.0:
            raise ValueError("The brake goes from 0 to 1 (0 to 100 %).")
        if gear is not None and not -1 <= gear <= 6:
            raise ValueError("Gears are 1 to 6, 0 for neutral, -1 for automatic.")
        self._end_script()
        if pedal is not None:
            self.pedal = pedal
            self.drive_at = None
            if pedal > 0.0 and brake is None:
                self.brake = 0.0
        if brake is not None:
            self.brake = brake
            if brake > 0.0 and pedal is None:
                self.pedal = 0.0
                self.drive_at = None
        if gear is not None:
            self.gear = gear
        if case is not None:
            self.case = TransferCase(case)

    def follow(self, script: Sequence[Moment], now_s: float = 0.0) -> None:
        """Drive by a script whose times count from `now_s`."""
        self._script = tuple(sorted(script, key=lambda moment: moment.time_s))
        self._times = [moment.time_s + now_s for moment in self._script]
        self._passed = 0
        start_pedal, start_brake = self.pedal, self.brake
        self._pedal_line = ([now_s], [start_pedal])
        self._brake_line = ([now_s], [start_brake])
        for time_s, moment in zip(self._times, self._script, strict=True):
            if moment.pedal is not None:
                self._pedal_line[0].append(time_s)
                self._pedal_line[1].append(moment.pedal)
            if moment.brake is not None:
                self._brake_line[0].append(time_s)
                self._brake_line[1].append(moment.brake)

    def _end_script(self) -> None:
        self._script = ()
        self._times = []

    def step(
        self, now_s: float, speed_mps: float, dt: float, inputs: npt.NDArray[np.float64]
    ) -> None:
        """Put what the driver does at `now_s` into the inputs of the world."""
        if self._script:
            self.pedal = float(np.interp(now_s, *self._pedal_line))
            self.brake = float(np.interp(now_s, *self._brake_line))
            passed = bisect_right(self._times, now_s)
            for moment in self._script[self._passed : passed]:
                if moment.gear is not None:
                    self.gear = moment.gear
                if moment.case is not None:
                    self.case = moment.case
            self._passed = passed
            self._foot, self._foot_on_brake = self.pedal, self.brake
        else:
            if self.drive_at is not None:
                self._by_eye(self.drive_at(now_s) - speed_mps, dt)
            reach = FOOT_PER_S * dt
            if self._foot != self.pedal:
                self._foot += min(max(self.pedal - self._foot, -reach), reach)
            if self._foot_on_brake != self.brake:
                self._foot_on_brake += min(max(self.brake - self._foot_on_brake, -reach), reach)
        inputs[at.I_PEDAL] = self._foot
        inputs[at.I_BRAKE] = self._foot_on_brake
        inputs[at.I_GEAR] = self.gear
        inputs[at.I_CASE] = self.case
        inputs[at.I_ENGINE_ON] = 1.0 if self.engine_on else 0.0
        inputs[at.I_LOCK_UP] = 1.0 if self.lock_up else 0.0

    def _by_eye(self, error_mps: float, dt: float) -> None:
        self._reach = min(max(self._reach + 0.04 * error_mps * dt, 0.0), 1.0)
        wish = self._reach + 0.15 * error_mps
        self.pedal = min(max(wish, 0.0), 1.0)
        self.brake = min(max(-wish - 0.15, 0.0) * 0.5, 0.6)
