"""The loop measures itself: beat to beat time, overruns, and the name of whatever made it late.

Data flows: the loop process calls `beat` at each sample frame and `ran` after each piece of work;
telemetry carries `health`. Times are host monotonic seconds given by the caller.
"""

from __future__ import annotations

import math

import msgspec
import numpy as np

from control.telemetry import LoopHealth

WINDOW = 5000  # beats kept for the percentiles
_REFRESH_S = 1.0  # percentiles are worked out this often, not at each telemetry


class Late(msgspec.Struct, frozen=True):
    """One overrun: how long after the last beat, and the longest work since then."""

    gap_s: float
    work: str
    work_s: float


class LoopTiming:
    """Periods of a loop that should beat every `period_s`."""

    def __init__(self, period_s: float) -> None:
        self._period_s = period_s
        self._gaps = np.zeros(WINDOW)
        self._count = 0
        self._last_s = math.nan
        self._max_s = 0.0
        self._longest_work = ""
        self._longest_s = 0.0
        self._p50_ms = math.nan
        self._p99_ms = math.nan
        self._worked_out_s = -math.inf
        self.overruns = 0

    def restart(self) -> None:
        """Forget the worst period: a run begins, or the warm-up is over."""
        self._count = 0
        self._max_s = 0.0
        self._last_s = math.nan
        self._worked_out_s = -math.inf

    def pause(self) -> None:
        """The link went down: the next beat has no predecessor."""
        self._last_s = math.nan

    def beat(self, now_s: float) -> Late | None:
        """A sample frame is about to be handled. Returns the overrun when it is a late one."""
        gap = now_s - self._last_s
        self._last_s = now_s
        if math.isnan(gap):
            self._longest_s = 0.0
            return None
        self._gaps[self._count % WINDOW] = gap
        self._count += 1
        self._max_s = max(self._max_s, gap)
        late = None
        if gap > 2.0 * self._period_s:  # a whole beat missed
            self.overruns += 1
            late = Late(gap, self._longest_work or "waiting for frames", self._longest_s)
        self._longest_work = ""
        self._longest_s = 0.0
        return late

    def ran(self, work: str, took_s: float) -> None:
        """A piece of work ended; the longest since the last beat is named when a beat is late."""
        if took_s > self._longest_s:
            self._longest_s = took_s
            self._longest_work = work

    @property
    def max_ms(self) -> float:
        """The worst period since `restart`, NaN before the second beat."""
        return self._max_s * 1e3 if self._count else math.nan

    def fill(self, health: LoopHealth, now_s: float) -> LoopHealth:
        """`health` with this pulse's figures in it."""
        if now_s - self._worked_out_s >= _REFRESH_S and self._count:
            gaps = self._gaps[: min(self._count, WINDOW)]
            low, high = np.percentile(gaps, (50.0, 99.0))
            self._p50_ms, self._p99_ms = float(low) * 1e3, float(high) * 1e3
            self._worked_out_s = now_s
        return msgspec.structs.replace(
            health,
            period_p50_ms=self._p50_ms,
            period_p99_ms=self._p99_ms,
            period_max_ms=self.max_ms,
            overruns=self.overruns,
        )
