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
from daq.rig.engine_range import engine_range
from daq.texts.message import say

NOT_PARKED = Refused(say("rig-is-not-parked"), say("ease-off-and-park-first"), "not-parked")
LEAST_RATIO_MPS = 2.0  # slower no ratio is learned
LEARN_TEETH_MPS = 50.0 / 3.6  # about right for learning tooth wheels
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
        operating.helm_changed(say("took-helm", name=operating.helm.name))


def _keep(operating: OperatingState, command: c.KeepHelm) -> None:
    operating.helm.keep(command.holder, operating.now_s)


def _release(operating: OperatingState, command: c.ReleaseHelm) -> None:
    operating.helm.require(command.holder)
    if operating.state in (State.LOADED, State.EASING):
        raise Refused(say("load-is-on"), say("ease-off-first-or-hand-helm"), "loaded")
    name = operating.helm.name
    operating.helm.release(command.holder)
    operating.helm_changed(say("released-helm", name=name))
    if operating.state is State.READY:
        operating.move(Trigger.PARK, "helm released")


def _ask(operating: OperatingState, command: c.AskHelm) -> None:
    operating.helm.ask(command.holder, command.name, operating.now_s)
    operating.event("helm", say("asks-for-helm", name=command.name), asked_by=command.name)


def _offer(operating: OperatingState, command: c.OfferHelm) -> None:
    before = operating.helm.name
    operating.helm.offer(command.holder, command.to, operating.now_s)
    operating.helm_changed(say("handed-helm-to", before=before, name=operating.helm.name))


# ---- getting ready -------------------------------------------------------------------------------


def _acknowledge(operating: OperatingState, command: c.Acknowledge) -> None:
    operating.helm.require(command.holder)
    if command.vehicle != operating.vehicle and operating.state in (State.LOADED, State.EASING):
        raise Refused(
            say("another-vehicle-cannot-come-onto-rolls"), say("ease-off-first"), "loaded"
        )
    operating.acknowledged = True
    operating.vehicle = command.vehicle
    operating.engine = engine_range(
        operating.rig, command.vehicle, command.idle_rpm, command.max_rpm
    )
    operating.event("notice", say("acknowledged-cautions", name=operating.helm.name))
    if operating.ratio_per_m is not None and operating.ratio_of not in (None, command.vehicle):
        operating.event(
            "notice",
            say("learned-ratio-is-forgotten", vehicle=operating.ratio_of or "no vehicle"),
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
        raise Refused(say("front-end-is-silent"), say("check-link-first"), "no-front-end")
    operating.zeros |= chain.take_zeros()
    operating.event("notice", say("load-cell-zeros-taken"), **operating.zeros)


def unready(operating: OperatingState) -> Refused | None:
    """The first reason why load may not be asked for now, or None."""
    if not operating.session.live or operating.measured is None:
        return Refused(
            say("front-end-is-silent"), say("check-cable-power-and-port"), "no-front-end"
        )
    for view in operating.faults.view():
        if view.active and TABLE[view.code].effect >= Effect.REFUSE:
            return Refused(view.text, view.remedy, view.code)
    if any(one.speed.quality is Quality.MISSING for one in operating.measured.roll_sets):
        return Refused(say("speed-of-rolls-is-not-known"), say("wait-second"), "speed-not-known")
    missing = operating.zeros_missing()
    if missing:
        return Refused(
            say("no-zero-has-been-taken-for", absorbers=missing),
            say("take-zeros-with-rolls-standing-still"),
            "zeros-missing",
        )
    if not operating.acknowledged:
        return Refused(
            say("cautions-are-not-acknowledged"),
            say("check-straps-people-and-exhaust-extraction"),
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
        raise Refused(say("nothing-has-tripped"), say("nothing-to-do"), "not-tripped")
    for view in operating.faults.view():
        if view.active and TABLE[view.code].effect is Effect.TRIP:
            raise Refused(say("cause-is-still-there", cause=view.text), view.remedy, view.code)
    if operating.measured is None or not operating.session.live:
        raise Refused(say("front-end-is-silent"), say("check-cable-power-and-port"), "no-front-end")
    if not operating.unloaded():
        raise Refused(say("coil-still-carries-current"), say("wait-until-it-is-off"), "current-on")
    operating.reset_trip()


def _learn_ratio(operating: OperatingState, command: c.LearnRatio) -> None:
    operating.helm.require(command.holder)
    measured = operating.measured
    chain = operating.session.chain
    if measured is None or chain is None or not operating.session.live:
        raise Refused(say("front-end-is-silent"), say("check-link-first"), "no-front-end")
    engine = measured.engine_speed
    speed = max(roll_set.speed.value for roll_set in measured.roll_sets)
    if engine.quality is not Quality.GOOD or measured.engine_speed_source == "ratio":
        raise Refused(
            say("engine-speed-is-not-measured-now"),
            say("connect-pickup-or-channel"),
            "no-engine-speed",
        )
    if not speed > LEAST_RATIO_MPS:
        raise Refused(
            say("rolls-are-too-slow-to-learn"),
            say("drive-faster-to-learn-ratio", least_mps=LEAST_RATIO_MPS),
            "rolls-slow",
        )
    tractive_n = sum(one.tractive_force.value for one in measured.roll_sets)
    if not tractive_n < LIGHT_SHARE * operating.rig.limits.max_force_n:
        raise Refused(
            say("tyres-pull-with-and-creep-on", tractive_n=tractive_n),
            say("learn-ratio-at-light-load-pedal"),
            "ratio-under-load",
        )
    operating.ratio_per_m = chain.learn_ratio()
    operating.ratio_of = operating.vehicle
    operating.event("notice", say("ratio-learned"), ratio_per_m=operating.ratio_per_m)


def _require_parked(operating: OperatingState, holder: str) -> None:
    operating.helm.require(holder)
    if operating.state is not State.PARKED:
        raise NOT_PARKED
    if not operating.unloaded():
        raise Refused(say("coil-carries-current"), say("wait-until-it-is-off"), "current-on")


def _accept_tune_up(operating: OperatingState, command: c.AcceptTuneUp) -> None:
    _require_parked(operating, command.holder)
    advice = operating.advice
    if advice is None:
        raise Refused(
            say("no-tune-up-has-been-done"), say("run-absorber-identification-first"), "no-advice"
        )
    if command.run_id != advice.run_id:
        raise Refused(
            say("newest-tune-up-is-that-of", run_id=advice.run_id, asked=command.run_id),
            say("read-it-again-then-accept-it"),
            "advice-changed",
        )
    operating.tune(AcceptedTuneUp(advice.run_id, advice.advised_share, operating.helm.name))
    operating.event(
        "notice",
        say("put-tune-up-of-in-force", name=operating.helm.name, run_id=advice.run_id),
        observer_share=advice.advised_share,
    )


def _drop_tune_up(operating: OperatingState, command: c.DropTuneUp) -> None:
    _require_parked(operating, command.holder)
    if operating.tuned is not None:
        operating.tune(None)
        operating.event("notice", say("went-back-to-usual-tuning", name=operating.helm.name))


def _drop_identified(operating: OperatingState, command: c.DropIdentified) -> None:
    _require_parked(operating, command.holder)
    known = {one.name for one in operating.rig.absorbers}
    wrong = [name for name in command.absorbers if name not in known]
    if wrong:
        raise Refused(
            say("there-is-no-absorber", absorber=wrong[0]),
            say("this-rig-has", names=sorted(known)),
            "no-absorber",
        )
    operating.forget_identified(command.absorbers or tuple(known))
    operating.event("notice", say("went-back-to-rig-files-absorber", name=operating.helm.name))


def _slow_value(operating: OperatingState, command: c.SlowValue) -> None:
    chain = operating.session.chain
    if chain is None or not operating.session.live:
        raise Refused(say("front-end-is-silent"), say("send-value-again-later"), "no-front-end")
    chain.feed_slow(command.name, command.value, chain.now_s - command.age_s)


# ---- load ----------------------------------------------------------------------------------------


def _wrong_state(operating: OperatingState, wanted: str) -> Refused:
    remedy = {
        State.PARKED: say("make-ready-first"),
        State.READY: say("start-test-or-park"),
        State.LOADED: say("ease-off-first"),
        State.EASING: say("wait-until-load-is-off"),
        State.TRIPPED: say("remove-cause-and-reset-trip"),
    }[operating.state]
    return Refused(say("rig-is-not", state=operating.state, wanted=wanted), remedy, f"not-{wanted}")


def _start(operating: OperatingState, command: c.StartTest) -> None:
    operating.helm.require(command.holder)
    if operating.state is not State.READY:
        raise _wrong_state(operating, "ready")
    if not command.run_id:
        raise Refused(say("run-has-no-id"), say("give-one"), "no-run-id")
    problem = unready(operating)
    if problem is not None:
        raise problem
    if operating.vehicle and command.vehicle != operating.vehicle:
        raise Refused(
            say(
                "test-is-of-another-vehicle",
                vehicle=command.vehicle or "no vehicle",
                on_rolls=operating.vehicle,
            ),
            say("choose-vehicle-that-stands-there-or"),
            "wrong-vehicle",
        )
    measured = operating.measured
    assert measured is not None  # noqa: S101 - unready has checked it
    engine = measured.engine_speed.quality is Quality.GOOD
    check_plan(command.plan, operating.rig, operating.ratio_per_m, engine, operating.engine)
    ratio = None if engine and measured.engine_speed_source != "ratio" else operating.ratio_per_m
    check_begin(command.plan, measured, operating.rig)
    operating.begin(make_test(command.run_id, command.plan, operating.rig, ratio, operating.engine))
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
            say("tooth-wheels-not-learned", roll_sets=strange, about_mps=LEARN_TEETH_MPS),
            code="wheels-unlearned",
            roll_sets=",".join(strange),
        )


def _adjust(operating: OperatingState, command: c.Adjust) -> None:
    operating.helm.require(command.holder)
    test = operating.test
    if operating.state is not State.LOADED or test is None:
        raise Refused(say("no-test-is-running"), say("start-one-first"), "no-test")
    test.adjust(command.set_point, command.quantity)
    operating.tell_news(test)
    operating.event(
        "notice", say("set-point-adjusted"), set_point=command.set_point, unit=test.unit
    )


def _ease_off(operating: OperatingState, command: c.EaseOff) -> None:
    if operating.state is State.LOADED:
        at_helm = operating.helm.name if command.holder == operating.helm.holder else ""
        operating.ease("eased-off", say("eased-off-by", name=at_helm or command.name or "somebody"))


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
