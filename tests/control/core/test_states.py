"""The rig's states, and who may move them."""

from __future__ import annotations

import itertools
import math

import pytest

from control.core.commands import (
    Acknowledge,
    Adjust,
    EaseOff,
    LearnRatio,
    MakeReady,
    Park,
    ReleaseHelm,
    ResetTrip,
    SlowValue,
    StartTest,
    TakeHelm,
    ZeroCells,
)
from control.core.memory import Memory
from control.core.states import TRANSITIONS, Trigger, after
from control.telemetry import State
from control.test_kinds.base import RADPS_PER_RPM
from control.test_kinds.plans import Plan, PowerSweep, SpoolUp, SteadyHold, SteppedMap
from daq.rig.engine_range import EngineRange
from daq.wire.frames import Permission
from tests.control.control_stand import HOLD_20, HOLDER, Stand


def test_every_transition_is_in_the_table_and_nothing_else_is() -> None:
    allowed = {
        ("parked", "make-ready", "ready"),
        ("parked", "trip", "tripped"),
        ("ready", "park", "parked"),
        ("ready", "start", "loaded"),
        ("ready", "trip", "tripped"),
        ("loaded", "ease", "easing"),
        ("loaded", "trip", "tripped"),
        ("easing", "unloaded", "ready"),
        ("easing", "trip", "tripped"),
        ("tripped", "reset", "parked"),
    }
    found = {
        (str(state), str(trigger), str(to))
        for state, trigger in itertools.product(State, Trigger)
        if (to := after(state, trigger)) is not None
    }
    assert found == allowed
    assert len(TRANSITIONS) == len(allowed)


def test_a_rig_comes_up_parked_and_sends_no_current() -> None:
    stand = Stand().connect()
    assert stand.core.state is State.PARKED
    assert stand.set_point is not None
    assert stand.set_point.currents == (0, 0, 0, 0)


def test_a_rig_becomes_ready_after_helm_zeros_and_cautions() -> None:
    assert Stand().ready().core.state is State.READY


def test_a_test_puts_the_rig_under_load_and_an_event_says_so() -> None:
    stand = Stand().loaded()
    started = stand.kinds("run-started")
    assert [event.data["run_id"] for event in started] == ["run-1"]
    assert stand.set_point is not None
    assert min(stand.set_point.currents) > 0


def test_easing_off_takes_the_load_off_along_the_ramp_and_ends_ready() -> None:
    stand = Stand().loaded()
    before = stand.set_point
    assert before is not None
    assert stand.ask(EaseOff(0, "a passer-by")).accepted
    assert stand.core.state is State.EASING
    stand.drive_n = 0.0
    flowing_a = stand.coils[0]
    stand.frames(0.7)
    then = stand.set_point
    assert then is not None
    assert then.currents[0] / 100.0 == pytest.approx(flowing_a - 0.7 * 30.0 / 3.0, abs=0.5)
    stand.frames(2.5)
    assert stand.core.state is State.READY
    assert stand.set_point is not None
    assert stand.set_point.currents == (0, 0, 0, 0)
    ended = stand.kinds("run-ended")
    assert [event.data["reason"] for event in ended] == ["eased-off"]
    assert str(ended[0].text) == "Eased off by somebody."  # an id says nothing to people
    assert ended[0].data["run_id"] == "run-1"
    told = stand.core.telemetry().last_end
    assert told is not None
    assert (told.run_id, told.kind, told.code) == ("run-1", "steady-hold", "eased-off")


@pytest.mark.parametrize(
    ("holder", "name", "who"),
    [
        (HOLDER, "", "Ada"),
        (HOLDER, "local", "Ada"),
        ("token-3:page-9", "Ben", "Ben"),
    ],
)
def test_who_eased_off_is_told_by_name(holder: str, name: str, who: str) -> None:
    stand = Stand().loaded()
    assert stand.ask(EaseOff(0, holder, name)).accepted
    assert str(stand.kinds("run-ended")[0].text) == f"Eased off by {who}."


def test_a_finished_test_eases_off_by_itself_and_sums_up() -> None:
    stand = Stand().loaded(SteadyHold(seconds=4.0, settle_s=2.0, speed_mps=20.0))
    for _ in range(4000):
        stand.frame()
        if stand.kinds("run-ended"):
            break
    ended = stand.kinds("run-ended")
    assert [event.data["reason"] for event in ended] == ["completed"]
    assert ended[0].data["mean_speed_mps"] == pytest.approx(20.0, rel=2e-3)
    assert ended[0].data["in_tolerance"] == 1.0
    assert stand.core.state is State.EASING
    told = stand.core.telemetry().last_end
    assert told is not None
    assert (told.code, told.remedy, told.voids) == ("completed", "", ())


def test_how_a_test_ended_is_told_with_the_next_step_until_the_next_one_begins() -> None:
    stand = Stand().loaded()
    assert stand.core.telemetry().last_end is None
    stand.cell_gain = [-1.0] * 4
    stand.frames(0.5)
    told = stand.core.telemetry().last_end
    assert told is not None
    first = stand.core.faults.trip
    assert first is not None
    assert (told.code, told.text, told.remedy) == (first.code, first.text, first.remedy)
    assert told.remedy


def test_a_trip_takes_the_load_off_along_the_ramp_latches_and_keeps_the_first_cause() -> None:
    stand = Stand().loaded()
    stand.cell_gain = [-1.0] * 4
    stand.frames(0.5)
    assert stand.core.state is State.TRIPPED
    assert stand.core.telemetry().first_cause == "absorber-reversed"
    stand.frames(1.8)
    assert stand.set_point is not None
    assert stand.set_point.currents == (0, 0, 0, 0)
    stand.stop_chain = False
    stand.frames(0.1)
    assert stand.core.telemetry().first_cause == "absorber-reversed"


def test_a_trip_is_reset_only_by_the_helm_and_only_with_the_cause_gone() -> None:
    stand = Stand().loaded()
    stand.stop_chain = False
    stand.frame()
    assert stand.core.state is State.TRIPPED
    assert stand.set_point is not None
    assert stand.set_point.currents == (0, 0, 0, 0), "an open stop chain is zero at once"
    stand.frames(2.0)
    refused = stand.ask(ResetTrip(0, HOLDER))
    assert (refused.accepted, refused.code) == (False, "stop-chain-open")
    stand.stop_chain = True
    stand.frames(0.1)
    assert stand.ask(ResetTrip(0, "somebody else")).code == "helm-held"
    assert stand.ask(ResetTrip(0, HOLDER)).accepted
    assert stand.core.state is State.PARKED
    assert stand.core.telemetry().first_cause == ""


def test_a_trip_survives_a_restart_and_names_its_first_cause() -> None:
    stand = Stand().loaded()
    stand.stop_chain = False
    stand.frame()
    again = Stand(stand.core.memory()).connect()
    assert again.core.state is State.TRIPPED
    assert again.core.telemetry().first_cause == "stop-chain-open"
    assert again.core.session.number > stand.core.session.number


def test_a_restart_under_load_is_a_trip_not_a_resume() -> None:
    stand = Stand().loaded()
    again = Stand(stand.core.memory()).connect()
    assert again.core.state is State.TRIPPED
    assert again.core.telemetry().first_cause == "host-restarted"


def test_a_restart_without_load_comes_up_parked_with_its_zeros() -> None:
    stand = Stand().ready()
    again = Stand(stand.core.memory()).connect()
    assert again.core.state is State.PARKED
    assert again.core.zeros == {
        "front-left": 100.0,
        "front-right": -200.0,
        "rear-left": 300.0,
        "rear-right": -400.0,
    }


# ---- refusals read as sentences -------------------------------------------------------------


def test_a_test_is_refused_while_parked() -> None:
    answer = Stand().at_helm().ask(StartTest(0, HOLDER, "run", HOLD_20))
    assert (answer.accepted, answer.code) == (False, "not-ready")
    assert answer.reason
    assert str(answer.remedy) == "Make ready first."


def test_a_test_is_refused_to_whoever_is_not_at_the_helm() -> None:
    answer = Stand().ready().ask(StartTest(0, "token:other", "run", HOLD_20))
    assert (answer.code, str(answer.reason)) == ("helm-held", "Ada is at the helm, not you.")


def test_a_test_is_refused_while_another_runs() -> None:
    answer = Stand().loaded().ask(StartTest(0, HOLDER, "run-2", HOLD_20))
    assert (answer.code, str(answer.remedy)) == ("not-ready", "Ease off first.")


@pytest.mark.parametrize(
    ("plan", "code"),
    [
        (SteadyHold(seconds=60.0), "plan-set-point"),
        (SteadyHold(seconds=60.0, rpm=1900.0, speed_mps=20.0), "plan-set-point"),
        (SteadyHold(seconds=60.0, speed_mps=49.5), "set-point-beyond-rig"),
        (SteadyHold(seconds=60.0, speed_mps=float("nan")), "plan-number"),
        (SteadyHold(seconds=60.0, speed_mps=2.0), "set-point-too-slow"),
        (SteadyHold(seconds=5.0, settle_s=10.0, speed_mps=20.0), "plan-settle"),
        (SteadyHold(seconds=float("inf"), speed_mps=20.0), "plan-number"),
    ],
)
def test_a_set_point_beyond_the_rig_is_refused(plan: SteadyHold, code: str) -> None:
    stand = Stand().ready()
    answer = stand.ask(StartTest(0, HOLDER, "run", plan))
    assert (answer.accepted, answer.code) == (False, code)
    assert answer.reason
    assert answer.remedy
    assert stand.core.state is State.READY


def test_a_hold_by_engine_speed_beyond_the_rig_is_refused_by_the_learned_ratio() -> None:
    stand = Stand().ready()
    stand.speeds = [10.0, 10.0]
    stand.frame()
    assert stand.ask(LearnRatio(0, HOLDER)).accepted
    assert stand.core.ratio_per_m == pytest.approx(9.5, rel=1e-3)
    plan = SteadyHold(seconds=60.0, rpm=5000.0)  # 55 m/s at that ratio
    assert stand.ask(StartTest(0, HOLDER, "run", plan)).code == "set-point-beyond-rig"


@pytest.mark.parametrize(
    "plan",
    [
        SteadyHold(seconds=60.0, rpm=9900.0),
        SteadyHold(seconds=60.0, rpm=300.0),
        SteppedMap(points_rpm=(1500.0, 5600.0)),
        PowerSweep(from_rpm=1500.0, to_rpm=6000.0, rpm_per_s=150.0),
        SpoolUp(rpm=5200.0),
    ],
)
def test_an_engine_speed_of_no_engine_is_refused_with_what_is_allowed(plan: Plan) -> None:
    stand = Stand().ready()  # no ratio learned, no vehicle named
    answer = stand.ask(StartTest(0, HOLDER, "run", plan))
    assert (answer.accepted, answer.code) == (False, "engine-speed")
    assert "500 to 5,000 rpm" in str(answer.reason)
    assert stand.core.telemetry().engine == EngineRange(500.0, 5000.0)


def test_a_plan_is_held_to_the_engine_of_the_vehicle_on_the_rolls() -> None:
    stand = Stand().ready()
    stand.ask(Acknowledge(0, HOLDER, "semi", 600.0, 2300.0))
    assert stand.core.telemetry().engine == EngineRange(600.0, 2300.0, "semi")
    for rpm in (2400.0, 550.0):
        plan = SteadyHold(seconds=60.0, rpm=rpm)
        answer = stand.ask(StartTest(0, HOLDER, "run", plan, "semi"))
        assert answer.code == "engine-speed"
        assert "semi pulls at: 600 to 2,300 rpm" in str(answer.reason)
    stand.speeds = [20.0, 20.0]
    stand.frame()
    assert stand.ask(LearnRatio(0, HOLDER)).accepted
    ratio = stand.core.ratio_per_m
    assert ratio is not None
    fast = 2400.0 * RADPS_PER_RPM / ratio  # by roll speed, in the gear that was learned
    answer = stand.ask(
        StartTest(0, HOLDER, "run", SteadyHold(seconds=60.0, speed_mps=fast), "semi")
    )
    assert answer.code == "engine-speed"
    assert stand.ask(
        StartTest(0, HOLDER, "run", SteadyHold(seconds=60.0, rpm=2000.0), "semi")
    ).accepted
    assert stand.ask(Adjust(0, HOLDER, 2400.0 * RADPS_PER_RPM)).code == "engine-speed"


def test_a_hold_by_engine_speed_is_refused_without_any_engine_speed() -> None:
    stand = Stand().ready()
    stand.engine_quality = stand.engine_quality.MISSING
    stand.frames(0.5)
    plan = SteadyHold(seconds=60.0, rpm=1900.0)
    assert stand.ask(StartTest(0, HOLDER, "run", plan)).code == "no-engine-speed"


def test_the_ratio_of_one_vehicle_is_forgotten_for_another_and_kept_over_a_restart() -> None:
    stand = Stand().ready()
    stand.ask(Acknowledge(0, HOLDER, "grey van"))
    stand.speeds = [10.0, 10.0]
    stand.frame()
    assert stand.ask(LearnRatio(0, HOLDER)).accepted
    again = Stand(memory=stand.core.memory()).at_helm()
    for one in (stand, again):
        assert one.ask(Acknowledge(0, HOLDER, "grey van")).accepted
        assert one.core.ratio_per_m == pytest.approx(9.5, rel=1e-3)
        assert one.ask(Acknowledge(0, HOLDER, "red truck")).accepted
        assert one.core.ratio_per_m is None
        assert math.isnan(one.core.session.chain.learned_ratio)
        assert "'grey van'" in str(one.events[-1].text)


def test_no_other_vehicle_is_acknowledged_during_a_test() -> None:
    stand = Stand().loaded()
    assert stand.ask(Acknowledge(0, HOLDER)).accepted
    assert stand.ask(Acknowledge(0, HOLDER, "red truck")).code == "loaded"


def test_the_ratio_is_not_learned_from_standing_rolls() -> None:
    assert Stand().at_helm().ask(LearnRatio(0, HOLDER)).code == "rolls-slow"


def test_the_ratio_is_not_learned_from_tyres_under_load() -> None:
    class Pulling(Stand):
        def loss(self, roll: int) -> float:
            return 4500.0

    stand = Pulling().ready()
    stand.speeds = [10.0, 10.0]
    stand.frame()
    answer = stand.ask(LearnRatio(0, HOLDER))
    assert (answer.accepted, answer.code) == (False, "ratio-under-load")
    assert "light load" in str(answer.remedy)
    assert stand.core.ratio_per_m is None


def test_ready_is_refused_without_the_front_end() -> None:
    stand = Stand()
    stand.core.step(None, (TakeHelm(1, HOLDER, "Ada"),), 0.0)
    step = stand.core.step(None, (MakeReady(2, HOLDER),), 0.1)
    assert [(answer.accepted, answer.code) for answer in step.answers] == [(False, "no-front-end")]


def test_ready_is_refused_without_zeros() -> None:
    stand = Stand(Memory()).at_helm()
    stand.ask(Acknowledge(0, HOLDER))
    assert stand.ask(MakeReady(0, HOLDER)).code == "zeros-missing"


def test_ready_is_refused_until_the_cautions_are_acknowledged() -> None:
    stand = Stand().at_helm()
    assert stand.ask(MakeReady(0, HOLDER)).code == "not-acknowledged"


def test_ready_is_refused_while_the_tie_down_switch_is_open() -> None:
    stand = Stand().at_helm()
    stand.ask(Acknowledge(0, HOLDER))
    stand.tie_downs = False
    stand.frames(0.1)
    assert stand.ask(MakeReady(0, HOLDER)).code == "tie-downs-open"


def test_zeros_are_refused_while_the_rig_is_not_parked() -> None:
    assert Stand().ready().ask(ZeroCells(0, HOLDER)).code == "not-parked"


def test_cautions_must_be_acknowledged_again_after_parking_and_after_a_change_of_helm() -> None:
    stand = Stand().ready()
    assert stand.ask(Park(0, HOLDER)).accepted
    assert stand.core.acknowledged is False
    stand.ask(Acknowledge(0, HOLDER))
    stand.ask(ReleaseHelm(0, HOLDER))
    assert stand.core.acknowledged is False


def test_parking_is_refused_under_load() -> None:
    assert Stand().loaded().ask(Park(0, HOLDER)).code == "not-ready"


def test_the_helm_cannot_be_dropped_under_load() -> None:
    assert Stand().loaded().ask(ReleaseHelm(0, HOLDER)).code == "loaded"


def test_adjusting_is_refused_without_a_test_and_beyond_the_rig() -> None:
    assert Stand().ready().ask(Adjust(0, HOLDER, 22.0)).code == "no-test"
    stand = Stand().loaded()
    assert stand.ask(Adjust(0, HOLDER, 60.0)).code == "set-point-beyond-rig"
    assert stand.ask(Adjust(0, HOLDER, float("nan"))).code == "set-point"
    assert stand.core.test is not None
    assert stand.core.test.set_point == 20.0


def test_an_adjusted_set_point_is_approached_at_a_limited_rate() -> None:
    stand = Stand().loaded()
    assert stand.ask(Adjust(0, HOLDER, 22.0)).accepted
    speeds = []
    for _ in range(2000):
        stand.frame()
        speeds.append(max(stand.speeds))
    steepest = max(b - a for a, b in zip(speeds, speeds[50:], strict=False)) / (50 * stand.dt)
    assert steepest < 1.1, "m/s2"
    assert speeds[-1] == pytest.approx(22.0, rel=2e-3)
    assert max(speeds) < 22.05


def test_a_slow_value_from_outside_reaches_the_chain_with_its_age() -> None:
    stand = Stand().at_helm()
    assert stand.ask(SlowValue(0, "humidity", 55.0, 2.0)).accepted
    chain = stand.core.session.chain
    assert chain is not None
    assert [(name, value) for name, value, _ in chain.fed] == [("humidity", 55.0)]  # type: ignore[attr-defined]
    assert chain.fed[0][2] == pytest.approx(stand.time_s - 2.0, abs=0.01)  # type: ignore[attr-defined]


def test_a_ready_rig_parks_when_nobody_keeps_the_helm() -> None:
    stand = Stand().ready()
    stand.keep_helm = False
    stand.frames(3.5)
    assert stand.core.state is State.PARKED
    assert stand.core.helm.holder == ""


# ---- the link --------------------------------------------------------------------------------


def test_a_silent_front_end_under_load_is_a_trip_and_nothing_more_is_sent() -> None:
    stand = Stand().loaded()
    count = len(stand.set_points)
    stand.silence(0.2)
    assert stand.core.state is State.TRIPPED
    assert stand.core.telemetry().first_cause == "link-lost"
    stand.permission = Permission.EASING  # as the front end does by its own clock
    stand.set_point, stand.sent = None, [0.0] * 4
    stand.frames(1.5)
    assert stand.core.state is State.TRIPPED
    assert all(point is None for point in stand.set_points[count:])
    stand.permission = Permission.NONE
    stand.frames(0.2)
    assert stand.set_point is not None
    assert stand.set_point.currents == (0, 0, 0, 0)


def test_a_silent_front_end_while_parked_is_no_trip() -> None:
    stand = Stand().connect()
    stand.silence(1.0)
    assert stand.core.state is State.PARKED
    assert "link-lost" in stand.fault_codes()
    stand.frames(0.1)
    assert stand.fault_codes() == set()


def test_a_rebooted_front_end_is_a_trip_and_gets_a_new_session() -> None:
    stand = Stand().loaded()
    number = stand.core.session.number
    step = stand.hello(session=0, boot_id=78)
    assert stand.core.state is State.TRIPPED
    assert stand.core.telemetry().first_cause == "front-end-restarted"
    assert stand.core.session.number > number
    assert [ask.session for ask in step.send] == [stand.core.session.number]  # type: ignore[union-attr]
    before = len(stand.set_points)
    stand.frames(0.1)
    assert all(point is None for point in stand.set_points[before:]), "no session, no set point"
    stand.hello(boot_id=78)
    stand.frames(0.1)
    assert stand.set_point is not None
    assert stand.set_point.session == stand.core.session.number


def test_a_session_that_is_not_ours_is_a_trip() -> None:
    stand = Stand().loaded()
    stand.hello(session=9999)
    assert stand.core.telemetry().first_cause == "session-lost"


def test_a_front_end_of_another_protocol_is_refused_with_the_reason() -> None:
    stand = Stand()
    stand.hello(major=2)
    view = stand.core.telemetry().faults[0]
    assert view.code == "wire-mismatch"
    assert "protocol 2.0" in str(view.text)
    stand.hello()
    stand.frames(0.1)
    assert stand.core.session.live


def test_set_points_carry_our_session_and_a_growing_sequence() -> None:
    stand = Stand().connect()
    first = stand.set_point
    stand.frame()
    second = stand.set_point
    assert first is not None
    assert second is not None
    assert second.session == stand.core.session.number
    assert (second.sequence - first.sequence) & 0xFFFF == 1


def test_the_front_end_easing_by_itself_ends_the_test() -> None:
    stand = Stand().loaded()
    stand.permission = Permission.EASING
    stand.frames(0.11)
    assert stand.core.state is State.EASING
    assert stand.kinds("run-ended")[0].data["reason"] == "permission-lapsed"


@pytest.mark.parametrize("lacks", [("edge_totals", "edges"), ("counts", "flags"), ("currents",)])
def test_a_sample_without_a_greeted_channel_is_as_if_nothing_came(lacks: tuple[str, ...]) -> None:
    stand = Stand().loaded()
    sound = stand.sample()
    for left in (0, -1):
        odd = sound.__replace__(**{name: getattr(sound, name)[:left] for name in lacks})
        assert stand.core.step(odd, (), stand.host_s).set_point is None
    stand.frames(0.1)
    assert stand.core.state is State.LOADED, "one such frame is no matter"
    for _ in range(60):  # nothing else for more than a tenth of a second
        stand.host_s += stand.dt
        stand.core.step(odd, (), stand.host_s)
    assert stand.core.state is State.TRIPPED
    assert stand.core.telemetry().first_cause == "frames-contradict"
