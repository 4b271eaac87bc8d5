"""The cases of bench.hold, the way to each, and the true speeds around its disturbance."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path

import msgspec
import numpy as np

from simulator.plant import Plant
from simulator.rig_and_truck import layout as at
from simulator.rig_and_truck.driver import Moment, TransferCase

Figures = dict[str, float]
RIG_FILE = Path(__file__).resolve().parents[2] / "rigs" / "tarnhow.toml"
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
