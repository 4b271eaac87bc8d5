"""How well the heat model knows rotors it has never seen: `python -m bench.heat --json`.

Truth: the simulator's rotors (`random_absorbers`: skin, body and hub, fan curve, radiation, steel
whose heat capacity changes; masses and cooling 0.5 to 2 times nominal), driven directly, without
the truck. Each gets a learning run with a sensor as docs/heat.md prescribes it, then duty cycles
of work and pauses. After 60 s of the last work the model says how long it may go on; the truth is
then run to the limit. Beside it a rule of thumb: the described rotor as a store of heat with a
continuous rating. `overshoot_k`: full load asked for 20 minutes, the guard has the last word;
learned with sensor, learned without, and neither learned nor measured. One whole rig with wire and
core follows as `chain`. `suggestions` and `permitted`: see bench.heat.answers.
"""

from __future__ import annotations

import math
import time
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from api.rehearsal.virtual_rig import HOLDER, VirtualRig
from bench.heat.answers import of_margins, permitted, suggestions_again
from bench.heat.coils import coils
from bench.heat.cost import heat_cost
from bench.support.common import Options, run_bench
from control.absorber.map import capacity, map_row
from control.core.commands import StartTest
from control.core.memory import AbsorberMemory, Memory
from control.telemetry import State
from control.test_kinds.plans import SteadyHold
from control.thermal.limiter import ThermalLimiter
from control.thermal.record import RotorRecord
from control.thermal.rotor import model_of, specific_heat, sustainable_power
from control.thermal.rotor_observer import RotorMemory, RotorObserver
from daq.kernel import jit
from daq.rig.description import Absorber, load_rig
from simulator.plant import Plant
from simulator.rig_and_truck import layout as at
from simulator.rig_and_truck.physics import heat_step
from simulator.rig_and_truck.setup import random_absorbers
from simulator.rig_and_truck.world import World

Floats = npt.NDArray[np.float64]
RIG = load_rig(Path(__file__).resolve().parents[2] / "rigs" / "tarnhow.toml")
DESCRIBED: Absorber = RIG.absorbers[2]  # its sensor sits a little inside the rim
HEAT = DESCRIBED.heat
UNSENSED = msgspec.structs.replace(  # every rotor like the described one, none with a sensor
    RIG,
    absorbers=tuple(
        msgspec.structs.replace(one, heat=msgspec.structs.replace(HEAT, sensor=""))
        for one in RIG.absorbers
    ),
)
AMBIENT_K = 295.15
TURN_S = 0.5  # the keeper's turn
SENSOR_NOISE_K = 0.5
POWER_NOISE = 0.003
LEARNING: tuple[tuple[float, float, float], ...] = (
    # seconds, share of the power that the described rotor may take for ever at 350 degC, rad/s
    (420.0, 1.6, 130.0), (360.0, 0.0, 130.0), (300.0, 1.6, 70.0), (360.0, 0.0, 60.0),
    (300.0, 1.6, 220.0), (360.0, 0.0, 220.0), (240.0, 2.0, 110.0), (900.0, 0.0, 0.0),
)  # fmt: skip
LONGEST_S = 3600.0
ABSORBERS = 20
NEAR = 0.03  # of the power


@jit
def truth_on(
    state: Floats, parameters: Floats, heat_w: float, fan: float, ambient: float, seconds: float
) -> None:
    """The simulator's rotor moved on in steps of 25 ms."""
    steps = round(seconds / 0.025)
    for _ in range(steps):
        heat_step(state, parameters, heat_w, fan, ambient, seconds / steps)


@jit
def truth_to_limit(
    state: Floats, parameters: Floats, heat_w: float, limit: float, ambient: float, most: float
) -> float:
    """True seconds until the skin is at the limit; inf beyond `most`."""
    now = 0.0
    while now < most:
        if state[at.A_SKIN] >= limit:
            return now
        heat_step(state, parameters, heat_w, 1.0, ambient, 0.025)
        now += 0.025
    return math.inf


class TrueRotor:
    """One simulated rotor with its sensor and the noise of the measured power."""

    def __init__(self, state: Floats, parameters: Floats, rng: np.random.Generator) -> None:
        self.state, self.parameters, self.rng = state, parameters, rng

    @property
    def skin_k(self) -> float:
        return float(self.state[at.A_SKIN])

    @property
    def sensor_k(self) -> float:
        seen = 0.75 * self.state[at.A_SKIN] + 0.25 * self.state[at.A_BULK]
        return float(seen + self.rng.normal(0.0, SENSOR_NOISE_K))

    def work(
        self,
        seconds: float,
        power_w: float,
        radps: float,
        fan: bool,
        observers: tuple[tuple[RotorObserver, bool], ...],
    ) -> list[tuple[float, ...]]:
        """Let it work; each observer sees the measured power, and the sensor if its flag says so.

        Returns the errors of the estimates, K, one row per turn.
        """
        errors: list[tuple[float, ...]] = []
        self.state[at.A_SPEED] = radps
        for _ in range(round(seconds / TURN_S)):
            truth_on(self.state, self.parameters, power_w, 1.0 if fan else 0.0, AMBIENT_K, TURN_S)
            told = power_w * (1.0 + self.rng.normal(0.0, POWER_NOISE))
            for observer, sensed in observers:
                observer.predict(TURN_S, told, radps, fan, AMBIENT_K)
                if sensed:
                    observer.correct(self.sensor_k, TURN_S)
            errors.append(tuple(observer.rim_k - self.skin_k for observer, _ in observers))
        return errors


def rotors(seed: int, count: int) -> list[TrueRotor]:
    """`count` different rotors, four per drawn rig."""
    found: list[TrueRotor] = []
    number = 0
    while len(found) < count:
        number += 1
        world = World(random_absorbers(seed * 1000 + number), seed)
        for index in range(len(world.absorbers)):
            state = world.absorbers[index]
            state[[at.A_SKIN, at.A_BULK, at.A_HUB]] = AMBIENT_K
            rng = np.random.default_rng([seed, number, index, 5])
            found.append(TrueRotor(state, world.absorber_parameters[index], rng))
    return found[:count]


def fresh() -> RotorObserver:
    return RotorObserver(model_of(HEAT), AMBIENT_K, None, HEAT.sensor_share)


def learn(rotor: TrueRotor) -> RotorMemory:
    """The prescribed learning run, about 55 minutes; no work above the warning temperature."""
    observer = fresh()
    guess = model_of(HEAT).vector()
    for seconds, share, radps in LEARNING:
        power = share * float(sustainable_power(guess, HEAT.limit_k, radps, True, AMBIENT_K))
        fan = True
        for _ in range(round(seconds / 10.0)):
            if observer.sensed_k > HEAT.warn_k:
                power = 0.0
            if radps == 0.0 and observer.sensed_k < HEAT.after_run_k:
                fan = False
            rotor.work(10.0, power, radps, fan, ((observer, True),))
    return observer.memory()


def most_power(radps: float, rotor_k: float = 450.0) -> float:
    """What the described absorber can take at a speed, W."""
    return float(capacity(map_row(DESCRIBED), radps, rotor_k)) * radps


def draw_work(rng: np.random.Generator) -> tuple[float, float]:
    """Random power and speed within what the absorber can do."""
    radps = float(rng.uniform(60.0, 250.0))
    return float(rng.uniform(0.25, 0.9)) * most_power(radps), radps


def rule_of_thumb(power_w: float, radps: float, worked_j: float) -> float:
    """Headroom by rating: the described rotor stores what exceeds its continuous rating.

    No source: common practice with a catalogue's rating and a rotor's weight.
    """
    rating = float(sustainable_power(model_of(HEAT).vector(), HEAT.limit_k, 130.0, True, 293.15))
    store = HEAT.mass_kg * float(specific_heat(473.15)) * (HEAT.limit_k - 293.15) - worked_j
    over = power_w - rating
    return store / over if over > 0.0 else LONGEST_S


def cases(rotor: TrueRotor, memory: RotorMemory, count: int) -> list[dict[str, float]]:
    """Duty cycles on one rotor, and what was said against what was true."""
    rows: list[dict[str, float]] = []
    rng = rotor.rng
    redrawn = 0
    while len(rows) < count and redrawn < 20 * count:
        rotor.state[[at.A_SKIN, at.A_BULK, at.A_HUB]] = AMBIENT_K
        seen = RotorObserver(model_of(HEAT), AMBIENT_K, memory, HEAT.sensor_share)
        blind = RotorObserver(model_of(HEAT), AMBIENT_K, memory, HEAT.sensor_share)
        naive = fresh()
        for one in (seen, blind):
            one.x[:3] = AMBIENT_K
        watchers = ((seen, True), (blind, False), (naive, False))
        cycles = int(rng.integers(0, 4))
        for _ in range(cycles):  # what came before
            power, radps = draw_work(rng)
            for _ in range(int(rng.integers(2, 10))):
                if rotor.skin_k < HEAT.warn_k:
                    rotor.work(20.0, power, radps, True, watchers)
            rotor.work(float(rng.integers(2, 20)) * 20.0, 0.0, float(rng.uniform(0, 150)), True,
                       watchers)  # fmt: skip
        power, radps = draw_work(rng)
        before = rotor.state.copy()
        rotor.state[at.A_SPEED] = radps
        if not truth_to_limit(
            rotor.state, rotor.parameters, power, HEAT.limit_k, AMBIENT_K, LONGEST_S
        ) > 80.0 or math.isinf(
            truth_to_limit(
                _put(rotor, before, radps), rotor.parameters, power, HEAT.limit_k, AMBIENT_K,
                LONGEST_S,
            )
        ):  # fmt: skip
            redrawn += 1
            continue
        # Near what it takes for ever 3 % of power decides between a time and never.
        near = math.isinf(
            truth_to_limit(
                _put(rotor, before, radps), rotor.parameters, (1.0 - NEAR) * power, HEAT.limit_k,
                AMBIENT_K, LONGEST_S,
            )
        )  # fmt: skip
        _put(rotor, before, radps)
        rotor.work(60.0, power, radps, True, watchers)
        work = (HEAT.limit_k, power, radps, True, AMBIENT_K, 2 * LONGEST_S)
        said = {
            "seen": seen.headroom(*work), "blind": blind.headroom(*work),
            "naive": naive.headroom(*work),
        }  # fmt: skip
        true = truth_to_limit(
            rotor.state, rotor.parameters, power, HEAT.limit_k, AMBIENT_K, LONGEST_S
        )
        row = {"true_s": true, "power_w": power, "radps": radps, "redrawn": float(redrawn)}
        row["cold"] = float(cycles == 0)
        row["near"] = float(near)
        for name, answer in said.items():
            row[name] = 100.0 * abs(min(answer.seconds, 2 * LONGEST_S) / true - 1.0)
            row[f"{name}_inside"] = float(answer.low_s <= true <= answer.high_s)
            row[f"{name}_s"] = answer.seconds
            row[f"{name}_low_s"] = answer.low_s
        thumb = rule_of_thumb(power, radps, 60.0 * power)
        row["thumb"] = 100.0 * abs(thumb / true - 1.0)
        rows.append(row)
        redrawn = 0
    return rows


def _put(rotor: TrueRotor, state: Floats, radps: float) -> Floats:
    rotor.state[:] = state
    rotor.state[at.A_SPEED] = radps
    return rotor.state


def guarded(rotor: TrueRotor, memory: RotorMemory | None, sensed: bool, seconds: float) -> float:
    """Full load asked for `seconds`; the worst excess over the limit, K (negative: below it)."""
    rotor.state[[at.A_SKIN, at.A_BULK, at.A_HUB]] = AMBIENT_K
    observer = RotorObserver(model_of(HEAT), AMBIENT_K, memory, HEAT.sensor_share)
    observer.x[:3] = AMBIENT_K
    guard = ThermalLimiter(HEAT)
    radps = float(rotor.rng.uniform(80.0, 220.0))
    asked = 0.9 * most_power(radps)
    share, worst, power = 1.0, -math.inf, 0.0
    for _ in range(round(seconds / TURN_S)):
        sensor = rotor.sensor_k if sensed else math.nan
        cap = guard.judge(observer, radps, True, AMBIENT_K, power, sensor)
        goal = min(1.0, cap.power_w / asked)
        share += min(
            max(goal - share, -TURN_S / 5.0), TURN_S / 5.0
        )  # as control.load_loop.loop slews it
        power = share * asked
        rotor.work(TURN_S, power, radps, True, ((observer, sensed),))
        worst = max(worst, rotor.skin_k - HEAT.limit_k)
    return worst


def times_permitted(rotor: TrueRotor, memory: RotorMemory, count: int) -> list[dict[str, float]]:
    """Constant work from cold: true seconds to the limit beside those that the answer permits."""
    rows: list[dict[str, float]] = []
    lever = DESCRIBED.gear_ratio / RIG.roll_sets[-1].roll_radius_m
    for _ in range(count):
        power, radps = draw_work(rotor.rng)
        rotor.state[[at.A_SKIN, at.A_BULK, at.A_HUB]] = AMBIENT_K
        rotor.state[at.A_SPEED] = radps
        true = truth_to_limit(
            rotor.state, rotor.parameters, power, HEAT.limit_k, AMBIENT_K, LONGEST_S
        )
        if math.isfinite(true):
            work = (AMBIENT_K, power, radps / lever)
            rows.append(
                {
                    "radps": radps,
                    "true_s": true,
                    "naive_s": permitted(UNSENSED, None, *work),
                    "learned_s": permitted(UNSENSED, memory, *work),
                }
            )
    return rows


def temperature_errors(rotor: TrueRotor, memory: RotorMemory) -> list[tuple[float, ...]]:
    """Half an hour of random work and pauses: with sensor, learned without, neither."""
    rotor.state[[at.A_SKIN, at.A_BULK, at.A_HUB]] = AMBIENT_K
    seen = RotorObserver(model_of(HEAT), AMBIENT_K, memory, HEAT.sensor_share)
    blind = RotorObserver(model_of(HEAT), AMBIENT_K, memory, HEAT.sensor_share)
    for one in (seen, blind):
        one.x[:3] = AMBIENT_K
    errors: list[tuple[float, ...]] = []
    watchers = ((seen, True), (blind, False), (fresh(), False))
    for _ in range(10):
        power, radps = draw_work(rotor.rng)
        if rotor.skin_k > 0.95 * HEAT.limit_k:
            power = 0.0
        errors += rotor.work(60.0, power, radps, True, watchers)
        errors += rotor.work(120.0, 0.0, float(rotor.rng.uniform(0, 100)), True, watchers)
    return errors


def chain(seed: int, seconds: float) -> dict[str, Any]:
    """A whole rig: truck at full pedal against a hold; wire, core, guard; learned beforehand.

    Two of its rotors have a sensor, two have none. `ended`: why the hold ended before its time.
    """
    setup = random_absorbers(seed * 1000)
    world = World(setup, seed)
    records: dict[str, AbsorberMemory] = {}
    for index, absorber in enumerate(RIG.absorbers):
        state = world.absorbers[index]
        state[[at.A_SKIN, at.A_BULK, at.A_HUB]] = AMBIENT_K
        rng = np.random.default_rng([seed, index, 6])
        kept = learn(TrueRotor(state, world.absorber_parameters[index], rng))
        cold = msgspec.structs.replace(kept, rim_k=AMBIENT_K, body_k=AMBIENT_K, hub_k=AMBIENT_K)
        records[absorber.name] = AbsorberMemory(heat=RotorRecord(cold))
    virtual = VirtualRig(RIG, seed, Memory(absorbers=records), Plant(setup, seed))
    virtual.make_ready()
    driver = virtual.plant.driver
    driver.tell(pedal=0.4)
    places = [
        place for place, name in enumerate(virtual.plant.truth_names) if name.endswith("_skin_k")
    ]
    truth = virtual.plant.world.truth_row
    while truth[1] < 21.5 and virtual.plant.now_s < 120.0:
        virtual.advance()
    plan = SteadyHold(seconds=seconds, speed_mps=22.0, settle_s=5.0)
    virtual.ask(StartTest(0, HOLDER, "bench", plan))
    driver.tell(pedal=1.0)
    started, worst = virtual.plant.now_s, -math.inf
    while virtual.core.state is State.LOADED and virtual.plant.now_s < started + seconds + 30.0:
        virtual.advance_for(0.1)
        worst = max(worst, *(float(truth[place]) - HEAT.limit_k for place in places))
    errors = [
        virtual.core.heat.rim_k(index) - float(truth[place]) for index, place in enumerate(places)
    ]
    ended = [event.data.get("reason", "") for event in virtual.events if event.kind == "run-ended"]
    return {
        "overshoot_k": worst,
        "loaded_s": virtual.plant.now_s - started,
        "ended": str(ended[-1]) if ended else "",
        "estimate_errors_k": errors,
        "faults": sorted(
            {str(event.data["code"]) for event in virtual.events if event.kind == "fault"}
        ),
    }


def measure(options: Options) -> dict[str, Any]:
    """Everything; the quick form has fewer duty cycles per rotor and a shorter chain."""
    begun = time.perf_counter()
    per_rotor = 1 if options.quick else 8
    rows: list[dict[str, float]] = []
    over: dict[str, list[float]] = {"sensor": [], "learned": [], "neither": []}
    errors: list[tuple[float, ...]] = []
    lasting: list[dict[str, float]] = []
    for rotor in rotors(options.seed, ABSORBERS):
        memory = learn(rotor)
        rows += cases(rotor, memory, per_rotor)
        hard_s = 600.0 if options.quick else 1200.0
        over["sensor"].append(guarded(rotor, memory, True, hard_s))
        over["learned"].append(guarded(rotor, memory, False, hard_s))
        over["neither"].append(guarded(rotor, None, False, hard_s))
        errors += temperature_errors(rotor, memory)
        lasting += times_permitted(rotor, memory, 4 if options.quick else 30)
    rigs = [
        chain(options.seed + k, 240.0 if options.quick else 900.0)
        for k in range(1 if options.quick else 3)
    ]
    told = np.array(errors)
    result: dict[str, Any] = {
        "absorbers": ABSORBERS,
        "cases": len(rows),
        "median_error_pct": _middle(rows, "seen"),
        "worst_error_pct": _worst(rows, "seen"),
        "near_never_cases": sum(1 for row in rows if row["near"]),
        "worst_away_from_never_pct": _worst([row for row in rows if not row["near"]], "seen"),
        "near_never_above_low_end": sum(
            1 for row in rows if row["near"] and row["true_s"] >= row["seen_low_s"]
        ),
        "p90_error_pct": float(np.quantile([row["seen"] for row in rows], 0.9)),
        "without_sensor_median_pct": _middle(rows, "blind"),
        "without_sensor_worst_pct": _worst(rows, "blind"),
        "unlearned_median_pct": _middle(rows, "naive"),
        "unlearned_worst_pct": _worst(rows, "naive"),
        "rule_of_thumb_median_pct": _middle(rows, "thumb"),
        "rule_of_thumb_worst_pct": _worst(rows, "thumb"),
        "rule_of_thumb_cold_median_pct": _middle([row for row in rows if row["cold"]], "thumb"),
        "interval_coverage": float(np.mean([row["seen_inside"] for row in rows])),
        "true_headroom_median_s": float(np.median([row["true_s"] for row in rows])),
        "true_headroom_range_s": [
            min(row["true_s"] for row in rows), max(row["true_s"] for row in rows)
        ],
        "overshoot_k": max(
            *(max(each) for each in over.values()), *(rig["overshoot_k"] for rig in rigs)
        ),
        "overshoot_by_case_k": {name: max(each) for name, each in over.items()},
        "peak_below_limit_median_k": {
            name: -float(np.median(each)) for name, each in over.items()
        },
        "temperature_error_k": {
            name: {
                "rms": float(np.sqrt(np.mean(told[:, column] ** 2))),
                "worst": float(np.max(np.abs(told[:, column]))),
            }
            for column, name in enumerate(("sensor", "learned", "neither"))
        },
    }  # fmt: skip
    result |= suggestions_again(RIG, options.seed, 30 if options.quick else 500)
    result["permitted"] = of_margins(lasting)
    result["chain"] = rigs
    result["coil_error_k"] = coils(options.seed, 4 if options.quick else ABSORBERS, DESCRIBED)
    result["cost"] = heat_cost(RIG, 1000 if options.quick else 8000)
    result["redrawn"] = int(sum(row["redrawn"] for row in rows))
    if not options.quick:
        result["worst_cases"] = sorted(rows, key=lambda row: -row["seen"])[:5]
        result["worst_without_sensor"] = sorted(rows, key=lambda row: -row["blind"])[:5]
    result["wall_s"] = time.perf_counter() - begun
    return result


def _middle(rows: list[dict[str, float]], name: str) -> float:
    return float(np.median([row[name] for row in rows])) if rows else math.nan


def _worst(rows: list[dict[str, float]], name: str) -> float:
    return max(row[name] for row in rows)


if __name__ == "__main__":
    run_bench("heat", measure)
