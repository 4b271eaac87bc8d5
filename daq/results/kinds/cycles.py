"""Speed traces: loading, the band a driver must keep, distance and energy.

Data flow: CSV -> SpeedTrace -> driver's aid (limits) and checks of a driven run. SI inside.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path

import msgspec
import numpy as np
import numpy.typing as npt

from daq.errors import Refused
from daq.quantities import MILE
from daq.texts.message import Text, say

Array = npt.NDArray[np.float64]
TRACE_TOLERANCE_MPS = 2.0 * MILE / 3600.0  # 40 CFR 1066.425(b): 2.0 mph
TRACE_WINDOW_S = 1.0
EXCURSION_S = 2.0

_TIME_COLUMNS = ("time_s", "cycsecs", "seconds", "time")
_SPEED_COLUMNS = {"mps": 1.0, "cycmps": 1.0, "speed_mps": 1.0, "kmh": 1 / 3.6, "mph": MILE / 3600.0}
_GRADE_COLUMNS = {"grade": 100.0, "cycgrade": 100.0, "grade_percent": 1.0}


class ReferenceTrace(msgspec.Struct, frozen=True, eq=False):
    """Speed over time, linear between samples; grade in percent, same length."""

    time_s: Array
    speed_mps: Array
    grade_percent: Array

    @property
    def duration_s(self) -> float:
        return float(self.time_s[-1] - self.time_s[0])

    @property
    def distance_m(self) -> float:
        """Distance by the trapezium rule."""
        return float(np.trapezoid(self.speed_mps, self.time_s))

    def speed_at(self, time_s: float) -> float:
        return float(np.interp(time_s, self.time_s, self.speed_mps))


def parse_trace(text: str, source: str = "trace") -> ReferenceTrace:
    """Trace from CSV with a header: time_s, mps (or kmh, mph), optional grade (ratio) or
    grade_percent. Raises Refused (code "trace") naming the line that is wrong."""

    def refuse(problem: Text, remedy: Text) -> Refused:
        return Refused(say("in-file", source=source, problem=problem), remedy, "trace")

    rows = list(csv.reader(io.StringIO(text)))
    if not rows:
        raise refuse(say("file-is-empty"), say("give-csv-with-time-s-mps"))
    names = [name.strip().lower() for name in rows[0]]
    time_name = next((name for name in _TIME_COLUMNS if name in names), None)
    speed_name = next((name for name in _SPEED_COLUMNS if name in names), None)
    if time_name is None or speed_name is None:
        raise refuse(
            say("no-time-and-speed-column"),
            say("use-time-s-one-mps-kmh"),
        )
    grade_name = next((name for name in _GRADE_COLUMNS if name in names), None)
    columns = [names.index(time_name), names.index(speed_name)]
    if grade_name is not None:
        columns.append(names.index(grade_name))
    values = []
    for number, row in enumerate(rows[1:], start=2):
        if not any(cell.strip() for cell in row):
            continue
        try:
            values.append([float(row[column]) for column in columns])
        except (ValueError, IndexError):
            raise refuse(
                say("line-is-not-numbers", line=number), say("mend-or-remove-line")
            ) from None
    if len(values) < 2:
        raise refuse(say("fewer-than-two-points"), say("give-whole-trace"))
    table = np.array(values, dtype=np.float64)
    time = table[:, 0]
    speed = table[:, 1] * _SPEED_COLUMNS[speed_name]
    grade = table[:, 2] * _GRADE_COLUMNS[grade_name] if grade_name else np.zeros(len(table))
    if not np.all(np.isfinite(table)):
        raise refuse(say("value-is-not-finite"), say("replace-nan-inf-by-real-values"))
    if np.any(np.diff(time) <= 0):
        line = int(np.argmax(np.diff(time) <= 0)) + 3
        raise refuse(say("time-does-not-rise", line=line), say("sort-lines-by-time"))
    if np.any(speed < 0) or np.any(speed > 90):
        raise refuse(say("speed-beyond-90-mps"), say("check-speed-column-unit"))
    if np.any(np.abs(grade) > 35):
        raise refuse(say("grade-beyond-35-percent"), say("give-grade-as-ratio-or-grade"))
    return ReferenceTrace(time, speed, grade)


def load_trace(path: Path) -> ReferenceTrace:
    """Trace from a CSV file; see `parse_trace`."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise Refused(
            say("cannot-be-read", path=path, error=error), say("check-file-name-rights"), "trace"
        ) from None
    return parse_trace(text, str(path))


def trace_limits(
    trace: ReferenceTrace, at_s: Array, tolerance_mps: float = TRACE_TOLERANCE_MPS
) -> tuple[Array, Array]:
    """(lower, upper) speed limits in m/s at given times; 40 CFR 1066.425(b).

    Upper: highest trace speed within +-1.0 s plus 2.0 mph; lower: lowest within +-1.0 s minus
    2.0 mph, never below standstill. The warm-up band is 4.0 mph.
    """
    times = np.asarray(at_s, dtype=np.float64)
    low = np.empty(len(times))
    high = np.empty(len(times))
    first = np.searchsorted(trace.time_s, times - TRACE_WINDOW_S, side="left")
    last = np.searchsorted(trace.time_s, times + TRACE_WINDOW_S, side="right")
    begin = np.interp(times - TRACE_WINDOW_S, trace.time_s, trace.speed_mps)
    end = np.interp(times + TRACE_WINDOW_S, trace.time_s, trace.speed_mps)
    for i in range(len(times)):
        inside = trace.speed_mps[first[i] : last[i]]
        lowest, highest = min(begin[i], end[i]), max(begin[i], end[i])
        if len(inside):
            lowest, highest = min(lowest, inside.min()), max(highest, inside.max())
        low[i], high[i] = max(0.0, lowest - tolerance_mps), highest + tolerance_mps
    return low, high


class Following(msgspec.Struct, frozen=True):
    """How a driven speed kept to its trace."""

    excursions: tuple[tuple[float, float], ...]  # (start, length) in s
    longest_s: float
    outside_share: float
    within: bool  # no excursion longer than 2.0 s


def judge_following(
    trace: ReferenceTrace,
    time_s: Array,
    speed_mps: Array,
    tolerance_mps: float = TRACE_TOLERANCE_MPS,
) -> Following:
    """Excursions out of the band; each up to 2.0 s may be allowed if documented (1066.425)."""
    low, high = trace_limits(trace, time_s, tolerance_mps)
    outside = (speed_mps < low) | (speed_mps > high)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], outside, [False])).astype(np.int8)))
    step = float(np.median(np.diff(time_s))) if len(time_s) > 1 else 0.0
    excursions = tuple(
        (float(time_s[a]), float(time_s[b - 1] - time_s[a] + step))
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    )
    longest = max((length for _, length in excursions), default=0.0)
    return Following(excursions, longest, float(np.mean(outside)), longest <= EXCURSION_S + 1e-9)
