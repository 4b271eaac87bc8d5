"""Simulated seconds per wall second of the full chain on one core, at 500 frames/s.

Simulator, wire in both directions, measuring chain and control core, joined as in a rehearsal and
loaded by a hold at 1,900 rev/min; what is timed begins after every kernel has run once. The
shares say where a frame's time goes; they are measured apart, in the same run's last part.
"""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Any

from api.rehearsal.virtual_rig import HOLDER, VirtualRig, drive_up
from bench.support.common import Options, run_bench
from control.core.commands import StartTest
from control.test_kinds.plans import SteadyHold
from daq.measure.chain import Chain
from daq.rig.description import load_rig
from daq.wire.codec import encode
from daq.wire.deframer import Deframer, Direction
from daq.wire.frames import Hello, Sample
from simulator.plant import Plant

RIG = Path(__file__).parent.parent / "rigs" / "tarnhow.toml"


def measure(options: Options) -> dict[str, Any]:
    """Hold for a while, then time the frames of the hold."""
    os.sched_setaffinity(0, {sorted(os.sched_getaffinity(0))[-1]})
    simulated_s = 40.0 if options.quick else 240.0
    rig = load_rig(RIG)
    virtual = VirtualRig(rig, options.seed)
    virtual.make_ready()
    plan = SteadyHold(seconds=simulated_s + 60.0, rpm=1900.0)
    virtual.plant.driver.tell(pedal=0.4)
    drive_up(virtual, plan.rpm, plan.speed_mps)
    virtual.ask(StartTest(0, HOLDER, "simspeed", plan))
    virtual.plant.driver.tell(pedal=1.0)
    virtual.advance_for(10.0)
    before = virtual.frames
    began_s, began_cpu_s = time.perf_counter(), time.process_time()
    virtual.advance_for(simulated_s)
    wall_s = time.perf_counter() - began_s
    cpu_s = time.process_time() - began_cpu_s
    frames = virtual.frames - before
    state = virtual.core.state.value
    return {
        "sim_s_per_wall_s": simulated_s / wall_s,
        "sim_s_per_cpu_s": simulated_s / cpu_s,
        "us_per_frame": 1e6 * wall_s / frames,
        "frames": frames,
        "frame_hz": rig.frame_hz,
        "state": state,
        **_shares(options.seed, 2000 if options.quick else 10_000),
    }


def _shares(seed: int, frames: int) -> dict[str, float]:
    """Microseconds of one frame in simulator, wire and measuring chain; the core has the rest."""
    plant = Plant(seed=seed)
    rig = load_rig(RIG)
    deframer = Deframer(Direction.FROM_FRONT_END)
    chain: Chain | None = None
    plant.driver.tell(pedal=0.3)
    simulator_s = wire_s = chain_s = 0.0
    clock = time.perf_counter
    for number in range(2 * frames):
        t0 = clock()
        sample = plant.step()
        t1 = clock()
        data = b"" if sample is None else encode(sample)
        received = deframer.feed(plant.replies() + data)
        t2 = clock()
        for frame in received:
            if isinstance(frame, Hello):
                chain = Chain(rig, frame)
            elif isinstance(frame, Sample) and chain is not None:
                t3 = clock()
                chain.update(frame)
                if number >= frames:
                    chain_s += clock() - t3
        if number >= frames:
            simulator_s += t1 - t0
            wire_s += t2 - t1
    return {
        "simulator_us": 1e6 * simulator_s / frames,
        "wire_sample_us": 1e6 * wire_s / frames,
        "chain_us": 1e6 * chain_s / frames,
    }


if __name__ == "__main__":
    run_bench("simspeed", measure)
