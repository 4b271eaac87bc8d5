"""After any cut the load fades along the ramp: never below it, seen at the coils of the rig."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from api.rehearsal.virtual_rig import HOLDER
from bench.support.broken_rig import BrokenRig
from bench.support.fading import Fade, RampWatch
from bench.support.forked import forked
from control.core.commands import EaseOff, StartTest
from control.telemetry import State
from control.test_kinds.plans import SteadyHold
from tests.control.control_stand import tarnhow

FADES_S = 4.0


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


def fade(rig: BrokenRig, what: str, seconds: float = FADES_S) -> Fade:
    """The ramp from this moment on, and how the coils keep to it."""
    watch = RampWatch(rig.plant, Fade(what, "hold"))
    until_s = rig.plant.now_s + seconds
    while rig.plant.now_s < until_s:
        rig.advance()
        watch.look()
    watch.fade.state = rig.core.state.value
    return watch.fade


def fades(held: BrokenRig, breaks: Callable[[BrokenRig], object], frame: int, what: str) -> Fade:
    """Break a fork of the held rig some frames later; how the load fades."""

    def work() -> Fade:
        for _ in range(frame):
            held.advance()
        breaks(held)
        return fade(held, what)

    found = forked(work, Fade, what)
    assert found is not None
    assert found.current_a > 8.0
    return found


Break = Callable[[BrokenRig], object]


def _menu(target: str, kind: str, channel: str = "", **more: float) -> Break:
    return lambda rig: rig.plant.break_it(target, kind, channel, **more)


def _mute(rig: BrokenRig) -> None:
    rig.mute_until_s = 1e9


def _restart_after(seconds: float) -> Break:
    def breaks(rig: BrokenRig) -> None:
        rig.restart_at_s = rig.plant.now_s + seconds

    return breaks


def _stall(seconds: float) -> Break:
    def breaks(rig: BrokenRig) -> None:
        rig.stalled_until_s = rig.plant.now_s + seconds

    return breaks


CUTS: dict[str, Break] = {
    "host gone": _mute,
    "line pulled": _menu("line", "off"),
    "line pulled for 0.15 s": _menu("line", "off", for_s=0.15),
    "line pulled for 0.6 s": _menu("line", "off", for_s=0.6),
    "garbage to the host": _menu("line", "garbled", amount=1.0),
    "loop killed, next up after 0.1 s": _restart_after(0.1),
    "loop killed, next up after 1 s": _restart_after(1.0),
    "loop still for 0.3 s": _stall(0.3),
    "loop still for 1.2 s": _stall(1.2),
    "eased by a person": lambda rig: rig.send(EaseOff(0, HOLDER)),
    "a fault that eases": lambda rig: rig.core.outside("recorder-failed", True, "told"),
    "a rolls' tooth sensor lost": _menu("wheel", "off", "rear"),
    "a load cell lost": _menu("cell", "open-bridge", "rear-left"),
    "another session": BrokenRig.open_other_session,
    "set points refused": BrokenRig.refuse_set_points,
    "device clock jumps": _menu("board", "clock-jump", amount=0.2),
}


@pytest.mark.parametrize("what", CUTS)
def test_after_every_cut_the_load_lies_on_the_ramp_or_above_it(held: BrokenRig, what: str) -> None:
    for frame in (0, 1, 7):
        found = fades(held, CUTS[what], frame, what)
        assert not found.outside, found
