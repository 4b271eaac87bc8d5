"""Hours of tests in virtual time, and minutes over a real pseudo-terminal: does anything creep?

First: eight simulated hours (quick: a few minutes) of holds, one after the other with pauses, on
the simulated rig, as fast as it goes: slope of resident memory over the second half, descriptors,
frames lost. Then twenty real minutes (quick: ten seconds) of the demo: memory and descriptors of
the loop process, frames lost, and how far the clock mapping's rate wandered.
"""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Any

import numpy as np

from api.processes.rehearsal import HOLDER, VirtualRig
from bench._common import Options, rss_mb, run_bench
from bench._rough import Rig
from control.commands import Acknowledge, EaseOff, MakeReady, StartTest
from control.plans import SteadyHold
from control.telemetry import State
from daq.rig import load_rig

RIG = Path(__file__).parent.parent / "rigs" / "tarnhow.toml"
HOLD_S, PAUSE_S = 120.0, 30.0


def _descriptors(process: int | str = "self") -> int:
    return len(os.listdir(f"/proc/{process}/fd"))


def virtual(hours: float, seed: int) -> dict[str, Any]:
    """Holds at 8 m/s with pauses, `hours` long."""
    rig = VirtualRig(load_rig(RIG), seed)
    rig.make_ready()
    rig.plant.driver.tell(gear=3, pedal=0.3)
    rig.advance_for(25.0)
    points: list[tuple[float, float]] = []
    descriptors = _descriptors()
    began_s = rig.plant.now_s
    holds = 0
    plan = SteadyHold(seconds=3600.0, speed_mps=8.0)
    while rig.plant.now_s - began_s < hours * 3600.0:
        if rig.core.state is State.PARKED:
            rig.ask(Acknowledge(0, HOLDER))
            rig.ask(MakeReady(0, HOLDER))
        if rig.core.state is not State.READY:
            raise RuntimeError(f"the rig is {rig.core.state}: {rig.core.telemetry().first_cause}")
        rig.ask(StartTest(0, HOLDER, f"soak-{holds}", plan))
        rig.advance_for(HOLD_S)
        ended: State = rig.core.state  # the checker cannot know that advancing changes it
        if ended is not State.LOADED:
            raise RuntimeError(f"a hold ended {rig.core.state}: {rig.events[-1].text}")
        rig.ask(EaseOff(0, HOLDER))
        rig.advance_for(PAUSE_S)
        rig.events.clear()
        rig.answers.clear()
        holds += 1
        points.append(((rig.plant.now_s - began_s) / 3600.0, rss_mb()))
    late = np.array(points[len(points) // 2 :])
    slope = float(np.polyfit(late[:, 0], late[:, 1], 1)[0]) if len(late) > 2 else float("nan")
    return {
        "simulated_h": (rig.plant.now_s - began_s) / 3600.0,
        "holds": holds,
        "rss_slope_mb_per_h": slope,
        "rss_mb": points[-1][1],
        "fd_growth": _descriptors() - descriptors,
        "lost_frames": rig.core.frames_lost,
    }


def real(seconds: float) -> dict[str, Any]:
    """The demo over its pseudo-terminal, its loop process watched from outside."""
    with Rig() as rig:
        rig.until_up()
        time.sleep(3.0)
        loop = rig.child("api.processes.loop")
        before_fds, before_mb = _descriptors(loop), rig.rss_mb(loop)
        before = rig.state()["health"]
        began_s = time.monotonic()
        time.sleep(seconds)
        after = rig.state()["health"]
        return {
            "real_s": time.monotonic() - began_s,
            "real_fd_growth": _descriptors(loop) - before_fds,
            "real_rss_growth_mb": rig.rss_mb(loop) - before_mb,
            "real_lost_frames": int(after["frames_lost"]) - int(before["frames_lost"]),
            "real_frames": int(after["frames"]) - int(before["frames"]),
        }


def measure(options: Options) -> dict[str, Any]:
    """Both parts."""
    began_s = time.perf_counter()
    told = virtual(0.12 if options.quick else 8.0, options.seed)
    told |= real(8.0 if options.quick else 1200.0)
    told["fd_growth"] += max(0, told["real_fd_growth"])
    told["lost_frames"] += told["real_lost_frames"]
    return {**told, "wall_s": time.perf_counter() - began_s}


if __name__ == "__main__":
    run_bench("soak", measure)
