"""The supervisor: restarts what may be restarted, ends in order, and is missed when it is gone."""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import sys
import time
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest

from api.runtime import supervisor as supervising
from api.runtime.protection import protection
from api.runtime.supervisor import CONFIGURATION_EXIT, ChildSpec, Ended, Supervisor

# A child that says it is up by making a file, notes its end in another, and ends on SIGTERM or
# when its supervisor is gone.
CHILD = """
import asyncio, pathlib, signal, sys
from api.runtime.supervisor import parent_gone

async def main(name, folder, stubborn):
    end = asyncio.Event()
    loop = asyncio.get_running_loop()
    loop.add_signal_handler(signal.SIGTERM, (lambda: None) if stubborn else end.set)
    parent_gone(end.set)
    (folder / f"{name}.up").write_text("up")
    await end.wait()
    with open(folder / "ends", "a") as file:
        file.write(name + "\\n")

asyncio.run(main(sys.argv[1], pathlib.Path(sys.argv[2]), len(sys.argv) > 3))
"""


def process_id(supervisor: Supervisor, name: str) -> int:
    """Of a running child."""
    return supervisor._children[name][1].pid


def up(file: Path) -> Callable[[], Awaitable[bool]]:
    async def ready() -> bool:
        return file.exists()

    return ready


def child(
    name: str, folder: Path, *more: str, code: str = CHILD, ends_within_s: float = 60.0
) -> ChildSpec:
    return ChildSpec(
        name=name,
        arguments=("-c", code, name, str(folder), *more),
        ready=up(folder / f"{name}.up"),
        ends_within_s=ends_within_s,
        on_death="Nothing is lost.",
    )


async def test_children_end_one_after_the_other_in_the_order_asked(tmp_path: Path) -> None:
    said: list[str] = []
    supervisor = Supervisor(said.append)
    await supervisor.start([child("loop", tmp_path), child("service", tmp_path)])
    await supervisor.stop(["loop", "service"])
    assert (tmp_path / "ends").read_text().split() == ["loop", "service"]
    assert said == []


async def test_when_memory_runs_out_what_matters_less_is_ended_first(tmp_path: Path) -> None:
    supervisor = Supervisor(lambda _: None)
    specs = [
        msgspec.structs.replace(child(name, tmp_path), oom_score=score)
        for name, score in (("helm", 210), ("service", 510))
    ]
    await supervisor.start(specs)
    scores = [protection(process_id(supervisor, spec.name)).oom_score_adj for spec in specs]
    await supervisor.stop(["helm", "service"])
    assert scores == [210, 510]


LOCKED = """
import os
from api.runtime.protection import lock_pages, protection
allowed = lock_pages()
print(allowed, (protection(os.getpid()).locked_mb or 0.0) > 1.0)
"""


def test_pages_are_locked_where_that_is_allowed_and_the_status_says_which() -> None:
    said = subprocess.check_output([sys.executable, "-c", LOCKED], text=True).split()
    assert said in (["True", "True"], ["False", "False"])


async def test_a_killed_child_is_reported_and_started_again(tmp_path: Path) -> None:
    said: list[str] = []
    supervisor = Supervisor(said.append)
    await supervisor.start([child("service", tmp_path)])
    first = process_id(supervisor, "service")
    (tmp_path / "service.up").unlink()
    os.kill(first, signal.SIGKILL)
    while not (tmp_path / "service.up").exists():
        await asyncio.sleep(0.01)
    assert process_id(supervisor, "service") != first
    assert supervisor.restarts == {"service": 1}
    assert said == ["The service ended unexpectedly (signal SIGKILL). Nothing is lost."]
    await supervisor.stop(["service"])


async def test_a_child_the_system_refuses_to_start_again_is_not_forgotten(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(supervising, "_SPAWN_AGAIN_S", 0.01)
    said: list[str] = []
    supervisor = Supervisor(said.append)
    await supervisor.start([child("service", tmp_path)])
    (tmp_path / "service.up").unlink()
    refuse_processes(monkeypatch, [BlockingIOError(11, "no room"), RuntimeError("no thread")])
    os.kill(process_id(supervisor, "service"), signal.SIGKILL)
    while not (tmp_path / "service.up").exists():
        await asyncio.sleep(0.01)
    assert supervisor.restarts == {"service": 1}
    assert said[1:] == [
        "The service cannot be started ([Errno 11] no room); tried again in 0.01 s.",
        "The service cannot be started (no thread); tried again in 0.02 s.",
    ]
    os.kill(process_id(supervisor, "service"), signal.SIGKILL)
    (tmp_path / "service.up").unlink()
    while not (tmp_path / "service.up").exists():
        await asyncio.sleep(0.01)
    assert supervisor.restarts == {"service": 2}, "it is still watched"
    await supervisor.stop(["service"])


async def test_refusals_count_as_deaths_and_end_all_in_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(supervising, "_SPAWN_AGAIN_S", 0.0)
    supervisor = Supervisor(lambda text: None)
    await supervisor.start([child("loop", tmp_path), child("service", tmp_path)])
    refuse_processes(monkeypatch, [BlockingIOError(11, "no room")] * 100)
    os.kill(process_id(supervisor, "loop"), signal.SIGKILL)
    with pytest.raises(Ended, match="The system refuses the process"):
        await supervisor.watch(asyncio.Event())
    await supervisor.stop(["loop", "service"])
    assert (tmp_path / "ends").read_text().split() == ["service"]


async def test_a_start_that_the_system_refuses_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    refuse_processes(monkeypatch, [BlockingIOError(11, "no room")])
    supervisor = Supervisor(lambda text: None)
    with pytest.raises(Ended, match="cannot be started"):
        await supervisor.start([child("loop", tmp_path)])
    await supervisor.stop(["loop"])


async def test_a_watcher_that_fails_is_read_and_ends_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    supervisor = Supervisor(lambda text: None)
    await supervisor.start([child("service", tmp_path)])

    async def broken(spec: ChildSpec) -> None:
        raise ValueError("a defect of ours")

    monkeypatch.setattr(supervisor, "_spawn", broken)
    os.kill(process_id(supervisor, "service"), signal.SIGKILL)
    with pytest.raises(Ended, match="a defect of ours"):
        await supervisor.watch(asyncio.Event())
    await supervisor.stop(["service"])


def refuse_processes(monkeypatch: pytest.MonkeyPatch, errors: list[Exception]) -> None:
    """The next processes asked for are refused with these, the others made."""
    make = asyncio.create_subprocess_exec
    left = list(errors)

    async def asked(*arguments: Any, **named: Any) -> Any:
        if left:
            raise left.pop(0)
        return await make(*arguments, **named)

    monkeypatch.setattr(asyncio, "create_subprocess_exec", asked)


async def test_a_child_that_rejects_its_configuration_is_not_started_again(tmp_path: Path) -> None:
    code = (
        "import pathlib, sys; pathlib.Path(sys.argv[2], 'x.up').touch(); "
        f"sys.exit({CONFIGURATION_EXIT})"
    )
    supervisor = Supervisor(lambda text: None)
    spec = child("x", tmp_path, code=code)
    await supervisor.start([spec])
    with pytest.raises(Ended) as caught:
        await supervisor.watch(asyncio.Event())
    assert caught.value.exit_code == CONFIGURATION_EXIT
    assert supervisor.restarts == {}
    await supervisor.stop(["x"])


async def test_a_child_that_ends_while_starting_ends_the_start(tmp_path: Path) -> None:
    supervisor = Supervisor(lambda text: None)
    with pytest.raises(Ended, match="ended while starting"):
        await supervisor.start([child("x", tmp_path, code="raise SystemExit(3)")])
    await supervisor.stop(["x"])


async def test_a_child_that_never_gets_ready_is_named_with_the_time_waited(tmp_path: Path) -> None:
    supervisor = Supervisor(lambda text: None)
    spec = ChildSpec("x", ("-c", CHILD, "y", str(tmp_path)), up(tmp_path / "never"), 0.3)
    with pytest.raises(Ended, match=r"not ready within 0\.3 s"):
        await supervisor.start([spec])
    await supervisor.stop(["x"])


async def test_a_child_that_does_not_end_in_its_time_is_killed_and_said(tmp_path: Path) -> None:
    said: list[str] = []
    supervisor = Supervisor(said.append)
    await supervisor.start([child("x", tmp_path, "stubborn", ends_within_s=0.3)])
    await supervisor.stop(["x"])
    assert said == ["The x did not end within 0.3 s: killed."]


async def test_a_frozen_child_is_woken_and_ends_in_order(tmp_path: Path) -> None:
    supervisor = Supervisor(lambda text: None)
    await supervisor.start([child("x", tmp_path)])
    os.kill(process_id(supervisor, "x"), signal.SIGSTOP)
    await supervisor.stop(["x"])
    assert (tmp_path / "ends").read_text().split() == ["x"]


def test_children_end_by_themselves_when_the_supervisor_is_killed(tmp_path: Path) -> None:
    outer = f"""
import asyncio, os, pathlib, signal
from tests.api.runtime.test_supervisor import child
from api.runtime.supervisor import Supervisor

async def main():
    folder = pathlib.Path({str(tmp_path)!r})
    supervisor = Supervisor(print)
    await supervisor.start([child("loop", folder)])
    os.kill(os.getpid(), signal.SIGKILL)

asyncio.run(main())
"""
    done = subprocess.run([sys.executable, "-c", outer], check=False, timeout=300)
    assert done.returncode == -signal.SIGKILL
    while not (tmp_path / "ends").exists() or not (tmp_path / "ends").read_text():
        time.sleep(0.01)  # the suite's timeout is the limit
    assert (tmp_path / "ends").read_text().split() == ["loop"]
