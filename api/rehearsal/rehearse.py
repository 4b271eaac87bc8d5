"""Any plan or campaign against the simulated rig in virtual time.

Data flow: plan -> simulated driver of its kind -> VirtualRig (core, wire bytes, simulated rig) ->
the run's own summary beside the simulator's truth. Holds by speed keep the detailed figures of
api.rehearsal.virtual_rig.
"""

from __future__ import annotations

import math
import time
from pathlib import Path

import msgspec
import numpy as np

from api.rehearsal.drivers import DRIVERS, DriverOf
from api.rehearsal.virtual_rig import HOLDER, RehearsalSettings, VirtualRig, rehearse, rig_for
from control.campaigns.campaign import Campaign, Progress, conditions_of
from control.core.commands import StartTest
from control.telemetry import State
from control.test_kinds import check_plan
from control.test_kinds.plans import GradeClimb, Plan, SpeedTrace, SteadyHold, kind_of
from daq.errors import DrumlinError, Refused
from daq.rig.description import Rig, load_rig

ACT_EVERY = 5  # frames between two looks of the driver
NOTE_EVERY = 10
SLOW_MPS = 2.0  # below it a ratio says nothing
SLACK_S = 400.0  # beyond the planned length, for approaches and settling
COOL_STEP_S = 5.0
# Phases over which a test states its own figures: the truth beside them is of the same window.
EVALUATED = frozenset({"hold", "average", "sweep", "rise", "climb", "trace", "coast", "snap"})
LONG_KINDS = (SteadyHold, GradeClimb, SpeedTrace)  # fewer frames a second do not change the answer

Result = dict[str, object]


class PlanSettings(msgspec.Struct, frozen=True):
    """What to rehearse and how the simulated driver drives."""

    rig: Path
    plan: Plan | Campaign
    gear: int | None = None
    pedal_pct: float = 100.0
    seed: int = 1


class Truth:
    """What really happened, noted now and then: power, energy, force, hottest rotor."""

    def __init__(self, virtual: VirtualRig) -> None:
        names = virtual.plant.truth_names
        self._row = virtual.plant.world.truth_row
        self._power = names.index("power_w")
        self._speeds = [names.index("front_speed_mps"), names.index("rear_speed_mps")]
        self._rotors = [place for place, name in enumerate(names) if name.endswith("_skin_k")]
        self._engine = names.index("engine_radps")
        self.power: list[float] = []
        self.speed_mps = self.ratio_per_m = math.nan  # when it gave most power
        self.apart_mps = 0.0
        self.hottest_k = 0.0

    def note(self, *, evaluated: bool) -> None:
        """`evaluated`: the test's own figures hold this moment too."""
        row = self._row
        power = float(row[self._power])
        front, rear = (float(row[place]) for place in self._speeds)
        if evaluated:
            if rear > SLOW_MPS and power > max(self.power, default=0.0):
                self.speed_mps, self.ratio_per_m = rear, float(row[self._engine]) / rear
            self.power.append(power)
        self.apart_mps = max(self.apart_mps, abs(front - rear))
        self.hottest_k = max(self.hottest_k, *(float(row[place]) for place in self._rotors))


def expected_s(plan: Plan) -> float:
    """How long the plan may take before a rehearsal gives up, s."""
    if isinstance(plan, SpeedTrace):
        return plan.points[-1][0] - plan.points[0][0] + SLACK_S
    if isinstance(plan, GradeClimb):
        far = plan.distance_m or (plan.grade.by_distance[-1][0] if plan.grade.by_distance else 0.0)
        return (plan.seconds or 4.0 * far / plan.target_mps) + SLACK_S
    seconds = getattr(plan, "seconds", 0.0)
    points = len(getattr(plan, "points_rpm", ()) or getattr(plan, "points_mps", ()))
    each = getattr(plan, "timeout_s", 0.0) + getattr(plan, "average_s", 0.0)
    return float(seconds + max(points, 1) * each + SLACK_S)


def run_once(virtual: VirtualRig, plan: Plan, driver: DriverOf, run_id: str) -> Result:
    """One run from the start of its test to the end of easing. Raises DrumlinError."""
    driver.begin()
    virtual.ask(StartTest(0, HOLDER, run_id, plan))
    began_s = virtual.plant.now_s
    longest_s = expected_s(plan)
    truth = Truth(virtual)
    count = 0
    while virtual.core.state is State.LOADED:
        virtual.advance()
        count += 1
        if count % ACT_EVERY == 0:
            test = virtual.core.test
            if test is not None:
                driver.act(test)
        if count % NOTE_EVERY == 0:
            test = virtual.core.test
            truth.note(evaluated=test is not None and test.phase in EVALUATED)
            if virtual.plant.now_s - began_s > longest_s:
                phase = virtual.core.test.phase if virtual.core.test is not None else "?"
                raise DrumlinError(
                    f"The test was still in '{phase}' after {longest_s:.0f} s of virtual time.",
                    "Choose other set points, another --gear or more --pedal.",
                )
    driver.driver.tell(pedal=0.0)
    while virtual.core.state is State.EASING:
        virtual.advance()
    ended = [event for event in virtual.events if event.kind == "run-ended"]
    told: Result = dict(ended[-1].data) if ended else {}
    told["true_hottest_rotor_c"] = truth.hottest_k - 273.15
    told["true_mean_power_w"] = float(np.mean(truth.power)) if truth.power else math.nan
    told["true_highest_power_w"] = max(truth.power, default=math.nan)
    told["true_roll_sets_apart_mps"] = truth.apart_mps
    told["true_speed_mps"] = truth.speed_mps
    told["true_ratio_per_m"] = truth.ratio_per_m
    return told


def _start(settings: PlanSettings, plan: Plan, seconds: float) -> tuple[Rig, VirtualRig]:
    if not 0.0 < settings.pedal_pct <= 100.0:
        raise DrumlinError("The pedal goes from 0 to 100 %.", "Give --pedal within that.")
    rig = rig_for(load_rig(settings.rig), seconds)
    check_plan(plan, rig, None, engine_speed=True)  # at once, not after the drive up
    return rig, VirtualRig(rig, settings.seed)


def _about(virtual: VirtualRig, rig: Rig, seed: int, begun_s: float) -> Result:
    simulated_s = virtual.plant.now_s
    wall_s = time.perf_counter() - begun_s
    return {
        "rig": rig.name,
        "seed": seed,
        "state_at_end": virtual.core.state.value,
        "first_cause": virtual.core.telemetry().first_cause,
        "faults": sorted({event.text for event in virtual.events if event.kind == "fault"}),
        "frame_hz": rig.frame_hz,
        "frames": virtual.frames,
        "frames_lost": virtual.core.frames_lost,
        "simulated_s": simulated_s,
        "wall_s": wall_s,
        "simulated_s_per_wall_s": simulated_s / wall_s,
    }


def rehearse_any(settings: PlanSettings) -> Result:
    """Run a plan or a campaign; the result as plain data. Raises DrumlinError."""
    plan = settings.plan
    if isinstance(plan, Campaign):
        return _campaign(settings, plan)
    if isinstance(plan, SteadyHold) and plan.force_n is None and plan.power_w is None:
        return rehearse(
            RehearsalSettings(settings.rig, plan, settings.gear, settings.pedal_pct, settings.seed)
        )
    begun_s = time.perf_counter()
    long_s = expected_s(plan) - SLACK_S if isinstance(plan, LONG_KINDS) else 0.0
    rig, virtual = _start(settings, plan, long_s)
    driver = DRIVERS[type(plan)](virtual, plan, settings.gear, settings.pedal_pct / 100.0)
    virtual.make_ready()
    told: Result = {"kind": kind_of(plan)}
    told |= run_once(virtual, plan, driver, "rehearsal")
    return told | _about(virtual, rig, settings.seed, begun_s)


def _campaign(settings: PlanSettings, campaign: Campaign) -> Result:
    """Runs and waits in one virtual session; set-ups are changed at once."""
    begun_s = time.perf_counter()
    plan = campaign.plan
    rig, virtual = _start(settings, plan, math.inf)  # its waits are long
    driver = DRIVERS[type(plan)](virtual, plan, settings.gear, settings.pedal_pct / 100.0)
    virtual.make_ready()
    progress = Progress(campaign)
    runs: list[Result] = []
    waited_s = 0.0
    why: tuple[str, ...] = ()
    while True:
        measured = virtual.core.measured
        conditions = conditions_of(measured, rig) if measured is not None else {}
        step = progress.next(virtual.plant.now_s, conditions)
        if step.do == "done":
            why = step.why
            break
        if step.do == "change":
            progress.changed(step.setup)
        elif step.do == "wait":
            virtual.advance_for(COOL_STEP_S)
            waited_s += COOL_STEP_S
        else:
            if virtual.core.state is not State.READY:
                raise Refused(
                    f"The rig is {virtual.core.state}, not ready.", "See the faults.", "not-ready"
                )
            progress.started(conditions)
            run_id = f"rehearsal-{len(runs) + 1}"
            driver = DRIVERS[type(plan)](virtual, plan, settings.gear, settings.pedal_pct / 100.0)
            told = run_once(virtual, plan, driver, run_id)
            progress.ended(run_id, bool(told.get("valid")), virtual.plant.now_s)
            runs.append({"setup": step.setup, "waited_s": waited_s, **conditions, **told})
            waited_s = 0.0
            driver.driver.tell(brake=0.3)
    return {
        "kind": "campaign",
        "test": kind_of(plan),
        "runs": runs,
        "valid_runs": len(progress.valid),
        "void_runs": len(progress.void_runs),
        "complete": len(progress.valid) == len(progress.order),
        "why": list(why),
        **_about(virtual, rig, settings.seed, begun_s),
    }
