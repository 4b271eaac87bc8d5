"""A rehearsal's result for a person: one line a figure, in the units of the reader.

Data flow: result as plain data (SI or trade units, named by the ending of each name) -> lines, or
one JSON object with the numbers as they are.
"""

from __future__ import annotations

import math
from typing import Any

from daq.quantities import UnitSystem, shown
from daq.texts.message import Message, render
from daq.texts.published import published_json

# Ending of a name -> SI unit and what one of it is in SI. Longest ending first.
ENDINGS: tuple[tuple[str, str, float, float], ...] = (
    ("_mps2", "m/s/s", 1.0, 0.0),
    ("_mps", "m/s", 1.0, 0.0),
    ("_kmh", "m/s", 1.0 / 3.6, 0.0),
    ("_kw", "W", 1e3, 0.0),
    ("_nm", "N.m", 1.0, 0.0),
    ("_kg", "kg", 1.0, 0.0),
    ("_pa", "Pa", 1.0, 0.0),
    ("_w", "W", 1.0, 0.0),
    ("_n", "N", 1.0, 0.0),
    ("_j", "J", 1.0, 0.0),
    ("_c", "K", 1.0, 273.15),
    ("_k", "K", 1.0, 0.0),
)
DIFFERENCES = ("_margin_k", "margin_k", "_sigma_k", "_spread_k")
WIDTH = 28


def lines(result: dict[str, Any], units: UnitSystem = UnitSystem.METRIC) -> list[str]:
    """A line per figure; groups are set in below their name."""
    return list(_lines(result, units, ""))


def _lines(result: dict[str, Any], units: UnitSystem, inset: str) -> list[str]:
    found: list[str] = []
    for name, value in result.items():
        if isinstance(value, dict):
            found.append(f"{inset}{name}")
            found += _lines(value, units, inset + "  ")
        elif isinstance(value, list | tuple) and value and isinstance(value[0], dict):
            found.append(f"{inset}{name}")
            for each in value:
                found += _lines(each, units, inset + "  ")
        else:
            label, text = _figure(name, value, units)
            found.append(f"{inset}{label:{WIDTH}} {text}")
    return found


def _figure(name: str, value: object, units: UnitSystem) -> tuple[str, str]:
    if isinstance(value, list | tuple):
        return name, "; ".join(_text(each, units) for each in value) if value else "none"
    if not isinstance(value, float):
        return name, _text(value, units)
    if not math.isfinite(value):
        return name, "—"
    for ending, unit, factor, offset in ENDINGS:
        if name.endswith(ending):
            apart = name.endswith(DIFFERENCES)
            si = value * factor + (0.0 if apart else offset)
            return name.removesuffix(ending), shown(si, unit, spread=apart, units=units)
    return name, f"{value:.6g}"


def _text(value: object, units: UnitSystem) -> str:
    return render(value, units) if isinstance(value, Message) else str(value)


def as_json(result: dict[str, Any]) -> str:
    """One JSON object; what is not finite is null."""
    plain = {
        name: None if isinstance(value, float) and not math.isfinite(value) else value
        for name, value in result.items()
    }
    return published_json(plain).decode()
