"""A random day at the rig in virtual time: all test kinds, pauses, mishaps, one service life.

Every test of bench.day.plan, in random order, several times, with pauses of 0 to 120 s and from
random beginnings (standing, rolling at any speed, another gear); some are eased off or adjusted by
hand, some meet a fault, a lifted pedal, a helm that goes, a loop that restarts. Each run goes over
the wire into a recording and is evaluated as a shop's would be, and every number that its running
test told is compared with the result's (`compared`, `differ`). `failures` counts broken
rules: a number that is none or a fault on a healthy rig, current asked for while parked or ready, a
whole test that is void, power beside the simulator's own, the same test with another answer, a rig
that does not get ready again. `bench.day --json [--quick] --seed N`.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

from bench.day.day import MISHAPS, Day
from bench.day.plan import TESTS
from bench.support.common import Options, run_bench


def measure(options: Options) -> dict[str, Any]:
    """The day."""
    cpu_s = time.process_time()
    tests = TESTS
    rounds = 1 if options.quick else 3
    with tempfile.TemporaryDirectory(prefix="drumlin-") as scratch:
        day = Day(options.seed, Path(scratch))
        day.begin()
        for _ in range(rounds):
            order = list(tests)
            day.draw.shuffle(order)
            for asked in order[: 6 if options.quick else None]:
                mishap = day.draw.choice(MISHAPS)
                day.test(asked, mishap)
                day.idle(day.draw.uniform(0.0, 40.0 if options.quick else 120.0))
                day.rig.next_step(f"after {asked.name}, {mishap}")
                if not day.get_ready():
                    break
    rig = day.rig
    return {
        "tests": len(day.rows),
        "whole": sum(one["mishap"] == "none" for one in day.rows),
        "compared": day.compared,
        "differ": day.differ,
        "failures": len(rig.broken),
        "broken": rig.broken,
        "simulated_h": rig.plant.now_s / 3600.0,
        "frames_lost": rig.core.frames_lost,
        "cpu_s": time.process_time() - cpu_s,
        "repeats": {
            name: {"n": len(values), "median": float(np.median(values)),
                   "spread": max(values) - min(values)}
            for name, values in sorted(day.answers.items())
        },
        "rows": day.rows,
    }  # fmt: skip


if __name__ == "__main__":
    run_bench("day", measure)
