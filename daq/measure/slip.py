"""Tyre slip on the rolls, detected from readings: one flag per frame, debounced.

Data flow: slip by the learned ratio and the difference of roll sets (daq.measure.engine_speed) ->
this -> `Measured.tyre_slip` -> a notice while it happens (control.safety.fault_detection), a column
and a flag with where it began in the result (daq.results.flags).

The ratio alone cannot tell a slipping tyre from an open converter or another gear: a change beyond
what tyres do is taken for the gearbox and is not called slip. Limits: common practice, no source.
"""

from __future__ import annotations

from daq.readings import Quality, Reading

SLIP = 0.02  # of the ratio of the locked gear
GEARBOX = 0.12  # beyond it the gear or the converter changed
ROLL_DIFFERENCE = 0.05  # of the speed of the roll sets
DEBOUNCE_S = 0.2  # so long before it is flagged, and so long without it before it is not
_GOOD = Quality.GOOD


class SlipDetector:
    """Remembers since when the readings say slip, and since when they do not."""

    def __init__(self) -> None:
        self._on_s: float | None = None
        self._off_s: float | None = None
        self.slipping = False

    def update(self, slip: Reading, difference: Reading, time_s: float) -> bool:
        """One frame at device time `time_s`; True while tyres slip."""
        value, spread = slip.value, difference.value
        slips = (
            slip.quality is _GOOD and (SLIP < value < GEARBOX or -GEARBOX < value < -SLIP)
        ) or (difference.quality is _GOOD and spread > ROLL_DIFFERENCE)
        if slips == self.slipping:
            self._on_s = self._off_s = None
            return slips
        if slips:
            if self._on_s is None:
                self._on_s = time_s
            if time_s - self._on_s >= DEBOUNCE_S:
                self.slipping, self._on_s = True, None
        else:
            if self._off_s is None:
                self._off_s = time_s
            if time_s - self._off_s >= DEBOUNCE_S:
                self.slipping, self._off_s = False, None
        return self.slipping
