"""Quantities as people type them on the command line: a number with a unit, or a bare number.

Data flow: "50 mph", "22.4m/s" or "50" with --units -> SI. A bare number is in the unit that a
reader of the chosen system expects.
"""

from __future__ import annotations

import re
from typing import Annotated

import typer

from daq.errors import DrumlinError
from daq.quantities import UnitSystem
from daq.readings import Unit
from daq.rig.units import SCALES, Scale

_NUMBER = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(\S*)\s*")
_OTHERWISE = {
    "kmh": "km/h", "kph": "km/h", "lbs": "lb", "F": "degF", "C": "degC", "°F": "degF",
    "°C": "degC", "KW": "kW", "HP": "hp",
}  # fmt: skip
# quantity: its SI unit, and what a bare number is in, metric and US customary
_BARE: dict[str, tuple[Unit, str, str]] = {
    "speed": (Unit.METRE_PER_SECOND, "km/h", "mph"),
    "engine speed": (Unit.RADIAN_PER_SECOND, "rpm", "rpm"),
    "force": (Unit.NEWTON, "N", "lbf"),
    "power": (Unit.WATT, "kW", "hp"),
    "mass": (Unit.KILOGRAM, "kg", "lb"),
    "distance": (Unit.METRE, "m", "ft"),
    "small length": (Unit.METRE, "mm", "in"),
}

SpeedOption = Annotated[str, typer.Option(help="Roll speed: 80km/h, 50mph; bare by --units.")]
ForceOption = Annotated[str, typer.Option(help="Absorber force, or light load: 4000N, 900lbf.")]
PowerOption = Annotated[str, typer.Option(help="Absorber power to hold: 150kW, 200hp.")]


def amount(text: str, quantity: str, units: UnitSystem, option: str) -> float:
    """The number in SI. Raises DrumlinError when it is none, or of another quantity."""
    found = _NUMBER.fullmatch(text)
    expected, *bare = _BARE[quantity]
    usual = bare[units is UnitSystem.US]
    if found is None:
        raise DrumlinError(
            f"{option} '{text[:40]}' is not a {quantity}.",
            f"Give a number with its unit, e.g. {option} 50{bare[1]}; a bare one is in {usual}.",
        )
    unit = _OTHERWISE.get(found[2], found[2]) or usual
    scale: Scale | None = SCALES.get(unit)
    if scale is None or scale.unit is not expected:
        ours = sorted(name for name, one in SCALES.items() if one.unit is expected)
        raise DrumlinError(
            f"{option} is a {quantity}; '{unit[:20]}' is no unit of that.",
            f"Use one of: {', '.join(ours)}.",
        )
    return float(found[1]) * scale.factor + scale.offset


def amount_if_given(text: str, quantity: str, units: UnitSystem, option: str) -> float | None:
    """The same; None when nothing was given."""
    return amount(text, quantity, units, option) if text.strip() else None


def amounts(text: str, quantity: str, units: UnitSystem, option: str) -> list[float]:
    """Several with commas between, each with its own unit or the last one's."""
    words = [word for word in text.split(",") if word.strip()]
    last = words[-1].strip() if words else ""
    shared = _NUMBER.fullmatch(last)
    unit = shared[2] if shared is not None else ""
    return [
        amount(word if _has_unit(word) else f"{word}{unit}", quantity, units, option)
        for word in words
    ]


def _has_unit(word: str) -> bool:
    found = _NUMBER.fullmatch(word)
    return found is not None and found[2] != ""
