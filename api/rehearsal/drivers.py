"""How the simulated driver drives each test kind: by the same instructions that a person gets.

Data flow: the running test's phase and readings -> pedal, brake, gear of the simulated truck, a
hundred times a second. A driver reacts late and drives by eye; nothing here reads the truth, but
for the converter's lock-up, which a person feels.
"""

from __future__ import annotations

from api.rehearsal.virtual_rig import VirtualRig, drive_up
from control.test_kinds.base import Test, absorbed
from control.test_kinds.coast import CoastTest
from control.test_kinds.plans import (
    Coastdown,
    GradeClimb,
    Identification,
    Plan,
    PowerSweep,
    SnapSmoke,
    SpeedTrace,
    SpoolUp,
    SteadyHold,
    SteppedMap,
)
from control.test_kinds.trace import TraceTest

REACTION_S = 0.4
LEAD_S = 0.5  # how far a driver looks ahead of the trace
CRUISE_MPS = 18.0  # where force and power are held
PER_MPS_N = 3500.0  # a driver's answer to a speed error
PULL_N, PULL_W = 16_000.0, 230_000.0  # what full pedal gives, as a driver has learned it
IDLE_N, BRAKE_N = 300.0, 15_000.0  # lifting slows by so much; full brake
AUTOMATIC, NEUTRAL = -1, 0


class DriverOf:
    """Base: full pedal in a held gear, as for holds and maps."""

    gear: int | None = None

    def __init__(self, virtual: VirtualRig, plan: Plan, gear: int | None, pedal: float) -> None:
        self.virtual = virtual
        self.plan = plan
        self.driver = virtual.plant.driver
        self.pedal = pedal
        self._phase = ""
        self._since_s = 0.0
        self.chosen = gear if gear is not None else self.gear

    def begin(self) -> None:
        """Into the gear of the test and up to where it can start; the rig is ready."""
        if self.chosen is not None:
            self.driver.tell(gear=self.chosen)
        self.before()

    @property
    def speed_mps(self) -> float:
        """Speed shown for the last roll set, m/s."""
        measured = self.virtual.core.measured
        return measured.roll_sets[-1].speed.value if measured is not None else 0.0

    def before(self) -> None:
        """Drive to where the test can start."""
        raise NotImplementedError

    def in_phase(self, test: Test) -> float:
        """Seconds since this driver saw the phase begin."""
        now_s = self.virtual.plant.now_s
        if test.phase != self._phase:
            self._phase, self._since_s = test.phase, now_s
        return now_s - self._since_s

    def act(self, test: Test) -> None:
        """What to do now."""

    def up_to(self, rpm: float | None, speed_mps: float | None, pedal: float = 0.4) -> None:
        """Drive up unloaded until near a set point. Raises DrumlinError when it is not reached."""
        self.driver.tell(pedal=min(self.pedal, pedal))
        drive_up(self.virtual, rpm, speed_mps)


class HoldDriver(DriverOf):
    def before(self) -> None:
        plan = self.plan
        assert isinstance(plan, SteadyHold)  # noqa: S101 - by the table below
        if plan.rpm is None and plan.speed_mps is None:
            self.up_to(None, CRUISE_MPS)
            self.driver.drive_at = lambda _now_s: CRUISE_MPS
        else:
            self.up_to(plan.rpm, plan.speed_mps)
            self.driver.tell(pedal=self.pedal)


class MapDriver(DriverOf):
    def before(self) -> None:
        plan = self.plan
        assert isinstance(plan, SteppedMap)  # noqa: S101 - by the table below
        if plan.points_rpm:
            self.up_to(plan.points_rpm[0], None)
        else:
            self.up_to(None, plan.points_mps[0])
        self.driver.tell(pedal=self.pedal)


class SweepDriver(DriverOf):
    def before(self) -> None:
        plan = self.plan
        assert isinstance(plan, PowerSweep)  # noqa: S101 - by the table below
        self.up_to(plan.from_rpm, plan.from_mps)

    def act(self, test: Test) -> None:
        waited_s = self.in_phase(test)
        if test.phase == "full pedal" and waited_s > REACTION_S:
            self.driver.tell(pedal=self.pedal)


class SpoolDriver(DriverOf):
    def before(self) -> None:
        plan = self.plan
        assert isinstance(plan, SpoolUp)  # noqa: S101 - by the table below
        self.up_to(plan.rpm, plan.speed_mps, pedal=0.25)
        self._foot = 0.12

    def act(self, test: Test) -> None:
        plan = self.plan
        assert isinstance(plan, SpoolUp)  # noqa: S101 - by the table below
        measured = self.virtual.core.measured
        waited_s = self.in_phase(test)
        if test.phase == "light load" and measured is not None:
            newton, _ = absorbed(measured)
            self._foot += 4e-7 * (plan.light_force_n - newton)
            self._foot = min(max(self._foot, 0.0), 1.0)
            self.driver.tell(pedal=self._foot)
        elif test.phase != "light load" and waited_s > 3.0 * REACTION_S:
            self.driver.tell(pedal=self.pedal)


class ClimbDriver(DriverOf):
    gear = AUTOMATIC

    def before(self) -> None:
        plan = self.plan
        assert isinstance(plan, GradeClimb)  # noqa: S101 - by the table below
        self.up_to(None, 0.9 * plan.target_mps)
        self.driver.drive_at = lambda _now_s: plan.target_mps


class TraceDriver(DriverOf):
    """Anticipates: the force that the trace will need soon, and a share of the speed error."""

    gear = AUTOMATIC

    def before(self) -> None:
        plan = self.plan
        assert isinstance(plan, SpeedTrace)  # noqa: S101 - by the table below
        self._reach_n = 0.0
        first = plan.points[0][1]
        if first > 1.0:
            self.up_to(None, first)
            self.driver.drive_at = lambda _now_s: first
        else:
            self.driver.tell(brake=0.3)

    def act(self, test: Test) -> None:
        assert isinstance(test, TraceTest)  # noqa: S101 - by the table below
        driver, v = self.driver, self.speed_mps
        time_s = test.elapsed_s if test.phase == "trace" else 0.0
        wanted = test.speed_at(time_s + LEAD_S)
        if test.phase != "trace" and wanted > 1.0:
            return
        driver.drive_at = None
        if wanted < 0.1:
            driver.pedal, driver.brake = 0.0, 0.3 if v < 2.0 else 0.15
            self._reach_n = 0.0
            return
        truck = test.truck
        pull = (test.speed_at(time_s + 2.0 * LEAD_S) - test.speed_at(time_s)) / (2.0 * LEAD_S)
        error = wanted - v - 0.5 * LEAD_S * pull
        self._reach_n = min(max(self._reach_n + 8.0 * error, -4000.0), 4000.0)
        force = truck.road_n(v, truck.now.grade_percent)
        force += truck.load.effective_mass_kg * pull + PER_MPS_N * error + self._reach_n
        driver.pedal = min(max(force / min(PULL_N, PULL_W / max(v, 1.0)), 0.0), 1.0)
        driver.brake = min(max((-force - IDLE_N) / BRAKE_N, 0.0), 0.8)


class CoastDriver(DriverOf):
    def before(self) -> None:
        plan = self.plan
        assert isinstance(plan, Coastdown)  # noqa: S101 - by the table below
        self.up_to(None, 0.8 * plan.from_mps)
        self.driver.tell(pedal=0.3)

    def act(self, test: Test) -> None:
        assert isinstance(test, CoastTest)  # noqa: S101 - by the table below
        plan = test.plan
        if self.speed_mps > plan.from_mps + 2.0 * plan.lead_mps:
            self.driver.tell(pedal=0.0, brake=0.0, gear=NEUTRAL)


class IdentificationDriver(DriverOf):
    """In and out of gear: up to speed for each coast, then neutral."""

    gear = AUTOMATIC

    def before(self) -> None:
        self.up_to(None, 8.0)

    def act(self, test: Test) -> None:
        if test.phase == "drive-up":
            self.driver.tell(pedal=0.5, brake=0.0, gear=AUTOMATIC)
        else:
            self.driver.tell(pedal=0.0, brake=0.0, gear=NEUTRAL)


class SnapDriver(DriverOf):
    gear = NEUTRAL

    def before(self) -> None:
        self.driver.tell(brake=0.3)

    def act(self, test: Test) -> None:
        waited_s = self.in_phase(test)
        floored = test.phase == "snap" and REACTION_S < waited_s < REACTION_S + 2.5
        self.driver.pedal = 1.0 if floored else 0.0


DRIVERS: dict[type, type[DriverOf]] = {
    SteadyHold: HoldDriver,
    SteppedMap: MapDriver,
    PowerSweep: SweepDriver,
    SpoolUp: SpoolDriver,
    GradeClimb: ClimbDriver,
    SpeedTrace: TraceDriver,
    Coastdown: CoastDriver,
    SnapSmoke: SnapDriver,
    Identification: IdentificationDriver,
}

__all__ = ["DRIVERS", "DriverOf"]
