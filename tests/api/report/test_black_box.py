"""The black box of a trip can be read by a command and names what led to it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from api.cli.main import app
from api.report.black_box import lines, names, path_of, story
from control.telemetry import State
from daq.errors import RecordingError
from daq.quantities import UnitSystem
from tests.api.runtime.test_engine import Stand


async def tripped(data: Path) -> None:
    """A run under load, stopped by the stop chain."""
    stand = Stand(data)
    await stand.loaded()
    await stand.run(2.0)
    stand.plant.front_end.chain_closed = False
    await stand.run(0.5)
    assert stand.engine.core.state is State.TRIPPED
    stand.engine.close()


async def test_the_story_of_a_trip_is_told_backwards_from_it(tmp_path: Path) -> None:
    await tripped(tmp_path)
    told = story(path_of(tmp_path, ""))
    assert told["first_cause"] == "stop-chain-open"
    assert told["whole"]
    assert told["seconds"] > 5.0
    trip = [
        each for each in told["events"] if str(each["text"]).endswith("tripped: stop-chain-open")
    ]
    assert [each["at_s"] for each in trip] == [0.0]
    commands = [each["text"] for each in told["events"] if each["what"] == "command"]
    assert [text.split()[0] for text in commands] == [
        "take-helm", "zero-cells", "acknowledge", "make-ready", "start-test",
    ]  # fmt: skip
    last = told["decisions"][-1]
    assert last["state"] == "loaded"
    assert last["at_s"] <= 0.0
    # At light load a single set point may be zero for a moment: look at the last second.
    second = [each["set_point_a"] for each in told["decisions"] if each["at_s"] > -1.0]
    assert all(max(currents) > 0.0 for currents in zip(*second, strict=True))
    assert len(story(path_of(tmp_path, ""), last_s=1.0)["decisions"]) <= 11
    text = "\n".join(lines(told))
    assert "first cause: stop-chain-open" in text
    assert "+0.000 s" in text
    assert " km/h F " in text
    assert " mph F " in "\n".join(lines(told, UnitSystem.US))

    runner = CliRunner()
    listed = runner.invoke(app, ["blackbox", "--list", "--data", str(tmp_path)])
    assert listed.output.split() == names(tmp_path)
    listed = runner.invoke(app, ["blackbox", "--list", "--json", "--data", str(tmp_path)])
    assert json.loads(listed.output) == {"blackboxes": names(tmp_path)}
    asked = runner.invoke(app, ["blackbox", "--json", "--data", str(tmp_path)])
    assert json.loads(asked.output)["first_cause"] == "stop-chain-open"
    said = runner.invoke(app, ["blackbox", "--data", str(tmp_path), "--last", "2"])
    assert "stop-chain-open" in said.output


def test_no_black_box_and_no_such_black_box_are_said(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="There is no black box in"):
        path_of(tmp_path, "")
    (tmp_path / "blackbox").mkdir()
    (tmp_path / "blackbox" / "20260101-000000-0001.drm").write_bytes(b"")
    with pytest.raises(RecordingError, match=r"no black box '\.\./secret'"):
        path_of(tmp_path, "../secret")
