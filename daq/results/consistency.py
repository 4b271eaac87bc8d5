"""Does the rig still measure what it measured? Control charts over repeated check runs.

Data flow: one number per check run in time order -> baseline from the first runs -> individuals
chart with moving range (Shewhart) for jumps, tabular CUSUM for slow drift -> findings in words.

Sources: individuals chart, sigma = mean moving range / 1.128 (d2 of two values), limits at three
sigma, and tabular CUSUM with k and h in sigma: NIST/SEMATECH e-Handbook of Statistical Methods
6.3.2.2 and 6.3.2.3 (from memory). Eight in a row on one side of the centre: common practice.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import msgspec

from daq.errors import Refused
from daq.texts.message import Text, say
from daq.uncertainty.statistics import mean

D2_OF_TWO = 1.128
LEAST_BASELINE = 8
RUN_OF_ONE_SIDE = 8
CUSUM_K = 0.5
CUSUM_H = 5.0


class Finding(msgspec.Struct, frozen=True):
    index: int  # of the check run
    rule: str  # "beyond limits" | "one side" | "drift up" | "drift down"
    text: Text


class Chart(msgspec.Struct, frozen=True):
    """One chart: centre and limits from the baseline, CUSUM paths in units of the values."""

    centre: float
    sigma: float
    lower: float
    upper: float
    baseline: int  # runs the centre and limits come from
    values: tuple[float, ...]
    high_sums: tuple[float, ...]
    low_sums: tuple[float, ...]
    decision: float  # a sum beyond it means drift
    findings: tuple[Finding, ...]


def individuals_sigma(values: Sequence[float]) -> float:
    """Short-term standard deviation from moving ranges of neighbours."""
    ranges = [abs(b - a) for a, b in itertools.pairwise(values)]
    return mean(ranges) / D2_OF_TWO


def cusum(
    values: Sequence[float], target: float, k: float
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Tabular CUSUM paths (high, low); `k` in the unit of the values."""
    high, low, highs, lows = 0.0, 0.0, [], []
    for value in values:
        high = max(0.0, high + value - target - k)
        low = max(0.0, low + target - k - value)
        highs.append(high)
        lows.append(low)
    return tuple(highs), tuple(lows)


def chart(values: Sequence[float], baseline: int | None = None) -> Chart:
    """Chart of check runs in time order; the first `baseline` runs set centre and limits.

    Raises Refused when there are too few runs or a value is not finite.
    """
    if not all(math.isfinite(value) for value in values):
        raise Refused(
            say("check-run-has-no-number"), say("leave-void-runs-out-chart"), "not-finite"
        )
    base = baseline if baseline is not None else LEAST_BASELINE
    if base < LEAST_BASELINE or len(values) < base:
        raise Refused(
            say(
                "chart-needs-valid-check-runs-or",
                least=max(base, LEAST_BASELINE),
                count=len(values),
            ),
            say("repeat-check-run-reference-vehicle-over"),
            "too-few-runs",
        )
    first = list(values[:base])
    centre, sigma = mean(first), individuals_sigma(first)
    lower, upper = centre - 3 * sigma, centre + 3 * sigma
    highs, lows = cusum(values, centre, CUSUM_K * sigma)
    decision = CUSUM_H * sigma
    findings: list[Finding] = []
    side, run = 0, 0
    for index, value in enumerate(values):
        if not lower <= value <= upper:
            findings.append(
                Finding(
                    index, "beyond limits", say("run-lies-beyond-three-sigma", number=index + 1)
                )
            )
        now = (value > centre) - (value < centre)
        run = run + 1 if now == side and now != 0 else 1
        side = now
        if side != 0 and run == RUN_OF_ONE_SIDE:
            where = "above" if side > 0 else "below"
            findings.append(
                Finding(index, "one side", say("runs-in-row-lie-centre", count=run, where=where))
            )
        for sums, rule, way in ((highs, "drift up", "higher"), (lows, "drift down", "lower")):
            before = sums[index - 1] if index else 0.0
            if sums[index] > decision >= before:
                findings.append(
                    Finding(
                        index, rule, say("by-run-rig-reads-steadily", number=index + 1, way=way)
                    )
                )
    return Chart(
        centre, sigma, lower, upper, base, tuple(values), highs, lows, decision, tuple(findings)
    )
