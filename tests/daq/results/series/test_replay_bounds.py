"""A recording from elsewhere may hold anything: what is kept of its events is bounded."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest

from daq.recording.reader import Recording
from daq.recording.recorder import RecordKind
from daq.results.series import replay as module
from daq.results.series.replay import Replay, gather
from tests.daq.synthetic_run import RunWriter, record_run


def replayed(folder: Path, told: list[object], kind: RecordKind = RecordKind.EVENT) -> Replay:
    def play(writer: RunWriter) -> None:
        for each in told:
            writer.note(kind, msgspec.msgpack.encode(each))

    folder.mkdir()
    record_run(folder / "raw.drm", play)
    replay = Replay(Recording(folder / "raw.drm"))
    gather(replay.chunks())
    return replay


def test_events_are_kept_up_to_a_number_and_a_size_and_the_end_always(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    end = {"kind": "run-ended", "text": "The hold is over."}
    monkeypatch.setattr(module, "MOST_EVENTS", 50)
    note = {"kind": "note", "time_s": 1.0}
    many = replayed(tmp_path / "many", [*(note,) * 900, end])
    assert len(many.events) == 50
    assert many.events[-1]["text"] == "The hold is over."
    assert many.events_left_out == 851
    monkeypatch.setattr(module, "MOST_EVENT_BYTES", 10_000)
    large = replayed(tmp_path / "large", [*({"kind": "note", "text": "x" * 900},) * 40, end])
    assert len(msgspec.json.encode(large.events)) < 10_500
    assert large.events[-1] == end


@pytest.mark.parametrize(
    "event",
    [
        {"time_s": float("nan")},
        {"time_s": float("inf"), "kind": 7},
        {"time_s": 1e300},
        {"kind": "set-point", "data": {"quantity": "rpm", "set_point": "much"}},
        {"kind": ["run-ended"], "data": [1]},
    ],
)
def test_an_event_that_makes_no_sense_stops_nothing(tmp_path: Path, event: object) -> None:
    assert len(replayed(tmp_path / "run", [event, {"kind": "note"}]).events) == 2


def test_set_points_asked_for_and_never_answered_are_few(tmp_path: Path) -> None:
    asked = [
        {"command": "adjust", "id": number, "quantity": "rpm", "set_point": 1.0}
        for number in range(2 * module.MOST_ADJUSTING)
    ]
    replay = replayed(tmp_path / "run", asked, RecordKind.COMMAND)
    assert len(replay._adjusting) == module.MOST_ADJUSTING
