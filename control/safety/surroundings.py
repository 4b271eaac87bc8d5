"""Faults around the machine, looked at a few times a second: weather, sensors, fans, tyres.

Data flow: Measured and what is commanded -> `look` every LOOK_S -> codes with a detail each, for
control.safety.fault_detection, which times how long they last. Nothing here is quick enough to need
every frame.
"""

from __future__ import annotations

from daq.measure.measured import Measured
from daq.readings import Quality
from daq.rig.description import Rig
from daq.texts.message import Text

LOOK_S = 0.2
FAN_STARTS_S = 2.0  # a fan may take this long until its switch says that it turns
FAULT_SLIP = 0.10  # of the ratio learned in this gear; daq.measure.slip flags from 0.02 on
SLIP_FORCE_N = 1000.0  # tyres that are not pulled do not slip

# What weather can be where people work: outside it a sensor is wrong, not the weather.
# "common practice, no source": records of inhabited places with a margin.
PLAUSIBLE: dict[str, tuple[float, float, str]] = {
    "ambient-temperature": (233.15, 333.15, "K"),
    "intake-temperature": (233.15, 353.15, "K"),
    "pressure": (60_000.0, 110_000.0, "Pa"),
    "humidity": (0.0, 1.0, ""),
}
NEEDED = frozenset(PLAUSIBLE)  # rotor sensors are the heat observer's


class Surroundings:
    """Remembers how long each fan has been asked for, and whether the gear of the test is in."""

    def __init__(self, rig: Rig) -> None:
        self._needed = tuple(channel for channel in rig.slow if channel.meaning in NEEDED)
        self._fans = tuple({(a.fan, a.fan_turns) for a in rig.absorbers if a.fan and a.fan_turns})
        self._fans_on_s: float | None = None
        self._in_gear = False

    def look(self, measured: Measured, fans_on: bool, fixed_gear: bool) -> dict[str, Text]:
        """Codes that hold now. `fixed_gear`: the test runs in the gear of the learned ratio."""
        found: dict[str, Text] = {}
        silent: list[str] = []
        for channel in self._needed:
            reading = measured.slow.get(channel.name)
            if reading is None:
                continue
            if reading.quality is Quality.MISSING:
                silent.append(channel.name)
                continue
            if channel.meaning in PLAUSIBLE:
                low, high, unit = PLAUSIBLE[channel.meaning]
                if not low <= reading.value <= high:
                    found["weather-out-of-range"] = f"{channel.name} {reading.value:g} {unit}"
        if silent:
            found["sensor-silent"] = ", ".join(silent)
        if not fans_on:
            self._fans_on_s = None
        elif self._fans_on_s is None:
            self._fans_on_s = measured.time_s
        elif measured.time_s - self._fans_on_s >= FAN_STARTS_S:
            for fan, switch in self._fans:
                if measured.digital.get(switch, True) is False:
                    found["fan-missing"] = fan
        slip = measured.slip
        if not fixed_gear:
            self._in_gear = False
        elif slip.quality is Quality.GOOD and abs(slip.value) <= FAULT_SLIP:
            self._in_gear = True
        # On the way up the converter is open: only what was in gear can slip out of its ratio.
        if self._in_gear and slip.quality is Quality.GOOD and slip.value > FAULT_SLIP:
            force = sum(one.absorber_force.value for one in measured.roll_sets)
            if force > SLIP_FORCE_N:
                found["tyre-slip"] = f"{slip.value * 100.0:.0f} %"
        return found
