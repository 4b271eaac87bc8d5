"""Standing, or sensor lost: cross-check of a roll set against the others.

Data flow: status and speed of every roll set -> a roll set whose edges stopped while another, that
turned at its speed, still turns -> suspect. daq.measure.speed.estimator judges by time and
possible braking, daq.measure.balance by torque; this is the third check. Called only when a wheel
is not plainly moving.
"""

from __future__ import annotations

ALONG = 0.15  # relative difference of speeds up to which two roll sets run together
RUNNING_MPS = 1.5
FORGET_S = 3.0


class CrossCheck:
    """Remembers which roll sets had the same speed a moment ago."""

    def __init__(self, count: int) -> None:
        self._together_s = [[float("-inf")] * count for _ in range(count)]
        self._count = count

    def running(self, now_s: float, speeds: list[float]) -> None:
        """All roll sets move: note which run together."""
        for one in range(self._count):
            for other in range(one + 1, self._count):
                a, b = speeds[one], speeds[other]
                if a > RUNNING_MPS and abs(a - b) < ALONG * max(a, b):
                    self._together_s[one][other] = now_s
                    self._together_s[other][one] = now_s

    def contradicts(self, now_s: float, one: int, speeds: list[float], moving: list[bool]) -> bool:
        """True when `one` claims to stand while a roll set that ran along with it runs on."""
        for other in range(self._count):
            if other == one or not moving[other] or speeds[other] < RUNNING_MPS:
                continue
            if (
                now_s - self._together_s[one][other] < FORGET_S
                and speeds[one] < 0.5 * speeds[other]
            ):
                return True
        return False
