"""A minimal host for tests of the simulated rig: opens a session and sends set points."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

from daq.wire.codec import encode
from daq.wire.deframer import Deframer, Direction
from daq.wire.frames import AskIdentity, FromFrontEnd, Notice, Sample, SetPoint
from simulator.plant import Plant

FrameT = TypeVar("FrameT")


class Host:
    """Talks to a plant in virtual time and keeps every frame that it sent."""

    def __init__(self, plant: Plant, session: int = 7) -> None:
        self.plant = plant
        self.session = session
        self.sequence = 0
        self.frames: list[FromFrontEnd] = []
        self._deframer = Deframer(Direction.FROM_FRONT_END)
        self.counters = self._deframer.counters

    def open(self) -> None:
        self.plant.receive(encode(AskIdentity(self.session)))

    def send(self, amperes: Sequence[float], validity_ms: int = 100, fans: int = 3) -> None:
        self.sequence = (self.sequence + 1) & 0xFFFF
        steps = tuple(round(each * 100) for each in amperes)
        self.plant.receive(encode(SetPoint(self.session, self.sequence, validity_ms, fans, steps)))

    def run(self, seconds: float, amperes: Sequence[float] | None = None) -> list[FromFrontEnd]:
        """Advance; with `amperes` a set point goes out before each frame. Frames of this run."""
        first = len(self.frames)
        for _ in range(round(seconds / self.plant.world.period_s)):
            if amperes is not None:
                self.send(amperes)
            self.frames += self._deframer.feed(self.plant.advance())  # type: ignore[arg-type]
        return self.frames[first:]

    def of(self, kind: type[FrameT], since: int = 0) -> list[FrameT]:
        return [frame for frame in self.frames[since:] if isinstance(frame, kind)]

    @property
    def last(self) -> Sample:
        return self.of(Sample)[-1]

    def notices(self) -> list[tuple[int, int]]:
        return [(notice.code, notice.detail) for notice in self.of(Notice)]
