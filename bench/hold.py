"""How well a speed is held when the driver disturbs it: `python -m bench.hold --json`.

Each case drives the simulated truck to a set speed at full pedal, holds it, and disturbs it. The
same disturbance meets three controllers on the same plant (same seed):

ours   the real chain and core over wire bytes;
bound  informed: the true speeds and the true tractive forces, late by the declared delay of the
       readings (daq.measure.speed.estimator.DELAY_S) and of the transport, the true torque curve
       and coil, the same current limits and frame rate; its numbers (feedback, coil time,
       look-ahead, derivative time) are optimised per case on the plant itself. It knows nothing of
       the future. `bound_edges` is the same but late only by the age of the newest tooth edge (1 to
       3 ms), as our own loop's speed is. Nothing can measure a tractive force that soon: it is a
       limit, not a rival. `bound_seen` is told no tractive force at all: it has the newest tooth
       edges, as we have, with exact teeth and the simulator's timing noise, a Kalman filter on
       them, and the true inertia, absorber forces and coils. It is what a controller that only sees
       edges could do if it knew its rig perfectly and were tuned for the very case;
pid    simple-pid per roll set on the measured speed, tuned after SIMC (Skogestad 2003) for an
       integrating process with the coil's lag and the declared delay; `pi` is its form without
       derivative, by the half rule.

What the actuators do beside it (`bench.support.effort`): in the three steady seconds before the
disturbance the standard deviation of each set point as a share of the supply's ceiling, that of
each coil current as a share of its continuous current, the share of set points that are zero though
their mean is above 10 % of the ceiling, and the total variation; the worst absorber counts.

Errors are of the true roll speed against its own mean before the disturbance, worst roll set, as a
share of the set speed. A lifted pedal lets the truck slow down whatever a brake does, and so does a
gear shift without torque: there even the bound has a large peak. `over_pct` is the part above the
set point (for `lift` the pedal comes back after 1 s), `avoidable` the peak beyond `bound_edges`.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize
from simple_pid import PID

from api.rehearsal.virtual_rig import HOLDER, VirtualRig
from bench.support.common import Options, run_bench
from bench.support.edge_filter import EdgeFilter, warm
from bench.support.effort import Effort
from control.absorber.map import map_row, torque_at
from control.core.commands import StartTest
from control.test_kinds.plans import SteadyHold
from daq.measure.chain import Chain
from daq.measure.speed.estimator import DELAY_S
from daq.rig.description import Rig, load_rig
from daq.wire.codec import encode
from daq.wire.deframer import Deframer, Direction
from daq.wire.frames import AskIdentity, Hello, Sample, SetPoint
from simulator.plant import Plant
from simulator.rig_and_truck import layout as at
from simulator.rig_and_truck.driver import Moment, TransferCase

Floats = npt.NDArray[np.float64]
Figures = dict[str, float]
RIG_FILE = Path(__file__).resolve().parents[1] / "rigs" / "tarnhow.toml"
LEARN_S = 15.0
SETTLE_S = 8.0
STEADY_S = 3.0
AFTER_S = 3.5
BAND = 0.001


class HoldCase(msgspec.Struct, frozen=True):
    name: str
    speed_kmh: float
    gear: int
    case: TransferCase
    event: str  # drop | lift | shift

    @property
    def speed_mps(self) -> float:
        return self.speed_kmh / 3.6

    def script(self) -> list[Moment]:
        if self.event == "drop":
            return [Moment(0.0, pedal=1.0), Moment(0.2, pedal=0.6)]
        if self.event == "lift":
            return [
                Moment(0.0, pedal=1.0),
                Moment(0.3, pedal=0.0),
                Moment(1.3, pedal=0.0),
                Moment(1.6, pedal=1.0),
            ]
        return [Moment(0.0, gear=self.gear + 1)]


def cases(quick: bool) -> list[HoldCase]:
    found = []
    for speed_kmh, gear in ((30.0, 5), (100.0, 4)):
        for case in (TransferCase.LOCKED, TransferCase.OPEN):
            for event in ("drop", "lift", "shift"):
                if quick and (case is TransferCase.OPEN or event != "drop"):
                    continue
                name = f"{event} at {speed_kmh:.0f} km/h, transfer case {case.name.lower()}"
                found.append(HoldCase(name, speed_kmh, gear, case, event))
    return found


class SpeedRecord:
    """True roll speeds of one run, frame by frame, around the disturbance."""

    def __init__(self, speed_mps: float) -> None:
        self.speed_mps = speed_mps
        self.before: list[tuple[float, float]] = []
        self.after: list[tuple[float, float]] = []

    def figures(self, frame_s: float) -> Figures:
        before = np.array(self.before)
        means = before.mean(axis=0)
        error = (np.array(self.after) - means) / self.speed_mps
        over = float(error.max())
        dip = float(-error.min())
        outside = np.nonzero(np.abs(error).max(axis=1) > BAND)[0]
        apart = np.abs(error[:, 0] - error[:, 1]) * self.speed_mps * 3.6
        return {
            "peak_pct": 100.0 * max(over, dip),
            "over_pct": 100.0 * over,
            "dip_pct": 100.0 * dip,
            "settled_s": float((outside[-1] + 1) * frame_s) if len(outside) else 0.0,
            "steady_std_pct": 100.0 * float(before.std(axis=0).max()) / self.speed_mps,
            "apart_kmh": float(apart.max()),
        }


def roll_speeds(plant: Plant) -> tuple[float, float]:
    rolls = plant.world.rolls
    return float(rolls[0, at.R_SPEED]), float(rolls[1, at.R_SPEED])


def approach(plant: Plant, case: HoldCase) -> None:
    plant.driver.tell(pedal=1.0, gear=case.gear, case=case.case)


def learn_teeth(plant: Plant, case: HoldCase, advance: Callable[[], object]) -> None:
    """Tooth wheels are learned while nothing holds the rolls; a rig in use did it long ago."""
    plant.driver.tell(pedal=0.3, gear=4, case=TransferCase.LOCKED)
    plant.driver.drive_at = lambda _now_s: 15.0
    until = plant.now_s + LEARN_S
    while plant.now_s < until:
        advance()
    plant.driver.tell(pedal=0.0, brake=0.3)
    while roll_speeds(plant)[1] > case.speed_mps - 2.0:
        advance()


# ---- ours ----------------------------------------------------------------------------------


def ours(case: HoldCase, rig: Rig, seed: int) -> Figures:
    virtual = VirtualRig(rig, seed)
    virtual.make_ready()
    plant = virtual.plant
    learn_teeth(plant, case, virtual.advance)
    approach(plant, case)
    while roll_speeds(plant)[1] < case.speed_mps - 1.0:
        virtual.advance()
    virtual.ask(StartTest(0, HOLDER, "bench", SteadyHold(seconds=600.0, speed_mps=case.speed_mps)))
    virtual.advance_for(SETTLE_S)
    trace = SpeedRecord(case.speed_mps)
    steady, event = Effort(rig), Effort(rig)
    for _ in range(round(STEADY_S * rig.frame_hz)):
        virtual.advance()
        trace.before.append(roll_speeds(plant))
        steady.note(plant)
    plant.driver.follow(case.script(), plant.now_s)
    for _ in range(round(AFTER_S * rig.frame_hz)):
        virtual.advance()
        trace.after.append(roll_speeds(plant))
        event.note(plant)
    if virtual.core.state != "loaded":
        raise RuntimeError(f"{case.name}: {virtual.core.telemetry().first_cause or 'no load'}")
    after = event.figures()["total_variation_a_per_s"]
    figures = trace.figures(1.0 / rig.frame_hz) | steady.figures()
    return figures | {"total_variation_after_a_per_s": after}


# ---- a bare loop for the other two ------------------------------------------------------------


class Bare:
    """Plant and wire without our core: a controller gives four set points per frame."""

    def __init__(self, rig: Rig, seed: int) -> None:
        self.rig = rig
        self.plant = Plant(seed=seed)
        self.sequence = 0
        self.hello: Hello | None = None
        self.plant.receive(encode(AskIdentity(1)))
        deframer = Deframer(Direction.FROM_FRONT_END)
        for frame in deframer.feed(self.plant.advance()):
            if isinstance(frame, Hello):
                self.hello = frame

    def frame(self, currents_a: list[float] | None) -> Sample:
        if currents_a is not None:
            self.sequence = (self.sequence + 1) & 0xFFFF
            steps = tuple(int(min(max(a, 0.0), 60.0) * 100.0) for a in currents_a)
            self.plant.receive(encode(SetPoint(1, self.sequence, 100, 0, steps)))
        sample = self.plant.step()  # encoding the sample would change nothing
        if sample is None:
            raise RuntimeError("the simulated front end dropped a frame without being told to")
        return sample


Answer = Callable[[Sample], list[float]]


def _bare_run(bare: Bare, case: HoldCase, control: Answer, watch: Answer, chain: Chain) -> Figures:
    plant = bare.plant
    currents: list[float] | None = [0.0] * 4
    learn_teeth(plant, case, lambda: watch(bare.frame(currents)))
    chain.learn_teeth(False)
    approach(plant, case)
    while roll_speeds(plant)[1] < case.speed_mps - 1.0:
        watch(bare.frame(currents))
    trace = SpeedRecord(case.speed_mps)
    frames = round(SETTLE_S * bare.rig.frame_hz)
    steady = round(STEADY_S * bare.rig.frame_hz)
    after = round(AFTER_S * bare.rig.frame_hz)
    for k in range(frames + steady + after):
        if k == frames + steady:
            plant.driver.follow(case.script(), plant.now_s)
        sample = bare.frame(currents)
        currents = control(sample)
        if k >= frames + steady:
            trace.after.append(roll_speeds(plant))
        elif k >= frames:
            trace.before.append(roll_speeds(plant))
    return trace.figures(1.0 / bare.rig.frame_hz)


def pid(case: HoldCase, rig: Rig, seed: int, derivative: bool) -> Figures:
    """simple-pid per roll set, SIMC-tuned at the operating point from the rig file's numbers."""
    bare = Bare(rig, seed)
    if bare.hello is None:
        raise RuntimeError("the simulated front end did not greet")
    chain = Chain(rig, bare.hello)
    frame_s = 1.0 / rig.frame_hz
    loops: list[PID] = []
    clock = [0.0]
    for roll_set in rig.roll_sets:
        absorbers = rig.absorbers_of(roll_set.name)
        row = map_row(absorbers[0])
        lever = absorbers[0].gear_ratio / roll_set.roll_radius_m
        shaft = case.speed_mps * lever
        amps = 15.0
        above = torque_at(row, amps + 0.5, shaft, 293.15)
        slope = above - torque_at(row, amps - 0.5, shaft, 293.15)
        gain = len(absorbers) * slope * lever / roll_set.base_inertia_kg  # (m/s2) per A
        lag = absorbers[0].coil_lag_s
        dead = DELAY_S + 1.5 * frame_s
        if derivative:  # integrating with lag: series form, then parallel
            tuned = 1.0 / (gain * 2.0 * dead)
            reset = 8.0 * dead
            kp, ki, kd = tuned * (1.0 + lag / reset), tuned / reset, tuned * lag
        else:  # half rule: half of the lag counts as dead time
            dead += 0.5 * lag
            kp = 1.0 / (gain * 2.0 * dead)
            ki, kd = kp / (8.0 * dead), 0.0
        loop = PID(
            -kp, -ki, -kd, setpoint=case.speed_mps, sample_time=None, output_limits=(0.0, 60.0),
            differential_on_measurement=True, time_fn=lambda: clock[0],
        )  # fmt: skip
        loops.append(loop)

    def control(sample: Sample) -> list[float]:
        measured = chain.update(sample)
        clock[0] += frame_s
        currents = []
        for r, roll_set in enumerate(measured.roll_sets):
            amps = loops[r](roll_set.speed.value, dt=frame_s) or 0.0
            currents += [amps, amps]
        return currents

    def watch(sample: Sample) -> list[float]:
        chain.update(sample)
        return []

    return _bare_run(bare, case, control, watch, chain)


# ---- the informed bound --------------------------------------------------------------------------


class Informed:
    """True state, late by `delay_s`; knows coil, torque curve and inertia exactly."""

    def __init__(self, plant: Plant, speed_mps: float, delay_s: float, tuning: Floats) -> None:
        self.plant = plant
        self.speed_mps = speed_mps
        self.frame_s = plant.world.period_s
        self.late = delay_s / self.frame_s
        self.feedback, self.coil_s, self.ahead_s, self.slope_s = np.exp(tuning)
        self.history: list[tuple[float, float, float, float]] = []
        setup = plant.setup
        self.saturation = [one.saturation_a for one in setup.absorbers]
        self.roll = [one.roll for one in setup.absorbers]
        self.lag = [one.coil_lag_s for one in setup.absorbers]
        self.lever = [one.gear_ratio / setup.rolls[one.roll].radius_m for one in setup.absorbers]
        self.mass = [one.mass_kg for one in setup.rolls]
        self.slopes = [0.0, 0.0]

    def control(self) -> list[float]:
        rolls = self.plant.world.rolls
        now = (
            float(rolls[0, at.R_SPEED]), float(rolls[1, at.R_SPEED]),
            float(rolls[0, at.R_TRACTIVE]), float(rolls[1, at.R_TRACTIVE]),
        )  # fmt: skip
        self.history.append(now)
        whole = int(self.late)
        part = self.late - whole
        count = len(self.history)
        new = self.history[max(count - 1 - whole, 0)]
        old = self.history[max(count - 2 - whole, 0)]
        older = self.history[max(count - 3 - whole, 0)]
        seen = [a + part * (b - a) for a, b in zip(new, old, strict=True)]
        was = [a + part * (b - a) for a, b in zip(old, older, strict=True)]
        smooth = min(1.0, self.frame_s / self.slope_s)
        wanted_n = []
        for r in range(2):
            slope = (seen[2 + r] - was[2 + r]) / self.frame_s
            self.slopes[r] += smooth * (slope - self.slopes[r])
            force = seen[2 + r] + self.slopes[r] * self.ahead_s - float(rolls[r, at.R_LOSS])
            force += self.mass[r] * self.feedback * (seen[r] - self.speed_mps)
            wanted_n.append(max(force, 0.0))
        return self.currents(wanted_n, lead=1.0)

    def currents(self, wanted_n: list[float], lead: float) -> list[float]:
        """Currents to ask so that each roll set gets its force, from the true coils and fields."""
        absorbers = self.plant.world.absorbers
        currents = []
        for k in range(len(self.saturation)):
            a = absorbers[k]
            flux = float(a[at.A_FLUX])
            torque = float(a[at.A_TORQUE])
            want = wanted_n[self.roll[k]] / 2.0 / self.lever[k]
            # Torque per squared flux at this speed and temperature, from the true state.
            per = torque / _squared(flux, self.saturation[k]) if flux > 0.5 else math.nan
            if not per > 0.0:
                per = 1000.0 / _squared(30.0, self.saturation[k])
            y = math.sqrt(max(want - 4.0, 0.0) / per)
            s = self.saturation[k]
            target = y / max(1.0 - (y / s) ** 3, 0.05) ** (1.0 / 3.0)
            target = min(max(flux + lead * (target - flux), 0.0), 30.0)
            coil = float(a[at.A_CURRENT])
            currents.append(min(max(coil + self.lag[k] / self.coil_s * (target - coil), 0.0), 60.0))
        return currents


class Seen(Informed):
    """Sees tooth edges alone; all else of the rig it knows exactly."""

    def __init__(self, plant: Plant, speed_mps: float, tuning: Floats) -> None:
        super().__init__(plant, speed_mps, 0.0, tuning[:4])
        forces = plant.world.rolls[:, at.R_TRACTIVE]
        self.shares = [float(force / forces.sum()) for force in forces]
        self.filters = [EdgeFilter(plant, r, float(np.exp(tuning[4]))) for r in range(2)]

    def see(self, sample: Sample) -> list[float]:
        rolls = self.plant.world.rolls
        second = self.plant.setup.front_end.tick_hz
        mass_kg = sum(self.mass)
        drives, aheads, whole = [], [], 0.0
        for r in range(2):
            edges = sample.edges[r]
            age_s = ((sample.tick - edges[-1]) & 0xFFFFFFFF) / second if edges else 0.0
            speed, drive, rate = self.filters[r].update(len(edges), age_s)
            net = drive - float(rolls[r, at.R_LOSS]) - float(rolls[r, at.R_ABSORBER])
            drives.append(drive - float(rolls[r, at.R_LOSS]))
            aheads.append(speed + net / self.mass[r] * self.slope_s)
            whole += drives[r] + rate * self.ahead_s
        mean = sum(m * v for m, v in zip(self.mass, aheads, strict=True)) / mass_kg
        whole += mass_kg * self.feedback * (mean - self.speed_mps)
        # Shares slowly, as in control: a locked transfer case swings when each set meets its own.
        wanted = []
        for r in range(2):
            share = drives[r] / max(sum(drives), 1.0)
            self.shares[r] += (share - self.shares[r]) * self.frame_s / SHARE_S
            pull = self.mass[r] * self.feedback * (aheads[r] - mean)
            wanted.append(max(whole * self.shares[r] + pull, 0.0))
        return self.currents(wanted, lead=2.0)


def _squared(current_a: float, saturation_a: float) -> float:
    bend = (1.0 + (current_a / saturation_a) ** 3) ** (1.0 / 3.0)
    flux: float = current_a / bend
    return flux * flux


START = np.log([8.0, 0.02, 0.02, 0.01])
SHARE_S = 0.15
START_SEEN = np.log([40.0, 0.006, 0.012, 0.01, 300.0])


def in_fork(work: Callable[[], Figures]) -> Figures:
    """Run `work` in a fork of this process: it starts from the plant as it is and leaves it so."""
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        code = 1
        try:
            os.write(write, json.dumps(work()).encode())
            code = 0
        finally:
            os._exit(code)
    os.close(write)
    with os.fdopen(read, "rb") as pipe:
        told = pipe.read()
    os.waitpid(child, 0)
    figures: Figures = json.loads(told)
    return figures


def _informed_run(
    bare: Bare, case: HoldCase, answer: Answer, currents: list[float] | None
) -> Figures:
    trace = SpeedRecord(case.speed_mps)
    frame_hz = bare.rig.frame_hz
    before, after = round(1.0 * frame_hz), round(AFTER_S * frame_hz)
    for k in range(before + after):
        if k == before:
            bare.plant.driver.follow(case.script(), bare.plant.now_s)
        currents = answer(bare.frame(currents))
        (trace.before if k < before else trace.after).append(roll_speeds(bare.plant))
    # Only the last half second before counts as steady: the tuning has just changed.
    trace.before = trace.before[before // 2 :]
    return trace.figures(1.0 / frame_hz)


def bound(case: HoldCase, rig: Rig, seed: int, delay_s: float | None, tries: int) -> Figures:
    """Best of an informed controller over its tuning, by the peak of this very case.

    `delay_s`: how late it knows speeds and tractive forces; None: it sees tooth edges alone.
    """
    bare = Bare(rig, seed)
    plant = bare.plant
    approach(plant, case)
    currents: list[float] | None = [0.0] * 4
    while roll_speeds(plant)[1] < case.speed_mps - 0.3:
        bare.frame(currents)
    settled = Informed(plant, case.speed_mps, delay_s or 0.0, START)
    currents = settled.control()
    for _ in range(round((SETTLE_S - 1.0) * rig.frame_hz)):
        bare.frame(currents)
        currents = settled.control()

    if delay_s is None:  # compiled here and not anew in every fork
        warm()

    def run(tuning: Floats) -> Figures:
        def work() -> Figures:
            if delay_s is None:
                answer: Answer = Seen(plant, case.speed_mps, tuning).see
            else:
                informed = Informed(plant, case.speed_mps, delay_s, tuning)

                def answer(_sample: Sample) -> list[float]:
                    return informed.control()

            return _informed_run(bare, case, answer, currents)

        return in_fork(work)

    def cost(tuning: Floats) -> float:
        figures = run(tuning)
        restless = max(0.0, figures["steady_std_pct"] - 0.05)
        return figures["peak_pct"] + max(figures["over_pct"], 0.0) + 10.0 * restless

    start = START if delay_s is not None else START_SEEN
    aside = np.diag([0.7, -0.5, 0.5, -0.7, 1.5][: len(start)])
    best = minimize(
        cost, start, method="Nelder-Mead",
        options={"maxfev": tries, "initial_simplex": start + np.vstack([0.0 * start, aside]),
                 "xatol": 0.02, "fatol": 1e-4},
    )  # fmt: skip
    figures = run(best.x)
    for name, value in zip(("feedback_per_s", "coil_s", "ahead_s"), best.x, strict=False):
        figures[name] = float(np.exp(value))
    return figures


def edge_age(speed_mps: float, rig: Rig) -> float:
    """Mean age of the newest tooth edge at a frame: half the time between edges."""
    roll_set = rig.roll_sets[0]
    pitch = 2.0 * math.pi * roll_set.roll_radius_m / roll_set.teeth
    return 0.5 * pitch / speed_mps


def one(work: tuple[HoldCase, int, int]) -> dict[str, Any]:
    """All controllers on one case."""
    case, seed, tries = work
    rig = load_rig(RIG_FILE)
    mine = ours(case, rig, seed)
    edge = bound(case, rig, seed, edge_age(case.speed_mps, rig), tries)
    reported = bound(case, rig, seed, DELAY_S, tries)
    seen = bound(case, rig, seed, None, tries)
    plain = pid(case, rig, seed, True)
    simple = pid(case, rig, seed, False)
    return {
        "case": case.name,
        "ours": mine,
        "bound": reported,
        "bound_edges": edge,
        "bound_seen": seen,
        "pid": plain,
        "pi": simple,
        "peak_over_bound": mine["peak_pct"] / reported["peak_pct"],
        "peak_over_bound_edges": mine["peak_pct"] / edge["peak_pct"],
        "peak_over_bound_seen": mine["peak_pct"] / seen["peak_pct"],
        "pid_over_ours": plain["peak_pct"] / mine["peak_pct"],
        "pi_over_ours": simple["peak_pct"] / mine["peak_pct"],
        "avoidable_pid_over_ours": (plain["peak_pct"] - edge["peak_pct"])
        / max(mine["peak_pct"] - edge["peak_pct"], 1e-6),
    }


def measure(options: Options) -> dict[str, Any]:
    tries = 14 if options.quick else 40
    work = [(case, options.seed, tries) for case in cases(options.quick)]
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        rows = list(pool.map(one, work))
    return {
        "cases": rows,
        "worst_peak_over_bound": max(row["peak_over_bound"] for row in rows),
        "worst_peak_over_bound_edges": max(row["peak_over_bound_edges"] for row in rows),
        "worst_peak_over_bound_seen": max(row["peak_over_bound_seen"] for row in rows),
        "least_pid_over_ours": min(row["pid_over_ours"] for row in rows),
        "least_avoidable_pid_over_ours": min(row["avoidable_pid_over_ours"] for row in rows),
        "least_pi_over_ours": min(row["pi_over_ours"] for row in rows),
        "worst_steady_std_pct": max(row["ours"]["steady_std_pct"] for row in rows),
        "worst_set_point_sd_share": max(row["ours"]["set_point_sd_share"] for row in rows),
        "worst_set_point_zero_share": max(row["ours"]["set_point_zero_share"] for row in rows),
        "worst_coil_sd_share": max(row["ours"]["coil_sd_share"] for row in rows),
        "total_variation_a_per_s": max(row["ours"]["total_variation_a_per_s"] for row in rows),
        "worst_apart_kmh": max(row["ours"]["apart_kmh"] for row in rows),
    }


if __name__ == "__main__":
    run_bench("hold", measure)
