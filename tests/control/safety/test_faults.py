"""The fault table: every row is raised by its condition, in time, with text and next step."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from msgspec import structs

from control.load_loop.loop import Aim
from control.safety.faults import TABLE, Effect, Fault, FaultRegister, TripLatch, render
from control.telemetry import State
from control.test_kinds.plans import ChannelLimit, SteadyHold
from control.test_kinds.steady_hold import HoldTest
from daq.readings import Quality, Reading, Unit
from daq.wire.frames import NoticeCode, Permission
from tests.control.control_stand import HOLD_20, ROOT, Stand

BY_ENGINE = SteadyHold(seconds=60.0, settle_s=1.0, rpm=20.0 * 9.5 * 60 / 6.283185307)


def rotor(stand: Stand, kelvin: float) -> None:
    stand.slow["rotor-rear-left"] = Reading(kelvin, Unit.KELVIN, stand.time_s, Quality.GOOD)


def break_set(name: str, value: object) -> Callable[[Stand], None]:
    def breaks(stand: Stand) -> None:
        setattr(stand, name, value)

    return breaks


def standing_drift(stand: Stand) -> None:
    stand.cell_bias_n[2] = 120.0


def freeze_cells(stand: Stand) -> None:
    stand.cells_stuck_at = 500.0


def lose_frames(stand: Stand) -> None:
    stand.frames_lost = 1  # every second frame


def jump_clock(stand: Stand) -> None:
    stand.time_s += 0.2


def stall(stand: Stand) -> None:
    stand.host_s += 0.3


def over_speed(factor: float) -> Callable[[Stand], None]:
    def breaks(stand: Stand) -> None:
        stand.speeds = [50.0 * factor] * 2
        stand.drive_n = 13_000.0

    return breaks


def run_away(gain: float) -> Callable[[Stand], None]:
    """Coils at full current whatever the gate says, and cells that show it."""

    def breaks(stand: Stand) -> None:
        stand.coil_stuck_a = [30.0] * 4
        stand.cell_gain = [gain] * 4

    return breaks


def ask_too_much(stand: Stand) -> None:
    """A demand that no plan could have asked for: 51 m/s on a rig for 50."""
    test = stand.core.test
    assert isinstance(test, HoldTest)
    test.demand.target = 51.0
    test.demand.aim = int(Aim.SPEED)
    test.update = lambda *_: test.demand  # type: ignore[method-assign]


# Fault -> how it comes about: the stand's state, what breaks, and what plan runs.
UNDER_LOAD: dict[str, Callable[[Stand], None]] = {
    "frames-lost": lose_frames,
    "permission-lapsed": break_set("permission", Permission.EASING),
    "clock-jump": jump_clock,
    "loop-late": stall,
    "stop-chain-open": break_set("stop_chain", False),
    "tie-downs-opened": break_set("tie_downs", False),
    "helm-expired": break_set("keep_helm", False),
    "speed-lost": break_set("speed_quality", [Quality.GOOD, Quality.MISSING]),
    "speed-suspect": break_set("speed_quality", [Quality.SUSPECT, Quality.GOOD]),
    "speed-frozen": break_set("speed_stuck_at", 20.0),
    "speeds-disagree": break_set("pinned", [12.0, 20.0]),
    "cell-lost": break_set("cell_quality", [Quality.MISSING] + [Quality.GOOD] * 3),
    "cell-suspect": break_set("cell_quality", [Quality.GOOD] * 3 + [Quality.SUSPECT]),
    "cell-frozen": freeze_cells,
    "cell-noisy": break_set("cells_jump_n", 700.0),
    "current-not-following": break_set("supply_follows", [0.6, 1.0, 1.0, 1.0]),
    "absorber-weak": break_set("cell_gain", [0.2, 1.0, 1.0, 1.0]),
    "absorber-reversed": break_set("cell_gain", [1.0, -1.0, 1.0, 1.0]),
    "rotor-warm": lambda stand: rotor(stand, 560.0),
    "rotor-hot": lambda stand: rotor(stand, 630.0),
    "over-speed": over_speed(1.03),
    "over-speed-far": over_speed(1.2),
    "over-force": run_away(1.4),
    "over-power": run_away(1.5),
    "fan-missing": break_set("digital", {"fan-front-turns": True, "fan-rear-turns": False}),
    "set-point-beyond-rig": ask_too_much,
}


@pytest.mark.parametrize("code", sorted(UNDER_LOAD))
def test_a_fault_under_load_is_raised_in_time_and_has_its_effect(code: str) -> None:
    row = TABLE[code]
    stand = Stand().loaded()
    assert stand.fault_codes() == set()
    UNDER_LOAD[code](stand)
    seen_after: float | None = None
    grace_s = 3.1 if code == "helm-expired" else 0.0
    for k in range(round((row.within_ms / 1000.0 + grace_s) / stand.dt) + 30):
        stand.frame()
        if code in {event.data["code"] for event in stand.kinds("fault")}:
            seen_after = (k + 1) * stand.dt
            break
    assert seen_after is not None, f"{code} was not raised"
    assert seen_after - grace_s <= row.within_ms / 1000.0 + 0.3 * (code.startswith("rotor"))
    if row.effect is Effect.TRIP:
        assert stand.core.state is State.TRIPPED
        assert stand.core.telemetry().first_cause == code
    elif row.effect is Effect.EASE:
        assert stand.core.state in (State.EASING, State.TRIPPED)
    elif row.effect is Effect.HOLD:
        stand.frame()
        before = list(stand.coils)  # a hold is of what flows: the set points play around it
        for _ in range(100):
            stand.frame()
            if stand.core.state is State.LOADED:
                assert max(n - b for n, b in zip(stand.coils, before, strict=True)) <= 0.05


@pytest.mark.parametrize(
    ("code", "place"),
    [("absorber-weak", "front-left"), ("absorber-reversed", "front-right"), ("over-force", "")],
)
def test_a_fault_names_its_place_or_none_when_it_is_the_whole_rigs(code: str, place: str) -> None:
    stand = Stand().loaded(drive_n=13_000.0)
    UNDER_LOAD[code](stand)
    stand.frames(2.0)
    told = [event.data for event in stand.kinds("fault") if event.data["code"] == code]
    assert [each["detail"] for each in told[:1]] == [place]


def silent(stand: Stand) -> None:
    stand.slow["humidity"] = Reading(0.0, Unit.RATIO, stand.time_s, Quality.MISSING)


def oil(stand: Stand, celsius: float, quality: Quality = Quality.GOOD) -> None:
    kelvin = celsius + 273.15
    stand.slow["oil-temperature"] = Reading(kelvin, Unit.KELVIN, stand.time_s, quality)


CODES_OF_LIMITS = {
    "channel-limit": ChannelLimit("oil-temperature", above=120.0, does="ease"),
    "channel-limit-ended": ChannelLimit("oil-temperature", above=120.0, does="end"),
    "channel-limit-warned": ChannelLimit("oil-temperature", above=120.0, does="warn"),
    "channel-limit-lost": ChannelLimit("oil-temperature", above=120.0, does="ease"),
}


def raise_parked(code: str) -> Stand:
    if code == "host-restarted":
        return Stand(Stand().loaded().core.memory()).connect()
    stand = Stand().loaded() if code in LOST_LINK else Stand().at_helm()
    if code == "link-lost":
        stand.silence(0.2)
    elif code == "front-end-restarted":
        stand.hello(session=0, boot_id=99)
    elif code == "session-lost":
        stand.hello(session=4242)
    elif code == "wire-mismatch":
        stand.hello(major=3)
    elif code == "frames-contradict":
        stand.coils[0] = 80.0  # more than 1.25 x what its supply can drive
        for _ in range(5):
            stand.core.step(stand.sample(), (), stand.host_s)
        stand.frame()
    elif code == "set-points-refused":
        stand.notice(NoticeCode.SET_POINT_REFUSED, 4)
    elif code == "recorder-failed":
        stand.core.outside(code, True, "disk full")
        stand.frame()
    elif code in ("disk-low", "disk-full"):
        stand.core.outside(code, True, "1 GB left")
        stand.frame()
    elif code == "tie-downs-open":
        stand.tie_downs = False
        stand.frame()
    elif code == "cell-drifted":
        standing_drift(stand)
        stand.frames(2.1)
    elif code == "current-stuck-on":
        stand.coil_stuck_a[1] = 9.0
        stand.frames(1.1)
    elif code == "engine-speed-lost":
        stand = Stand().loaded(BY_ENGINE)
        stand.engine_quality = Quality.MISSING
        stand.frames(0.25)
    elif code == "tyre-slip":
        stand = Stand().loaded(BY_ENGINE)
        stand.slip = 0.09
        stand.frames(1.0)
        assert stand.core.state is State.LOADED, "a little slip belongs to force"
        stand.slip = 0.11
        stand.frames(0.7)
    elif code in CODES_OF_LIMITS:
        stand = Stand()
        oil(stand, 100.0)
        stand = stand.loaded(structs.replace(HOLD_20, limits=(CODES_OF_LIMITS[code],)))
        oil(stand, 121.0, Quality.MISSING if code == "channel-limit-lost" else Quality.GOOD)
        stand.frames(1.3)
    elif code == "sensor-silent":
        silent(stand)
        stand.frames(1.3)
    elif code == "weather-out-of-range":
        stand.slow["barometer"] = Reading(59_000.0, Unit.PASCAL, stand.time_s, Quality.GOOD)
        stand.frames(1.3)
    elif code in {"memory-failed", "service-gone", "calibration-due"}:
        stand.core.outside(code, True, "told from outside")
        stand.frame()
    else:
        raise AssertionError(code)
    return stand


LOST_LINK = {
    "frames-contradict",
    "link-lost",
    "front-end-restarted",
    "session-lost",
    "wire-mismatch",
    "set-points-refused",
    "recorder-failed",
    "disk-full",
}
IN_HEAT_TESTS = {  # they need time and heat: tests/control/thermal/test_manager.py
    "rotor-near-limit", "rotor-overloaded", "rotor-cooling", "rotor-sensor-slipped",
    "rotor-sensor-failed",
}  # fmt: skip
OTHERWISE = sorted(set(TABLE) - set(UNDER_LOAD) - IN_HEAT_TESTS)


@pytest.mark.parametrize("code", OTHERWISE)
def test_a_fault_of_link_host_or_parked_rig_is_raised_and_has_its_effect(code: str) -> None:
    stand = raise_parked(code)
    row = TABLE[code]
    raised = {str(event.data["code"]) for event in stand.kinds("fault")}
    trip = stand.core.faults.trip
    assert code in raised or (trip is not None and trip.code == code)
    if row.effect is Effect.TRIP:
        assert stand.core.state is State.TRIPPED
        assert trip is not None
        assert trip.code == code
    elif row.effect is Effect.EASE:
        assert stand.core.state in (State.EASING, State.READY)
    elif row.effect is Effect.REFUSE:
        assert stand.core.state is State.PARKED
        assert code in stand.fault_codes()


def test_every_row_has_text_a_next_step_and_a_time() -> None:
    for code, row in TABLE.items():
        assert code == row.code
        for text in (row.condition, row.detection, str(row.text), str(row.remedy)):
            assert len(text) > 8 or text, code
        assert str(row.text).endswith(".")
        assert str(row.remedy).endswith(".")
        assert 0 <= row.within_ms <= (40_000 if code in IN_HEAT_TESTS else 2300)
        assert row.effect is not Effect.NONE


def test_the_page_of_faults_is_the_table() -> None:
    assert (ROOT / "docs" / "faults.md").read_text() == render()
    for code in TABLE:
        assert f"`{code}`" in render()


def test_the_severest_effect_wins_and_of_equals_the_first() -> None:
    register = FaultRegister()
    register.update({"rotor-warm": "", "over-force": "", "over-power": ""}, 1.0)
    worst = register.severest()
    assert worst is not None
    assert worst.code == "over-force"
    register.update({"over-power": "", "over-force": "", "speed-lost": "rear"}, 2.0)
    worst = register.severest()
    assert worst is not None
    assert worst.code == "speed-lost"
    assert register.view()[0].code == "speed-lost"
    assert str(register.view()[0].text) == "A roll speed is missing. (rear)"


def test_events_come_on_transition_only() -> None:
    register = FaultRegister()
    assert [event.kind for event in register.update({"rotor-warm": ""}, 1.0)] == ["fault"]
    assert register.update({"rotor-warm": ""}, 1.1) == []
    cleared = register.update({}, 3.0)
    assert [(event.kind, event.data["lasted_s"]) for event in cleared] == [("fault-cleared", 2.0)]
    assert register.update({}, 3.1) == []


def test_the_latch_keeps_the_first_cause_until_it_is_reset() -> None:
    register = FaultRegister()
    assert register.latch(TABLE["speed-lost"], 1.0)
    assert not register.latch(TABLE["over-force"], 2.0)
    assert register.trip == TripLatch(
        "speed-lost", TABLE["speed-lost"].text, TABLE["speed-lost"].remedy, 1.0
    )
    view = register.view()
    assert [(one.code, one.active) for one in view] == [("speed-lost", False)]
    register.reset()
    assert register.trip is None
    assert register.view() == ()


def test_an_unknown_outside_condition_is_a_mistake_not_a_fault() -> None:
    with pytest.raises(KeyError):
        Stand().core.outside("no-such-fault", True)


def test_a_hold_fault_stops_the_clock_of_the_test_and_lets_it_go_on_after() -> None:
    stand = Stand().loaded()
    assert stand.core.test is not None
    stand.core.outside("over-speed", True)
    stand.frames(0.3)
    before = stand.core.test.elapsed_s
    stand.drive_n += 2000.0
    stand.frames(0.5)
    assert stand.core.test.elapsed_s == before
    stand.core.outside("over-speed", False)
    stand.drive_n -= 2000.0
    stand.frames(1.0)
    assert stand.core.test.elapsed_s > before


def test_a_refusing_fault_names_itself_and_the_remedy() -> None:
    row: Fault = TABLE["disk-low"]
    stand = Stand().ready()
    stand.core.outside("disk-low", True)
    stand.frame()
    from control.core.commands import StartTest
    from tests.control.control_stand import HOLD_20, HOLDER

    answer = stand.ask(StartTest(0, HOLDER, "run", HOLD_20))
    assert (answer.code, answer.reason, answer.remedy) == (row.code, row.text, row.remedy)


def test_a_reading_in_doubt_every_other_frame_is_in_doubt() -> None:
    stand = Stand().loaded()
    for k in range(200):
        stand.cell_quality[2] = Quality.SUSPECT if k % 2 else Quality.GOOD
        stand.frame()
    assert "cell-suspect" in stand.fault_codes()
    assert stand.core.state is State.EASING
    stand.cell_quality[2] = Quality.GOOD
    stand.frames(1.0)
    assert stand.fault_codes() == set()


def test_a_long_doubt_is_over_half_a_second_after_it() -> None:
    stand = Stand().loaded()
    stand.cell_quality[2] = Quality.SUSPECT
    stand.frames(3.0)
    assert "cell-suspect" in stand.fault_codes()
    stand.cell_quality[2] = Quality.GOOD
    stand.frames(0.5)
    assert stand.fault_codes() == set()


def test_a_rare_doubt_is_forgotten() -> None:
    stand = Stand().loaded()
    for k in range(1000):
        stand.speed_quality[0] = Quality.GOOD if k % 10 else Quality.SUSPECT
        stand.frame()
    assert stand.fault_codes() == set()
    assert stand.core.state is State.LOADED


def test_a_clock_jump_says_how_far_in_milliseconds() -> None:
    stand = Stand().loaded()
    jump_clock(stand)
    stand.frame()
    assert stand.kinds("fault")[-1].data["detail"] == "200 ms"
