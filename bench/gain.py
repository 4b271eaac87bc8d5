"""Before/after campaigns: how often a gain is claimed that is not there, how often one is found.

Power sweeps are simulated frame by frame over the wire on several random rigs and day states, with
the truck's torque as it is and 2 % higher, replayed through the measuring chain and evaluated like
any run. Campaigns are then drawn from that pool: three sweeps before and three after, each sweep at
most once in a campaign. The true change is nothing for the truck as it is; for the stronger one it
comes from the simulator's own wheel power over all sweeps of that rig and day, not from ours.

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
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from typing import Any

import msgspec
import numpy as np

from api.services.comparing import session_sigma
from bench.support.common import Options, machine, run_bench
from bench.support.recorded import approach, floor_when, in_scratch, ready_rig
from control.test_kinds.plans import PowerSweep
from daq.results.evaluate import evaluate
from daq.results.gain import Gain, Repeat, Verdict, gain
from daq.results.result import Result, arrays
from simulator.rig_and_truck.setup import Setup, TrueWeather, tarnhow

PLAN = PowerSweep(from_rpm=1700.0, to_rpm=2700.0, rpm_per_s=250.0)
START_MPS = 19.2  # a little above the first speed: the absorbers hold it there
REPEATS = 3
GAIN = 0.02
LOW_RADPS, HIGH_RADPS = 1800.0 / 9.5493, 2600.0 / 9.5493  # the compared range
CAMPAIGNS = 500
BETWEEN_S = 4.0  # of rolling on between two sweeps


class Swept(msgspec.Struct, frozen=True, eq=False):
    """One sweep: what it measured per bin, what was true, what may differ between sessions.

    `true_curve`: the simulator's own wheel power at the same bins, W.
    """

    number: int
    curve: Any
    bins: tuple[float, ...]
    true_curve: Any
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
            found.append(_swept(result, np.array(virtual.truth), seed * 100 + len(found)))
        driver = virtual.plant.driver
        driver.tell(pedal=0.0)
        virtual.settle(BETWEEN_S)
    return found


def _swept(result: Result, truth: Any, number: int) -> Swept:
    one = result.curve("power")
    assert one is not None
    inside = (truth[:, 1] > LOW_RADPS) & (truth[:, 1] < HIGH_RADPS)
    last = int(np.argmax(truth[:, 1]))
    inside[last:] = False
    rising = np.flatnonzero(inside)
    # The mean over speed, not over time, as the compared curves weigh it.
    order = rising[np.argsort(truth[rising, 1])]
    speed, power = truth[order, 1], truth[order, 2]
    mean = float(np.trapezoid(power, speed) / (speed[-1] - speed[0]))
    true_curve = np.interp(one.x, speed, power, left=math.nan, right=math.nan)
    return Swept(
        number, arrays(one.value), tuple(one.x), true_curve, mean, session_sigma(result),
        result.conditions,
    )  # fmt: skip


class RigDay(msgspec.Struct, frozen=True, eq=False):
    """One rig on one day: sessions with the truck as it is, and with it 2 % stronger."""

    same: list[list[Swept]]
    stronger: list[list[Swept]]

    def true_change(self) -> float:
        """True relative change of the truck, from all its sweeps."""
        means = [
            float(np.mean([math.log(sweep.true_power_w) for one in side for sweep in one]))
            for side in (self.same, self.stronger)
        ]
        return math.expm1(means[1] - means[0])

    def true_change_at(self, bins: tuple[float, ...]) -> Any:
        """True relative change in every bin, NaN where no sweep has been."""
        sides = []
        for side in (self.same, self.stronger):
            curves = [
                np.interp(bins, sweep.bins, np.log(sweep.true_curve), math.nan, math.nan)
                for one in side
                for sweep in one
            ]
            sides.append(np.nanmean(curves, axis=0))
        return np.expm1(sides[1] - sides[0])


def pool(options: Options) -> list[RigDay]:
    """Everything that is simulated; sessions know nothing of each other and share the cores."""
    random = np.random.default_rng([options.seed, 41])
    rigs, same, stronger, sweeps = (1, 2, 2, 4) if options.quick else (6, 4, 2, 4)
    wanted: list[tuple[Setup, int]] = []
    for _ in range(rigs):
        seed = int(random.integers(1, 2**24))
        weather = TrueWeather(
            float(random.uniform(281.0, 305.0)),
            float(random.uniform(95_500.0, 101_500.0)),
            float(random.uniform(0.25, 0.85)),
        )
        base = replace(tarnhow(seed), weather=weather)
        strong = replace(base, truck=replace(base.truck, torque_gain=1.0 + GAIN))
        wanted += [(base, seed + 100 * number) for number in range(same)]
        wanted += [(strong, seed + 100 * number + 7) for number in range(stronger)]
    with ProcessPoolExecutor(machine().cores, get_context("spawn")) as workers:
        made = list(workers.map(session, *zip(*wanted, strict=True), [sweeps] * len(wanted)))
    each = same + stronger
    days = [made[at : at + each] for at in range(0, len(made), each)]
    return [RigDay(day[:same], day[same:]) for day in days]


class Drawn(msgspec.Struct, frozen=True, eq=False):
    """A campaign's answer, and what is true: overall and in each of its bins."""

    found: Gain
    true: float
    true_bins: Any

    def covers(self) -> bool:
        return self.found.overall.low <= self.true <= self.found.overall.high

    def covers_all_bins(self) -> bool:
        """Whether the truth lies inside in every bin where it is known."""
        return all(
            one.low <= true <= one.high
            for one, true in zip(self.found.per_bin, self.true_bins, strict=True)
            if math.isfinite(true)
        )

    def half_widths(self) -> list[float]:
        return [(one.high - one.low) / 2.0 for one in self.found.per_bin]


def campaign(
    before: list[Swept],
    after: list[Swept],
    random: np.random.Generator,
    seen: set[tuple[int, ...]],
    repeats: int = REPEATS,
) -> Gain | None:
    """One comparison of drawn sweeps; None when that very campaign was drawn before."""
    if len(before) < repeats or len(after) < repeats:
        return None
    sides = [
        [side[at] for at in sorted(random.choice(len(side), repeats, replace=False).tolist())]
        for side in (before, after)
    ]
    key = tuple(one.number for side in sides for one in side)
    if key in seen:
        return None
    seen.add(key)
    keys = {round(x * 1000) for side in sides for one in side for x in one.bins}
    wanted = sorted(key for key in keys if LOW_RADPS < key / 1000 < HIGH_RADPS)

    def repeat(one: Swept) -> Repeat:
        of = dict(zip((round(x * 1000) for x in one.bins), one.curve.tolist(), strict=True))
        values = np.array([of.get(key, math.nan) for key in wanted])
        return Repeat(str(one.number), values, one.conditions)

    between = max(one.session_sigma for side in sides for one in side)
    told = [[repeat(one) for one in side] for side in sides]
    return gain([key / 1000 for key in wanted], told[0], told[1], between)


def draw(
    rigs: list[RigDay], random: np.random.Generator, n: int, repeats: int
) -> tuple[list[Drawn], list[Drawn]]:
    """Up to `n` campaigns without and with a change, none of them twice."""
    none: list[Drawn] = []
    some: list[Drawn] = []
    seen: set[tuple[int, ...]] = set()
    for _ in range(100 * n):
        if min(len(none), len(some)) >= n:
            break
        of = rigs[int(random.integers(len(rigs)))]
        one, other = random.choice(len(of.same), 2, replace=False).tolist()
        if len(none) < n:
            found = campaign(of.same[one], of.same[other], random, seen, repeats)
            if found is not None:
                none.append(Drawn(found, 0.0, np.zeros(len(found.bins))))
        if len(some) < n:
            later = of.stronger[int(random.integers(len(of.stronger)))]
            found = campaign(of.same[one], later, random, seen, repeats)
            if found is not None:
                some.append(Drawn(found, of.true_change(), of.true_change_at(found.bins)))
    return none, some


def measure(options: Options) -> dict[str, Any]:
    """False gains, coverage and power over drawn campaigns."""
    begun = time.perf_counter()
    rigs = pool(options)
    simulated_s = time.perf_counter() - begun
    n = 24 if options.quick else CAMPAIGNS
    none, some = draw(rigs, np.random.default_rng([options.seed, 42]), n, REPEATS)
    none_of_two, some_of_two = draw(rigs, np.random.default_rng([options.seed, 43]), n, 2)
    every, of_two = none + some, none_of_two + some_of_two
    half = [(one.found.overall.high - one.found.overall.low) / 2.0 for one in every]
    changes = [of.true_change() for of in rigs]
    return {
        "false_gain_rate": _share([one.found.overall.verdict is Verdict.GAINED for one in none]),
        "false_loss_rate": _share([one.found.overall.verdict is Verdict.LOST for one in none]),
        "coverage95": _share([one.covers() for one in every]),
        "coverage95_without_change": _share([one.covers() for one in none]),
        "found_2pct_rate": _share([one.found.overall.verdict is Verdict.GAINED for one in some]),
        "all_bins_coverage95": _share([one.covers_all_bins() for one in every]),
        "median_bin_half_width_pct": _median_pct([w for one in every for w in one.half_widths()]),
        "two_repeats": {
            "n": len(of_two),
            "coverage95": _share([one.covers() for one in of_two]),
            "all_bins_coverage95": _share([one.covers_all_bins() for one in of_two]),
            "median_bin_half_width_pct": _median_pct(
                [width for one in of_two for width in one.half_widths()]
            ),
        },
        "n": len(none),
        "n_with_gain": len(some),
        "repeats": REPEATS,
        "median_half_width_pct": 100.0 * float(np.median(half)) if half else None,
        "true_change_pct": [100.0 * change for change in changes],
        "median_between_sigma_pct": 100.0
        * float(np.median([one.found.between_sigma_relative for one in every] or [math.nan])),
        "rigs": len(rigs),
        "sessions": sum(len(of.same) + len(of.stronger) for of in rigs),
        "sweeps": sum(len(one) for of in rigs for one in (*of.same, *of.stronger)),
        "simulating_s": simulated_s,
        "simulated": "each sweep, frame by frame over the wire, with its rig, day, truck and noise",
        "drawn": "which three sweeps of each of two sessions of one rig and day form a campaign; "
        "no campaign twice, but campaigns share sweeps",
    }


def _median_pct(shares: list[float]) -> float | None:
    return 100.0 * float(np.median(shares)) if shares else None


def _share(what: list[bool]) -> float | None:
    return float(np.mean(what)) if what else None


if __name__ == "__main__":
    run_bench("gain", measure)
