"""The whole demo over a pseudo-terminal: it runs, ends in order, survives rough handling."""

from __future__ import annotations

import json
import math
import os
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from daq.recording.reader import Recording
from daq.recording.recorder import RecordKind
from tests.api.launch.running import (
    LATE,
    TRIES,
    Demo,
    events_of,
    reasons,
    run,
    unattended,
)
from tests.ports import free_port

# Whole processes: seconds, but not on a busy computer.
pytestmark = [pytest.mark.live, pytest.mark.timeout(1800)]


def test_an_unattended_hold_is_stored_with_its_figures(tmp_path: Path) -> None:
    def start(data: Path) -> subprocess.CompletedProcess[str]:
        return run(
            "demo", "--data", str(data), "--listen", f":{free_port()}",
            "--unattended", "--seconds", "6", "--json",
        )  # fmt: skip

    told, raw = unattended(tmp_path, start, lambda data: data / "runs")
    assert told["rig_state_after"] == "ready"
    assert told["first_cause"] == ""
    assert told["worst_loop_period_ms"] > 0
    recording = Recording(raw)
    assert recording.header().run_id == told["run_id"]
    kinds = [event["kind"] for event in events_of(raw)]
    assert kinds[0] == "run-started"
    assert "run-ended" in kinds
    frames = sum(1 for record in recording if record.kind == RecordKind.RX)
    assert frames + told["lost_frames"] > 6 * 500
    assert recording.health.ended
    assert told["state"] == "closed"
    held = {one["name"]: one["value"] for one in told["result"]["figures"]}["mean_held"]
    assert abs(held * 30.0 / math.pi - 1900.0) < 19.0


def test_one_ctrl_c_under_load_eases_off_and_then_ends_everything(tmp_path: Path) -> None:
    with Demo(tmp_path) as demo:
        with demo.at_helm():
            run_id = demo.hold()
            demo.end(signal.SIGINT)
        assert demo.exit_code == 0, demo.said
        assert "Ended." in demo.said
    assert reasons(tmp_path / "runs" / run_id / "raw.drm") == ["eased-off"]
    memory = json.loads((tmp_path / "memory.json").read_text())
    assert memory["loaded"] is False
    assert memory["trip"] is None
    for module in ("api.runtime.loop", "api.launch.service", "simulator"):
        assert not demo.child(module)


def test_the_load_stays_while_the_service_is_killed_and_comes_off_when_the_helm_expires(
    tmp_path: Path,
) -> None:
    ended: list[str] = []
    with Demo(tmp_path) as demo:
        loop = demo.child("api.runtime.loop")
        while len(ended) < TRIES and set(ended) <= LATE:
            with demo.at_helm():
                run_id = demo.hold()
            demo.kill("api.launch.service")
            held_n = demo.truth()["rear_absorber_n"]
            demo.until("the service", demo.state)
            assert demo.child("api.runtime.loop") == loop, "the loop was not restarted"
            demo.until_state("ready", "parked", "tripped")
            demo.until("the ending", lambda: demo.truth()["rear_absorber_n"] < 200.0)
            raw = tmp_path / "runs" / run_id / "raw.drm"
            ended += demo.until("the recording's end", lambda raw=raw: reasons(raw))
    assert ended[-1] == "helm-expired", ended
    assert held_n > 200.0, "the loop holds on without the service"
    assert any("service process ended unexpectedly" in line for line in demo.said), demo.said


def test_a_killed_loop_lets_the_front_end_ease_off_and_comes_back_tripped(tmp_path: Path) -> None:
    with Demo(tmp_path) as demo:
        with demo.at_helm():
            while True:
                raw = tmp_path / "runs" / demo.hold() / "raw.drm"
                demo.until("a second of recording", lambda raw=raw: raw.stat().st_size > 30_000)
                if demo.state().get("state") == "loaded":  # not if this computer stood still
                    break
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
        with demo.at_helm():
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
    assert 0 not in (loop, service, simulator)
    parked.end(signal.SIGKILL)
    for number in (loop, service, simulator):
        _gone(number)


def _gone(number: int) -> None:
    import psutil

    try:
        psutil.Process(number).wait(120.0)
    except psutil.NoSuchProcess:
        return
