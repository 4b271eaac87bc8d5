"""Standstill, defined once: when the rolls are at rest, and when a coil carries no current.

Data flow: speed and edge age of the tooth wheels, supply currents -> RestDetector -> zeros and
drift of the load cells (daq.measure.force.zero). Others use the two limits. Limits: common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence

from daq.errors import Refused
from daq.measure.speed.estimator import STANDING_AFTER_S
from daq.texts.message import say

REST_MPS = 0.05  # slower rolls are at rest: friction holds them
NO_CURRENT_A = 0.5  # a supply reports such an offset with its output off
RESTED_S = 2.0  # at rest without current for so long before a zero is taken


class RestDetector:
    """Since when all rolls are at rest and no coil carries current."""

    def __init__(self, roll_sets: Sequence[str]) -> None:
        self._names = tuple(roll_sets)
        self._since_s: float | None = None
        self._current = False

    def update(self, now_s: float, speeds_mps: Sequence[float], ages_s: Sequence[float]) -> None:
        """Speed and age of the newest edge of every roll set, at device time `now_s`."""
        if (
            not self._current
            and max(speeds_mps) < REST_MPS
            and all(age > STANDING_AFTER_S for age in ages_s)
        ):
            if self._since_s is None:
                self._since_s = now_s
        else:
            self._since_s = None

    def current(self, flows: bool) -> None:
        """Whether any coil carries current in this frame."""
        self._current = flows
        if flows:
            self._since_s = None

    def rested(self, now_s: float) -> bool:
        """At rest without current for RESTED_S."""
        return self._since_s is not None and now_s - self._since_s >= RESTED_S

    def require(
        self, now_s: float, speeds_mps: Sequence[float], known: Sequence[bool], flows: bool
    ) -> None:
        """Raise Refused unless `rested`; `known`: whether each roll set's speed is known."""
        for name, speed_mps, is_known in zip(self._names, speeds_mps, known, strict=True):
            if not is_known:
                raise Refused(
                    say("it-is-not-known-yet-that", roll_set=name),
                    say("wait-two-seconds-with-rolls-at"),
                    "speed-not-known",
                )
            if not speed_mps < REST_MPS:
                raise Refused(
                    say("roll-set-is-turning", roll_set=name),
                    say("stop-rolls-even-without-current-turning"),
                    "rolls-turning",
                )
        if flows:
            raise Refused(say("coil-carries-current"), say("wait-until-it-is-off"), "current-on")
        if not self.rested(now_s):
            raise Refused(
                say("rolls-have-not-rested-without-current"),
                say("wait-three-seconds-with-rolls-at"),
                "zero-not-at-rest",
            )
