"""After any cut the load fades along the ramp: never below it, seen at the coils of the rig."""

from __future__ import annotations

import msgspec
import pytest

from api.rehearsal.virtual_rig import HOLDER
from bench.fade.cuts import CUTS, fade_after
from bench.fade.ramp import Fade
from bench.support.broken_rig import BrokenRig
from bench.support.forked import forked
from control.core.commands import StartTest
from control.telemetry import State
from control.test_kinds.plans import SteadyHold
from daq.wire.frames import Notice, NoticeCode, Permission
from tests.control.control_stand import Stand, tarnhow, zeroed


@pytest.fixture(scope="module")
def held() -> BrokenRig:
    """A calm hold with some 13 A in each coil. Tests break forks of it."""
    rig = BrokenRig(tarnhow(), 3)
    rig.make_ready()
    rig.plant.driver.tell(gear=3, pedal=0.5)
    rig.advance_for(14.0)
    rig.ask(StartTest(0, HOLDER, "fade", SteadyHold(seconds=600.0, speed_mps=12.0)))
    rig.plant.driver.tell(pedal=0.6)
    rig.advance_for(8.0)
    assert rig.core.state is State.LOADED
    return rig


@pytest.mark.parametrize("what", CUTS)
def test_after_every_cut_the_load_lies_on_the_ramp_or_above_it(held: BrokenRig, what: str) -> None:
    for frame in (0, 7):

        def work(frame: int = frame) -> Fade:
            for _ in range(frame):
                held.advance()
            return fade_after(held, what, "hold")

        found = forked(work, Fade, what)
        assert found is not None
        assert found.current_a > 8.0
        assert not found.outside, found


@pytest.mark.parametrize(
    ("still_s", "kept"), [(0.5, 60), (1.2, 60), (5.0, 60), (5.0, 1), (5.0, 1000)]
)
def test_a_loop_that_wakes_puts_no_load_back_on(held: BrokenRig, still_s: float, kept: int) -> None:
    """What waited in the line, `kept` frames of it, shows the load of before the gap."""

    def work() -> Fade:
        names = held.plant.truth_names
        coils = [place for place, name in enumerate(names) if name.endswith("_current_a")]

        def current_a() -> float:
            return max(float(held.plant.world.truth_row[place]) for place in coils)

        fade = Fade("woken", "hold", current_a=current_a())
        wakes_s = held.plant.now_s + still_s
        held.stalled_until_s = wakes_s
        held.line_holds = kept
        while held.plant.now_s < wakes_s - 0.003:
            held.advance()
        fade.left_a = current_a()
        least_a = fade.left_a
        for _ in range(2000):
            held.advance()
            least_a = min(least_a, current_a())
            fade.above_a = max(fade.above_a, current_a() - least_a)
        fade.state = held.core.state.value
        return fade

    found = forked(work, Fade, "woken")
    assert found is not None
    assert found.current_a > 8.0
    assert found.above_a < 0.2, found
    assert found.state in ("ready", "tripped")


def test_a_set_point_that_outlasts_a_gap_in_the_line_is_not_followed_by_none(
    held: BrokenRig,
) -> None:
    """The front end still applies the last one when the silent link trips and unloads."""

    def work() -> Fade:
        held.core._limits = msgspec.structs.replace(held.core._limits, validity_ms=300)
        held.advance_for(0.1)
        return fade_after(held, "line pulled for 0.15 s", "hold", 0.3)

    found = forked(work, Fade, "outlasts")
    assert found is not None
    assert found.current_a > 8.0
    assert found.state == "tripped"
    assert not found.outside, found


def test_a_loop_that_falls_behind_is_said_to_be_late(held: BrokenRig) -> None:
    def work() -> Fade:
        fade = fade_after(held, "loop falls behind", "hold")
        fade.state = str(held.core.last_end.code) if held.core.last_end else ""
        return fade

    found = forked(work, Fade, "behind")
    assert found is not None
    assert found.state == "loop-late"


@pytest.mark.parametrize("first", [None, Notice(0, NoticeCode.EASING_BEGAN, 100)])
def test_whatever_a_loop_sees_first_after_a_gap_it_says_that_it_was_late(
    first: Notice | None,
) -> None:
    stand = Stand().loaded()
    stand.host_s += 0.15
    stand.core.step(first, (), stand.host_s)
    stand.frame()
    assert stand.core.state is State.EASING
    assert stand.core.last_end is not None
    assert stand.core.last_end.code == "loop-late"


def test_no_set_point_answers_a_sample_that_shows_the_session_before() -> None:
    """The change of permission shows in the sample after the greeting, or in the next one."""
    stand = Stand(msgspec.structs.replace(zeroed(tarnhow()), loaded=True))
    stand.coils = [13.0] * 4
    stand.core.step(None, (), stand.host_s)
    stand.hello()
    stand.permission = Permission.HELD
    assert stand.core.state is State.TRIPPED
    assert stand.frame().set_point is None
    stand.permission = Permission.EASING
    assert stand.frame().set_point is None
