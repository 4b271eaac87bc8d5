"""Leftovers are failures: a test that leaves a task, thread, child process or open file fails.

Warnings are errors already (pyproject.toml). The checks allow a short grace, because a thread
that was told to end may need a moment, and then name what is left.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import inspect
import os
import threading
import time
from collections import Counter
from collections.abc import AsyncIterator, Callable, Generator, Iterator
from pathlib import Path

import pytest

from tests import evidence

GRACE_S = 20.0  # beside live tests the others get little of a processor
MOST_TOLD = 20
LONGEST = (  # alone or as a file on one worker, the longest first
    "test_install.py", "test_demo.py", "test_schemathesis.py",
    "test_rolls_page.py", "test_views.py", "test_real_rig.py", "test_page_shape.py",
)  # fmt: skip


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Every asynchronous test also gets the check for tasks, as its outermost fixture.

    What takes longest comes first, so that no worker waits for another at the end. What drives a
    browser comes last, a file on one worker: it keeps an event loop in the main thread, beside
    which no asynchronous test can run.
    """
    items.sort(key=_turn)
    for item in items:
        if item.get_closest_marker("browser") is not None:
            item.add_marker(pytest.mark.xdist_group(item.path.stem))
        if isinstance(item, pytest.Function) and inspect.iscoroutinefunction(item.obj):
            item.fixturenames.insert(0, "no_task_left")


def _turn(item: pytest.Item) -> tuple[bool, int]:
    name = item.path.name
    return (
        item.get_closest_marker("browser") is not None,
        LONGEST.index(name) if name in LONGEST else len(LONGEST),
    )


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Where the time went: the files that took longest, set-up and all their tests together."""
    took: Counter[str] = Counter()
    for reports in terminalreporter.stats.values():
        for report in reports:
            if isinstance(report, pytest.TestReport):
                took[report.nodeid.partition("::")[0]] += report.duration
    longest = [(file, seconds) for file, seconds in took.most_common(MOST_TOLD) if seconds >= 1.0]
    if longest:
        terminalreporter.section(f"where {sum(took.values()):.0f} s went")
        for file, seconds in longest:
            terminalreporter.line(f"{seconds:7.1f} s  {file}")


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup() -> None:
    evidence.forget()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """A failure is told with what the processes and pages showed, while they still stand."""
    report = yield
    if report.failed:
        evidence.add_to(report)
    return report


@pytest.fixture
async def no_task_left() -> AsyncIterator[None]:
    """The test's event loop has no task of its own left when the test has ended."""
    before = asyncio.all_tasks()
    yield
    me = asyncio.current_task()

    def left() -> list[str]:
        tasks = asyncio.all_tasks() - before - {me}
        return sorted(repr(task) for task in tasks if not task.done())

    deadline = time.monotonic() + GRACE_S
    while left() and time.monotonic() < deadline:
        await asyncio.sleep(0.01)
    assert not left(), f"tasks left running: {left()}"


@pytest.fixture(autouse=True)
def no_leftovers() -> Iterator[None]:
    """Threads, child processes and file descriptors are as they were before the test."""
    threads, files, children = _threads(), _files(), _children()
    yield
    _expect_none("threads", lambda: sorted(set(_threads()) - set(threads)))
    _expect_none("child processes", lambda: _others(children, _children()))
    _expect_none("open files", lambda: _more(files, _files()))


def _expect_none(what: str, left: Callable[[], list[str]]) -> None:
    if not left():
        return
    gc.collect()
    deadline = time.monotonic() + GRACE_S
    while left() and time.monotonic() < deadline:
        time.sleep(0.02)
    assert not left(), f"{what} left behind: {left()}"


def _threads() -> list[str]:
    return [f"{thread.name} ({thread.ident})" for thread in threading.enumerate()]


def _children() -> list[str]:
    """What the kernel lists, which costs nothing; psutil reads every process of the computer."""
    found = []
    waiting = [os.getpid()]
    while waiting:
        number = waiting.pop()
        with contextlib.suppress(OSError):  # one that ends at this moment
            for task in os.listdir(f"/proc/{number}/task"):
                with contextlib.suppress(OSError):  # a thread of it that does
                    listed = Path(f"/proc/{number}/task/{task}/children").read_text("ascii")
                    waiting += map(int, listed.split())
            line = Path(f"/proc/{number}/cmdline").read_bytes().replace(b"\0", b" ").decode()
            # One started at this moment has no arguments yet, one that ended has none more.
            stat = Path(f"/proc/{number}/stat").read_text(encoding="utf-8")
            ended = stat.rpartition(")")[2].split()[0] in "ZX"
            # The interpreter's own helper, started once and kept until the end.
            if number != os.getpid() and not ended and "resource_tracker" not in line:
                found.append(f"{number} {line.strip()}")
    return found


def _others(before: list[str], now: list[str]) -> list[str]:
    """Children that were not there before, by number: one that just began has no words yet."""
    known = {one.partition(" ")[0] for one in before}
    return [one for one in now if one.partition(" ")[0] not in known]


def _files() -> list[str]:
    found = []
    for number in os.listdir("/proc/self/fd"):
        try:
            target = os.readlink(f"/proc/self/fd/{number}")
        except OSError:
            continue  # the listing's own
        found.append(f"{number} -> {target}")
    return found


def _more(before: list[str], after: list[str]) -> list[str]:
    """Descriptors open now and not before; those of the interpreter's own helper do not count."""
    tracker = _tracker_file()
    return [
        entry
        for entry in sorted(set(after) - set(before))
        if entry.split(" ", 1)[0] != tracker and "/proc/" not in entry
    ]


def _tracker_file() -> str:
    from multiprocessing import resource_tracker

    number = getattr(resource_tracker._resource_tracker, "_fd", None)
    return str(number)
