"""Which fans shall run: all under load and for a while after it, then those of hot rotors.

Data flow: state, time and hot rotors -> bits of the set point's digital outputs, and names for
fans that are not driven by the front end.
"""

from __future__ import annotations

from daq.rig.description import Rig

AFTER_RUN_S = 120.0  # fans run on after load


class FanControl:
    """Remembers until when all fans run."""

    def __init__(self, rig: Rig) -> None:
        self._names = tuple(dict.fromkeys(one.fan for one in rig.absorbers if one.fan))
        self._until_s = 0.0
        self._hot_bits = 0

    def load_ended(self, time_s: float) -> None:
        self._until_s = time_s + AFTER_RUN_S

    def hot(self, bits: int) -> None:
        """Fans of rotors above their after-run temperature."""
        self._hot_bits = bits

    def bits(self, under_load: bool, time_s: float | None, all_fans: int) -> int:
        """Digital outputs; `time_s` is None before the first frame."""
        if under_load:
            return all_fans
        if time_s is None:
            return 0
        return all_fans if time_s < self._until_s else self._hot_bits

    def names(self, under_load: bool, time_s: float, hot: frozenset[str]) -> tuple[str, ...]:
        """Names of the fans that shall run now, those outside the front end included."""
        if under_load or time_s < self._until_s:
            return self._names
        return tuple(name for name in self._names if name in hot)
