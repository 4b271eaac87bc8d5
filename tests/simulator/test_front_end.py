"""The simulated front end keeps the rules of docs/wire.md, seen from the host."""

from __future__ import annotations

from itertools import pairwise

import pytest

from daq.wire.codec import encode
from daq.wire.frames import (
    AskIdentity,
    AskTime,
    ChannelKind,
    Hello,
    NoticeCode,
    Permission,
    ResetCause,
    Sample,
    SetPoint,
    Slow,
    Time,
)
from simulator.front_end.board import SLOW_CHANNELS
from simulator.plant import Plant
from simulator.rig_and_truck import layout as at
from simulator.rig_and_truck.setup import nominal, tarnhow
from tests.simulator.hosts import Host


@pytest.fixture
def host() -> Host:
    host = Host(Plant(nominal(), seed=1))
    host.run(0.1)
    return host


@pytest.fixture
def loaded(host: Host) -> Host:
    host.open()
    host.run(1.0, [20.0] * 4)
    return host


def test_the_board_introduces_itself_before_its_first_sample() -> None:
    host = Host(Plant(tarnhow(1), seed=1))
    host.run(0.01)
    hello = host.frames[0]
    assert isinstance(hello, Hello)
    assert hello.session == 0
    assert hello.names(ChannelKind.WHEEL) == ("front", "rear", "engine")
    assert hello.names(ChannelKind.OUTPUT) == hello.names(ChannelKind.CONVERTER)
    assert hello.names(ChannelKind.DIGITAL_IN)[:2] == ("stop-chain", "tie-downs")
    assert hello.names(ChannelKind.DIGITAL_OUT) == ("fan-front", "fan-rear")
    assert hello.names(ChannelKind.SLOW) == tuple(name for name, _ in SLOW_CHANNELS)


def test_samples_are_exactly_one_period_apart(host: Host) -> None:
    host.run(1.0)
    ticks = [sample.tick for sample in host.of(Sample)]
    steps = {(b - a) & 0xFFFFFFFF for a, b in pairwise(ticks)}
    assert steps == {2000}
    sequences = [sample.sequence for sample in host.of(Sample)]
    assert sequences == list(range(len(sequences)))


def test_slow_values_come_ten_times_a_second_in_the_units_of_the_table(host: Host) -> None:
    host.run(2.0)
    slow = [frame for frame in host.of(Slow) if len(frame.values) > 2]  # not the quick ones
    assert 20 <= len(slow) <= 22
    values = dict(slow[-1].values)
    assert values[0] == pytest.approx(22.0, abs=0.5)  # degC
    assert values[1] == pytest.approx(99.1, abs=0.2)  # kPa
    assert values[2] == pytest.approx(45.0, abs=3.0)  # per cent


def test_no_set_point_is_taken_without_a_session(host: Host) -> None:
    host.send([20.0] * 4)
    host.run(0.2)
    assert host.last.permission == Permission.NONE
    assert max(host.last.currents) < 10
    assert (NoticeCode.SET_POINT_REFUSED, 1) in host.notices()


def test_a_set_point_of_another_session_is_refused(loaded: Host) -> None:
    loaded.session += 1
    loaded.run(0.3, [20.0] * 4)
    assert (NoticeCode.SET_POINT_REFUSED, 1) in loaded.notices()
    assert loaded.last.permission == Permission.EASING


def test_a_session_is_answered_with_identity_and_takes_set_points(host: Host) -> None:
    host.open()
    host.run(0.01)
    assert host.of(Hello)[-1].session == host.session
    host.run(1.5, [20.0] * 4)
    assert host.last.permission == Permission.HELD
    assert 95 <= host.last.permission_left_ms <= 100
    assert host.last.last_set_point == host.sequence
    assert all(abs(current - 2000) < 10 for current in host.last.currents)


def test_an_old_set_point_is_refused(loaded: Host) -> None:
    loaded.sequence -= 5
    loaded.send([0.0] * 4)
    loaded.run(0.004)
    assert (NoticeCode.SET_POINT_REFUSED, 2) in loaded.notices()
    assert loaded.plant.front_end.set_points_a == [20.0] * 4


def test_sequences_go_on_past_their_wrap(loaded: Host) -> None:
    loaded.sequence = 0x7000
    loaded.send([20.0] * 4)
    loaded.sequence = 0xEF00
    loaded.send([20.0] * 4)
    loaded.sequence = 0xFFFE
    loaded.run(0.1, [21.0] * 4)
    assert loaded.last.last_set_point == loaded.sequence < 100
    assert loaded.plant.front_end.set_points_a == [21.0] * 4


@pytest.mark.parametrize(
    ("currents", "validity_ms", "detail"),
    [
        ((100, 100), 100, 3),
        ((100,) * 4, 0, 4),
        ((100,) * 4, 2001, 4),
        ((100, 100, 100, 6001), 100, 4),
    ],
)
def test_an_impossible_set_point_is_refused_whole(
    loaded: Host, currents: tuple[int, ...], validity_ms: int, detail: int
) -> None:
    before = loaded.plant.front_end.set_points_a
    sequence = loaded.sequence + 1
    loaded.plant.receive(encode(SetPoint(loaded.session, sequence, validity_ms, 3, currents)))
    loaded.run(0.004)
    assert (NoticeCode.SET_POINT_REFUSED, detail) in loaded.notices()
    assert loaded.plant.front_end.set_points_a == before


def test_permission_expires_by_the_boards_own_clock_and_eases_the_current(loaded: Host) -> None:
    loaded.run(0.098)
    assert loaded.last.permission == Permission.HELD
    loaded.run(0.006)
    assert loaded.last.permission == Permission.EASING
    assert loaded.last.permission_left_ms == 0
    assert loaded.notices() == [(NoticeCode.EASING_BEGAN, 100)]
    currents = []
    while loaded.last.permission == Permission.EASING:
        loaded.run(0.1)
        currents.append(loaded.plant.front_end.set_points_a[0])
    # Full current to none takes 3 s: 20 A of 30 A take 2 s, and fall evenly.
    assert len(currents) == pytest.approx(20, abs=1)
    falls = [a - b for a, b in pairwise(currents)]
    assert falls[:-1] == pytest.approx([1.0] * len(falls[:-1]), abs=1e-6)
    assert loaded.last.permission == Permission.NONE
    loaded.run(1.5)
    assert max(loaded.last.currents) < 10


@pytest.mark.parametrize(("asked_a", "for_s"), [(60.0, 0.05), (0.0, 0.05), (0.0, 0.09)])
def test_the_fade_begins_at_what_flows_whatever_was_asked_last(
    loaded: Host, asked_a: float, for_s: float
) -> None:
    """docs/wire.md, section 8: the measured current, its slope, the moment, and what then flows."""
    loaded.send([asked_a] * 4, validity_ms=round(1e3 * for_s))
    loaded.run(for_s)
    flowing_a = [current / 100.0 for current in loaded.last.currents]
    loaded.run(0.002)
    assert loaded.last.permission == Permission.EASING
    assert loaded.plant.front_end.set_points_a == pytest.approx(flowing_a, abs=1.0)
    start_a = loaded.plant.front_end.set_points_a[0]
    coil_a = loaded.plant.world.absorbers[0, at.A_CURRENT]
    for _ in range(40):
        loaded.run(0.02)
        ramp_a = loaded.plant.front_end.set_points_a[0]
        now_a = loaded.plant.world.absorbers[0, at.A_CURRENT]
        assert ramp_a == pytest.approx(max(start_a := start_a - 0.02 * 10.0, 0.0))
        assert now_a >= ramp_a - 0.05 or now_a >= coil_a - 0.6


def test_a_fade_begins_at_the_middle_one_of_three_readings(loaded: Host) -> None:
    """One wrong reading at the wrong moment would drop the load, or raise it."""
    for amount in (0.0, 40.0):
        loaded.run(0.1, [20.0] * 4)
        loaded.run(0.098)
        loaded.plant.break_it("current", "wrong", "front-left", amount, for_s=0.001)
        loaded.run(0.004)
        assert loaded.last.permission == Permission.EASING
        assert loaded.plant.front_end.set_points_a[0] == pytest.approx(20.0, abs=0.1)


def test_a_fresh_set_point_ends_the_easing(loaded: Host) -> None:
    loaded.run(0.5)
    assert loaded.last.permission == Permission.EASING
    loaded.run(0.1, [5.0] * 4)
    assert loaded.last.permission == Permission.HELD


def test_expiry_without_current_says_so_and_ends_at_once(host: Host) -> None:
    host.open()
    host.run(0.1, [0.0] * 4)
    host.run(0.2)
    assert host.last.permission == Permission.NONE
    assert (NoticeCode.EASING_BEGAN, 100) in host.notices()


def test_opening_a_session_ends_the_permission_in_force(loaded: Host) -> None:
    loaded.session = 99
    loaded.open()
    loaded.run(0.004)
    assert loaded.last.permission == Permission.EASING
    assert loaded.last.last_set_point == 0


def test_asking_with_session_zero_changes_nothing(loaded: Host) -> None:
    loaded.plant.receive(encode(AskIdentity(0)))
    loaded.run(0.004)
    assert loaded.of(Hello)[-1].session == loaded.session
    assert loaded.last.permission == Permission.HELD


def test_time_is_answered_with_the_moment_of_the_question(host: Host) -> None:
    host.plant.receive(encode(AskTime(0xABCD)), seconds_later=0.0007)
    asked_at = (host.last.tick + 700) & 0xFFFFFFFF
    host.run(0.002)
    assert host.of(Time)[-1] == Time(0xABCD, asked_at)


def test_the_open_stop_chain_takes_the_supplies_off_at_once(loaded: Host) -> None:
    loaded.plant.break_it("input", "open", "stop-chain", for_s=1.0)
    loaded.run(0.9, [20.0] * 4)
    assert loaded.last.permission == Permission.CHAIN_OPEN
    assert loaded.last.digital & 1 == 0
    assert max(loaded.last.currents) < 30  # the coil has run down
    assert (NoticeCode.CHAIN_OPENED, 0) in loaded.notices()


def test_a_chain_that_closes_brings_nothing_back_until_a_zero_was_sent(loaded: Host) -> None:
    loaded.plant.break_it("input", "open", "stop-chain", for_s=0.2)
    loaded.run(1.0, [20.0] * 4)
    assert loaded.last.permission == Permission.NONE
    assert (NoticeCode.SET_POINT_REFUSED, 5) in loaded.notices()
    loaded.run(0.02, [0.0] * 4)
    loaded.run(1.0, [20.0] * 4)
    assert loaded.last.permission == Permission.HELD
    assert loaded.last.currents[0] > 1900


def test_a_restart_forgets_everything_and_has_a_new_identity(loaded: Host) -> None:
    first = loaded.of(Hello)[-1]
    loaded.plant.break_it("board", "reboot")
    loaded.run(0.3, [20.0] * 4)
    assert loaded.plant.world.absorbers[0, 0] == 0.0  # supplies off while it boots
    loaded.run(0.3, [20.0] * 4)
    hello = loaded.of(Hello)[-1]
    assert hello.boot_id != first.boot_id
    assert (hello.session, hello.reset_cause) == (0, ResetCause.WATCHDOG)
    assert loaded.last.permission == Permission.NONE
    assert loaded.last.sequence < 200
    assert max(loaded.last.edge_totals) < 200


def test_damaged_frames_from_the_host_are_counted_and_told(host: Host) -> None:
    host.plant.receive(b"\x05nonsense\x00")
    host.run(0.01)
    assert (NoticeCode.FRAMES_DAMAGED, 1) in host.notices()


def test_digital_outputs_turn_the_fans_and_stay_after_expiry(loaded: Host) -> None:
    loaded.run(0.1, [0.0] * 4)
    loaded.run(0.5)
    assert loaded.plant.front_end.digital_out == 3


def test_boost_and_smoke_come_twenty_times_a_second_and_the_rest_ten() -> None:
    from daq.wire.deframer import Deframer, Direction
    from daq.wire.frames import Slow

    plant = Plant(nominal(), seed=1)
    deframer = Deframer(Direction.FROM_FRONT_END)
    seen = [0] * 8
    while plant.now_s < 3.0:
        for frame in deframer.feed(plant.advance()):
            if isinstance(frame, Slow) and plant.now_s > 1.0:
                for place, _ in frame.values:
                    seen[place] += 1
    assert [round(count / 2.0) for count in seen] == [10, 10, 10, 10, 20, 20, 10, 10]
