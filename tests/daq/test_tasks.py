"""Tasks have one owner in each process, and none ends unread."""

from __future__ import annotations

import ast
import asyncio
from pathlib import Path

import pytest

from daq.tasks import Tasks

ROOT = Path(__file__).parents[2]
MAKERS = {"create_task", "ensure_future"}


async def test_work_that_fails_is_told_to_whoever_is_to_know() -> None:
    told: list[BaseException] = []
    tasks = Tasks()

    async def work() -> None:
        raise BlockingIOError(11, "Resource temporarily unavailable")

    tasks.start("watch", work(), told.append)
    while not told:
        await asyncio.sleep(0)
    assert isinstance(told[0], BlockingIOError)
    assert len(tasks) == 0


async def test_without_anybody_to_know_it_is_logged(caplog: pytest.LogCaptureFixture) -> None:
    tasks = Tasks()

    async def work() -> None:
        raise ValueError("out of paper")

    task = tasks.start("printer", work())
    await asyncio.wait([task])
    await asyncio.sleep(0)
    assert "printer" in caplog.text
    assert "out of paper" in caplog.text


async def test_a_job_that_is_kept_begins_again_after_every_end(
    caplog: pytest.LogCaptureFixture,
) -> None:
    tasks = Tasks()
    begun = 0

    async def job() -> None:
        nonlocal begun
        begun += 1
        if begun == 1:
            raise ValueError("first")

    tasks.keep("job", job, again_s=0.0)
    while begun < 3:
        await asyncio.sleep(0)
    await tasks.stop()
    assert caplog.text.count("The job failed and starts again.") == 1


async def test_stopping_ends_all_and_waits_for_what_they_put_away() -> None:
    tasks = Tasks()
    put_away: list[str] = []

    async def work() -> None:
        try:
            await asyncio.Event().wait()
        finally:
            await asyncio.sleep(0)
            put_away.append("tools")

    tasks.start("work", work())
    await asyncio.sleep(0)
    await tasks.stop()
    assert put_away == ["tools"]
    assert len(tasks) == 0


def test_nobody_else_makes_tasks() -> None:
    """A task group is no exception: it raises what its tasks raise."""
    found = []
    for path in [
        file for room in ("daq", "control", "api") for file in (ROOT / room).rglob("*.py")
    ]:
        if path == ROOT / "daq" / "tasks.py":
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Attribute):
                continue
            if node.func.attr in MAKERS and ast.unparse(node.func.value) != "group":
                found.append(f"{path.relative_to(ROOT)}:{node.lineno}")
    assert found == []
