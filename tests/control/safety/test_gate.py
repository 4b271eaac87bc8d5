"""The gate: whatever is asked, limits and rates hold, and without permission there is nothing."""

from __future__ import annotations

import ast
import math

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from control.safety.gate import (
    AGREE_A,
    AGREE_SHARE,
    FORCING_S,
    UNSEEN_A,
    Clamp,
    Decision,
    GateLimits,
    GateState,
    Mode,
    Request,
    closed,
    decide,
    handed_over,
    limits_of,
    resynced,
)
from daq.wire.frames import CURRENT_STEP_A
from tests.control.control_stand import ROOT, tarnhow

LIMITS = GateLimits(
    continuous_a=(30.0, 20.0),
    forcing_a=(60.0, 40.0),
    lag_s=(0.15, 0.2),
    ease_a_per_s=(10.0, 20.0 / 3.0),
    rise_a_per_s=200.0,
    fall_a_per_s=50.0,
    low_speed_mps=1.5,
    max_speed_mps=50.0,
    max_force_n=24_000.0,
    max_power_w=500_000.0,
    validity_ms=100,
    forcing_validity_ms=16,
)
DT = 0.002


def request(**changes: object) -> Request:
    good = Request(
        mode=Mode.LOAD,
        permitted=True,
        session=7,
        asked_a=(15.0, 10.0),
        coil_a=(15.0, 10.0),
        speeds_mps=(20.0, 20.0),
        force_n=9000.0,
        power_w=200_000.0,
        dt_s=DT,
    )
    return msgspec.structs.replace(good, **changes)


def run(frames: int, state: GateState | None = None, **changes: object) -> Decision:
    decision = Decision(None, state or closed(LIMITS), 0)
    for _ in range(frames):
        decision = decide(LIMITS, decision.state, request(**changes))
    return decision


def loaded() -> GateState:
    """A second at 15 and 10 A: set points and coils agree."""
    return run(1000).state


anything = st.floats(allow_nan=True, allow_infinity=True)
pair = st.tuples(anything, anything)
requests = st.builds(
    Request,
    mode=st.sampled_from([*Mode, 7]),
    permitted=st.sampled_from([True, False, None]),
    session=st.integers(0, 3),
    asked_a=st.one_of(pair, st.just(()), st.tuples(anything)),
    coil_a=pair,
    speeds_mps=pair,
    force_n=anything,
    power_w=anything,
    dt_s=st.one_of(st.just(DT), anything),
    digital_out=st.integers(-5, 1000),
)


@settings(max_examples=400, deadline=None)
@given(st.lists(requests, max_size=12), st.booleans())
def test_whatever_is_asked_no_limit_and_no_rate_is_exceeded(
    asked: list[Request], from_load: bool
) -> None:
    state = loaded() if from_load else closed(LIMITS)
    for one in asked:
        before = state
        decision = decide(LIMITS, state, one)
        state = decision.state
        step_s = min(max(one.dt_s, 0.0), 0.02) if math.isfinite(one.dt_s) else 0.02
        open_gate = (
            one.permitted is True
            and one.session != 0
            and one.mode in (Mode.LOAD, Mode.EASE)
            and len(one.asked_a) == 2
        )
        if one.session == 0:
            assert decision.set_point is None
        if not open_gate:
            assert state.currents_a == (0.0, 0.0)
        for i, (now, coil, coil_before) in enumerate(
            zip(state.currents_a, state.coils_a, before.coils_a, strict=True)
        ):
            assert math.isfinite(now)
            assert 0.0 <= now <= LIMITS.forcing_a[i]
            # What the coil did with the set point before keeps to the rates ...
            assert coil - coil_before <= LIMITS.rise_a_per_s * step_s + 1e-9
            # ... and what it may do with the new one, too.
            lag = LIMITS.lag_s[i]
            assert (now - coil) / lag <= LIMITS.rise_a_per_s + 1e-9
            if open_gate:
                assert (now - coil) / lag >= -LIMITS.fall_a_per_s - 1e-9
                if one.mode is Mode.EASE:
                    assert now <= coil + max(AGREE_A, AGREE_SHARE * coil), (
                        "taking load off never raises a current beyond what may well flow"
                    )
                elif now > coil + 1e-9:
                    assert one.speeds_mps[i] >= LIMITS.low_speed_mps
                    assert one.force_n <= LIMITS.max_force_n
                    assert one.power_w <= LIMITS.max_power_w
        if decision.set_point is not None:
            sent = decision.set_point.currents
            assert decision.set_point.session == one.session
            assert 0 <= decision.set_point.digital_out <= 255
            for i, steps in enumerate(sent):
                assert 0 <= steps * CURRENT_STEP_A <= state.currents_a[i] + 1e-9


def test_without_a_session_nothing_is_sent() -> None:
    assert run(1, loaded(), session=0).set_point is None


def test_set_points_are_numbered_one_after_the_other_and_begin_anew_after_the_last() -> None:
    for changes in ({}, {"permitted": False}):
        state, sent = closed(LIMITS, sequence=0xFFFE), []
        for _ in range(3):
            decision = decide(LIMITS, state, request(**changes))
            assert decision.set_point is not None
            state, sent = decision.state, [*sent, decision.set_point.sequence]
        assert sent == [0xFFFF, 0, 1]


def test_without_permission_the_current_is_zero_at_once() -> None:
    decision = run(1, loaded(), permitted=False)
    assert decision.set_point is not None
    assert decision.set_point.currents == (0, 0)
    assert decision.clamps & Clamp.DENIED


def test_anything_but_a_plain_yes_is_no_permission() -> None:
    assert run(1, loaded(), permitted=1).state.currents_a == (0.0, 0.0)


def test_an_unknown_mode_is_denied() -> None:
    assert run(1, loaded(), mode=9).state.currents_a == (0.0, 0.0)


def test_a_rise_of_the_coil_is_limited_and_counted() -> None:
    decision = run(1, None, asked_a=(60.0, 40.0))
    assert decision.state.currents_a == (200.0 * 0.15, 200.0 * 0.2)
    assert decision.clamps & Clamp.RISE


def test_a_fall_of_the_coil_is_limited_and_counted() -> None:
    decision = run(1, loaded(), asked_a=(0.0, 0.0))
    assert decision.state.currents_a == pytest.approx((15.0 - 50.0 * 0.15, 0.0), abs=0.05)
    assert decision.clamps & Clamp.FALL


def test_the_coil_model_is_the_published_rise_of_a_coil() -> None:
    """Check value EC-15: after t = 0.1 s with L/R = 0.2 s the rise is 0.393469340."""
    limits = msgspec.structs.replace(LIMITS, rise_a_per_s=1e6)
    state = decide(limits, closed(limits), request(asked_a=(10.0, 10.0), dt_s=0.01)).state
    for _ in range(10):
        state = decide(limits, state, request(asked_a=(10.0, 10.0), dt_s=0.01)).state
    assert state.coils_a[1] / 10.0 == pytest.approx(0.393469340, abs=1e-9)


def test_taking_load_off_is_a_straight_ramp_in_amperes_per_second_from_what_is_measured() -> None:
    state = run(1000, coil_a=(14.5, 10.4)).state
    decision = run(500, state, mode=Mode.EASE, coil_a=(14.5, 10.4))
    assert decision.state.currents_a == pytest.approx((14.5 - 10.0, 10.4 - 20.0 / 3.0), abs=1e-6)
    assert run(1500, decision.state, mode=Mode.EASE).state.currents_a == (0.0, 0.0)


@pytest.mark.parametrize("asked", [(0.0, 0.0), (60.0, 40.0), (math.nan, -5.0)])
def test_what_was_asked_last_does_not_move_the_ramp(asked: tuple[float, float]) -> None:
    forced = run(1, loaded(), asked_a=asked, coil_a=(15.0, 10.0)).state
    eased = run(1, forced, mode=Mode.EASE, asked_a=asked, coil_a=(15.0, 10.0)).state
    assert eased.currents_a == pytest.approx((15.0, 10.0), abs=0.05)


def test_the_ramp_begins_at_the_median_of_three_readings() -> None:
    state = run(998).state
    for coil in ((14.0, 10.0), (15.9, 10.0)):
        state = run(1, state, coil_a=coil).state
    eased = run(1, state, mode=Mode.EASE, coil_a=(14.8, 10.0)).state
    assert eased.ramp_a[0] == pytest.approx(14.8 - 10.0 * DT)


@pytest.mark.parametrize("wrong_a", [0.0, 60.0, math.nan, -3.0])
def test_a_current_that_the_model_contradicts_does_not_move_the_ramp(wrong_a: float) -> None:
    """A sensor that died would otherwise drop the load, one that shows too much raise it."""
    state = run(1000, coil_a=(wrong_a, 10.0)).state
    eased = run(1, state, mode=Mode.EASE, coil_a=(wrong_a, 10.0)).state
    assert eased.ramp_a == pytest.approx((15.0, 10.0), abs=0.05)


def test_taking_load_off_goes_on_without_a_speed_and_at_standstill() -> None:
    for speed in (math.nan, 0.5):
        eased = run(50, loaded(), mode=Mode.EASE, speeds_mps=(speed, speed)).state
        assert eased.currents_a == pytest.approx((14.0, 10.0 - 2.0 / 3.0), abs=0.05)


def test_easing_ends_however_long_no_current_has_flowed_before() -> None:
    """A coil that dies away for minutes comes to numbers that no ramp takes any further."""
    state = closed(LIMITS, 0, (5.0, 5.0))
    for _ in range(round(120.0 / DT)):
        state = decide(LIMITS, state, request(asked_a=(0.0, 0.0), coil_a=(0.0, 0.0))).state
    for _ in range(round(3.5 / DT)):
        state = decide(LIMITS, state, request(mode=Mode.EASE, coil_a=(0.0, 0.0))).state
    assert state.currents_a == (0.0, 0.0)


def test_easing_never_rises_again() -> None:
    down = run(500, loaded(), mode=Mode.EASE).state
    more = run(1, down, mode=Mode.EASE, asked_a=(60.0, 40.0), coil_a=(15.0, 10.0)).state
    assert more.currents_a < down.currents_a


def test_while_the_front_end_fades_the_ramp_is_where_the_coils_are() -> None:
    state = loaded()
    for coil in ((14.0, 9.0), (13.9, 8.9), (13.8, 8.8)):
        state = handed_over(state, coil)
    assert state.ramp_a == (13.9, 8.9)
    assert state.easing
    back = run(1, state, mode=Mode.EASE, coil_a=(13.7, 8.7)).state
    assert back.currents_a == pytest.approx((13.9 - 10.0 * DT, 8.9 - 20.0 / 3.0 * DT))
    for wrong in ((99.0, math.nan),) * 3:
        state = handed_over(state, wrong)
    assert state.ramp_a == (13.9, 8.8), "never above, whatever a sensor shows"


def test_near_standstill_no_current_is_let_through() -> None:
    decision = run(1000, loaded(), speeds_mps=(1.4, 20.0))
    assert decision.state.currents_a[0] == 0.0
    assert decision.state.currents_a[1] == 10.0
    assert decision.clamps & Clamp.STANDSTILL


def test_an_unknown_speed_lets_no_more_through_and_drops_nothing() -> None:
    for ask in (15.0, 60.0):
        state = run(10, loaded(), speeds_mps=(math.nan, 20.0), asked_a=(ask, 10.0)).state
        assert state.currents_a[0] == pytest.approx(15.0, abs=0.05)


def test_over_speed_holds_what_is_on_and_lets_no_more_through() -> None:
    state = loaded()
    decision = run(50, state, speeds_mps=(51.0, 51.0), asked_a=(25.0, 5.0))
    assert decision.state.currents_a == pytest.approx((15.0, 5.0), abs=0.05)
    assert decision.clamps & Clamp.SPEED


def test_over_force_and_over_power_take_load_off() -> None:
    for changes, flag in (
        ({"force_n": 24_001.0}, Clamp.FORCE),
        ({"power_w": 500_001.0}, Clamp.POWER),
    ):
        decision = run(1, loaded(), **changes)
        assert decision.state.currents_a == pytest.approx((7.5, 0.0), abs=0.05)
        assert decision.clamps & flag


def test_a_force_or_power_that_is_no_number_lets_no_more_through_and_drops_nothing() -> None:
    for changes in ({"force_n": math.nan}, {"power_w": math.nan}):
        decision = run(10, loaded(), asked_a=(25.0, 15.0), **changes)
        assert decision.state.currents_a == pytest.approx((15.0, 10.0), abs=0.05)
        assert decision.clamps & Clamp.FORCE


def test_forcing_above_the_continuous_current_ends_in_time() -> None:
    hard = {"asked_a": (60.0, 40.0), "coil_a": (10.0, 10.0)}
    assert run(200, None, **hard).state.currents_a[0] > 30.0
    decision = run(200 + int(FORCING_S / DT), None, **hard)
    assert decision.state.currents_a[0] == pytest.approx(30.0)
    assert decision.clamps & Clamp.FORCING


def test_the_time_of_forcing_ends_to_the_frame_and_comes_back_while_there_is_none() -> None:
    spent = msgspec.structs.replace(loaded(), forcing_s=(FORCING_S, 0.0))
    asked = {"asked_a": (40.0, 10.0), "coil_a": (15.0, 10.0)}
    assert run(1, spent, **asked).clamps & Clamp.FORCING
    rested = run(100, spent).state
    assert rested.forcing_s[0] == pytest.approx(FORCING_S - 100 * DT)
    assert not run(1, rested, **asked).clamps & Clamp.FORCING


def test_no_forcing_once_the_coil_carries_the_continuous_current_or_is_unknown() -> None:
    for coil in (30.0, math.nan):
        state = run(300, None, asked_a=(60.0, 10.0), coil_a=(coil, 5.0)).state
        assert state.currents_a[0] == 30.0


def test_a_number_that_is_none_counts_as_no_load() -> None:
    decision = run(1000, loaded(), asked_a=(math.nan, -math.inf))
    assert decision.state.currents_a == (0.0, 0.0)
    assert decision.clamps & Clamp.NOT_A_NUMBER


def test_a_long_gap_between_frames_earns_no_larger_step_of_the_ramp() -> None:
    state = loaded()
    flowing = {"mode": Mode.EASE, "coil_a": (15.0, 10.0)}
    far = run(1, state, **flowing, dt_s=5.0).state
    assert far.currents_a[0] == pytest.approx(15.0 - 10.0 * 0.02, abs=0.02)
    assert run(1, state, **flowing, dt_s=-1.0).state.ramp_a == pytest.approx((15.0, 10.0), abs=0.01)
    assert run(1, state, **flowing, dt_s=math.nan).state.ramp_a[0] == pytest.approx(15.0, abs=0.01)


def test_set_points_that_were_not_taken_start_an_easing_at_what_the_coils_carry() -> None:
    ahead = run(60, loaded(), asked_a=(60.0, 40.0)).state
    assert ahead.coils_a[0] > 20.0
    found = resynced(ahead, (4.0, math.nan))
    assert found.coils_a == (4.0, ahead.coils_a[1])
    assert resynced(ahead, (99.0, -1.0)).coils_a == ahead.coils_a, "never more than the model"
    assert resynced(ahead, (0.0, 0.0)).coils_a == (0.0, 0.0)
    eased = run(1, found, mode=Mode.EASE, coil_a=(4.0, math.nan)).state
    assert eased.currents_a[0] < 5.0, "the model, that has moved on by one frame"


def test_the_limits_are_those_of_the_rig_file() -> None:
    limits = limits_of(tarnhow())
    assert limits.continuous_a == (30.0,) * 4
    assert limits.forcing_a == (60.0,) * 4
    assert (limits.max_speed_mps, limits.max_force_n, limits.max_power_w) == (50.0, 24e3, 500e3)
    assert (limits.low_speed_mps, limits.ease_a_per_s, limits.validity_ms) == (
        1.5,
        (10.0,) * 4,
        100,
    )


def test_only_the_gate_builds_set_points() -> None:
    builders = set()
    for folder in ("control", "api", "daq"):
        for path in sorted((ROOT / folder).rglob("*.py")):
            tree = ast.parse(path.read_text())
            from_the_wire = any(
                isinstance(node, ast.ImportFrom)
                and node.module == "daq.wire.frames"
                and any(alias.name == "SetPoint" for alias in node.names)
                for node in ast.walk(tree)
            )
            calls = any(
                isinstance(node, ast.Call)
                and isinstance(node.func, ast.Name)
                and node.func.id == "SetPoint"
                for node in ast.walk(tree)
            )
            if from_the_wire and calls:
                builders.add(path.name)
    # The codec decodes what others sent. The conformance check asks a board with its supplies
    # disconnected; lint-imports holds the loop process to not having it at all.
    assert builders == {"gate.py", "codec.py", "conformance.py"}


def test_at_a_limit_nothing_is_cut_and_nothing_counted() -> None:
    state = loaded()
    fast = run(1, state, speeds_mps=(LIMITS.max_speed_mps,) * 2, asked_a=(15.5, 10.0))
    assert fast.state.currents_a[0] == 15.5
    assert fast.clamps == Clamp.NONE
    slow = run(1, state, speeds_mps=(LIMITS.low_speed_mps,) * 2)
    assert slow.clamps == Clamp.NONE
    most = run(1, state, force_n=LIMITS.max_force_n, power_w=LIMITS.max_power_w)
    assert most.clamps == Clamp.NONE
    for changes in ({}, {"speeds_mps": (0.0, 0.0)}, {"force_n": 24_001.0}):
        assert run(1, None, asked_a=(0.0, 0.0), **changes).clamps == Clamp.NONE
    settled = msgspec.structs.replace(state, currents_a=(15.0, 10.0), coils_a=(15.0, 10.0))
    assert run(1, settled, speeds_mps=(51.0, 51.0)).clamps == Clamp.NONE, "what is on may stay"
    lowest = 15.0 - LIMITS.fall_a_per_s * LIMITS.lag_s[0]
    assert run(1, settled, asked_a=(lowest, 10.0)).clamps == Clamp.NONE
    quickest = LIMITS.rise_a_per_s * LIMITS.lag_s[0]
    assert run(1, None, asked_a=(quickest, 0.0)).clamps == Clamp.NONE
    eased = msgspec.structs.replace(state, easing=True, ramp_a=(14.0, 9.0))
    assert run(1, eased, mode=Mode.EASE).clamps == Clamp.NONE
    forced = run(
        1, run(300, None, asked_a=(30.0, 20.0)).state, asked_a=(30.0, 20.0), coil_a=(30.0, 20.0)
    )
    assert forced.clamps == Clamp.NONE
    assert forced.state.forcing_s == (0.0, 0.0), "the continuous current forces nothing"
    near = msgspec.structs.replace(state, coils_a=(55.0, 38.0), currents_a=(60.0, 40.0))
    full = run(1, near, asked_a=(60.0, 40.0), coil_a=(29.0, 19.0))
    assert full.state.currents_a == (60.0, 40.0)
    assert not full.clamps & Clamp.CURRENT


def test_a_set_point_that_forces_is_valid_for_the_time_in_which_it_adds_little() -> None:
    steady = run(3000, coil_a=(15.0, 10.0))
    assert steady.set_point is not None
    assert steady.set_point.validity_ms == LIMITS.validity_ms, "what flows and is asked agree"
    forced = decide(LIMITS, steady.state, request(asked_a=(60.0, 10.0), coil_a=(15.0, 10.0)))
    assert forced.set_point is not None
    assert forced.set_point.validity_ms == LIMITS.forcing_validity_ms
    # 2.5 A over 0.15 s of lag: 1 A in 0.15 ln(2.5 / 1.5) = 76.6 ms.
    some = decide(LIMITS, steady.state, request(asked_a=(17.5, 10.0), coil_a=(15.0, 10.0)))
    assert some.set_point is not None
    assert some.set_point.validity_ms in (76, 77)
    for ask_a, coil_a in ((17.0, 15.0), (19.5, 15.0), (21.0, 15.0), (12.0, 15.0), (9.0, 15.0)):
        some = decide(LIMITS, steady.state, request(asked_a=(ask_a, 10.0), coil_a=(coil_a, 10.0)))
        assert some.set_point is not None
        valid_s = 1e-3 * some.set_point.validity_ms
        assert LIMITS.forcing_validity_ms <= some.set_point.validity_ms <= LIMITS.validity_ms
        gain_a = abs(ask_a - coil_a) * (1.0 - math.exp(-valid_s / LIMITS.lag_s[0]))
        assert gain_a <= 1.02 * UNSEEN_A or some.set_point.validity_ms == LIMITS.forcing_validity_ms
        longer_s = valid_s + 1.1e-3
        assert (
            some.set_point.validity_ms == LIMITS.validity_ms
            or abs(ask_a - coil_a) * (1.0 - math.exp(-longer_s / LIMITS.lag_s[0])) > 0.98 * UNSEEN_A
        ), "and no shorter than need be"


def test_the_validity_goes_by_the_coil_that_rises_fastest_and_by_what_is_measured() -> None:
    state = run(3000).state
    second = decide(LIMITS, state, request(asked_a=(15.0, 20.0)))
    assert second.set_point is not None
    assert second.set_point.validity_ms < 40, "the second coil is driven up"
    weak = decide(LIMITS, state, request(asked_a=(15.0, 10.0), coil_a=(8.0, 10.0)))
    assert weak.set_point is not None
    assert weak.set_point.validity_ms < 40, "the first carries less than it should"
    falling = decide(LIMITS, state, request(asked_a=(0.0, 0.0)))
    assert falling.set_point is not None
    assert falling.set_point.validity_ms < 40, "driving a coil down counts as driving it up"
    strong = decide(LIMITS, state, request(asked_a=(15.0, 10.0), coil_a=(22.0, 10.0)))
    assert strong.set_point is not None
    assert strong.set_point.validity_ms < 40, "the first carries more than it should"
    unknown = decide(LIMITS, state, request(coil_a=(math.nan, math.nan)))
    assert unknown.set_point is not None
    assert unknown.set_point.validity_ms == LIMITS.validity_ms, "then the model has to do"


def test_the_shortest_validity_spans_eight_frames_and_never_exceeds_the_rigs() -> None:
    rig = tarnhow()
    assert limits_of(rig).forcing_validity_ms == 16
    slow = msgspec.structs.replace(rig, frame_hz=100)
    assert limits_of(slow).forcing_validity_ms == 80
    short = msgspec.structs.replace(
        slow, link=msgspec.structs.replace(rig.link, set_point_validity_ms=50)
    )
    assert limits_of(short).forcing_validity_ms == 50


def test_a_current_no_supply_could_ever_mean_counts_as_no_number() -> None:
    state = run(100).state
    for ask_a, expected in ((1.2e6, True), (-1.2e6, True), (9e5, False)):
        found = decide(LIMITS, state, request(asked_a=(ask_a, 10.0)))
        assert bool(found.clamps & Clamp.NOT_A_NUMBER) is expected
