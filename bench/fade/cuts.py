"""Ways to cut the load loop off from the rig, or to have it take the load off, for fades.

A cut is done to a BrokenRig at one moment; `fade_after` runs on and holds the coils against the
ramp.
"""

from __future__ import annotations

from collections.abc import Callable

import msgspec

from api.rehearsal.virtual_rig import HOLDER
from bench.fade.ramp import FADES_S, Fade, RampWatch
from bench.support.broken_rig import BrokenRig
from control.core.commands import EaseOff
from control.telemetry import State

LONGEST_S = 4.0  # until a helm that nobody keeps has expired
Break = Callable[[BrokenRig], object]


class Cut(msgspec.Struct, frozen=True):
    """`at_once`: the ramp counts from the cut; otherwise from where the loop leaves `loaded`."""

    breaks: Break
    at_once: bool = True


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


def _still(seconds: float, line_holds: int, again_s: float = 0.0) -> Break:
    """The loop stands still, and again while it reads what the line has kept of that time."""

    def breaks(rig: BrokenRig) -> None:
        wakes_s = rig.plant.now_s + seconds
        rig.stalled_until_s = wakes_s
        rig.line_holds = line_holds
        if again_s:
            rig.at_once = 10
            rig.stalls_again = (wakes_s + 0.01, wakes_s + 0.01 + again_s)

    return breaks


def _held_back(seconds: float) -> Break:
    def breaks(rig: BrokenRig) -> None:
        rig.held_back_until_s = rig.plant.now_s + seconds

    return breaks


def _slow(rig: BrokenRig) -> None:
    rig.slow_until_s = rig.plant.now_s + 3.0


CUTS: dict[str, Cut] = {
    "host gone": Cut(_mute),
    "line pulled": Cut(_menu("line", "off")),
    "line pulled for 0.15 s": Cut(_menu("line", "off", for_s=0.15)),
    "line pulled for 0.6 s": Cut(_menu("line", "off", for_s=0.6)),
    "garbage to the host": Cut(_menu("line", "garbled", amount=1.0)),
    "loop killed, next up after 0.1 s": Cut(_restart_after(0.1)),
    "loop killed, next up after 1 s": Cut(_restart_after(1.0)),
    "loop still for 0.3 s": Cut(_stall(0.3)),
    "loop still for 1.2 s": Cut(_stall(1.2)),
    "loop still for 5 s, 60 frames in the line": Cut(_still(5.0, 60)),
    "loop still for 2 s, and again while it reads": Cut(_still(2.0, 1000, 0.2)),
    "line held back for 0.3 s": Cut(_held_back(0.3)),
    "loop falls behind": Cut(_slow, False),
    "eased by a person": Cut(lambda rig: rig.send(EaseOff(0, HOLDER)), False),
    "a fault that eases": Cut(lambda rig: rig.core.outside("recorder-failed", True, "told"), False),
    "a rolls' tooth sensor lost": Cut(_menu("wheel", "off", "rear"), False),
    "a load cell lost": Cut(_menu("cell", "open-bridge", "rear-left"), False),
    "another session": Cut(BrokenRig.open_other_session),
    "set points refused": Cut(BrokenRig.refuse_set_points),
    "device clock jumps": Cut(_menu("board", "clock-jump", amount=0.2), False),
    "service gone, the helm expires": Cut(BrokenRig.stop_helm, False),
}


def fade_after(rig: BrokenRig, what: str, test: str, validity_s: float = 0.1) -> Fade:
    """Cut and run on. The rig is used up by it."""
    cut = CUTS[what]
    cut.breaks(rig)
    until_s = rig.plant.now_s + LONGEST_S
    while not cut.at_once and rig.core.state is State.LOADED and rig.plant.now_s < until_s:
        rig.advance()
    watch = RampWatch(rig.plant, Fade(what, test), validity_s)
    until_s = rig.plant.now_s + FADES_S
    while rig.plant.now_s < until_s:
        rig.advance()
        watch.look()
    watch.fade.state = rig.core.state.value
    return watch.fade
