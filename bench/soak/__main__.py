"""Hours of tests in virtual time, and minutes over a real pseudo-terminal: does anything creep?

First: eight simulated hours (quick: a few minutes) of holds, one after the other with pauses, on
the simulated rig, as fast as it goes: slope of resident memory over the second half, descriptors,
frames lost. Then twenty real minutes (quick: eight seconds) of the demo: memory and descriptors of
the loop process, frames lost, and how far the clock mapping's rate wandered. `--part` runs one.
"""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Any

import numpy as np

from api.rehearsal.virtual_rig import HOLDER, VirtualRig
from bench.soak.rough import RunningDemo
from bench.support.common import Options, rss_mb, run_bench
from control.core.commands import Acknowledge, EaseOff, MakeReady, StartTest
from control.telemetry import State
from control.test_kinds.plans import SteadyHold
from daq.rig.description import load_rig

RIG = Path(__file__).parents[2] / "rigs" / "tarnhow.toml"
HOLD_S, PAUSE_S = 120.0, 30.0
QUICK_HOLD_S, QUICK_PAUSE_S = 25.0, 10.0
FIT_S = 40.0  # then the clock mapping's window is full
LOOK_S = 5.0


def _descriptors(process: int | str = "self") -> int:
    return len(os.listdir(f"/proc/{process}/fd"))


def virtual(
    hours: float, seed: int, hold_s: float = HOLD_S, pause_s: float = PAUSE_S
) -> dict[str, Any]:
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
        rig.advance_for(hold_s)
        ended: State = rig.core.state  # the checker cannot know that advancing changes it
        if ended is not State.LOADED:
            raise RuntimeError(f"a hold ended {rig.core.state}: {rig.events[-1].text}")
        rig.ask(EaseOff(0, HOLDER))
        rig.advance_for(pause_s)
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
    with RunningDemo() as rig:
        rig.until_up()
        rig.until(lambda: _exchanges(rig) is not None)
        time.sleep(3.0 if seconds < 60.0 else FIT_S)
        loop = rig.child("api.runtime.loop")
        before_fds, before_mb = _descriptors(loop), rig.rss_mb(loop)
        before = rig.state()["health"]
        began_s = time.monotonic()
        rates: list[float] = []
        memory: list[tuple[float, float]] = []
        sigma_ms = 0.0
        while (passed_s := time.monotonic() - began_s) < seconds:
            time.sleep(min(LOOK_S, max(0.0, seconds - passed_s) + 0.01))
            memory.append(((time.monotonic() - began_s) / 3600.0, rig.rss_mb(loop)))
            clocks = _exchanges(rig)
            if clocks is not None:
                rates.append(float(clocks["clock_rate_ppm"]))
                sigma_ms = max(sigma_ms, float(clocks["clock_sigma_ms"]))
        after = rig.state()["health"]
        late = np.array(memory[len(memory) // 2 :])
        slope = float(np.polyfit(late[:, 0], late[:, 1], 1)[0]) if len(late) > 2 else float("nan")
        return {
            "real_s": time.monotonic() - began_s,
            "real_fd_growth": _descriptors(loop) - before_fds,
            "real_rss_growth_mb": rig.rss_mb(loop) - before_mb,
            "real_rss_slope_mb_per_h": slope,
            "real_lost_frames": int(after["frames_lost"]) - int(before["frames_lost"]),
            "real_frames": int(after["frames"]) - int(before["frames"]),
            # The simulated board's crystal is the host's clock: what the rate shows is the mapping.
            "clock_drift_ppm": max(rates) - min(rates) if rates else float("nan"),
            "clock_rate_ppm": rates[-1] if rates else float("nan"),
            "clock_worst_sigma_ms": sigma_ms,
            "clock_restarts": int(after["clock_restarts"]) - int(before["clock_restarts"]),
        }


def _exchanges(rig: RunningDemo) -> dict[str, Any] | None:
    """The loop's health once its clock mapping stands."""
    health: dict[str, Any] = rig.state().get("health") or {}
    return health if health.get("clock_rate_ppm") is not None else None


def measure(options: Options) -> dict[str, Any]:
    """Both parts, or the one asked for."""
    began_s = time.perf_counter()
    told: dict[str, Any] = {}
    if options.part in ("", "virtual"):
        if options.quick:
            told |= virtual(0.04, options.seed, QUICK_HOLD_S, QUICK_PAUSE_S)
        else:
            told |= virtual(8.0, options.seed)
    if options.part in ("", "real"):
        told |= real(8.0 if options.quick else 1200.0)
        told["fd_growth"] = told.get("fd_growth", 0) + max(0, told["real_fd_growth"])
        told["lost_frames"] = told.get("lost_frames", 0) + told["real_lost_frames"]
    return {**told, "part": options.part, "wall_s": time.perf_counter() - began_s}


if __name__ == "__main__":
    run_bench("soak", measure, parts=("virtual", "real"))
