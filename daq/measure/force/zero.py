"""Zeros of the load cells: one procedure, used by the core; and drift of an unloaded cell.

Data flow: ring of mean counts and converter flags (daq.measure.force.load_cell) -> candidate with
spread -> accepted, or refused with the reason -> new zero count. The caller makes sure of rest
without current (daq.measure.rest). Rule of a zero before each test: 40 CFR 1066.215 (from memory);
the limits are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import msgspec
import numpy as np

from daq.errors import Refused
from daq.measure.force.load_cell import (
    BRIDGE,
    DRIFTED,
    FAULT_TEXTS,
    FAULTS,
    FROZEN,
    MEAN_ROW,
    MEANS,
    SATURATED,
    SCALE,
    STALE,
    ZERO,
    CellBank,
    FloatArray,
)
from daq.rig.description import Absorber, LoadCell
from daq.texts.message import say

BLOCKS = 20  # of 0.1 s each
_NO_READING = SATURATED | BRIDGE | STALE | FROZEN  # a count with one of these is no reading
SPREAD_SIGMAS = 6.0  # largest minus smallest mean, in the cell's zero_sigma_n
DRIFT_SHARE = 0.005  # of capacity: an unloaded cell further off than this is not believed
LARGEST_ZERO_SHARE = 0.2  # of capacity: beyond it something leans on the arm


class ZeroCandidate(msgspec.Struct, frozen=True):
    """What an unloaded cell shows now. NaN when there are not enough clean readings."""

    count: float
    offset_n: float  # from the zero in use
    spread_n: float  # largest minus smallest 0.1 s mean
    sigma_n: float  # of the mean
    blocks: int


def zero_candidate(cells: CellBank, row: int) -> ZeroCandidate:
    """Mean of the newest two seconds of one cell."""
    written = int(cells.int_state[row, MEAN_ROW])
    kept = min(written, BLOCKS)
    places = (np.arange(written - kept, written)) % MEANS
    means = cells.means[row, places]
    scale = abs(float(cells.parameters[row, SCALE]))
    if kept < BLOCKS or not bool(np.isfinite(means).all()):
        return ZeroCandidate(math.nan, math.nan, math.nan, math.nan, kept)
    count = float(means.mean())
    return ZeroCandidate(
        count,
        (count - float(cells.parameters[row, ZERO])) * float(cells.parameters[row, SCALE]),
        float(means.max() - means.min()) * scale,
        float(means.std(ddof=1)) * scale / math.sqrt(kept),
        kept,
    )


def drift_limit_n(cell: LoadCell) -> float:
    """An unloaded cell may be this far from its zero before its readings become suspect."""
    return max(SPREAD_SIGMAS * cell.zero_sigma_n, DRIFT_SHARE * cell.capacity_n)


class CellZeros:
    """Zeros of all cells of one session, by absorber name, and which cells drifted from theirs."""

    def __init__(self, absorbers: tuple[Absorber, ...], cells: CellBank) -> None:
        self._absorbers = {absorber.name: absorber for absorber in absorbers}
        self._rows = {absorber.name: row for row, absorber in enumerate(absorbers)}
        self._limits = tuple(drift_limit_n(absorber.cell) for absorber in absorbers)
        self._drifted = [False] * len(absorbers)
        self._cells = cells

    def use(self, counts: Mapping[str, float]) -> None:
        """Use these counts as the unloaded readings; names the rig does not have are left out."""
        for name, row in self._rows.items():
            if name in counts:
                self._cells.set_zero(row, counts[name])
                self._drifted[row] = False

    def take(self) -> dict[str, float]:
        """Check every cell over the last two seconds, then use the new zero counts.

        Returns the counts by absorber name. Raises Refused, and changes nothing, unless every cell
        is clean, steady and near its calibrated zero.
        """
        counts: dict[str, float] = {}
        for name, row in self._rows.items():
            candidate = zero_candidate(self._cells, row)
            faults = int(self._cells.out[row, FAULTS])
            check_zero(name, self._absorbers[name].cell, candidate, faults)
            counts[name] = candidate.count
        self.use(counts)
        return counts

    def look_for_drift(self) -> None:
        """Compare every cell with its zero. Only while the rolls have rested without current."""
        for row, limit_n in enumerate(self._limits):
            offset_n = zero_candidate(self._cells, row).offset_n
            self._drifted[row] = math.isfinite(offset_n) and abs(offset_n) > limit_n

    def mark_drift(self, cell_rows: FloatArray) -> None:
        """Put the drift found last into the fault bits of a frame's cells."""
        for row, drifted in enumerate(self._drifted):
            if drifted:
                cell_rows[row, FAULTS] = int(cell_rows[row, FAULTS]) | DRIFTED


def check_zero(name: str, cell: LoadCell, candidate: ZeroCandidate, faults: int) -> None:
    """Raises Refused unless the candidate may become the zero of the absorber `name`.

    `faults`: fault bits of the cell now (daq.measure.force.load_cell).
    """
    bad = [text for bit, text in FAULT_TEXTS.items() if bit & faults & _NO_READING]
    if bad:
        raise Refused(
            say("load-cell-of-gives-no-reading", absorber=name, reason=bad[0]),
            say("look-at-cell-its-cable-and"),
            "zero-no-reading",
        )
    if not math.isfinite(candidate.count):
        raise Refused(
            say("load-cell-of-has-not-given", absorber=name),
            say("wait-two-seconds-then-look-at"),
            "zero-not-ready",
        )
    limit = max(SPREAD_SIGMAS * cell.zero_sigma_n, 2e-4 * cell.capacity_n)
    if candidate.spread_n > limit:
        raise Refused(
            say(
                "load-cell-of-moves-by-zero",
                absorber=name,
                spread_n=candidate.spread_n,
                limit_n=limit,
            ),
            say("let-rolls-and-arms-come-to"),
            "zero-not-stable",
        )
    per_count = cell.full_scale_mv_per_v / 2.0**23 * cell.newton_per_mv_per_v
    away = abs((candidate.count - cell.zero_count) * per_count)
    if away > LARGEST_ZERO_SHARE * cell.capacity_n:
        raise Refused(
            say("load-cell-of-shows-away-from", absorber=name, away_n=away),
            say("something-leans-on-arm-or-cell"),
            "zero-too-far",
        )
