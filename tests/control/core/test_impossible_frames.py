"""A front end that contradicts itself is not believed: one frame moves nothing, several trip."""

from __future__ import annotations

from api.rehearsal.virtual_rig import HOLDER, VirtualRig
from control.core.commands import StartTest
from control.core.core import Core, CoreOutput
from control.telemetry import State
from control.test_kinds.plans import SteadyHold
from daq.wire.frames import FromFrontEnd, Sample
from simulator.rig_and_truck import layout as at
from tests.control.control_stand import Stand, tarnhow


def held() -> VirtualRig:
    rig = VirtualRig(tarnhow(), 3)
    rig.make_ready()
    rig.plant.driver.tell(gear=3, pedal=0.5)
    rig.advance_for(12.0)
    rig.ask(StartTest(0, HOLDER, "bad", SteadyHold(seconds=600.0, speed_mps=12.0)))
    rig.advance_for(6.0)
    assert rig.core.state is State.LOADED
    return rig


def bend(rig: VirtualRig, frames: int, ticks_per_frame: int = 0) -> None:
    """The next samples tell of one edge that did not come, each; or of a clock that runs off."""
    step = rig.core.step
    left, shift = frames, 0

    def bent(frame: FromFrontEnd | None, commands: object, now_s: float) -> CoreOutput:
        nonlocal left, shift
        if isinstance(frame, Sample) and left > 0:
            left -= 1
            if ticks_per_frame:
                shift += ticks_per_frame
                edges = tuple(tuple(one + shift for one in each) for each in frame.edges)
                frame = frame.__replace__(tick=frame.tick + shift, edges=edges)
            else:
                shift += 1
                rear = (frame.edge_totals[1] + shift) & 0xFFFF
                totals = (frame.edge_totals[0], rear, *frame.edge_totals[2:])
                frame = frame.__replace__(edge_totals=totals)
        return step(frame, commands, now_s)  # type: ignore[arg-type]

    rig.core.step = bent  # type: ignore[method-assign, assignment]


def force_n(rig: VirtualRig) -> float:
    return float(rig.plant.world.rolls[:, at.R_ABSORBER].sum())


def test_one_impossible_frame_moves_nothing() -> None:
    rig = held()
    forces = []
    for _ in range(100):
        rig.advance()
        forces.append(force_n(rig))
    bend(rig, 1)
    for _ in range(100):
        rig.advance()
        forces.append(force_n(rig))
    assert rig.core.state is State.LOADED
    assert 1 <= rig.core.frames_contradicting <= 2
    before, after = forces[:100], forces[100:]
    least, most = min(before), max(before)
    assert least - 0.02 * most < min(after)
    assert max(after) < most + 0.02 * most


def test_edges_that_are_counted_but_never_come_trip_within_a_tenth_of_a_second() -> None:
    rig = held()
    began_n = force_n(rig)
    bend(rig, 10_000)
    most_n = 0.0
    for _ in range(60):
        rig.advance()
        most_n = max(most_n, force_n(rig))
    assert rig.core.state is State.TRIPPED
    assert rig.core.telemetry().first_cause == "frames-contradict"
    assert most_n < 1.1 * began_n


def test_a_session_number_is_not_used_twice_also_after_a_version_that_did_not_fit() -> None:
    stand = Stand()
    first = stand.core.session.number
    stand.core.step(None, (), stand.host_s)
    stand.hello(major=9)
    assert stand.core.session.mismatch
    stand.core.line_opened()
    assert stand.core.session.number not in (0, first)
    assert Core(stand.rig, session=0xFFFF_FFFF).session.number == 0xFFFF_FFFF


def told_taken(stand: Stand, sequence: int) -> CoreOutput:
    """A sample that says which set point was taken last."""
    honest = stand.sample

    def sample() -> Sample:
        return honest().__replace__(last_set_point=sequence & 0xFFFF)

    stand.sample = sample  # type: ignore[method-assign]
    step = stand.frame()
    stand.sample = honest  # type: ignore[method-assign]
    return step


def test_a_set_point_taken_that_was_never_sent_is_an_impossible_frame() -> None:
    stand = Stand().loaded()
    assert stand.set_point is not None
    sent = stand.set_point
    newest = sent.sequence
    for claimed in (newest + 1, newest + 20_000, newest - 10, 0):
        assert told_taken(stand, claimed).set_point is None, claimed
    assert stand.core.frames_contradicting == 4
    stand.set_point = sent
    stand.frames(0.2)
    assert stand.core.state is State.LOADED
    assert stand.core.frames_contradicting == 4


def test_set_points_taken_are_followed_over_the_wrap_of_their_sequence() -> None:
    stand = Stand().loaded()
    stand.core._gate = stand.core._gate.__replace__(sequence=0xFFF0)
    stand.core._taken_mark = 0xFFEE
    assert stand.set_point is not None
    stand.set_point = stand.set_point.__replace__(sequence=0xFFF0)
    stand.frames(0.2)
    assert stand.core.frames_contradicting == 0
    assert stand.core.state is State.LOADED


def test_nothing_is_taken_before_a_session_s_first_set_point() -> None:
    stand = Stand().connect()
    stand.core.line_opened()
    stand.hello()
    stand.set_point, stand.taken = None, 0  # forgotten: the front end says 0
    stand.frame()
    assert stand.core.frames_contradicting == 0
