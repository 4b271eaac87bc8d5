"""A black box in words: what led to a trip, for the person who has to reset it.

Data flows: `<data>/blackbox/NAME.drm` -> records -> a story (events, commands, a row per decision)
-> lines on the terminal or one JSON object. Times count from the trip; nothing is changed.
"""

from __future__ import annotations

import collections
from pathlib import Path
from typing import Any

import msgspec

from api.folders import BLACK_BOXES_FOLDER
from api.runtime.run_file import DECISION
from daq.errors import RecordingError
from daq.quantities import UnitSystem
from daq.readings import Unit
from daq.recording.reader import Recording
from daq.recording.recorder import RecordKind
from daq.rig.units import display_unit, from_si
from daq.texts.message import render
from daq.texts.published import text_of

_NAMES = {kind.value: kind.name.lower() for kind in RecordKind} | {DECISION: "decision"}
_QUIET = frozenset({"keep-helm", "slow-value"})  # they come all the time and decide nothing


def names(data: Path) -> list[str]:
    """Black boxes in the data directory, oldest first."""
    folder = data / BLACK_BOXES_FOLDER
    return sorted(path.stem for path in folder.glob("*.drm")) if folder.is_dir() else []


def path_of(data: Path, name: str) -> Path:
    """The file of a black box; "" is the newest. Raises RecordingError when there is none."""
    known = names(data)
    if not known:
        raise RecordingError(f"There is no black box in {data}.", "One is written at each trip.")
    wanted = name or known[-1]
    if wanted not in known:
        raise RecordingError(
            f"There is no black box '{wanted}'.", f"The newest is {known[-1]}; see the list."
        )
    return data / BLACK_BOXES_FOLDER / f"{wanted}.drm"


def story(path: Path, last_s: float = 60.0) -> dict[str, Any]:
    """What happened: counts, events, commands and decisions of the last `last_s` seconds.

    `decisions` rows: s before (-) or after the trip, state, roll speeds m/s, forces N, set points
    A, faults. Raises RecordingError when the file is none of ours.
    """
    recording = Recording(path)
    counts: collections.Counter[str] = collections.Counter()
    told: list[tuple[int, str, dict[str, Any]]] = []
    first_ns = last_ns = trip_ns = 0
    cause = ""
    for record in recording:
        counts[_NAMES.get(record.kind, str(record.kind))] += 1
        if record.kind in (RecordKind.HEADER, RecordKind.END):
            continue
        first_ns = first_ns or record.host_ns
        last_ns = max(last_ns, record.host_ns)
        if record.kind not in (RecordKind.EVENT, RecordKind.COMMAND, RecordKind.ANSWER, DECISION):
            continue
        try:
            body = msgspec.msgpack.decode(record.payload)
        except msgspec.DecodeError:
            continue
        told.append((record.host_ns, _NAMES[record.kind], body))
        if record.kind == RecordKind.EVENT and body.get("data", {}).get("after") == "tripped":
            trip_ns, cause = record.host_ns, str(text_of(body["data"].get("why", "")))
    trip_ns = trip_ns or last_ns
    since_ns = last_ns - int(last_s * 1e9)
    events: list[dict[str, Any]] = []
    decisions: list[dict[str, Any]] = []
    for host_ns, kind, body in told:
        if host_ns < since_ns:
            continue
        at_s = round((host_ns - trip_ns) * 1e-9, 3)
        if kind == "decision":
            decisions.append({"at_s": at_s, **_decision(body)})
        elif kind == "event":
            events.append(
                {"at_s": at_s, "what": body.get("kind"), "text": text_of(body.get("text"))}
            )
        elif kind == "command" and body.get("command") not in _QUIET:
            who = str(body.get("holder", ""))
            events.append({"at_s": at_s, "what": "command", "text": f"{body['command']} by {who}"})
        elif kind == "answer" and not body.get("accepted", True):
            events.append({"at_s": at_s, "what": "refused", "text": text_of(body.get("reason"))})
    return {
        "name": path.stem,
        "first_cause": cause,
        "seconds": round((last_ns - first_ns) * 1e-9, 3),
        "whole": recording.health.ended,
        "records": dict(counts),
        "events": events,
        "decisions": decisions,
    }


def _decision(body: dict[str, Any]) -> dict[str, Any]:
    measured = body.get("measured") or {}
    sets = measured.get("roll_sets", [])
    return {
        "state": body.get("state"),
        "speed_mps": [_value(one["speed"]) for one in sets],
        "force_n": [_value(one["absorber_force"]) for one in sets],
        "set_point_a": [round(one["set_point_a"], 2) for one in body.get("absorbers", [])],
        "faults": [one["code"] for one in body.get("faults", []) if one.get("active")],
    }


def _value(reading: dict[str, Any]) -> float | None:
    value = reading.get("value")
    return round(value, 3) if isinstance(value, float) and value == value else None  # noqa: PLR0124


def _told(values: list[float | None], digits: int, unit: str) -> str:
    return "/".join(
        "-" if value is None else f"{from_si(value, unit):.{digits}f}" for value in values
    )


def lines(told: dict[str, Any], units: UnitSystem = UnitSystem.METRIC) -> list[str]:
    """The story for a terminal, in the units of the reader."""
    out = [
        f"Black box {told['name']}: {told['seconds']:.1f} s, first cause: "
        f"{told['first_cause'] or 'none recorded'}"
        + ("" if told["whole"] else " (cut off: the end is missing)"),
        "  " + ", ".join(f"{count} {name}" for name, count in sorted(told["records"].items())),
        "",
    ]
    rows = [
        (one["at_s"], f"{one['what']:13} {render(one['text'], units)}") for one in told["events"]
    ]
    before: tuple[Any, ...] = ()
    for one in told["decisions"]:
        now = (one["state"], tuple(one["faults"]), int(one["at_s"]))
        if now != before:  # a row a second, and at each change
            before = now
            numbers = " ".join(
                f"{name} {_told(one[key], digits, unit)} {unit}"
                for name, key, digits, unit in (
                    ("v", "speed_mps", 2, display_unit(Unit.METRE_PER_SECOND, units)),
                    ("F", "force_n", 0, display_unit(Unit.NEWTON, units)),
                    ("i", "set_point_a", 1, "A"),
                )
            )
            rows.append((one["at_s"], f"{one['state']:13} {numbers} {' '.join(one['faults'])}"))
    out += [f"{at_s:+9.3f} s  {text}" for at_s, text in sorted(rows, key=lambda row: row[0])]
    return out
