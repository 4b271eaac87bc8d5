"""Power, torque, force and speed as results state them, against the truth of drawn rigs.

Rigs are drawn within the stated calibration errors (bench.support.rigs): the truth differs from the
rig file by normal draws of exactly its sigmas. Each runs a steady hold, a power sweep and a
spool-up through the core, over the wire; the results come from daq.results as a person would read
them. The truth is treated alike: the same rows, the same smoothing. Beside it in the same run: five
sweeps on one rig (the truck's own wander is in them, and stated apart), and a rig calibrated
perfectly.

`coverage95` counts how often the truth of that run lies in the stated 95 % interval;
`error_over_sigma` is the rms of error over stated sigma, 1 when the budget is honest. Results of
one rig share its errors, so `coverage95` of n results scatters more than n independent ones would:
`coverage95_sigma` says by how much, from rig to rig.
"""

from __future__ import annotations

import math
from collections import defaultdict
from pathlib import Path
from typing import Any, cast

import msgspec
import numpy as np
import numpy.typing as npt

from api.rehearsal.drivers import DRIVERS
from api.rehearsal.virtual_rig import HOLDER
from bench.support.common import Options, run_bench
from bench.support.rigs import DrawnRig
from control.core.commands import StartTest
from control.telemetry import State
from control.test_kinds.plans import Plan, PowerSweep, SpoolUp, SteadyHold
from daq.errors import DrumlinError, Refused
from daq.measure.chain import Chain
from daq.measure.force.load_cell import ALIGNED
from daq.measure.speed.estimator import DELAY_S
from daq.proving.verification import TIME_BASE_ERROR
from daq.results.band import quantity
from daq.results.curves import curve
from daq.results.evaluate import KINDS, correction_of
from daq.results.given import Given, given_of
from daq.results.kinds.sweep import axis
from daq.results.result import CurveOut, EvaluationSettings, arrays
from daq.results.series.aligned import aligned
from daq.results.series.columns import SET_POINT_CODES, beside_of, columns_of, row_of, typed
from daq.rig.description import Rig, load_rig

Array = npt.NDArray[np.float64]
RIG_FILE = Path(__file__).parents[1] / "rigs" / "tarnhow.toml"
GEAR = 4
HOLD = SteadyHold(seconds=5.0, settle_s=2.0, rpm=1900.0)
SWEEP = PowerSweep(from_rpm=1600.0, to_rpm=2600.0, rpm_per_s=250.0, full_pedal_s=1.0)
SPOOL = SpoolUp(rpm=1800.0, settle_s=1.0, seconds=4.0)
SETTINGS = EvaluationSettings(
    engine_speed_sigma=TIME_BASE_ERROR
)  # a pickup: only its time base is off
ACT_EVERY = 5
LONGEST_S = 90.0
LEVEL = 1.959964
TRUTHS = (
    "power_w", "front_tractive_n", "rear_tractive_n", "front_speed_mps", "rear_speed_mps",
    "engine_radps",
)  # fmt: skip


class PowerRun(msgspec.Struct, frozen=True, eq=False):
    """Columns of one run, and the truth at the instant each row holds at."""

    given: Given
    truth: dict[str, Array]


class One(msgspec.Struct, frozen=True):
    """One result beside the truth."""

    kind: str
    value: float
    true: float
    half: float  # of the 95 % interval as stated

    @property
    def inside(self) -> bool:
        return abs(self.value - self.true) <= self.half

    @property
    def over_sigma(self) -> float:
        return (self.value - self.true) / (self.half / LEVEL)

    @property
    def relative(self) -> float:
        return self.value / self.true - 1.0


def run(virtual: DrawnRig, plan: Plan) -> PowerRun:
    """Drive up, run the plan to its end, unload. Raises DrumlinError when it does not end."""
    rig = virtual.rig
    driver = DRIVERS[type(plan)](virtual, plan, GEAR, 1.0)
    driver.driver.tell(brake=0.0)
    driver.begin()
    told = len(virtual.events)
    virtual.ask(StartTest(0, HOLDER, "bench", plan))
    names = virtual.plant.truth_names
    places = [names.index(name) for name in TRUTHS]
    none = (math.nan,) * len(rig.absorbers)
    rows: list[list[float]] = []
    truth: list[list[float]] = []
    until_s = virtual.plant.now_s + LONGEST_S
    while virtual.core.state is State.LOADED:
        virtual.advance()
        test, measured = virtual.core.test, virtual.core.measured
        if test is None or measured is None:
            continue
        now_s = virtual.plant.now_s
        cells_n = cast(Chain, virtual.core.session.chain).cells.out[:, ALIGNED].tolist()
        beside = beside_of(rig, measured, test.set_point, SET_POINT_CODES[""], none)
        rows.append(row_of(rig, measured, cells_n, beside))
        row = virtual.plant.world.truth_row
        truth.append([now_s, *(float(row[place]) for place in places)])
        if len(rows) % ACT_EVERY == 0:
            driver.act(test)
        if now_s > until_s:
            raise DrumlinError(f"The test was still in '{test.phase}'.", "See the plan.")
    driver.driver.tell(pedal=0.0, brake=0.15)
    while virtual.core.state is State.EASING:
        virtual.advance()
    if virtual.core.state is not State.READY:
        raise DrumlinError(f"The rig is {virtual.core.state} after the test.", "See its faults.")
    columns = columns_of(rig)
    table = aligned(rig, typed(columns, np.array(rows)))
    events = [
        msgspec.to_builtins(msgspec.structs.replace(event, time_s=event.time_s - DELAY_S))
        for event in virtual.events[told:]
    ]
    given = given_of(rig, msgspec.to_builtins(plan), table, SETTINGS, events)
    true = np.array(truth)
    at = true[:, 0] - DELAY_S
    return PowerRun(
        given,
        {name: np.interp(at, true[:, 0], true[:, 1 + k]) for k, name in enumerate(TRUTHS)},
    )


def true_of(measured: PowerRun, name: str) -> Array:
    """The true course of "power", "force", "torque" or a speed over the rows."""
    truth = measured.truth
    if name == "force":
        return truth["front_tractive_n"] + truth["rear_tractive_n"]
    if name == "torque":
        return truth["power_w"] / truth["engine_radps"]
    return truth["power_w"]


def of_mean(measured: PowerRun, kind: str, rows: npt.NDArray[np.bool_]) -> list[One]:
    """Means of power, force, torque and of each roll speed over rows, with their budgets."""
    found = []
    for name in ("power", "force", "torque"):
        effects, chosen = quantity(measured.given, name, rows)
        budget = effects.budget()
        true = float(np.mean(true_of(measured, name)[chosen]))
        found.append(One(f"{kind}_{name}", budget.value, true, budget.expanded))
    effects_of, chosen = measured.given.effects(rows)
    for name, effect in zip(("front", "rear"), effects_of.speed, strict=True):
        budget = effect.budget()
        true = float(np.mean(measured.truth[f"{name}_speed_mps"][chosen]))
        found.append(One(f"{kind}_speed", budget.value, true, budget.expanded))
    return found


def of_hold(measured: PowerRun) -> tuple[list[One], list[One]]:
    """(by the budget of this run, by the figures a person reads)."""
    found = KINDS["steady-hold"](measured.given, correction_of(measured.given))
    told = []
    for key, name in (("mean_power", "power"), ("mean_torque", "torque")):
        one = next(each for each in found.figures if each.name == key)
        assert one.value is not None
        assert one.high is not None
        true = float(np.mean(true_of(measured, name)[found.rows]))
        told.append(One(f"hold_{name}", one.value, true, one.high - one.value))
    return of_mean(measured, "hold", found.rows), told


def of_sweep(measured: PowerRun) -> tuple[list[One], Array, Array]:
    """Power and torque at seven speeds and at their peaks; and both power curves, with truth's."""
    given = measured.given
    found = KINDS["power-sweep"](given, correction_of(given))
    half_width = axis(given, by_engine=True)[3]
    true_x = measured.truth["engine_radps"]
    results: list[One] = []
    shown: list[Array] = []
    for name in ("power", "torque"):
        out: CurveOut = next(each for each in found.curves if each.name == name)
        bins = np.array(out.x)
        value, high = arrays(out.value), arrays(out.high)
        # A little more at both ends: a bin that the run just covers is there in the truth too.
        rows = np.convolve(found.rows, np.ones(25), "same") > 0.5
        true = curve(true_x[rows], true_of(measured, name)[rows], bins, half_width).value
        usable = np.flatnonzero(np.isfinite(value) & np.isfinite(true) & np.isfinite(high))
        for at in np.linspace(0, usable.size - 1, 7).round().astype(int):
            place = int(usable[at])
            results.append(
                One(
                    f"sweep_{name}", float(value[place]), float(true[place]),
                    float(high[place] - value[place]),
                )
            )  # fmt: skip
        peak = next(each for each in found.peaks if each.curve == name)
        if peak.high is not None:
            results.append(
                One(f"peak_{name}", peak.value, float(np.nanmax(true)), peak.high - peak.value)
            )
        shown += [value, true]
    return results, shown[0], shown[1]


def of_spool(measured: PowerRun) -> tuple[list[One], float]:
    """Means over the last second of the pull, and the error of t90 after the onset, s."""
    given = measured.given
    rows = given.time_s >= given.time_s[-1] - 1.0
    found = KINDS["spool-up"](given, correction_of(given))
    true = msgspec.structs.replace(
        given, columns={**given.columns, "torque_nm": true_of(measured, "torque")}
    )
    right = KINDS["spool-up"](true, correction_of(true))
    times = [
        next((each.value for each in of.figures if each.name == "torque_t90"), None)
        for of in (found, right)
    ]
    late = times[0] - times[1] if times[0] is not None and times[1] is not None else math.nan
    return of_mean(measured, "spool", rows), late


def measure_rig(rig: Rig, seed: int, *, size: float, spool: bool) -> dict[str, Any]:
    """All results of one drawn rig."""
    virtual = DrawnRig(rig, seed, size=size)
    virtual.make_ready()
    virtual.let_zeros_drift()
    budget, told = of_hold(run(virtual, HOLD))
    swept, _, _ = of_sweep(run(virtual, SWEEP))
    rise = math.nan
    if spool:
        spooled, rise = of_spool(run(virtual, SPOOL))
        budget += spooled
    return {"results": budget + swept, "told": told, "rise": rise}


def repeat(rig: Rig, seed: int, times: int = 5) -> tuple[float, float, float]:
    """Sweeps on one rig: scatter of power at a speed in per cent, rms over the curve.

    As shown; of the truck's true power, which differs from sweep to sweep; and of the rig alone.
    """
    virtual = DrawnRig(rig, seed)
    virtual.make_ready()
    curves, truths = [], []
    for _ in range(times):
        _, value, true = of_sweep(run(virtual, SWEEP))
        curves.append(value)
        truths.append(true)
    width = min(len(one) for one in curves)
    shown = np.array([one[:width] for one in curves])
    true = np.array([one[:width] for one in truths])
    kept = np.isfinite(shown).all(axis=0) & np.isfinite(true).all(axis=0)
    shown, true = shown[:, kept], true[:, kept]

    def scatter(values: Array) -> float:
        return 100.0 * float(np.sqrt(np.mean(np.var(values, axis=0, ddof=1) / values.mean(0) ** 2)))

    return scatter(shown), scatter(true), scatter(shown / true)


def repeats(rig: Rig, seed: int, rigs: int) -> dict[str, Any]:
    """Five sweeps on each of some rigs; rms over the rigs."""
    found = np.array([repeat(rig, seed + number) for number in range(rigs)])
    shown, truck, alone = np.sqrt(np.mean(found**2, axis=0)).tolist()
    return {
        "repeatability_pct": shown,
        "repeatability_of_truck_pct": truck,
        "repeatability_of_rig_pct": alone,
        "repeatability_rigs": rigs,
    }


def coverage(results: list[One]) -> float:
    return sum(one.inside for one in results) / len(results) if results else math.nan


def by_kind(results: list[One]) -> dict[str, Any]:
    """Bias, spread and honesty of each kind of result."""
    sorted_out: dict[str, list[One]] = defaultdict(list)
    for one in results:
        sorted_out[one.kind].append(one)
    return {
        kind: {
            "n": len(of),
            "bias_pct": 100.0 * float(np.mean([one.relative for one in of])),
            "spread_pct": 100.0 * float(np.std([one.relative for one in of])),
            "coverage95": coverage(of),
            "error_over_sigma": float(np.sqrt(np.mean([one.over_sigma**2 for one in of]))),
        }
        for kind, of in sorted(sorted_out.items())
    }


def measure(options: Options) -> dict[str, Any]:
    rig = load_rig(RIG_FILE)
    rigs = 10 if options.quick else 50
    results: list[One] = []
    told: list[One] = []
    rises: list[float] = []
    shares: list[float] = []
    failed: list[str] = []
    for number in range(rigs):
        seed = options.seed * 1000 + number
        try:
            found = measure_rig(rig, seed, size=1.0, spool=not options.quick)
        except (DrumlinError, Refused) as error:
            failed.append(f"{seed}: {error}")
            continue
        results += found["results"]
        told += found["told"]
        rises.append(found["rise"])
        shares.append(coverage(found["results"]))
    perfect: list[One] = []
    for number in range(1 if options.quick else 5):
        seed = options.seed * 1000 + 900 + number
        perfect += measure_rig(rig, seed, size=0.0, spool=not options.quick)["results"]
    powers = [one.relative for one in perfect if "power" in one.kind]
    errors = [100.0 * one.relative for one in results if "power" in one.kind]
    return {
        "rigs": rigs - len(failed),
        "failed": failed,
        "n": len(results),
        "bias_pct": float(np.mean(errors)),
        "spread_pct": float(np.std(errors)),
        "bias_perfect_pct": 100.0 * abs(float(np.mean(powers))),
        "worst_perfect_pct": 100.0 * max(abs(one) for one in powers),
        **repeats(rig, options.seed * 1000 + 800, 1 if options.quick else 4),
        "coverage95": coverage(results),
        "coverage95_sigma": float(np.std(shares)) / math.sqrt(max(len(shares), 1)),
        "coverage95_figures": coverage(told),
        "t90_rms_ms": 1e3 * float(np.sqrt(np.nanmean(np.square(rises))))
        if np.isfinite(rises).any()
        else None,
        "kinds": by_kind(results),
        "kinds_perfect": by_kind(perfect),
        "target": {
            "bias_perfect_pct": 0.1,
            "repeatability_pct": 0.15,
            "coverage95": [0.92, 0.98],
            "n": 200,
        },
    }


if __name__ == "__main__":
    run_bench("power", measure)
