"""The whole demo over a pseudo-terminal: it runs, ends in order, survives rough handling."""

from __future__ import annotations

import json
import math
import os
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest

from daq.recording.reader import Recording
from daq.recording.recorder import RecordKind
from tests.api.launch.running import Demo, free_port, run

# Whole processes: seconds, but not on a busy computer.
pytestmark = [pytest.mark.live, pytest.mark.timeout(400)]


def events_of(raw: Path) -> list[dict[str, Any]]:
    """Events of a recording, in order."""
    return [
        msgspec.msgpack.decode(record.payload)
        for record in Recording(raw)
        if record.kind == RecordKind.EVENT
    ]


def reasons(raw: Path) -> list[str]:
    """Why the run of this recording ended; once, if all is well."""
    return [event["data"]["reason"] for event in events_of(raw) if event["kind"] == "run-ended"]


def test_an_unattended_hold_is_stored_with_its_figures(tmp_path: Path) -> None:
    done = run(
        "demo", "--data", str(tmp_path), "--listen", f":{free_port()}",
        "--unattended", "--seconds", "6", "--json", timeout_s=280,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["rig_state_after"] == "ready"
    assert told["first_cause"] == ""
    assert told["lost_frames"] == 0
    assert told["worst_loop_period_ms"] > 0
    raw = tmp_path / "runs" / told["run_id"] / "raw.drm"
    recording = Recording(raw)
    assert recording.header().run_id == told["run_id"]
    kinds = [event["kind"] for event in events_of(raw)]
    assert kinds[0] == "run-started"
    assert "run-ended" in kinds
    assert sum(1 for record in recording if record.kind == RecordKind.RX) > 6 * 500
    assert recording.health.ended
    assert told["state"] == "closed"
    held = {one["name"]: one["value"] for one in told["result"]["figures"]}["mean_held"]
    assert abs(held * 30.0 / math.pi - 1900.0) < 19.0


def test_one_ctrl_c_under_load_eases_off_and_then_ends_everything(tmp_path: Path) -> None:
    with Demo(tmp_path) as demo:
        run_id = demo.hold()
        demo.end(signal.SIGINT)
    assert demo.exit_code == 0, demo.said
    assert demo.said[-1] == "Ended."
    ended = [
        e for e in events_of(tmp_path / "runs" / run_id / "raw.drm") if e["kind"] == "run-ended"
    ]
    assert [event["data"]["reason"] for event in ended] == ["eased-off"]  # type: ignore[index]
    memory = json.loads((tmp_path / "memory.json").read_text())
    assert memory["loaded"] is False
    assert memory["trip"] is None
    for module in ("api.runtime.loop", "api.launch.service", "simulator"):
        assert not demo.child(module)


def test_the_load_stays_while_the_service_is_killed_and_comes_off_when_the_helm_expires(
    tmp_path: Path,
) -> None:
    with Demo(tmp_path) as demo:
        run_id = demo.hold()
        loop = demo.child("api.runtime.loop")
        demo.kill("api.launch.service")
        assert demo.truth()["rear_absorber_n"] > 200.0, "the loop holds on without the service"
        demo.until("the service", demo.state)
        assert demo.child("api.runtime.loop") == loop, "the loop was not restarted"
        demo.until_state("ready", "parked")
        demo.until("the ending", lambda: demo.truth()["rear_absorber_n"] < 200.0)
    assert any("service process ended unexpectedly" in line for line in demo.said), demo.said
    assert reasons(tmp_path / "runs" / run_id / "raw.drm") == ["helm-expired"]


def test_a_killed_loop_lets_the_front_end_ease_off_and_comes_back_tripped(tmp_path: Path) -> None:
    with Demo(tmp_path) as demo:
        run_id = demo.hold()
        raw = tmp_path / "runs" / run_id / "raw.drm"
        demo.keep_until("a second of recording", lambda: raw.stat().st_size > 30_000)
        demo.kill("api.runtime.loop")
        demo.until("the front end's easing", lambda: demo.truth()["rear-left_current_a"] < 0.5)
        state = demo.until_state("tripped")
        assert state["first_cause"] == "host-restarted"
        code, problem = demo.problem("/api/ready", {})
        assert 400 <= code < 500
        assert problem["remedy"]
    assert any("loop process ended unexpectedly" in line for line in demo.said), demo.said
    recording = Recording(raw)
    frames = sum(1 for record in recording if record.kind == RecordKind.RX)
    assert frames > 250, "what was recorded before the kill is readable"
    assert not recording.health.ended


def test_a_frozen_loop_lets_the_front_end_ease_off_by_its_own_clock(tmp_path: Path) -> None:
    with Demo(tmp_path) as demo:
        demo.hold()
        frozen = demo.kill("api.runtime.loop", signal.SIGSTOP)
        demo.until("the front end's easing", lambda: demo.truth()["rear-left_current_a"] < 0.5)
        os.kill(frozen, signal.SIGCONT)
        state = demo.until_state("ready", "parked", "tripped")
        assert demo.truth()["rear-left_current_a"] < 0.5, state


@pytest.fixture(scope="module")
def parked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Demo]:
    """A demo that nobody loads, for all tests below; the last of them ends it."""
    with Demo(tmp_path_factory.mktemp("parked")) as demo:
        yield demo


def test_a_second_start_says_who_runs_already(parked: Demo) -> None:
    second = run("demo", "--data", str(parked.data), "--listen", f":{free_port()}")
    assert second.returncode == 2
    assert "already runs" in second.stderr
    assert "Traceback" not in second.stderr
    assert parked.state() is not None


def test_the_driver_is_told_by_a_command(parked: Demo) -> None:
    told = run("driver", "pedal", "60", "--data", str(parked.data))
    assert told.returncode == 0, told.stderr
    parked.until("the pedal", lambda: parked.truth()["pedal"] > 0.55)
    wrong = run("driver", "sing", "--data", str(parked.data))
    assert wrong.returncode == 2
    assert "pedal PERCENT" in wrong.stderr


def test_everything_ends_when_the_supervisor_is_killed(parked: Demo) -> None:
    loop = parked.child("api.runtime.loop")
    service = parked.child("api.launch.service")
    simulator = parked.child("simulator")
    parked.end(signal.SIGKILL)
    for number in (loop, service, simulator):
        _gone(number)


def _gone(number: int) -> None:
    import psutil

    try:
        psutil.Process(number).wait(30.0)
    except psutil.NoSuchProcess:
        return
