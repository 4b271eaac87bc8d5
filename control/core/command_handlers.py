"""Commands of people, answered one by one: accepted, or refused with code, reason and remedy.

Data flow: Command -> a handler that checks state, helm and readiness -> calls back into the core ->
Answer. A refusal changes nothing. Zeros take time: their answer comes when they are taken.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from control.absorber.identified import AcceptedTuneUp
from control.core import commands as c
from control.core.commands import Answer
from control.core.states import Trigger
from control.forecast.duty import Expected, heaviest_segment
from control.safety.faults import TABLE, Effect
from control.telemetry import State
from control.test_kinds import check_begin, check_plan, make_test
from control.test_kinds.plans import Coastdown, Identification, SnapSmoke
from daq.errors import DrumlinError, Refused
from daq.measure.measured import NOT_YET_KNOWN
from daq.readings import Quality

if TYPE_CHECKING:
    from control.core.core import Core

NOT_PARKED = Refused("The rig is not parked.", "Ease off and park first.", "not-parked")
STANDING_MPS = 0.1
LIGHT_SHARE = 0.08  # of the rig's force: tyres that pull no more creep by some tenths of a per cent


def refusal(number: int, error: Refused) -> Answer:
    return Answer(number, False, error.code, error.problem, error.remedy)


def handle(core: Core, command: c.AnyCommand) -> Answer | None:
    """Carry out one command. None: the answer comes later."""
    try:
        later = _HANDLERS[type(command)](core, command)
    except Refused as error:
        return refusal(command.id, error)
    except DrumlinError as error:
        return Answer(command.id, False, "refused", error.problem, error.remedy)
    return None if later else Answer(command.id, True)


# ---- the helm ------------------------------------------------------------------------------------


def _take(core: Core, command: c.TakeHelm) -> bool:
    if core.helm.take(command.holder, command.name, core.now_s):
        core.helm_changed(f"{core.helm.name} took the helm.")
    return False


def _keep(core: Core, command: c.KeepHelm) -> bool:
    core.helm.keep(command.holder, core.now_s)
    return False


def _release(core: Core, command: c.ReleaseHelm) -> bool:
    core.helm.require(command.holder)
    if core.state in (State.LOADED, State.EASING):
        raise Refused(
            "The load is on.", "Ease off first, or hand the helm to somebody who asks.", "loaded"
        )
    name = core.helm.name
    core.helm.release(command.holder)
    core.helm_changed(f"{name} released the helm.")
    if core.state is State.READY:
        core.move(Trigger.PARK, "helm released")
    return False


def _ask(core: Core, command: c.AskHelm) -> bool:
    core.helm.ask(command.holder, command.name, core.now_s)
    core.event("helm", f"{command.name} asks for the helm.", asked_by=command.name)
    return False


def _offer(core: Core, command: c.OfferHelm) -> bool:
    before = core.helm.name
    core.helm.offer(command.holder, command.to, core.now_s)
    core.helm_changed(f"{before} handed the helm to {core.helm.name}.")
    return False


# ---- getting ready -------------------------------------------------------------------------------


def _acknowledge(core: Core, command: c.Acknowledge) -> bool:
    core.helm.require(command.holder)
    if command.vehicle != core.vehicle and core.state in (State.LOADED, State.EASING):
        raise Refused(
            "Another vehicle cannot come onto the rolls during a test.", "Ease off first.", "loaded"
        )
    core.acknowledged = True
    core.vehicle = command.vehicle
    core.event("notice", f"{core.helm.name} acknowledged the cautions.")
    if core.ratio_per_m is not None and core.ratio_of not in (None, command.vehicle):
        core.event(
            "notice",
            f"The learned ratio was that of '{core.ratio_of or 'no vehicle'}' and is forgotten: "
            "learn it anew.",
        )
        core.ratio_per_m = core.ratio_of = None
        if core.session.chain is not None:
            core.session.chain.learned_ratio = math.nan
    return False


def why_not_zero(core: Core) -> Refused | None:
    measured = core.measured
    if measured is None or not core.session.live:
        return Refused("The front end is silent.", "Check the link first.", "no-front-end")
    for roll_set in measured.roll_sets:
        if roll_set.condition == NOT_YET_KNOWN:
            return Refused(
                f"It is not known yet that roll set '{roll_set.name}' stands.",
                "Wait two seconds with the rolls at rest.",
                "speed-not-known",
            )
        if not roll_set.speed.value < STANDING_MPS:
            return Refused(
                f"Roll set '{roll_set.name}' is turning.",
                "Stop the rolls: even without current a turning rotor drags.",
                "rolls-turning",
            )
    if not core.unloaded():
        return Refused("A coil carries current.", "Wait until it is off.", "current-on")
    return None


def _zero(core: Core, command: c.ZeroCells) -> bool:
    core.helm.require(command.holder)
    if core.state is not State.PARKED:
        raise NOT_PARKED
    problem = why_not_zero(core)
    if problem is not None:
        raise problem
    if core.zeroing:
        raise Refused("Zeros are being taken.", "Wait for them.", "zeroing")
    core.begin_zero(command)
    return True


def unready(core: Core) -> Refused | None:
    """The first reason why load may not be asked for now, or None."""
    if not core.session.live or core.measured is None:
        return Refused("The front end is silent.", "Check cable, power and port.", "no-front-end")
    if core.zeroing:
        return Refused("Zeros are being taken.", "Wait for them.", "zeroing")
    for view in core.faults.view():
        if view.active and TABLE[view.code].effect >= Effect.REFUSE:
            return Refused(view.text, view.remedy, view.code)
    if any(one.speed.quality is Quality.MISSING for one in core.measured.roll_sets):
        return Refused(
            "The speed of the rolls is not known yet.", "Wait a second.", "speed-not-known"
        )
    missing = [absorber.name for absorber in core.rig.absorbers if absorber.name not in core.zeros]
    if missing:
        return Refused(
            f"No zero has been taken for {', '.join(missing)}.",
            "Take zeros with the rolls standing still.",
            "zeros-missing",
        )
    if not core.acknowledged:
        return Refused(
            "The cautions are not acknowledged.",
            "Check straps, people and exhaust extraction, then acknowledge.",
            "not-acknowledged",
        )
    return None


def _ready(core: Core, command: c.MakeReady) -> bool:
    core.helm.require(command.holder)
    if core.state is State.READY:
        return False
    if core.state is not State.PARKED:
        raise _wrong_state(core, "parked")
    problem = unready(core)
    if problem is not None:
        raise problem
    core.move(Trigger.MAKE_READY, f"by {core.helm.name}")
    _warn_of_wheels(core)
    return False


def _park(core: Core, command: c.Park) -> bool:
    core.helm.require(command.holder)
    if core.state is State.PARKED:
        return False
    if core.state is not State.READY:
        raise _wrong_state(core, "ready")
    core.move(Trigger.PARK, f"by {core.helm.name}")
    return False


def _reset(core: Core, command: c.ResetTrip) -> bool:
    core.helm.require(command.holder)
    trip = core.faults.trip
    if core.state is not State.TRIPPED or trip is None:
        raise Refused("Nothing has tripped.", "Nothing to do.", "not-tripped")
    for view in core.faults.view():
        if view.active and TABLE[view.code].effect is Effect.TRIP:
            raise Refused(f"The cause is still there: {view.text}", view.remedy, view.code)
    if core.measured is None or not core.session.live:
        raise Refused("The front end is silent.", "Check cable, power and port.", "no-front-end")
    if not core.unloaded():
        raise Refused("A coil still carries current.", "Wait until it is off.", "current-on")
    core.reset_trip()
    return False


def _learn_ratio(core: Core, command: c.LearnRatio) -> bool:
    core.helm.require(command.holder)
    measured = core.measured
    chain = core.session.chain
    if measured is None or chain is None or not core.session.live:
        raise Refused("The front end is silent.", "Check the link first.", "no-front-end")
    engine = measured.engine_speed
    speed = max(roll_set.speed.value for roll_set in measured.roll_sets)
    if engine.quality is not Quality.GOOD or measured.engine_speed_source == "ratio":
        raise Refused(
            "Engine speed is not measured now.", "Connect a pickup or channel.", "no-engine-speed"
        )
    if not speed > 2.0:
        raise Refused(
            "The rolls are too slow to learn a ratio.",
            "Drive at 2 m/s or more in the gear of the test, converter locked.",
            "rolls-slow",
        )
    pull = sum(one.tractive_force.value for one in measured.roll_sets)
    if not pull < LIGHT_SHARE * core.rig.limits.max_force_n:
        raise Refused(
            f"The tyres pull with {pull:.0f} N and creep on the rolls.",
            "Learn the ratio at light load: pedal just enough to keep the speed, load off.",
            "ratio-under-load",
        )
    core.ratio_per_m = chain.learn_ratio()
    core.ratio_of = core.vehicle
    core.event("notice", "Ratio learned.", ratio_per_m=core.ratio_per_m)
    return False


def _require_parked(core: Core, holder: str) -> None:
    core.helm.require(holder)
    if core.state is not State.PARKED:
        raise NOT_PARKED
    if not core.unloaded():
        raise Refused("A coil carries current.", "Wait until it is off.", "current-on")


def _accept_tune_up(core: Core, command: c.AcceptTuneUp) -> bool:
    _require_parked(core, command.holder)
    advice = core.advice
    if advice is None:
        raise Refused(
            "No tune-up has been done.", "Run an absorber identification first.", "no-advice"
        )
    if command.run_id != advice.run_id:
        raise Refused(
            f"The newest tune-up is that of run {advice.run_id}, not of {command.run_id}.",
            "Read it again, then accept it.",
            "advice-changed",
        )
    core.tune(AcceptedTuneUp(advice.run_id, advice.advised_share, core.helm.name))
    core.event(
        "notice",
        f"{core.helm.name} put the tune-up of {advice.run_id} in force.",
        observer_share=advice.advised_share,
    )
    return False


def _drop_tune_up(core: Core, command: c.DropTuneUp) -> bool:
    _require_parked(core, command.holder)
    if core.tuned is not None:
        core.tune(None)
        core.event("notice", f"{core.helm.name} went back to the usual tuning.")
    return False


def _drop_identified(core: Core, command: c.DropIdentified) -> bool:
    _require_parked(core, command.holder)
    known = {one.name for one in core.rig.absorbers}
    wrong = [name for name in command.absorbers if name not in known]
    if wrong:
        raise Refused(
            f"There is no absorber '{wrong[0]}'.",
            f"This rig has {', '.join(sorted(known))}.",
            "no-absorber",
        )
    core.forget_identified(command.absorbers or tuple(known))
    core.event("notice", f"{core.helm.name} went back to the rig file's absorber maps.")
    return False


def _slow_value(core: Core, command: c.SlowValue) -> bool:
    chain = core.session.chain
    if chain is None or not core.session.live:
        raise Refused("The front end is silent.", "Send the value again later.", "no-front-end")
    chain.feed_slow(command.name, command.value, chain.now_s - command.age_s)
    return False


# ---- load ----------------------------------------------------------------------------------------


def _wrong_state(core: Core, wanted: str) -> Refused:
    remedy = {
        State.PARKED: "Make ready first.",
        State.READY: "Start a test, or park.",
        State.LOADED: "Ease off first.",
        State.EASING: "Wait until the load is off.",
        State.TRIPPED: "Remove the cause and reset the trip.",
    }[core.state]
    return Refused(f"The rig is {core.state}, not {wanted}.", remedy, f"not-{wanted}")


def _start(core: Core, command: c.StartTest) -> bool:
    core.helm.require(command.holder)
    if core.state is not State.READY:
        raise _wrong_state(core, "ready")
    if not command.run_id:
        raise Refused("The run has no id.", "Give one.", "no-run-id")
    problem = unready(core)
    if problem is not None:
        raise problem
    if core.vehicle and command.vehicle != core.vehicle:
        raise Refused(
            f"The test is of '{command.vehicle or 'no vehicle'}', but '{core.vehicle}' was "
            "acknowledged on the rolls.",
            "Choose the vehicle that stands there, or park and acknowledge again.",
            "wrong-vehicle",
        )
    measured = core.measured
    assert measured is not None  # noqa: S101 - unready has checked it
    engine = measured.engine_speed.quality is Quality.GOOD
    check_plan(command.plan, core.rig, core.ratio_per_m, engine)
    ratio = None if engine and measured.engine_speed_source != "ratio" else core.ratio_per_m
    check_begin(command.plan, measured, core.rig)
    core.begin(make_test(command.run_id, command.plan, core.rig, ratio))
    if not isinstance(command.plan, Coastdown | SnapSmoke | Identification):
        _warn_of_wheels(core)
    work = heaviest_segment(command.plan, core.rig, Expected(ratio_per_m=core.ratio_per_m))
    if work is not None:
        core.heat.expect(work.power_w, work.speed_mps)
    return False


def _warn_of_wheels(core: Core) -> None:
    """Tell of tooth wheels nobody has learned yet: as the rig gets ready, while there is time to
    learn them, and again as a test begins that holds a speed by them."""
    chain = core.session.chain
    if chain is None:
        return
    known = chain.tooth_tables()
    strange = [one.name for one in core.rig.roll_sets if one.teeth > 1 and one.name not in known]
    if strange:
        core.event(
            "notice",
            f"Tooth wheels that have not been learned yet: {', '.join(strange)}. Where they turn "
            "the load ripples once per turn. Before the next test drive steadily at about 50 km/h "
            "for some ten seconds with the rig ready.",
            code="wheels-unlearned",
            roll_sets=",".join(strange),
        )


def _adjust(core: Core, command: c.Adjust) -> bool:
    core.helm.require(command.holder)
    test = core.test
    if core.state is not State.LOADED or test is None:
        raise Refused("No test is running.", "Start one first.", "no-test")
    test.adjust(command.set_point, command.quantity)
    core.tell_news(test)
    core.event("notice", "Set point adjusted.", set_point=command.set_point, unit=test.unit)
    return False


def _ease_off(core: Core, command: c.EaseOff) -> bool:
    if core.state is State.LOADED:
        at_helm = core.helm.name if command.holder == core.helm.holder else ""
        core.ease("eased-off", f"Eased off by {at_helm or command.name or 'somebody'}.")
    return False


_HANDLERS: dict[type, Callable[[Core, Any], bool]] = {
    c.TakeHelm: _take,
    c.KeepHelm: _keep,
    c.ReleaseHelm: _release,
    c.OfferHelm: _offer,
    c.AskHelm: _ask,
    c.Acknowledge: _acknowledge,
    c.ZeroCells: _zero,
    c.MakeReady: _ready,
    c.StartTest: _start,
    c.Adjust: _adjust,
    c.EaseOff: _ease_off,
    c.Park: _park,
    c.ResetTrip: _reset,
    c.LearnRatio: _learn_ratio,
    c.SlowValue: _slow_value,
    c.AcceptTuneUp: _accept_tune_up,
    c.DropTuneUp: _drop_tune_up,
    c.DropIdentified: _drop_identified,
}
