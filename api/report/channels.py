"""The rig's own channels as a report's table and charts, and as the command line's table.

Data flow: ChannelOut of a Result -> rows of strings in the reader's units; panels beside power.
"""

from __future__ import annotations

import msgspec

from api.report.chart import Panel
from daq.quantities import INCH, POUND_FORCE, UnitSystem, scale
from daq.results.result import ChannelOut, CurveOut, Result
from daq.texts.reader import Reader

WEATHER = frozenset({"ambient-temperature", "pressure", "humidity"})  # conditions, not the truck's
ROTOR = "rotor-temperature"
MOST_CHARTS = 4
_PSI = ("psi", INCH**2 / POUND_FORCE, 0.0, 2)


def _scale(one: ChannelOut, units: UnitSystem) -> tuple[str, float, float, int]:
    if one.unit == "1":
        return "%", 100.0, 0.0, 1
    if one.unit == "Pa" and units is UnitSystem.US and one.meaning not in WEATHER:
        return _PSI
    return scale(one.unit, units)


def own_channels(result: Result) -> list[ChannelOut]:
    """Without the weather, which is among the conditions."""
    return [one for one in result.channels if one.meaning not in WEATHER]


def channel_rows(result: Result, reader: Reader) -> tuple[tuple[str, ...], ...]:
    """A row for each channel of the truck and the absorbers, under words.CHANNEL_COLUMNS."""
    rows = []
    for one in own_channels(result):
        unit, factor, offset, digits = _scale(one, reader.units)
        scaled = [
            None if value is None else value * factor + offset
            for value in (one.start, one.end, one.mean, one.least, one.greatest)
        ]
        slope = None if one.slope_per_s is None else 60.0 * one.slope_per_s * factor
        cells = [
            "—" if value is None else f"{reader.number(value, digits)} {unit}".strip()
            for value in (*scaled, slope)
        ]
        rows.append((one.name, *cells))
    return tuple(rows)


def channel_panels(result: Result, units: UnitSystem) -> tuple[Panel, ...]:
    """Power over time with the channels of the truck beside it, and with the hottest rotor."""
    rotors = [one for one in own_channels(result) if one.meaning == ROTOR]
    shown = [one for one in own_channels(result) if one.meaning != ROTOR][:MOST_CHARTS]
    if rotors:
        shown.append(max(rotors, key=lambda one: one.greatest or 0.0))
    if result.power_over_time is None or not shown:
        return ()
    return (Panel((result.power_over_time,)), *(Panel((_curve(one, units),)) for one in shown))


def _curve(one: ChannelOut, units: UnitSystem) -> CurveOut:
    """Its course, already in the unit of the table."""
    unit, factor, offset, _ = _scale(one, units)
    value = [None if each is None else each * factor + offset for each in one.curve.value]
    return msgspec.structs.replace(one.curve, unit=unit, value=value)
