"""A random day at the rig in virtual time: all test kinds, pauses, mishaps, one service life.

Every test of bench.day.plan, in random order, with pauses of 0 to 120 s and from
random beginnings (standing, rolling at any speed, another gear); some are eased off or adjusted by
hand, some meet a fault, a lifted pedal, a helm that goes, a loop that restarts. Each run goes over
the wire into a recording and is evaluated as a shop's would be, and every number that its running
test told is compared with the result's (`compared`, `differ`). `truths` counts mean powers of
holds, climbs and points of maps, `covered` those whose 95 % interval holds the simulator's own mean
over the same time; only the losses of bearings that are cold yet differ from the rig file.
`failures` counts broken rules: a number that is none or a fault on a healthy rig, current asked for
while parked or ready, a whole test that is void, power beside the simulator's own, the same test
with another answer, a rig that does not get ready again. Each round of all tests is a day of its
own: `bench.day --json [--quick] [--part 1|2|3] --seed N`.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

from bench.day.day import MISHAPS, ROUNDS, Day
from bench.day.plan import TESTS
from bench.support.common import Options, run_bench


def measure(options: Options) -> dict[str, Any]:
    """The day, or as many as there are rounds."""
    cpu_s = time.process_time()
    rounds = (options.part,) if options.part else ROUNDS[: 1 if options.quick else None]
    days: list[Day] = []
    answers: dict[str, list[float]] = {}
    with tempfile.TemporaryDirectory(prefix="drumlin-") as scratch:
        for which in rounds:
            day = Day(options.seed + 1000 * (int(which) - 1), Path(scratch) / which, answers)
            days.append(day)
            _play(day, options.quick)
    return {
        "tests": sum(len(day.rows) for day in days),
        "whole": sum(one["mishap"] == "none" for day in days for one in day.rows),
        "compared": sum(day.compared for day in days),
        "differ": sum(day.differ for day in days),
        "truths": sum(day.truths for day in days),
        "covered": sum(day.covered for day in days),
        "failures": sum(len(day.rig.broken) for day in days),
        "broken": [words for day in days for words in day.rig.broken],
        "simulated_h": sum(day.rig.plant.now_s for day in days) / 3600.0,
        "frames_lost": sum(day.rig.core.frames_lost for day in days),
        "cpu_s": time.process_time() - cpu_s,
        "repeats": {
            name: {"n": len(values), "median": float(np.median(values)),
                   "spread": max(values) - min(values)}
            for name, values in sorted(answers.items())
        },
        "rows": [row for day in days for row in day.rows],
    }  # fmt: skip


def _play(day: Day, quick: bool) -> None:
    """All tests of a day in random order, with what happens between them."""
    day.begin()
    order = list(TESTS)
    day.draw.shuffle(order)
    for asked in order[: 6 if quick else None]:
        mishap = day.draw.choice(MISHAPS)
        day.test(asked, mishap)
        day.idle(day.draw.uniform(0.0, 40.0 if quick else 120.0))
        day.rig.next_step(f"after {asked.name}, {mishap}")
        if not day.get_ready():
            return


if __name__ == "__main__":
    run_bench("day", measure, parts=ROUNDS)
