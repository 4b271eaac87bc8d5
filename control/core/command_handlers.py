"""Commands of people, answered one by one: accepted, or refused with code, reason and remedy.

Data flow: Command -> a handler that checks state, helm and readiness -> changes of the operating
state (control.core.operating_state) -> Answer. A refusal changes nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from control.absorber.identified import AcceptedTuneUp
from control.core import commands as c
from control.core.commands import Answer
from control.core.operating_state import OperatingState
from control.core.states import Trigger
from control.forecast.duty import Expected, heaviest_segment
from control.safety.faults import TABLE, Effect
from control.telemetry import State
from control.test_kinds.kinds import check_begin, check_plan, make_test
from control.test_kinds.plans import Coastdown, Identification, SnapSmoke
from daq.errors import DrumlinError, Refused
from daq.readings import Quality

NOT_PARKED = Refused("The rig is not parked.", "Ease off and park first.", "not-parked")
LIGHT_SHARE = 0.08  # of the rig's force: tyres that pull no more creep by some tenths of a per cent


def handle(operating: OperatingState, command: c.AnyCommand) -> Answer:
    """Carry out one command, or refuse it and change nothing."""
    try:
        _HANDLERS[type(command)](operating, command)
    except Refused as error:
        return Answer(command.id, False, error.code, error.problem, error.remedy)
    except DrumlinError as error:
        return Answer(command.id, False, "refused", error.problem, error.remedy)
    return Answer(command.id, True)


# ---- the helm ------------------------------------------------------------------------------------


def _take(operating: OperatingState, command: c.TakeHelm) -> None:
    if operating.helm.take(command.holder, command.name, operating.now_s):
        operating.helm_changed(f"{operating.helm.name} took the helm.")


def _keep(operating: OperatingState, command: c.KeepHelm) -> None:
    operating.helm.keep(command.holder, operating.now_s)


def _release(operating: OperatingState, command: c.ReleaseHelm) -> None:
    operating.helm.require(command.holder)
    if operating.state in (State.LOADED, State.EASING):
        raise Refused(
            "The load is on.", "Ease off first, or hand the helm to somebody who asks.", "loaded"
        )
    name = operating.helm.name
    operating.helm.release(command.holder)
    operating.helm_changed(f"{name} released the helm.")
    if operating.state is State.READY:
        operating.move(Trigger.PARK, "helm released")


def _ask(operating: OperatingState, command: c.AskHelm) -> None:
    operating.helm.ask(command.holder, command.name, operating.now_s)
    operating.event("helm", f"{command.name} asks for the helm.", asked_by=command.name)


def _offer(operating: OperatingState, command: c.OfferHelm) -> None:
    before = operating.helm.name
    operating.helm.offer(command.holder, command.to, operating.now_s)
    operating.helm_changed(f"{before} handed the helm to {operating.helm.name}.")


# ---- getting ready -------------------------------------------------------------------------------


def _acknowledge(operating: OperatingState, command: c.Acknowledge) -> None:
    operating.helm.require(command.holder)
    if command.vehicle != operating.vehicle and operating.state in (State.LOADED, State.EASING):
        raise Refused(
            "Another vehicle cannot come onto the rolls during a test.", "Ease off first.", "loaded"
        )
    operating.acknowledged = True
    operating.vehicle = command.vehicle
    operating.event("notice", f"{operating.helm.name} acknowledged the cautions.")
    if operating.ratio_per_m is not None and operating.ratio_of not in (None, command.vehicle):
        operating.event(
            "notice",
            f"The learned ratio was that of '{operating.ratio_of or 'no vehicle'}' and is "
            "forgotten: learn it anew.",
        )
        operating.ratio_per_m = operating.ratio_of = None
        if operating.session.chain is not None:
            operating.session.chain.learned_ratio = math.nan


def _zero(operating: OperatingState, command: c.ZeroCells) -> None:
    operating.helm.require(command.holder)
    if operating.state is not State.PARKED:
        raise NOT_PARKED
    chain = operating.session.chain
    if chain is None or not operating.session.live:
        raise Refused("The front end is silent.", "Check the link first.", "no-front-end")
    operating.zeros |= chain.take_zeros()
    operating.event("notice", "Load-cell zeros taken.", **operating.zeros)


def unready(operating: OperatingState) -> Refused | None:
    """The first reason why load may not be asked for now, or None."""
    if not operating.session.live or operating.measured is None:
        return Refused("The front end is silent.", "Check cable, power and port.", "no-front-end")
    for view in operating.faults.view():
        if view.active and TABLE[view.code].effect >= Effect.REFUSE:
            return Refused(view.text, view.remedy, view.code)
    if any(one.speed.quality is Quality.MISSING for one in operating.measured.roll_sets):
        return Refused(
            "The speed of the rolls is not known yet.", "Wait a second.", "speed-not-known"
        )
    missing = [
        absorber.name
        for absorber in operating.rig.absorbers
        if absorber.name not in operating.zeros
    ]
    if missing:
        return Refused(
            f"No zero has been taken for {', '.join(missing)}.",
            "Take zeros with the rolls standing still.",
            "zeros-missing",
        )
    if not operating.acknowledged:
        return Refused(
            "The cautions are not acknowledged.",
            "Check straps, people and exhaust extraction, then acknowledge.",
            "not-acknowledged",
        )
    return None


def _ready(operating: OperatingState, command: c.MakeReady) -> None:
    operating.helm.require(command.holder)
    if operating.state is State.READY:
        return
    if operating.state is not State.PARKED:
        raise _wrong_state(operating, "parked")
    problem = unready(operating)
    if problem is not None:
        raise problem
    operating.move(Trigger.MAKE_READY, f"by {operating.helm.name}")
    _warn_of_wheels(operating)


def _park(operating: OperatingState, command: c.Park) -> None:
    operating.helm.require(command.holder)
    if operating.state is State.PARKED:
        return
    if operating.state is not State.READY:
        raise _wrong_state(operating, "ready")
    operating.move(Trigger.PARK, f"by {operating.helm.name}")


def _reset(operating: OperatingState, command: c.ResetTrip) -> None:
    operating.helm.require(command.holder)
    trip = operating.faults.trip
    if operating.state is not State.TRIPPED or trip is None:
        raise Refused("Nothing has tripped.", "Nothing to do.", "not-tripped")
    for view in operating.faults.view():
        if view.active and TABLE[view.code].effect is Effect.TRIP:
            raise Refused(f"The cause is still there: {view.text}", view.remedy, view.code)
    if operating.measured is None or not operating.session.live:
        raise Refused("The front end is silent.", "Check cable, power and port.", "no-front-end")
    if not operating.unloaded():
        raise Refused("A coil still carries current.", "Wait until it is off.", "current-on")
    operating.reset_trip()


def _learn_ratio(operating: OperatingState, command: c.LearnRatio) -> None:
    operating.helm.require(command.holder)
    measured = operating.measured
    chain = operating.session.chain
    if measured is None or chain is None or not operating.session.live:
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
    tractive_n = sum(one.tractive_force.value for one in measured.roll_sets)
    if not tractive_n < LIGHT_SHARE * operating.rig.limits.max_force_n:
        raise Refused(
            f"The tyres pull with {tractive_n:.0f} N and creep on the rolls.",
            "Learn the ratio at light load: pedal just enough to keep the speed, load off.",
            "ratio-under-load",
        )
    operating.ratio_per_m = chain.learn_ratio()
    operating.ratio_of = operating.vehicle
    operating.event("notice", "Ratio learned.", ratio_per_m=operating.ratio_per_m)


def _require_parked(operating: OperatingState, holder: str) -> None:
    operating.helm.require(holder)
    if operating.state is not State.PARKED:
        raise NOT_PARKED
    if not operating.unloaded():
        raise Refused("A coil carries current.", "Wait until it is off.", "current-on")


def _accept_tune_up(operating: OperatingState, command: c.AcceptTuneUp) -> None:
    _require_parked(operating, command.holder)
    advice = operating.advice
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
    operating.tune(AcceptedTuneUp(advice.run_id, advice.advised_share, operating.helm.name))
    operating.event(
        "notice",
        f"{operating.helm.name} put the tune-up of {advice.run_id} in force.",
        observer_share=advice.advised_share,
    )


def _drop_tune_up(operating: OperatingState, command: c.DropTuneUp) -> None:
    _require_parked(operating, command.holder)
    if operating.tuned is not None:
        operating.tune(None)
        operating.event("notice", f"{operating.helm.name} went back to the usual tuning.")


def _drop_identified(operating: OperatingState, command: c.DropIdentified) -> None:
    _require_parked(operating, command.holder)
    known = {one.name for one in operating.rig.absorbers}
    wrong = [name for name in command.absorbers if name not in known]
    if wrong:
        raise Refused(
            f"There is no absorber '{wrong[0]}'.",
            f"This rig has {', '.join(sorted(known))}.",
            "no-absorber",
        )
    operating.forget_identified(command.absorbers or tuple(known))
    operating.event("notice", f"{operating.helm.name} went back to the rig file's absorber maps.")


def _slow_value(operating: OperatingState, command: c.SlowValue) -> None:
    chain = operating.session.chain
    if chain is None or not operating.session.live:
        raise Refused("The front end is silent.", "Send the value again later.", "no-front-end")
    chain.feed_slow(command.name, command.value, chain.now_s - command.age_s)


# ---- load ----------------------------------------------------------------------------------------


def _wrong_state(operating: OperatingState, wanted: str) -> Refused:
    remedy = {
        State.PARKED: "Make ready first.",
        State.READY: "Start a test, or park.",
        State.LOADED: "Ease off first.",
        State.EASING: "Wait until the load is off.",
        State.TRIPPED: "Remove the cause and reset the trip.",
    }[operating.state]
    return Refused(f"The rig is {operating.state}, not {wanted}.", remedy, f"not-{wanted}")


def _start(operating: OperatingState, command: c.StartTest) -> None:
    operating.helm.require(command.holder)
    if operating.state is not State.READY:
        raise _wrong_state(operating, "ready")
    if not command.run_id:
        raise Refused("The run has no id.", "Give one.", "no-run-id")
    problem = unready(operating)
    if problem is not None:
        raise problem
    if operating.vehicle and command.vehicle != operating.vehicle:
        raise Refused(
            f"The test is of '{command.vehicle or 'no vehicle'}', but '{operating.vehicle}' was "
            "acknowledged on the rolls.",
            "Choose the vehicle that stands there, or park and acknowledge again.",
            "wrong-vehicle",
        )
    measured = operating.measured
    assert measured is not None  # noqa: S101 - unready has checked it
    engine = measured.engine_speed.quality is Quality.GOOD
    check_plan(command.plan, operating.rig, operating.ratio_per_m, engine)
    ratio = None if engine and measured.engine_speed_source != "ratio" else operating.ratio_per_m
    check_begin(command.plan, measured, operating.rig)
    operating.begin(make_test(command.run_id, command.plan, operating.rig, ratio))
    if not isinstance(command.plan, Coastdown | SnapSmoke | Identification):
        _warn_of_wheels(operating)
    work = heaviest_segment(
        command.plan, operating.rig, Expected(ratio_per_m=operating.ratio_per_m)
    )
    if work is not None:
        operating.heat.expect(work.power_w, work.speed_mps)


def _warn_of_wheels(operating: OperatingState) -> None:
    """Tell of tooth wheels nobody has learned yet: as the rig gets ready, while there is time to
    learn them, and again as a test begins that holds a speed by them."""
    chain = operating.session.chain
    if chain is None:
        return
    known = chain.tooth_tables()
    strange = [
        one.name for one in operating.rig.roll_sets if one.teeth > 1 and one.name not in known
    ]
    if strange:
        operating.event(
            "notice",
            f"Tooth wheels that have not been learned yet: {', '.join(strange)}. Where they turn "
            "the load ripples once per turn. Before the next test drive steadily at about 50 km/h "
            "for some ten seconds with the rig ready.",
            code="wheels-unlearned",
            roll_sets=",".join(strange),
        )


def _adjust(operating: OperatingState, command: c.Adjust) -> None:
    operating.helm.require(command.holder)
    test = operating.test
    if operating.state is not State.LOADED or test is None:
        raise Refused("No test is running.", "Start one first.", "no-test")
    test.adjust(command.set_point, command.quantity)
    operating.tell_news(test)
    operating.event("notice", "Set point adjusted.", set_point=command.set_point, unit=test.unit)


def _ease_off(operating: OperatingState, command: c.EaseOff) -> None:
    if operating.state is State.LOADED:
        at_helm = operating.helm.name if command.holder == operating.helm.holder else ""
        operating.ease("eased-off", f"Eased off by {at_helm or command.name or 'somebody'}.")


_HANDLERS: dict[type, Callable[[OperatingState, Any], None]] = {
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
