"""Before/after campaigns: how often a gain is claimed that is not there, how often one is found.

Power sweeps are simulated frame by frame over the wire on several random rigs and day states, with
the truck's torque as it is and 2 % higher, replayed through the measuring chain and evaluated like
any run. Campaigns are then drawn from that pool: three sweeps before and three after, each sweep at
most once in a campaign. True changes come from the simulator's own wheel power, not from ours.

What is simulated: rig tolerances, tooth wheels, noise, converter, zero drift over the session,
rotor heat, weather of the day, engine wander. Within one rig and one day the "before" session and
the "after" session are separate starts of the rig with their own zeros, cold rolls and noise. What
is drawn: which sweeps form a campaign. Campaigns of one rig and day therefore share sweeps with
each other (not within), so the rates are less sure than `n` independent campaigns would make them;
`sessions` and `sweeps` say how much was simulated.
"""

from __future__ import annotations

import math
import time
from dataclasses import replace
from typing import Any

import msgspec
import numpy as np

from api.comparing import session_sigma
from bench._common import Options, run_bench
from bench._recorded import approach, floor_when, in_scratch, ready_rig
from control.plans import PowerSweep
from daq.results.evaluate import evaluate
from daq.results.gain import Repeat, Verdict, gain
from daq.results.result import Result, arrays
from simulator.setup import Setup, Weather, tarnhow

PLAN = PowerSweep(from_rpm=1700.0, to_rpm=2700.0, rpm_per_s=250.0)
START_MPS = 19.2  # a little above the first speed: the absorbers hold it there
REPEATS = 3
GAIN = 0.02
CAMPAIGNS = 500
BETWEEN_S = 4.0  # of rolling on between two sweeps


class Swept(msgspec.Struct, frozen=True, eq=False):
    """One sweep: what it measured per bin, what was true, and what may differ between sessions."""

    curve: Any
    bins: tuple[float, ...]
    true_power_w: float  # mean over the compared range, from the simulator
    session_sigma: float
    conditions: dict[str, float]


def session(setup: Setup, seed: int, sweeps: int) -> list[Swept]:
    """Several sweeps one after the other in one session of one rig and truck."""
    virtual = ready_rig(seed, setup=setup)
    found: list[Swept] = []
    for _ in range(sweeps):
        approach(virtual, START_MPS)

        def play(folder: Any) -> None:
            virtual.begin(folder, PLAN)
            virtual.play(floor_when("full pedal", "sweep"), 90.0)

        result = evaluate(in_scratch(play), "bench")
        if result.valid:
            found.append(_swept(result, np.array(virtual.truth)))
        driver = virtual.plant.driver
        driver.tell(pedal=0.0)
        virtual.settle(BETWEEN_S)
    return found


def _swept(result: Result, truth: Any) -> Swept:
    one = result.curve("power")
    assert one is not None
    inside = (truth[:, 1] > 1800.0 / 9.5493) & (truth[:, 1] < 2600.0 / 9.5493)
    last = int(np.argmax(truth[:, 1]))
    inside[last:] = False
    rising = np.flatnonzero(inside)
    # The mean over speed, not over time, as the compared curves weigh it.
    order = rising[np.argsort(truth[rising, 1])]
    speed, power = truth[order, 1], truth[order, 2]
    mean = float(np.trapezoid(power, speed) / (speed[-1] - speed[0]))
    return Swept(arrays(one.value), tuple(one.x), mean, session_sigma(result), result.conditions)


def pool(options: Options) -> list[dict[str, list[list[Swept]]]]:
    """For each rig and day: sessions of the truck as it is, and 2 % stronger."""
    random = np.random.default_rng([options.seed, 41])
    rigs, sessions, sweeps = (2, 2, 3) if options.quick else (8, 4, 4)
    found = []
    for rig in range(rigs):
        seed = int(random.integers(1, 2**31))
        weather = Weather(
            float(random.uniform(281.0, 305.0)),
            float(random.uniform(95_500.0, 101_500.0)),
            float(random.uniform(0.25, 0.85)),
        )
        base = replace(tarnhow(seed), weather=weather)
        strong = replace(base, truck=replace(base.truck, torque_gain=1.0 + GAIN))
        each = [
            [session(setup, seed + 100 * number + 7 * strong_at, sweeps)
             for number in range(sessions)]
            for strong_at, setup in enumerate((base, strong))
        ]  # fmt: skip
        found.append({"same": each[0], "stronger": each[1], "rig": []})
        del rig
    return found


def campaign(
    before: list[Swept], after: list[Swept], random: np.random.Generator
) -> tuple[Any, float] | None:
    """One comparison of drawn sweeps and the true change between them."""
    if len(before) < REPEATS or len(after) < REPEATS:
        return None
    sides = [
        [side[at] for at in random.choice(len(side), REPEATS, replace=False)]
        for side in (before, after)
    ]
    keys = sorted({round(x * 1000) for side in sides for one in side for x in one.bins})
    wanted = [key for key in keys if 1800.0 / 9.5493 < key / 1000 < 2600.0 / 9.5493]

    def repeat(one: Swept, name: str) -> Repeat:
        of = dict(zip((round(x * 1000) for x in one.bins), one.curve.tolist(), strict=True))
        return Repeat(name, np.array([of.get(key, math.nan) for key in wanted]), one.conditions)

    told = [[repeat(one, f"{n}") for n, one in enumerate(side)] for side in sides]
    between = max(one.session_sigma for side in sides for one in side)
    found = gain([key / 1000 for key in wanted], told[0], told[1], between)
    true = [np.mean([math.log(one.true_power_w) for one in side]) for side in sides]
    return found, math.expm1(float(true[1] - true[0]))


def measure(options: Options) -> dict[str, Any]:
    """False gains, coverage and power over drawn campaigns."""
    begun = time.perf_counter()
    rigs = pool(options)
    simulated_s = time.perf_counter() - begun
    random = np.random.default_rng([options.seed, 42])
    n = 60 if options.quick else CAMPAIGNS
    none: list[tuple[Any, float]] = []
    some: list[tuple[Any, float]] = []
    tries = 0
    while min(len(none), len(some)) < n and tries < 20 * n:
        tries += 1
        of = rigs[int(random.integers(len(rigs)))]
        one, other = random.choice(len(of["same"]), 2, replace=False)
        drawn = campaign(of["same"][int(one)], of["same"][int(other)], random)
        if drawn is not None and len(none) < n:
            none.append(drawn)
        later = of["stronger"][int(random.integers(len(of["stronger"])))]
        drawn = campaign(of["same"][int(one)], later, random)
        if drawn is not None and len(some) < n:
            some.append(drawn)
    every = none + some
    covered = [found.overall.low <= true <= found.overall.high for found, true in every]
    # A campaign without a change still has a true difference: the truck wanders. A gain is false
    # when the verdict says gained although the truth of these very sweeps is not above nothing.
    claimed = [found.overall.verdict is Verdict.GAINED for found, _ in none]
    lost = [found.overall.verdict is Verdict.LOST for found, _ in none]
    half = [(found.overall.high - found.overall.low) / 2.0 for found, _ in every]
    sweeps = sum(len(one) for of in rigs for side in ("same", "stronger") for one in of[side])
    return {
        "false_gain_rate": _share(claimed),
        "false_loss_rate": _share(lost),
        "coverage95": _share(covered),
        "found_2pct_rate": _share([f.overall.verdict is Verdict.GAINED for f, _ in some]),
        "n": len(none),
        "n_with_gain": len(some),
        "repeats": REPEATS,
        "median_half_width_pct": 100.0 * float(np.median(half)) if half else None,
        "median_true_change_pct": 100.0
        * float(np.median([true for _, true in some] or [math.nan])),
        "median_between_sigma_pct": 100.0
        * float(np.median([found.between_sigma_relative for found, _ in every] or [math.nan])),
        "rigs": len(rigs),
        "sessions": sum(len(of["same"]) + len(of["stronger"]) for of in rigs),
        "sweeps": sweeps,
        "simulating_s": simulated_s,
        "simulated": "each sweep, frame by frame over the wire, with its rig, day, truck and noise",
        "drawn": "which sweeps of two sessions of one rig and day form a campaign",
    }


def _share(what: list[bool]) -> float | None:
    return float(np.mean(what)) if what else None


if __name__ == "__main__":
    run_bench("gain", measure)
