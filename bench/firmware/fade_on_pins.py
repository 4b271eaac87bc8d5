"""One host that falls silent: what the emulated chip's pins ask of the supplies from then on."""

from __future__ import annotations

import numpy as np

from daq.wire.codec import encode
from daq.wire.deframer import Deframer, Direction
from daq.wire.frames import AskIdentity, Permission, Sample, SetPoint
from simulator.emulated_plant import EmulatedPlant
from simulator.front_end.emulated_board import TICK_HZ

FULL_A, RAMP_S = 30.0, 3.0
_WATCHED_FRAMES = 150


def cut(plant: EmulatedPlant, random: np.random.Generator) -> float:
    """The largest error of the pins beside the ramp, A, after silence at a random moment."""
    session = int(random.integers(1, 1 << 32))
    deframer = Deframer(Direction.FROM_FRONT_END)
    plant.receive(encode(AskIdentity(session)))
    for sequence in range(1, int(random.integers(20, 120))):
        asked = tuple(int(each) for each in random.integers(0, 6001, 4))
        plant.receive(encode(SetPoint(session, sequence, 100, 3, asked)))
        plant.advance()
    begun_tick: int | None = None
    start: list[float] = []
    worst = 0.0
    for _ in range(60 + _WATCHED_FRAMES):
        for frame in deframer.feed(plant.advance()):
            if not isinstance(frame, Sample) or frame.permission != Permission.EASING:
                continue
            now = list(plant.board.answer["asked"])
            if begun_tick is None:
                begun_tick, start = frame.tick, now
                # From what flowed: forced by 60 A a coil moves 0.8 A from reading to reading.
                flowed = [min(step * 0.01, FULL_A) for step in frame.currents]
                moved = [abs(a - b) - 2.0 for a, b in zip(start, flowed, strict=True)]
                worst = max(worst, *moved, 0.0)
                continue
            fallen = FULL_A / RAMP_S * ((frame.tick - begun_tick) % (1 << 32)) / TICK_HZ
            due = [max(each - fallen, 0.0) for each in start]
            worst = max(worst, *(abs(a - b) for a, b in zip(now, due, strict=True)))
    return worst if begun_tick is not None else float("inf")
