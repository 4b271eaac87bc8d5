"""Did a sample wait on its way to the step? What waited shows a rig that has moved on since.

Data flow: device time of a sample and host time of its step -> `old`, `past`, `behind`. The least
difference of the two clocks is a sample that did not wait; it is followed as the clocks drift. A
loop that stood still, a line that held its bytes back and a loop that falls behind all show in it,
and nobody has to know which it was.
"""

from __future__ import annotations

import math

OLD_S = 0.03  # no set point comes of a sample that waited longer; the next one is on its way
PAST_S = 0.1  # ... and one that waited longer than this is from before a gap
# So long samples may stay old without becoming younger: a loop that falls behind ...
BEHIND_S = 0.1
APART_S = 0.5  # ... and after this it is the clocks that have moved apart
DRIFT = 2e-4  # of two ordinary quartzes, host's and front end's, apart


class SampleAge:
    """The two clocks of one session."""

    def __init__(self) -> None:
        self.restart()

    def restart(self) -> None:
        """Device time begins afresh: the next sample counts as one that did not wait."""
        self._least_s = math.inf
        self._lag_s = 0.0
        self._now_s: float | None = None
        self._stays_s = 0.0
        self._age_s = 0.0

    @property
    def old(self) -> bool:
        """The newest sample shows what was."""
        return self._age_s > OLD_S

    @property
    def past(self) -> bool:
        """It waited for so long that set points have lapsed meanwhile."""
        return self._age_s > PAST_S

    @property
    def behind(self) -> bool:
        """Samples are past, or stay old: this loop does not keep up."""
        return self.past or self._stays_s > BEHIND_S

    def take(self, time_s: float, now_s: float) -> None:
        """A sample of device time `time_s`, stepped at `now_s`."""
        lag_s = now_s - time_s
        passed_s = now_s - self._now_s if self._now_s is not None else 0.0
        fell_s = self._lag_s - lag_s
        self._now_s, self._lag_s = now_s, lag_s
        self._least_s = min(self._least_s + DRIFT * passed_s, lag_s)
        self._age_s = lag_s - self._least_s
        if not self.old:
            self._stays_s = 0.0
            return
        # A gap between two steps is no time in which samples could have become younger.
        self._stays_s = max(self._stays_s + min(passed_s, OLD_S) - max(fell_s, 0.0), 0.0)
        if self._stays_s > APART_S:
            self._least_s = lag_s
            self._stays_s = self._age_s = 0.0
