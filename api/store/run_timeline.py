"""What happened in a run, in order: events.json of its folder as moments since the test began.

Data flow: events.json (written when the run is closed) -> RunMoment -> HTTP, the page.
"""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Any

import msgspec

from api.store.closing.evaluating import read_events
from daq.texts.message import Text

MOST = 1000
BEGIN = "run-started"
UNTOLD = frozenset({"state"})  # the change of state that its cause tells as well


class RunMoment(msgspec.Struct, frozen=True):
    """`at_s`: since the test began; negative before it. `kind` as `control.telemetry.Event` has."""

    at_s: float
    kind: str
    text: Text


def timeline(folder: Path) -> list[RunMoment]:
    """The moments of a run, oldest first, at most `MOST`; [] where none were kept."""
    told = [one for one in (_moment(event) for event in read_events(folder)) if one is not None]
    begin_s = next((one.at_s for one in told if one.kind == BEGIN), told[0].at_s if told else 0.0)
    return [
        msgspec.structs.replace(one, at_s=one.at_s - begin_s)
        for one in told
        if one.kind not in UNTOLD
    ][:MOST]


def _moment(event: dict[str, Any]) -> RunMoment | None:
    with contextlib.suppress(msgspec.ValidationError):
        return msgspec.convert(
            {"at_s": event.get("time_s"), "kind": event.get("kind"), "text": event.get("text")},
            RunMoment,
        )
    return None  # written by hand, or by a version to come
