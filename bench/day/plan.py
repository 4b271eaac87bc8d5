"""A rig, a truck and a driver for a whole day, for bench.day: what is asked, breaks, must hold.

Data flow: DayRig.advance -> the core as the loop would step it, what passes written down, and every
few frames a look at what a person would see; broken rules are collected in `broken`.
"""

from __future__ import annotations

import math
import sys
from typing import Any

import msgspec

from api.launch.demo_driver import Follower
from bench.support.recorded import RIG_FILE, RecordedRig
from control.core.core import Core, CoreOutput
from control.safety.faults import TABLE, Effect
from control.telemetry import State
from control.test_kinds.plans import (
    Coastdown,
    Grade,
    GradeClimb,
    Plan,
    PowerSweep,
    RoadVehicle,
    SnapSmoke,
    SpeedTrace,
    SpoolUp,
    SteadyHold,
    SteppedMap,
)
from daq.readings import Quality
from daq.rig.description import load_rig
from daq.wire.frames import CURRENT_STEP_A
from simulator.seat import tell

FRAME_HZ = 250
LOOK_EVERY = 12  # frames between two looks of driver and watcher
QUIET_S = 6.0  # after a mishap is over, before the rig counts as healthy again
EMPTY_A = 0.02
STANDING_MPS, TURNING_MPS = 0.02, 2.0
LASTING = frozenset({"clock-jump"})  # until the front end is started again

TRUCK = RoadVehicle(a_n=226.5, b_n_per_mps=1.59, c_n_per_mps2=0.949, mass_kg=3600.0)
HILL = ((0.0, 1.0), (60.0, 5.0), (160.0, 2.0), (260.0, 4.0))
TOWN = ((0.0, 0.0), (3.0, 0.0), (15.0, 11.0), (25.0, 12.0), (32.0, 12.0), (42.0, 0.0), (45.0, 0.0))


class DayTest(msgspec.Struct, frozen=True):
    """One test of the day; its main figure may differ by `spread` between repeats, relative or,
    with `absolute`, in its unit. NaN: how well the driver drove, not compared."""

    name: str
    plan: Plan
    spread: float
    absolute: bool = False


TESTS: tuple[DayTest, ...] = (
    DayTest("hold rpm", SteadyHold(seconds=8.0, settle_s=3.0, rpm=1900.0), 0.01),
    DayTest("hold speed", SteadyHold(seconds=8.0, settle_s=3.0, speed_mps=16.0), 0.01),
    DayTest("hold force", SteadyHold(seconds=8.0, settle_s=3.0, force_n=2500.0), 0.03),
    DayTest("hold power", SteadyHold(seconds=8.0, settle_s=3.0, power_w=50e3), 0.03),
    DayTest("map", SteppedMap(points_rpm=(1600.0, 1900.0), settle_s=1.0, average_s=2.0,
          timeout_s=90.0), 0.01),
    DayTest("map speeds", SteppedMap(points_mps=(15.0, 18.0), settle_s=1.0, average_s=2.0,
          timeout_s=90.0), 0.01),
    DayTest("sweep up", PowerSweep(from_rpm=1800.0, to_rpm=2600.0, rpm_per_s=200.0),
          0.01),
    DayTest("sweep down", PowerSweep(from_rpm=2400.0, to_rpm=1800.0, rpm_per_s=60.0),
          0.01),
    DayTest("spool speed held", SpoolUp(rpm=1600.0, settle_s=1.0, seconds=4.0), 0.08, True),
    DayTest("spool load held", SpoolUp(rpm=1600.0, settle_s=1.0, seconds=4.0, after="load"),
          0.08, True),
    DayTest("climb", GradeClimb(TRUCK, Grade(percent=4.0), target_mps=14.0, seconds=15.0),
          0.15, True),
    DayTest("climb route", GradeClimb(TRUCK, Grade(by_distance=HILL), target_mps=14.0),
          0.15, True),
    DayTest("trace", SpeedTrace(TRUCK, points=TOWN, countdown_s=1.0), math.nan),
    DayTest("coast", Coastdown(from_mps=14.0, to_mps=12.0, interval_mps=1.0), 0.02),
    DayTest("coast on the road", Coastdown(from_mps=20.0, to_mps=15.0, vehicle=TRUCK,
          interval_mps=2.5), 0.02),
    DayTest("snap", SnapSmoke(idle_s=5.0, probe_s=1.0), 0.1),
)  # fmt: skip

# Words to the simulated rig, as the seat takes them: what breaks while something runs.
BREAKS: tuple[dict[str, Any], ...] = (
    {"target": "wheel", "kind": "off", "channel": "rear"},
    {"target": "wheel", "kind": "garbage", "channel": "front", "amount": 900.0},
    {"target": "wheel", "kind": "off", "channel": "engine"},
    {"target": "wheel", "kind": "missing", "channel": "rear", "amount": 0.3},
    {"target": "cell", "kind": "open-bridge", "channel": "rear-left"},
    {"target": "cell", "kind": "garbage", "channel": "front-left"},
    {"target": "cell", "kind": "off", "channel": "front-right"},
    {"target": "line", "kind": "off"},
    {"target": "line", "kind": "dropped", "amount": 0.3},
    {"target": "line", "kind": "garbled", "amount": 0.3},
    {"target": "board", "kind": "reboot"},
    {"target": "board", "kind": "silent"},
    {"target": "board", "kind": "clock-jump", "amount": 0.2},
    {"target": "input", "kind": "open", "channel": "stop-chain"},
    {"target": "input", "kind": "open", "channel": "tie-downs"},
    {"target": "absorber", "kind": "dead", "channel": "rear-left"},
    {"target": "absorber", "kind": "not-following", "channel": "rear-left", "amount": 0.5},
    {"target": "slow", "kind": "off", "channel": "rotor-rear-left"},
    {"target": "slow", "kind": "off", "channel": "barometer"},
)  # fmt: skip


class DayRig(RecordedRig):
    """Drives itself by the follower and looks at what is shown; `clean` while nothing is broken."""

    keeps_teeth = True

    def __init__(self, seed: int) -> None:
        self.broken: list[str] = []
        self.follower = Follower()
        self.following = True
        self.ill_until_s = 8.0  # the first readings come in
        self.now = "begin"
        self.speeds: list[float] = []
        self._noted: set[str] = set()
        self._doubted = self._stood = False
        rig = msgspec.structs.replace(load_rig(RIG_FILE), frame_hz=FRAME_HZ)
        super().__init__(rig, seed)
        self._rear_at = self.plant.truth_names.index("rear_speed_mps")

    @property
    def clean(self) -> bool:
        """Nothing is broken, and nothing was a moment ago."""
        return self.plant.now_s > self.ill_until_s

    def rule(self, holds: bool, words: str) -> None:
        """A rule of the day; what breaks it is told once per step of the day."""
        if not holds and words not in self._noted:
            self._noted.add(words)
            self.broken.append(f"{self.plant.now_s:.1f} s, {self.now}: {words}")
            print(self.broken[-1], file=sys.stderr, flush=True)

    def next_step(self, words: str) -> None:
        """What is done now, for what is told of broken rules."""
        self.now = words
        self._noted.clear()

    def advance(self) -> None:
        """One frame, and now and then driver and watcher."""
        super().advance()
        if self.recorder is not None:
            self.speeds.append(float(self.plant.world.truth_row[self._rear_at]))
        if self.frames % LOOK_EVERY == 0:
            view = self.core.telemetry()
            if self.following:
                words = self.follower.words(view, self.plant.now_s)
                if words:
                    tell(self.plant, words)
            if self._doubted:
                self._believe(float(self.plant.world.truth_row[self._rear_at]))
            if self.clean:
                self._look(view)

    def _believe(self, speed_mps: float) -> None:
        """A wheel that was doubted is believed when it has stood and turns again, not before."""
        if not self.plant.faults.planned:
            self._stood |= abs(speed_mps) < STANDING_MPS
            self._doubted = not (self._stood and speed_mps > TURNING_MPS)
        self.ill_until_s = max(self.ill_until_s, self.plant.now_s + QUIET_S)

    def _look(self, view: Any) -> None:
        measured = view.measured
        self.rule(measured is not None, "nothing is measured")
        if measured is None or any(one.code in LASTING and one.active for one in view.faults):
            return
        for one in measured.roll_sets:
            for name in ("speed", "acceleration", "absorber_force", "tractive_force", "power"):
                reading = getattr(one, name)
                self.rule(math.isfinite(reading.value), f"{name} of {one.name} is no number")
                self.rule(
                    reading.quality in (Quality.GOOD, Quality.AGING),
                    f"{name} of {one.name} is {reading.quality}",
                )
        if self.plant.driver.engine_on:
            self.rule(math.isfinite(measured.engine_speed.value), "engine speed is no number")
        for each in view.absorbers:
            for name in ("asked_n", "set_point_a", "rotor_k", "power_w"):
                self.rule(math.isfinite(getattr(each, name)), f"{name} of {each.name} is no number")
            self.rule(not math.isnan(each.headroom_s), f"headroom of {each.name} is no number")
        test = view.test
        if test is not None and view.state is State.LOADED:
            for name in ("elapsed_s", "measured", "shortfall_n"):
                self.rule(math.isfinite(getattr(test, name)), f"{name} of the test is no number")
        for fault in view.faults:
            self.rule(
                not fault.active or TABLE[fault.code].effect < Effect.REFUSE,
                f"'{fault.code}' on a healthy rig",
            )

    def _hand_over(self, step: CoreOutput) -> None:
        if step.set_point is not None and self.core.state in (State.READY, State.PARKED):
            most = CURRENT_STEP_A * max(step.set_point.currents, default=0)
            self.rule(most <= EMPTY_A, f"{most:.2f} A asked for while {self.core.state}")
        super()._hand_over(step)

    def break_it(self, fault: dict[str, Any], for_s: float) -> None:
        """Something breaks for so long."""
        tell(self.plant, {"fault": {**fault, "for_s": for_s}})
        if fault["target"] == "wheel":
            self._doubted, self._stood = True, False
        self.ill_until_s = max(self.ill_until_s, self.plant.now_s + for_s + QUIET_S)

    def restart(self) -> None:
        """The loop dies and starts anew from what was on disk."""
        self.core = Core(self.rig, self.core.memory())
        self._keep_at_s = math.inf
        self.ill_until_s = max(self.ill_until_s, self.plant.now_s + 2.0 * QUIET_S)
        self._hand_over(self.core.step(None, (), self.plant.now_s))
