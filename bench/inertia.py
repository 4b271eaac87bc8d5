"""Base inertia and parasitic losses found on the simulated rig, against the truth it owns.

Rigs are drawn within the stated sigmas of the demo rig (roll radius, cell slope and zero, inertia,
losses). Their rolls, without a truck, are spun up and coast freely and under three absorber loads,
over the wire. Compared in the same run:

- fit: daq.proving.coast_fit, all coasts of a roll set together, whole turns of the tooth wheel;
- timed: the two-speed arithmetic of 40 CFR 1066.250 on the loaded coasts, with the loss of the rig
  file, from the live speed.

Limits beside them: 0.20 % of inertia (1066.250), 9.0 N of loss (1066.255).
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from bench.support.common import Options, run_bench
from daq.measure.chain import Chain
from daq.measure.speed.estimator import DELAY_S
from daq.proving.coast_fit import Coast, CoastFit, fit_coasts, whole_turns
from daq.proving.verification import base_inertia
from daq.rig.description import Rig, load_rig
from daq.wire.codec import encode
from daq.wire.deframer import Deframer
from daq.wire.frames import CURRENT_STEP_A, AskIdentity, Frame, Hello, Sample, SetPoint
from simulator.plant import Plant
from simulator.rig_and_truck.setup import tarnhow

Array = npt.NDArray[np.float64]
RIG_FILE = Path(__file__).parents[1] / "rigs" / "tarnhow.toml"
SESSION = 77
SETTLE_FRAMES = 250  # the estimators see a jump in speed when the rolls are spun up
SPEEDS_MPS = (8.0, 15.0, 28.0)
CASES = (  # start m/s, end m/s, current A
    (30.0, 24.0, 0.0),
    (14.0, 10.0, 0.0),
    (30.0, 6.0, 7.0),
    (30.0, 6.0, 10.0),
    (30.0, 6.0, 14.0),
)
QUICK_CASES = (
    (30.0, 27.0, 0.0),
    (12.0, 10.0, 0.0),
    (30.0, 14.0, 7.0),
    (30.0, 6.0, 10.0),
    (30.0, 6.0, 14.0),
)


class BareRolls:
    """The simulated rig without a truck, and just enough host to load its rolls and read them."""

    def __init__(self, rig: Rig, seed: int) -> None:
        self.rig = rig
        self.plant = Plant(tarnhow(seed), seed)
        self.plant.put_truck(False)
        self._deframer = Deframer()
        self._sequence = 0
        self.plant.receive(encode(AskIdentity(SESSION)))
        chain: Chain | None = None
        counts: list[tuple[int, ...]] = []
        while chain is None or len(counts) < 500:
            for frame in self._frames():
                if isinstance(frame, Hello) and frame.session == SESSION:
                    chain = Chain(rig, frame)
                    self._tick_hz = frame.tick_hz
                elif isinstance(frame, Sample) and chain is not None:
                    chain.update(frame)
                    counts.append(frame.counts)
        self._chain = chain
        names = [absorber.name for absorber in rig.absorbers]
        chain.restore_zeros(dict(zip(names, np.mean(counts, axis=0).tolist(), strict=True)))

    def _frames(self) -> list[Frame]:
        return list(self._deframer.feed(self.plant.advance()))

    def coast(self, start: float, end: float, current_a: float) -> tuple[list[Coast], list[Array]]:
        """One coast of all roll sets: per set the record, and the live speed on its force grid."""
        self.plant.spin(*(start for _ in self.rig.roll_sets))
        times: list[float] = []
        forces: list[list[float]] = []
        speeds: list[list[float]] = []
        sets = range(len(self.rig.roll_sets))
        edges: list[list[int]] = [[] for _ in sets]
        wanted = (round(current_a / CURRENT_STEP_A),) * len(self.rig.absorbers)
        frames = 0
        while not speeds or (speeds[-1][0] > end and frames < 100_000):
            self._sequence = (self._sequence + 1) & 0xFFFF
            self.plant.receive(encode(SetPoint(SESSION, self._sequence, 100, 0, wanted)))
            for frame in self._frames():
                if not isinstance(frame, Sample):
                    continue
                measured = self._chain.update(frame)
                frames += 1
                if frames < SETTLE_FRAMES:
                    continue
                times.append(measured.time_s - DELAY_S)
                forces.append([r.absorber_force.value for r in measured.roll_sets])
                speeds.append([r.speed.value for r in measured.roll_sets])
                now = round(measured.time_s * self._tick_hz)
                for wheel in sets:
                    edges[wheel].extend(
                        now - ((now - tick) & 0xFFFFFFFF) for tick in frame.edges[wheel]
                    )
        end_s = times[-1] - times[0]
        step = end_s / (len(times) - 1)
        found = []
        for wheel, roll_set in enumerate(self.rig.roll_sets):
            at = np.array(edges[wheel]) / self._tick_hz - times[0]
            at = at[(at >= 0) & (at <= end_s)]
            turns, travel = whole_turns(at, roll_set.teeth, 2 * math.pi * roll_set.roll_radius_m)
            found.append(Coast(step, np.array(forces)[:, wheel], turns, travel))
        return found, [np.array(speeds)[:, wheel] for wheel in sets]


def identify(rig: Rig, coasts: list[list[Coast]]) -> list[CoastFit]:
    """Inertia and loss of every roll set, with what the cells' calibration adds."""
    fits = []
    for wheel, roll_set in enumerate(rig.roll_sets):
        absorbers = rig.absorbers_of(roll_set.name)
        zero = math.hypot(
            *(
                a.cell.zero_sigma_n * a.arm_m * a.gear_ratio / roll_set.roll_radius_m
                for a in absorbers
            )
        )
        share = math.hypot(*(a.cell.relative_sigma / len(absorbers) for a in absorbers))
        fits.append(
            fit_coasts(
                [coast[wheel] for coast in coasts],
                roll_set.base_inertia_kg,
                force_relative_sigma=share,
                force_zero_sigma_n=zero,
            )
        )
    return fits


def timed(rig: Rig, wheel: int, coast: Coast, speed: Array) -> float:
    """Base inertia by two timed speeds and the mean force between them, kg."""
    a, b, c = rig.roll_sets[wheel].loss_n
    force = float(np.mean(coast.force_n + a + speed * (b + speed * c)))
    return base_inertia(force, speed[0], speed[-1], coast.step_s * (len(speed) - 1))


def measure(options: Options) -> dict[str, Any]:
    rig = load_rig(RIG_FILE)
    rigs = 2 if options.quick else 12
    cases = QUICK_CASES if options.quick else CASES
    inertia: list[float] = []
    losses: list[float] = []
    simple: list[float] = []
    ratios: list[float] = []
    for number in range(rigs):
        rolls = BareRolls(rig, options.seed * 1000 + number)
        records = [rolls.coast(*case) for case in cases]
        fits = identify(rig, [coasts for coasts, _ in records])
        for wheel, fit in enumerate(fits):
            true = rolls.plant.setup.rolls[wheel]
            inertia.append(100 * (fit.inertia_kg / true.mass_kg - 1))
            # the stated radius enters the identified inertia squared
            radius = 2 * rig.roll_sets[wheel].roll_radius_sigma_m / true.radius_m
            ratios.append(
                (fit.inertia_kg - true.mass_kg)
                / math.hypot(fit.inertia_sigma_kg, radius * true.mass_kg)
            )
            a, b, c = true.loss_n
            losses.extend(fit.loss(v) - (a + b * v + c * v * v) for v in SPEEDS_MPS)
            for (coasts, speeds), case in zip(records, cases, strict=True):
                if case[2] > 0:
                    one = timed(rig, wheel, coasts[wheel], speeds[wheel])
                    simple.append(100 * (one / true.mass_kg - 1))
    return {
        "rigs": rigs,
        "roll_sets": len(inertia),
        "fit": {
            "inertia_error_rms_pct": float(np.sqrt(np.mean(np.square(inertia)))),
            "inertia_error_worst_pct": float(np.max(np.abs(inertia))),
            "loss_error_rms_n": float(np.sqrt(np.mean(np.square(losses)))),
            "loss_error_worst_n": float(np.max(np.abs(losses))),
            "error_over_sigma_rms": float(np.sqrt(np.mean(np.square(ratios)))),
        },
        "timed": {
            "inertia_error_rms_pct": float(np.sqrt(np.mean(np.square(simple)))),
            "inertia_error_worst_pct": float(np.max(np.abs(simple))),
        },
        "limit": {"inertia_mean_pct": 0.20, "inertia_single_pct": 1.0, "loss_n": 9.0},
    }


if __name__ == "__main__":
    run_bench("inertia", measure)
