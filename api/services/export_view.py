"""The columns of a run as an export shows them: chosen, in chosen units, fewer rows, corrected.

Data flow: batches of a Parquet file, one at a time -> View.of -> Arrow tables for the writers of
api.services.export.
"""

from __future__ import annotations

import math
from typing import Any

import msgspec
import numpy as np

from api.services.export_forms import ExportUnits, ExportWish
from daq.errors import Refused
from daq.quantities import shown_value, unit_shown
from daq.texts.message import say

ALWAYS = ("time_s", "utc_s", "utc_sigma_s")
# Ending of a column's name -> what stands in its place in other units.
_ENDINGS = {
    "km/h": "kmh", "mph": "mph", "kW": "kw", "hp": "hp", "N": "n", "lbf": "lbf", "N·m": "nm",
    "lbf·ft": "lbf_ft", "rpm": "rpm", "km/h per s": "kmh_per_s", "mph per s": "mph_per_s",
}  # fmt: skip
_SI_ENDINGS = {"m/s": "mps", "W": "w", "N": "n", "N.m": "nm", "rad/s": "radps", "m/s2": "mps2"}
_SAME = {"m/s2": "m/s/s"}  # as daq.results.words names it
_CORRECTED = (("power_w", "power_corrected_w"), ("torque_nm", "torque_corrected_nm"))


class ShownColumn(msgspec.Struct, frozen=True):
    """One column of the export and where it comes from."""

    name: str
    unit: str
    source: str
    si: str  # unit in the file
    meaning: str
    factor: float = 1.0  # of a weather correction


class ExportView:
    """What of a run's file is shown, and how."""

    def __init__(self, schema: Any, wish: ExportWish, factor: float, usual_hz: float) -> None:
        """`factor`: of the weather correction, 1 for none. Raises Refused for unknown columns."""
        there = list(schema.names)
        unknown = [name for name in wish.columns if name not in there]
        if unknown:
            raise Refused(
                say("there-no-column", column=unknown[0][:60]),
                say("they-depend-on-rig-run-was", columns=there),
                "no-column",
            )
        chosen = list(dict.fromkeys((*ALWAYS, *wish.columns))) if wish.columns else there
        self.columns: list[ShownColumn] = []
        for name in (each for each in chosen if each in there):
            field = schema.field(name)
            told = field.metadata or {}
            unit = bytes(told.get(b"unit", b"")).decode()
            meaning = bytes(told.get(b"meaning", b"")).decode()
            self.columns.append(_shown(name, unit, meaning, wish.units))
        names = {one.source for one in self.columns}
        if factor != 1.0:
            self.columns += [
                _shown(corrected, "W" if source == "power_w" else "N.m",
                       f"{source} times the weather factor {factor:.4f}", wish.units, source,
                       factor)
                for source, corrected in _CORRECTED if source in names
            ]  # fmt: skip
        self.sources = list(dict.fromkeys(one.source for one in self.columns))
        self.every = max(1, round(usual_hz / wish.hz)) if wish.hz > 0.0 else 1
        self._rest: dict[str, Any] = {}

    @property
    def rows_said(self) -> str:
        """What one row stands for."""
        if self.every == 1:
            return "one for each frame"
        return (
            f"mean of {self.every} frames each; of codes and counts the greatest; of lost frames "
            "the sum"
        )

    def of(self, batch: dict[str, Any]) -> dict[str, Any] | None:
        """Columns of a batch as numpy arrays by name; None while too few rows are there.

        Rows that do not fill a mean wait for the next batch; those of the last are left out.
        """
        values = {name: batch[name] for name in self.sources}
        if self.every > 1:
            if self._rest:
                values = {
                    name: np.concatenate((self._rest[name], each)) for name, each in values.items()
                }
            count = len(values["time_s"]) // self.every * self.every
            self._rest = {name: each[count:] for name, each in values.items()}
            if not count:
                return None
            values = {name: _fewer(name, each[:count], self.every) for name, each in values.items()}
        return {one.name: _converted(one, values[one.source]) for one in self.columns}


def _shown(
    name: str, unit: str, meaning: str, units: ExportUnits, source: str = "", factor: float = 1.0
) -> ShownColumn:
    source = source or name
    if units is ExportUnits.SI or name in ALWAYS or unit in ("", "1", "s"):
        return ShownColumn(name, unit, source, unit, meaning, factor)
    shown = unit_shown(_SAME.get(unit, unit), units.system)
    ending = _SI_ENDINGS.get(unit, "")
    if ending and name.endswith(f"_{ending}") and shown in _ENDINGS:
        name = f"{name[: -len(ending)]}{_ENDINGS[shown]}"
    return ShownColumn(name, shown, source, unit, meaning, factor)


def _converted(one: ShownColumn, values: Any) -> Any:
    if one.factor != 1.0:
        values = values * one.factor
    if one.unit == one.si:
        return values
    unit = _SAME.get(one.si, one.si)
    system = ExportUnits.US.system if one.unit == unit_shown(unit, ExportUnits.US.system) else None
    system = system or ExportUnits.METRIC.system
    zero = shown_value(0.0, unit, system)
    return (np.asarray(values, dtype=np.float64) * (shown_value(1.0, unit, system) - zero)) + zero


def _fewer(name: str, values: Any, every: int) -> Any:
    blocks = values.reshape(-1, every)
    if name == "frames_lost":
        return blocks.sum(axis=1).astype(values.dtype)
    if values.dtype.kind == "f":
        fine = np.isfinite(blocks)
        counts = fine.sum(axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            sums = np.where(fine, blocks, 0.0).sum(axis=1, dtype=np.float64)
            return np.where(counts > 0, sums / counts, math.nan).astype(values.dtype)
    return blocks.max(axis=1)
