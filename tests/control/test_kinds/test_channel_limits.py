"""Limits of a plan on slow channels: warn, end in order, ease off; and no start without them."""

from __future__ import annotations

import pytest

from control.core.commands import StartTest
from control.telemetry import State
from control.test_kinds.plans import ChannelLimit, SteadyHold
from daq.readings import Quality, Reading, Unit
from tests.control.control_stand import HOLDER, Stand

OIL = "oil-temperature"


def oil(stand: Stand, celsius: float, quality: Quality = Quality.GOOD) -> None:
    stand.slow = {**stand.slow, OIL: Reading(celsius + 273.15, Unit.KELVIN, stand.time_s, quality)}


def plan(*limits: ChannelLimit) -> SteadyHold:
    return SteadyHold(seconds=60.0, settle_s=1.0, speed_mps=20.0, limits=limits)


def running(*limits: ChannelLimit, celsius: float = 100.0) -> Stand:
    """The test runs, settled, with its channel inside."""
    stand = Stand()
    oil(stand, celsius)
    stand.loaded(plan(*limits))
    assert stand.core.state is State.LOADED
    return stand


def told(stand: Stand) -> dict[str, object]:
    (event,) = stand.kinds("run-ended")
    return dict(event.data)


def begun(stand: Stand, code: str) -> list[str]:
    return [
        str(event.data["detail"]) for event in stand.kinds("fault") if event.data["code"] == code
    ]


def test_a_limit_that_warns_leaves_the_test_alone_and_ends_by_its_hysteresis() -> None:
    stand = running(ChannelLimit(OIL, above=120.0, does="warn", hysteresis=5.0))
    oil(stand, 121.0)
    stand.frames(0.8)
    assert stand.fault_codes() == set(), "not before its time"
    stand.frames(0.5)
    assert stand.fault_codes() == {"channel-limit-warned"}
    oil(stand, 116.0)
    stand.frames(2.0)
    assert stand.fault_codes() == {"channel-limit-warned"}, "inside by less than the hysteresis"
    oil(stand, 114.0)
    stand.frames(0.3)
    assert stand.fault_codes() == set()
    assert begun(stand, "channel-limit-warned") == [f"{OIL} 121 > 120 degC"]
    assert stand.core.state is State.LOADED


def test_a_limit_that_ends_leaves_a_whole_result_of_what_was_held() -> None:
    stand = running(ChannelLimit(OIL, above=248.0, unit="degF", does="end"))
    stand.frames(6.0)
    oil(stand, 120.5)
    stand.frames(1.3)
    data = told(stand)
    assert data["valid"] is True, data
    assert data["reason"] == "channel-limit-ended"
    assert stand.core.last_end is not None
    assert "248 degF" in str(stand.core.last_end.text)
    assert stand.core.state in (State.EASING, State.READY)


def test_ended_before_anything_was_held_it_is_void() -> None:
    stand = Stand().ready()
    oil(stand, 100.0)
    stand.frames(0.2)
    assert stand.ask(StartTest(0, HOLDER, "run-1", plan(ChannelLimit(OIL, above=120.0)))).accepted
    oil(stand, 130.0)
    stand.frames(2.0)
    assert told(stand)["void"] == "ended-early"


@pytest.mark.parametrize(("does", "state"), [("ease", State.EASING), ("warn", State.LOADED)])
def test_a_limit_below_works_as_one_above(does: str, state: State) -> None:
    stand = running(ChannelLimit(OIL, below=80.0, does=does, for_s=0.2))  # type: ignore[arg-type]
    oil(stand, 79.0)
    stand.frames(0.4)
    assert stand.core.state is state


def test_a_channel_that_falls_silent_takes_the_load_off() -> None:
    stand = running(ChannelLimit(OIL, above=120.0))
    oil(stand, 0.0, Quality.MISSING)
    stand.frames(0.9)
    assert stand.core.state is State.LOADED
    stand.frames(0.4)
    assert stand.core.state is State.EASING
    assert begun(stand, "channel-limit-lost") == [OIL]


@pytest.mark.parametrize(
    ("limit", "celsius", "code"),
    [
        (ChannelLimit("coolant", above=100.0), 100.0, "limit-channel"),
        (ChannelLimit(OIL, above=100.0, unit="kPa"), 90.0, "limit-unit"),
        (ChannelLimit(OIL, above=100.0, unit="furlong"), 90.0, "limit-unit"),
        (ChannelLimit(OIL), 90.0, "limit-value"),
        (ChannelLimit(OIL, above=120.0), None, "limit-channel-missing"),
        (ChannelLimit(OIL, above=120.0, does="warn"), None, "limit-channel-missing"),
        (ChannelLimit(OIL, above=120.0, hysteresis=10.0), 115.0, "limit-exceeded"),
    ],
)
def test_a_start_is_refused_that_a_limit_cannot_protect(
    limit: ChannelLimit, celsius: float | None, code: str
) -> None:
    stand = Stand().ready()
    if celsius is not None:
        oil(stand, celsius)
    stand.frames(0.2)
    answer = stand.ask(StartTest(0, HOLDER, "run-1", plan(limit)))
    assert (answer.accepted, answer.code) == (False, code)
    assert answer.remedy
    assert stand.core.state is State.READY


def test_a_warning_may_be_on_already_as_the_test_begins() -> None:
    stand = running(ChannelLimit(OIL, above=90.0, does="warn"))
    assert stand.fault_codes() == {"channel-limit-warned"}
