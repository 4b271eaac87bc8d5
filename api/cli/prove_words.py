"""Proofs in words for a terminal: figures against their limits, and what is likely wrong."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from daq.quantities import UnitSystem
from daq.readings import Unit
from daq.rig.units import display_unit, from_si
from daq.texts.message import render

if TYPE_CHECKING:
    from daq.proving.causes import Cause
    from daq.proving.record import JudgedValue

_UNITS = {
    "N": Unit.NEWTON, "kg": Unit.KILOGRAM, "m/s": Unit.METRE_PER_SECOND, "m": Unit.METRE,
}  # fmt: skip
DIGITS = {"m": 7, "ft": 7, "mm": 4}
SMALL_M = 0.01  # lengths below it are read in mm, or in inches
CAUTION = (
    "Caution: weights on an arm and rolls that turn can hurt. Shaft locked for weights, nobody "
    "below them; nobody at turning rolls, vehicle lifted off and secured. The machine's maker "
    "and local rules come first."
)


def print_causes(causes: Sequence[Cause], units: UnitSystem) -> None:
    """What is likely wrong, by all proofs together."""
    if causes:
        print("\nLikely causes, by all proofs together:")
    for one in causes:
        print(f"  {one.kind} {one.subject}".rstrip())
        print(f"      {render(one.evidence, units=units)}")
        print(f"      {render(one.next_step, units=units)}")


def figure_line(figure: JudgedValue, units: UnitSystem) -> str:
    unit, value, limit = figure.unit, figure.value, figure.limit
    if unit in _UNITS:
        unit = display_unit(_UNITS[unit], units)
        if figure.unit == "m" and abs(value) < SMALL_M:
            unit = "mm" if units is UnitSystem.METRIC else "in"
        value = from_si(value, unit)
        limit = None if limit is None else from_si(limit, unit)
    elif unit == "1" and abs(value) < 1.0:
        unit, value = "%", 100.0 * value
        limit = None if limit is None else 100.0 * limit
    unit = "" if unit in ("1", "count") else unit
    shown = f"{figure.name}: {value:.{DIGITS.get(unit, 5)}g} {unit}".rstrip()
    if limit is None:
        return shown
    mark = "" if figure.passed else "  <- beyond"
    limited = f"{limit:.4g} {unit}".rstrip()
    return f"{shown} (limit {limited}; {figure.source}){mark}"
