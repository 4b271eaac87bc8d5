"""The curves of an evaluation as a table, CSV: rpm, hp, lbf·ft or SI, each with its band.

Data flow: Result -> curves that share an axis -> one line for each place on it. Also the rows of a
report's table.
"""

from __future__ import annotations

import csv
import io
from typing import Any

from api.services.export_forms import ExportHeader, ExportUnits
from daq.quantities import shown_value, unit_shown
from daq.results.result import CurveOut, Result


def curve_groups(result: Result) -> list[list[CurveOut]]:
    """Curves over one axis and its places together; those over time last."""
    groups: dict[tuple[str, int], list[CurveOut]] = {}
    for one in result.curves:
        key = (one.x_name, hash(tuple(round(x, 9) for x in one.x)))
        groups.setdefault(key, []).append(one)
    return sorted(groups.values(), key=lambda group: group[0].x_unit == "s")


def _in(value: float | None, unit: str, units: ExportUnits) -> float | str:
    if value is None:
        return ""
    return value if units is ExportUnits.SI else shown_value(value, unit, units.system)


def _unit(unit: str, units: ExportUnits) -> str:
    return unit if units is ExportUnits.SI else unit_shown(unit, units.system)


def curves_csv(result: Result, header: ExportHeader, units: ExportUnits) -> str:
    """All curves; groups that do not share an axis stand one below the other."""
    out = io.StringIO()
    for line in header.lines()[:2]:
        out.write(f"# {line}\n")
    writer = csv.writer(out, lineterminator="\n")
    for place, group in enumerate(curve_groups(result)):
        if place:
            out.write("\n")
        head = [f"{group[0].x_name} [{_unit(group[0].x_unit, units)}]"]
        for one in group:
            unit = _unit(one.unit, units)
            head += [f"{one.label} [{unit}]"]
            if any(low is not None for low in one.low):
                head += [f"{one.name} low [{unit}]", f"{one.name} high [{unit}]"]
        writer.writerow(head)
        for at, x in enumerate(group[0].x):
            row: list[Any] = [_in(x, group[0].x_unit, units)]
            for one in group:
                row.append(_in(one.value[at], one.unit, units))
                if any(low is not None for low in one.low):
                    row += [_in(one.low[at], one.unit, units), _in(one.high[at], one.unit, units)]
            writer.writerow([f"{each:.6g}" if isinstance(each, float) else each for each in row])
    return out.getvalue()
