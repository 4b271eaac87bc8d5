"""Controllers that know what nobody can measure: the bounds of bench.hold."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize

from bench.hold.cases import (
    AFTER_S,
    SETTLE_S,
    Figures,
    HoldCase,
    SpeedRecord,
    approach,
    in_fork,
    roll_speeds,
)
from bench.hold.edge_filter import EdgeFilter, warm
from bench.hold.pid import Answer, Bare
from daq.rig.description import Rig
from daq.wire.frames import Sample
from simulator.plant import Plant
from simulator.rig_and_truck import layout as at

Floats = npt.NDArray[np.float64]


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
