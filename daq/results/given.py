"""What an evaluation is given: columns of one run, its rig, its plan and what was told meanwhile.

Data flow: run.parquet (or chunks) -> Given -> daq.results.evaluate and the modules of each kind.
Long runs are thinned to every n-th row first, so that memory stays bounded: what is averaged or
smoothed over a second loses nothing by that.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq

from daq.errors import RecordingError, Refused
from daq.results.course import Course, course_of, on_rows
from daq.results.result import EvaluationSettings
from daq.results.run_uncertainty import run_effects
from daq.results.series.about import FORMAT, read_about
from daq.results.series.aligned import aligned
from daq.results.series.columns import Chunk, slug
from daq.rig.description import Rig
from daq.texts.message import say
from daq.uncertainty.power import RigEffects

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

MOST_ROWS = 400_000  # 13 minutes at 500 frames a second; longer runs are thinned
MOST_EFFECT_ROWS = 20_000


class Given(msgspec.Struct, frozen=True, eq=False):
    """One run, ready to be evaluated. `time_s` counts from the first frame."""

    rig: Rig
    plan: dict[str, Any]
    columns: Chunk
    time_s: Floats
    settings: EvaluationSettings
    events: Sequence[dict[str, Any]] = ()  # their times count from the first row
    rows: int = 0  # of the recording, before thinning
    every: int = 1
    course: Course = Course()  # what the test went through

    def of(self, name: str) -> Floats:
        """A column as float64; all NaN when the rig has no such column."""
        column = self.columns.get(name)
        if column is None:
            return np.full(self.time_s.shape, np.nan)
        return np.asarray(column, dtype=np.float64)

    @property
    def step_s(self) -> float:
        """Usual time between two rows."""
        return float(np.median(np.diff(self.time_s)))

    def speed(self) -> Floats:
        """What the load loop holds: the mean of the roll sets that turn, weighed by their inertia.

        While none turns: the fastest.
        """
        total = np.zeros(self.time_s.shape)
        mass = np.zeros(self.time_s.shape)
        for one in self.rig.roll_sets:
            each = self.of(f"rolls_{slug(one.name)}_speed_mps")
            turns = each >= self.rig.limits.low_speed_mps
            total += np.where(turns, one.base_inertia_kg * each, 0.0)
            mass += np.where(turns, one.base_inertia_kg, 0.0)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(mass > 0.0, total / mass, self.of("speed_mps"))

    def absorbed(self) -> tuple[Floats, Floats]:
        """Force (N) and power (W) of all absorbers at the roll surface."""
        newton = np.zeros(self.time_s.shape)
        watts = np.zeros(self.time_s.shape)
        for one in self.rig.roll_sets:
            each = self.of(f"rolls_{slug(one.name)}_absorber_force_n")
            newton += each
            watts += each * self.of(f"rolls_{slug(one.name)}_speed_mps")
        return newton, watts

    def meaning(self, meaning: str) -> Floats | None:
        """The slow channel with this meaning, or None."""
        for channel in self.rig.slow:
            if channel.meaning == meaning:
                return self.of(f"slow_{slug(channel.name)}")
        return None

    def rotors(self) -> list[tuple[str, float, Floats]]:
        """Name, limit (K) and temperature of every rotor with a sensor."""
        return [
            (one.name, one.heat.limit_k, self.of(f"slow_{slug(one.heat.sensor)}"))
            for one in self.rig.absorbers
            if one.heat.sensor
        ]

    def effects(self, rows: Mask) -> tuple[RigEffects, npt.NDArray[np.intp]]:
        """Uncertainty effects over some rows, and which rows they are (thinned, without gaps).

        Raises Refused when no row there can be used.
        """
        usable = rows & np.isfinite(self.of("power_w")) & np.isfinite(self.of("speed_mps"))
        chosen = np.flatnonzero(usable)
        if chosen.size < 3:
            raise Refused(
                say("run-has-no-usable-readings-there"),
                say("look-at-quality-its-readings-over"),
                "no-readings",
            )
        chosen = chosen[:: max(1, math.ceil(chosen.size / MOST_EFFECT_ROWS))]
        table = {name: column[chosen] for name, column in self.columns.items()}
        return run_effects(self.rig, table), chosen


def given_of(
    rig: Rig,
    plan: dict[str, Any],
    columns: Chunk,
    settings: EvaluationSettings,
    events: Sequence[dict[str, Any]] = (),
    *,
    rows: int | None = None,
    every: int = 1,
) -> Given:
    """A run from its columns, all of a row at one instant. Raises Refused when it is empty.

    The times of `events` count as `time_s` of the columns does.
    """
    time = np.asarray(columns.get("time_s", ()), dtype=np.float64)
    if time.size < 2:
        raise Refused(
            say("run-holds-no-frames"), say("check-link-then-run-test-again"), "empty-run"
        )
    begin = float(time[0])
    told = [
        {**one, "time_s": float(one["time_s"]) - begin} if "time_s" in one else one
        for one in on_rows(events, time)
    ]
    engine = columns.get("engine_speed_radps")
    return Given(
        rig,
        plan,
        columns,
        time - begin,
        settings,
        tuple(told),
        rows or time.size,
        every,
        course_of(plan, told, time - begin, engine),
    )


def load(
    path: Path,
    rig: Rig,
    plan: dict[str, Any],
    settings: EvaluationSettings,
    events: Sequence[dict[str, Any]] = (),
    most_rows: int = MOST_ROWS,
) -> Given:
    """A run from its Parquet file, thinned to at most `most_rows` rows, one row group at a time.

    `frames_lost` stays the sum over the rows left out. Raises RecordingError and Refused.
    """
    try:
        with pq.ParquetFile(path) as file:
            rows = file.metadata.num_rows
            every = max(1, math.ceil(rows / most_rows))
            parts: list[Chunk] = []
            offset = 0
            for group in range(file.num_row_groups):
                table = file.read_row_group(group, use_threads=False)
                parts.append(_thinned(table, every, offset))
                offset += table.num_rows
    except (OSError, pa.ArrowInvalid) as error:
        raise RecordingError(
            say("cannot-be-read-as-parquet", path=path, error=error),
            say("evaluate-run-again-make-anew-from"),
        ) from None
    columns = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    if read_about(path).format != FORMAT:  # written before its rows were brought to one instant
        columns = aligned(rig, columns)
    return given_of(rig, plan, columns, settings, events, rows=rows, every=every)


def _thinned(table: Any, every: int, offset: int) -> Chunk:
    first = -offset % every
    found: Chunk = {}
    for name in table.column_names:
        values = table.column(name).to_numpy()
        if every > 1 and name == "frames_lost":
            kept = range(first, len(values), every)
            found[name] = np.array([values[at : at + every].sum() for at in kept], dtype="u4")
        else:
            found[name] = values[first::every].copy()
    return found


def stretches(mask: Mask, time_s: Floats, least_s: float = 0.0) -> list[tuple[float, float]]:
    """(from, to) of every run of True that lasts at least `least_s`."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    pairs = ((time_s[a], time_s[b - 1]) for a, b in zip(edges[::2], edges[1::2], strict=True))
    return [(float(start), float(end)) for start, end in pairs if end - start >= least_s]


def moving_mean(values: Floats, time_s: Floats, width_s: float) -> Floats:
    """Centred mean over `width_s`; no shift in time. NaN are left out of each mean."""
    step = float(np.median(np.diff(time_s)))
    half = max(1, round(width_s / step / 2.0))
    fine = np.isfinite(values)
    sums = np.concatenate(([0.0], np.cumsum(np.where(fine, values, 0.0))))
    counts = np.concatenate(([0], np.cumsum(fine)))
    place = np.arange(values.size)
    low, high = np.maximum(place - half, 0), np.minimum(place + half + 1, values.size)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray((sums[high] - sums[low]) / (counts[high] - counts[low]))


def told(plan: dict[str, Any], *names: str) -> Iterable[float | None]:
    """Numbers of a plan by name; None for what is not there."""
    for name in names:
        value = plan.get(name)
        yield float(value) if isinstance(value, int | float) else None
