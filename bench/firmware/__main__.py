"""The reference front end: its C core beside the simulator's, its image on an emulated chip.

Never run on a board. Figures of the chip are in emulated cycles and nanoseconds; a rehearsal
through it is beside the same one through the simulator's front end.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from api.rehearsal import virtual_rig
from api.rehearsal.rehearse import PlanSettings, rehearse
from bench.firmware.core import build
from bench.firmware.differ import compare
from bench.firmware.emulated import built, emulated_plant
from bench.support.common import Options, run_bench
from control.test_kinds.plans import SteadyHold
from daq.rig.description import Rig, load_rig
from daq.wire.frames import Sample
from simulator.emulated_plant import EmulatedPlant
from simulator.plant import Plant

RIG = Path(__file__).parents[2] / "api" / "examples" / "rigs" / "tarnhow.toml"
RPM = 1900.0
CLK_HZ = 120e6


def measure(options: Options) -> dict[str, Any]:
    """Core, then edges, cuts and a hold through the chip."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder)
        sizes = built(out)
        core = build(out / "core", ("-O2",))
        differ = compare(core, 9_000 if options.quick else 100_000, options.seed)
        chip = _edges_and_cuts(out, options, 3 if options.quick else 40)
        hold = _hold(out, options)
    return {
        **sizes,
        "frames_compared": differ.frames,
        "unexplained_differences": sum(differ.differences.values()),
        "differences": dict(differ.differences),
        **chip,
        **hold,
    }


def _edges_and_cuts(out: Path, options: Options, cuts: int) -> dict[str, Any]:
    """Stamps beside the truth while the truck drives up; then the host falls silent, often."""
    rig = load_rig(RIG)
    plant = emulated_plant(rig, options.seed, out)
    truth: list[list[int]] = [[], [], []]
    stamped: list[list[int]] = [[], [], []]
    advance = plant.world.advance

    def noted(tick: float) -> tuple[list[int], list[int], list[list[int]]]:
        counts, currents, edges = advance(tick)
        for kept, new in zip(truth, edges, strict=True):
            kept.extend(new)
        return counts, currents, edges

    plant.world.advance = noted  # type: ignore[method-assign, assignment]
    try:
        virtual = virtual_rig.VirtualRig(rig, options.seed, plant=plant)
        plant.driver.tell(pedal=0.6, brake=0.0)
        feed = virtual.deframer.feed

        def watched(data: bytes) -> Any:
            frames = feed(data)
            for frame in frames:
                if isinstance(frame, Sample):
                    for kept, new in zip(stamped, frame.edges, strict=True):
                        kept.extend(new)
            return frames

        virtual.deframer.feed = watched  # type: ignore[method-assign]
        virtual.advance_for(4.0 if options.quick else 20.0)
        failures, worst = _cuts(plant, options, cuts)
        figures = plant.board.do("figures")
    finally:
        plant.close()
    errors = [
        abs(int(a) - int(b))
        for mine, true in zip(stamped, truth, strict=True)
        for a, b in zip(mine, true, strict=False)
    ]
    return {
        "edges": len(errors),
        "edge_error_ticks": max(errors, default=None),
        "fault_cases": cuts,
        "fault_failures": failures,
        "fade_error_a": worst,
        "cpu_share": figures["cycles"] * rig.frame_hz / CLK_HZ,
        "worst_interrupt_us": 1e6 * figures["worstCycles"] / CLK_HZ,
        "stack_bytes": figures["stackBytes"],
        "set_point_to_output_ms": figures["outputNs"] / 1e6,
        "tick_to_first_byte_ms": figures["firstByteNs"] / 1e6,
    }


def _cuts(plant: EmulatedPlant, options: Options, cuts: int) -> tuple[int, float]:
    """Random set points up to a random moment, then silence: do the pins follow the ramp?"""
    from bench.firmware.fade_on_pins import cut  # noqa: PLC0415 - only here

    random = np.random.default_rng([options.seed, 9])
    errors = [cut(plant, random) for _ in range(cuts)]
    return sum(error > 0.1 for error in errors), max(errors)


def _hold(out: Path, options: Options) -> dict[str, Any]:
    """The same hold through the simulator's front end and through the chip."""
    seconds = 6.0 if options.quick else 18.0
    plan = SteadyHold(seconds=seconds, rpm=RPM, settle_s=seconds / 3.0)
    settings = PlanSettings(RIG, plan, seed=options.seed)
    plain = rehearse(settings)
    usual = virtual_rig._plant_of
    made: list[EmulatedPlant] = []

    def behind_chip(rig: Rig, seed: int) -> Plant:
        made.append(emulated_plant(rig, seed, out))
        return made[-1]

    virtual_rig._plant_of = behind_chip
    began_s = time.process_time()
    try:
        chip = rehearse(settings)
        host_s = time.process_time() - began_s
        figures = made[0].board.do("figures")
    finally:
        virtual_rig._plant_of = usual
        for plant in made:
            plant.close()
    kept = ("mean_rpm", "std_rpm", "mean_power_kw", "power_error_pct", "state_at_end", "faults")
    simulated_s = float(msgspec.convert(chip["simulated_s"], float))
    return {
        "hold_chip": {name: chip[name] for name in kept},
        "hold_simulated": {name: plain[name] for name in kept},
        "sim_s_per_cpu_s": simulated_s / (host_s + figures["cpuS"]),
    }


if __name__ == "__main__":
    run_bench("firmware", measure)
