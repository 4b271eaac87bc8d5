"""Load-cell zeros: counts averaged over half a second at rest, then handed to the chain.

Data flow: ZeroCells -> Zeroing.begin -> counts of the sample frames -> zeros and the answer.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from control.core import command_handlers
from control.core.commands import Answer, ZeroCells
from control.telemetry import State
from daq.wire.frames import Sample

if TYPE_CHECKING:
    from control.core.core import Core

ZERO_TAKING_S = 0.5


class Zeroing:
    """One taking of zeros at a time."""

    def __init__(self) -> None:
        self._command: ZeroCells | None = None
        self._left_s = 0.0
        self._sums: list[float] = []
        self._n = 0

    @property
    def active(self) -> bool:
        return self._command is not None

    def begin(self, command: ZeroCells, count: int) -> None:
        """Start to average; `count` cells. The answer comes from `frame`."""
        self._command = command
        self._left_s = ZERO_TAKING_S
        self._sums = [0.0] * count
        self._n = 0

    def frame(self, core: Core, sample: Sample, dt_s: float) -> Answer | None:
        """One frame's counts; the answer when the zeros are taken, or when they cannot be."""
        command, chain = self._command, core.session.chain
        if command is None or chain is None:
            return None
        problem = command_handlers.why_not_zero(core)
        if problem is not None or core.state is not State.PARKED:
            self._command = None
            return command_handlers.refusal(command.id, problem or command_handlers.NOT_PARKED)
        for i, place in enumerate(core.session.cell_places):
            self._sums[i] += sample.counts[place]
        self._n += 1
        self._left_s -= dt_s
        if self._left_s > 0.0:
            return None
        self._command = None
        for absorber, total in zip(core.rig.absorbers, self._sums, strict=True):
            core.zeros[absorber.name] = total / self._n
            chain.set_zero(absorber.name, total / self._n)
        core.event("notice", "Load-cell zeros taken.", **{k: v for k, v in core.zeros.items()})
        return Answer(command.id, True)
