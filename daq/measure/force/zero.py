"""Zeros of the load cells: taken before every run, with a stability check, and watched for drift.

Data flow: ring of mean counts (daq.measure.force.load_cell) -> candidate with spread and trend ->
accepted, or refused with the reason -> new zero count. Only an unloaded cell may be zeroed: rolls
at rest, no current. Rule of a zero before each test: 40 CFR 1066.215 (from memory); the stability
limits are common practice, no source.
"""

from __future__ import annotations

import math

import msgspec
import numpy as np

from daq.errors import Refused
from daq.measure.force.load_cell import MEAN_ROW, MEANS, SCALE, ZERO, CellBank
from daq.rig.description import LoadCell

BLOCKS = 20  # of 0.1 s each
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


def check_zero(name: str, cell: LoadCell, candidate: ZeroCandidate, original: float) -> None:
    """Raises Refused unless the candidate may become the zero; `original` is the rig file's."""
    if not math.isfinite(candidate.count):
        raise Refused(
            f"The load cell of '{name}' has not given two clean seconds yet.",
            "Wait two seconds, then look at its bridge and converter if this comes again.",
            "zero-not-ready",
        )
    limit = max(SPREAD_SIGMAS * cell.zero_sigma_n, 2e-4 * cell.capacity_n)
    if candidate.spread_n > limit:
        raise Refused(
            f"The load cell of '{name}' moves by {candidate.spread_n:.1f} N; "
            f"a zero needs less than {limit:.1f} N.",
            "Let rolls and arms come to rest, keep hands and air off them, then take it again.",
            "zero-not-stable",
        )
    per_count = cell.full_scale_mv_per_v / 2.0**23 * cell.newton_per_mv_per_v
    away = abs((candidate.count - original) * per_count)
    if away > LARGEST_ZERO_SHARE * cell.capacity_n:
        raise Refused(
            f"The load cell of '{name}' shows {away:.0f} N away from its calibrated zero.",
            "Something leans on the arm, or the cell is overloaded: look before you zero.",
            "zero-too-far",
        )
