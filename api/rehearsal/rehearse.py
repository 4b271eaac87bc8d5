"""Any plan or campaign against the simulated rig in virtual time.

Data flow: plan -> simulated driver of its kind -> VirtualRig (core, wire bytes, simulated rig) ->
the run's own summary beside the simulator's truth; for a hold also the figures of its settled part.
"""

from __future__ import annotations

import math
import time
from pathlib import Path

import msgspec
import numpy as np

from api.rehearsal.drivers import DRIVERS, DriverOf
from api.rehearsal.virtual_rig import HOLDER, RPM, VirtualRig, rig_for
from control.campaigns.campaign import Campaign, Progress, conditions_of
from control.core.commands import StartTest
from control.telemetry import State
from control.test_kinds.kinds import check_plan
from control.test_kinds.plans import GradeClimb, Plan, SpeedTrace, SteadyHold, kind_of
from daq.errors import DrumlinError, Refused
from daq.rig.description import Rig, load_rig
from daq.texts.message import Text, say

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
    """What really happened while the load was on, noted now and then."""

    def __init__(self, virtual: VirtualRig) -> None:
        names = virtual.plant.truth_names
        self._row = virtual.plant.world.truth_row
        self._power = names.index("power_w")
        self._speeds = [names.index("front_speed_mps"), names.index("rear_speed_mps")]
        self._rotors = [place for place, name in enumerate(names) if name.endswith("_skin_k")]
        self._engine = names.index("engine_radps")
        self._power_w: list[float] = []
        self._speed_mps = self._ratio_per_m = math.nan  # when it gave most power
        self._apart_mps = 0.0
        self._hottest_k = 0.0

    def note(self, *, evaluated: bool) -> None:
        """A moment under load; `evaluated`: the test's own figures hold it too."""
        row = self._row
        power = float(row[self._power])
        front, rear = (float(row[place]) for place in self._speeds)
        if evaluated:
            if rear > SLOW_MPS and power > max(self._power_w, default=0.0):
                self._speed_mps, self._ratio_per_m = rear, float(row[self._engine]) / rear
            self._power_w.append(power)
        self._apart_mps = max(self._apart_mps, abs(front - rear))
        self._hottest_k = max(self._hottest_k, *(float(row[place]) for place in self._rotors))

    def figures(self) -> Result:
        """Power of what the test evaluates, the rest of all the time under load."""
        return {
            "true_hottest_rotor_c": self._hottest_k - 273.15,
            "true_mean_power_w": (float(np.mean(self._power_w)) if self._power_w else math.nan),
            "true_highest_power_w": max(self._power_w, default=math.nan),
            "true_roll_sets_apart_mps": self._apart_mps,
            "true_speed_mps": self._speed_mps,
            "true_ratio_per_m": self._ratio_per_m,
        }


class SettledHold:
    """The settled part of a hold, frame by frame: measured and true engine speed and power."""

    def __init__(self, virtual: VirtualRig, plan: SteadyHold) -> None:
        names = virtual.plant.truth_names
        self._virtual = virtual
        self._plan = plan
        self._power, self._engine = names.index("power_w"), names.index("engine_radps")
        self._speed = names.index("rear_speed_mps")
        self._rows: list[tuple[float, float, float, float, float]] = []

    def note(self) -> None:
        """One frame; only those of the phase `hold` count."""
        test, measured = self._virtual.core.test, self._virtual.core.measured
        if test is None or test.phase != "hold" or measured is None:
            return
        power = sum(roll_set.power.value for roll_set in measured.roll_sets)
        truth = self._virtual.plant.world.truth_row
        self._rows.append(
            (measured.engine_speed.value, power, float(truth[self._engine]),
             float(truth[self._power]), float(truth[self._speed]))
        )  # fmt: skip

    def figures(self) -> Result:
        """Means and spreads; nothing when the hold never settled."""
        if not self._rows:
            return {}
        engine, power, true_engine, true_power, speed = np.array(self._rows).T
        mean_kw, true_kw = float(np.mean(power)) / 1e3, float(np.mean(true_power)) / 1e3
        told: Result = {
            "mean_rpm": float(np.mean(engine)) * RPM,
            "std_rpm": float(np.std(engine)) * RPM,
            "std_rpm_pct": 100.0 * float(np.std(engine)) / float(np.mean(engine)),
            "true_mean_rpm": float(np.mean(true_engine)) * RPM,
            "true_std_rpm": float(np.std(true_engine)) * RPM,
            "mean_power_kw": mean_kw,
            "true_mean_power_kw": true_kw,
            "power_error_pct": 100.0 * (mean_kw / true_kw - 1.0),
            "true_speed_mps": float(np.mean(speed)),
            "true_ratio_per_m": float(np.mean(true_engine) / max(float(np.mean(speed)), 0.1)),
            "settled_s": len(self._rows) / self._virtual.rig.frame_hz,
        }
        if self._plan.rpm is not None:
            told["set_rpm"] = self._plan.rpm
            told["worst_rpm_error"] = float(np.max(np.abs(engine * RPM - self._plan.rpm)))
        return told


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
    hold = SettledHold(virtual, plan) if isinstance(plan, SteadyHold) else None
    count = 0
    while virtual.core.state is State.LOADED:
        virtual.advance()
        if hold is not None:
            hold.note()
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
                    say("test-was-still-in-after-s", phase=phase, longest=longest_s),
                    say("choose-other-set-points-another-gear"),
                )
    driver.driver.tell(pedal=0.0)
    while virtual.core.state is State.EASING:
        virtual.advance()
    ended = [event for event in virtual.events if event.kind == "run-ended"]
    told: Result = dict(ended[-1].data) if ended else {}
    told |= truth.figures()
    if hold is not None:
        told |= hold.figures()
    return told


def _start(settings: PlanSettings, plan: Plan, seconds: float) -> tuple[Rig, VirtualRig]:
    if not 0.0 < settings.pedal_pct <= 100.0:
        raise DrumlinError(say("pedal-goes-from-0-100"), say("give-pedal-within"))
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
        "states": [event.text for event in virtual.events if event.kind == "state"],
        "faults": list(
            dict.fromkeys(event.text for event in virtual.events if event.kind == "fault")
        ),
        "frame_hz": rig.frame_hz,
        "frames": virtual.frames,
        "frames_lost": virtual.core.frames_lost,
        "simulated_s": simulated_s,
        "wall_s": wall_s,
        "simulated_s_per_wall_s": simulated_s / wall_s,
    }


def rehearse(settings: PlanSettings) -> Result:
    """Run a plan or a campaign; the result as plain data. Raises DrumlinError."""
    plan = settings.plan
    if isinstance(plan, Campaign):
        return _campaign(settings, plan)
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
    why: tuple[Text, ...] = ()
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
                    f"The rig is {virtual.core.state}, not ready.", say("see-faults"), "not-ready"
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
