"""What a test went through, as recorded: its phases, its set points, and what it said at its end.

Data flow: events of a recording -> Course -> the evaluation of each kind, which looks nowhere else
for what the test did. Recordings of before phases were recorded hold the test's own summary at
their end; its times, counted back from there, give the same phases.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from daq.texts.message import Text
from daq.texts.published import text_of

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Event = dict[str, Any]

AHEAD_S = 1.0  # a test that ended so long after its last row: its events count from another zero
DONE = "completed"  # the reason of a test that did what was asked
SNAP_END = 1.3  # back below so many times idle, a snap is over
SNAP_S = 0.2
ZERO_S = 3.0


class Phase(msgspec.Struct, frozen=True):
    """One phase. Rows after `begin_s` up to `end_s` belong to it; s from the first frame."""

    name: str
    begin_s: float
    end_s: float
    point: int = 0  # of a map, from 1

    def rows(self, time_s: Floats) -> Mask:
        """Rows that belong to it."""
        return np.asarray((time_s > self.begin_s + 1e-9) & (time_s <= self.end_s + 1e-9))


class SetPointChange(msgspec.Struct, frozen=True):
    """What was asked for from a moment on, in the SI unit of its quantity."""

    quantity: str  # rpm, speed, force, power, grade
    value: float
    unit: str
    begin_s: float


class Course(msgspec.Struct, frozen=True):
    """Phases and set points in order; `told` is the test's own summary at its end."""

    phases: tuple[Phase, ...] = ()
    set_points: tuple[SetPointChange, ...] = ()
    told: dict[str, Any] = {}
    ended: bool = False  # the recording holds the end of its test
    end: Text = ""  # why it ended, as the rig said
    counted_back: bool = False  # phases by the summary: recorded before phases were

    @property
    def cut_off(self) -> bool:
        """The test ended otherwise than by having done what was asked."""
        return self.ended and str(self.told.get("reason", DONE)) != DONE

    def named(self, *names: str) -> list[Phase]:
        """All phases of these names, in order."""
        return [one for one in self.phases if one.name in names]

    def last(self, name: str) -> Phase | None:
        """The last phase of that name."""
        found = self.named(name)
        return found[-1] if found else None

    def rows(self, time_s: Floats, *names: str) -> Mask:
        """Rows of all phases of these names."""
        rows = np.zeros(time_s.shape, dtype=bool)
        for one in self.named(*names):
            rows |= one.rows(time_s)
        return rows

    def asked_at(self, time_s: float, *quantities: str) -> SetPointChange | None:
        """The set point in force just after a moment, of these quantities or of any."""
        found = None
        for one in self.set_points:
            if one.begin_s <= time_s + 1e-9 and (not quantities or one.quantity in quantities):
                found = one
        return found

    def number(self, name: str) -> float:
        """A number that the test told at its end; NaN when it told none."""
        value = self.told.get(name)
        return float(value) if isinstance(value, int | float) else math.nan


def on_rows(events: Sequence[Event], time_s: Floats) -> list[Event]:
    """Events whose times count as the rows do.

    The device's tick wraps, so events of a session may count some wraps ahead of a replay. Newer
    replays put that right; events kept before are laid on the rows by the test's end.
    """
    told = next((one for one in reversed(events) if one.get("kind") == "run-ended"), None)
    if told is None or not time_s.size:
        return list(events)
    off = float(told.get("time_s", 0.0)) - float(time_s[-1])
    if off < AHEAD_S:
        return list(events)
    return [
        {**one, "time_s": float(one["time_s"]) - off} if "time_s" in one else one for one in events
    ]


def course_of(
    plan: dict[str, Any],
    events: Sequence[Event],
    time_s: Floats,
    engine_radps: Floats | None = None,
) -> Course:
    """The course of a run. `time_s`: of the rows, from the first frame, as the events' times are.

    `engine_radps` finds the snaps of a recording of before phases were recorded.
    """
    told: dict[str, Any] = {}
    end_s = float(time_s[-1]) if time_s.size else 0.0
    ended = False
    end: Text = ""
    entered: list[tuple[str, float, int]] = []
    set_points: list[SetPointChange] = []
    for event in events:
        data = event.get("data") or {}
        at_s = float(event.get("time_s", 0.0))
        match event.get("kind"):
            case "run-ended":
                told, ended, end = data, True, text_of(event.get("text"))
                end_s = at_s
            case "phase":
                entered.append((str(data.get("phase", "")), at_s, int(data.get("point", 0))))
            case "set-point":
                set_points.append(
                    SetPointChange(
                        str(data.get("quantity", "")), float(data.get("set_point", math.nan)),
                        str(data.get("unit", "")), at_s,
                    )
                )  # fmt: skip
    if entered:
        ends = [at_s for _, at_s, _ in entered[1:]] + [end_s]
        phases = tuple(
            Phase(name, begin_s, stop_s, point)
            for (name, begin_s, point), stop_s in zip(entered, ends, strict=True)
            if stop_s > begin_s
        )
        return Course(phases, tuple(set_points) or _planned(plan), told, ended, end)
    found = _counted_back(plan, told, time_s, end_s, engine_radps) if told else []
    return Course(tuple(found), tuple(set_points) or _planned(plan), told, ended, end, bool(found))


def _planned(plan: dict[str, Any]) -> tuple[SetPointChange, ...]:
    """The one set point of a plan that a recording of before holds."""
    rpm = plan.get("rpm")
    if isinstance(rpm, int | float):
        return (SetPointChange("rpm", float(rpm) * 2.0 * math.pi / 60.0, "rad/s", 0.0),)
    for key, quantity, unit in (
        ("speed_mps", "speed", "m/s"), ("force_n", "force", "N"), ("power_w", "power", "W"),
        ("target_mps", "speed", "m/s"),
    ):  # fmt: skip
        value = plan.get(key)
        if isinstance(value, int | float):
            return (SetPointChange(quantity, float(value), unit, 0.0),)
    return ()


# Kinds whose summary counts its seconds in one last phase.
_LAST = {
    "power-sweep": "sweep", "spool-up": "rise", "grade-climb": "climb", "speed-trace": "trace",
    "coastdown": "coast",
}  # fmt: skip


def _counted_back(
    plan: dict[str, Any],
    told: dict[str, Any],
    time_s: Floats,
    end_s: float,
    engine_radps: Floats | None,
) -> list[Phase]:
    """Phases of a recording that holds none, from the seconds its summary tells."""
    kind = str(plan.get("kind", ""))
    end_s = min(end_s, float(time_s[-1]) if time_s.size else 0.0)
    elapsed_s = float(told.get("elapsed_s") or 0.0)
    begin_s = end_s - elapsed_s
    if elapsed_s <= 0.0:
        return []
    if kind in _LAST:
        return [Phase(_LAST[kind], begin_s, end_s)]
    if kind == "steady-hold":
        step = float(np.median(np.diff(time_s))) if time_s.size > 1 else 0.0
        held_s = float(told.get("samples") or 0) * step
        settled_s = max(begin_s, end_s - held_s)
        return [Phase("settle", begin_s, settled_s), Phase("hold", settled_s, end_s)]
    if kind == "stepped-map":
        return _points(plan, told, begin_s)
    if kind == "snap-smoke" and engine_radps is not None:
        return _snaps(plan, told, time_s, engine_radps, end_s)
    return []


def _points(plan: dict[str, Any], told: dict[str, Any], begin_s: float) -> list[Phase]:
    found = []
    at_s = begin_s
    average_s = float(plan.get("average_s", 10.0))
    for point in range(1, int(told.get("points_done") or 0) + 1):
        settled_s = at_s + float(told.get(f"point_{point}_settle_s") or 0.0)
        found.append(Phase("settle", at_s, settled_s, point))
        at_s = settled_s
        if not told.get(f"point_{point}_void"):
            found.append(Phase("average", at_s, at_s + average_s, point))
            at_s += average_s
    return found


def _snaps(
    plan: dict[str, Any], told: dict[str, Any], time_s: Floats, engine: Floats, end_s: float
) -> list[Phase]:
    """Between the two zeros whatever rose above idle as a snap does."""
    idle = float(told.get("idle_rpm") or 0.0) * 2.0 * math.pi / 60.0
    if idle <= 0.0:
        return []
    over = engine > SNAP_END * idle
    edges = np.flatnonzero(np.diff(np.concatenate(([False], over, [False])).astype(np.int8)))
    found = [Phase("zero", 0.0, ZERO_S)]
    for first, last in zip(edges[::2], edges[1::2] - 1, strict=True):
        high = float(np.nanmax(engine[first : last + 1]))
        long_enough = time_s[last] - time_s[first] >= SNAP_S
        if long_enough and high >= float(plan.get("snap_rise", 2.0)) * idle:
            found.append(Phase("snap", float(time_s[first]), float(time_s[last])))
    found.append(Phase("zero again", end_s - ZERO_S, end_s))
    return found
