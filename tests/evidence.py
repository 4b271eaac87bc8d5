"""What a failed test tells besides its traceback: state, faults and logs of what it drove.

Whoever drives processes or a browser says here what to look at (`looked_at`); the report of a test
that fails in the meantime holds the answers. What has ended by then is noted as it ends (`note`).
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

LOG_LINES = 40  # of each process

_open: dict[str, Callable[[], str]] = {}
_noted: list[tuple[str, str]] = []


@contextlib.contextmanager
def looked_at(name: str, look: Callable[[], str]) -> Iterator[None]:
    """Until the end of the block a failing test's report holds what `look` finds."""
    _open[name] = look
    try:
        yield
    except BaseException:
        note(name, _tried(look))
        raise
    finally:
        del _open[name]


def note(name: str, text: str) -> None:
    """Kept for the report of the test that runs, in case it fails."""
    _noted.append((name, text))


def forget() -> None:
    """Another test begins."""
    _noted.clear()


def add_to(report: pytest.TestReport) -> None:
    """Everything that was noted, and what stands open now."""
    found = [*_noted, *((name, _tried(look)) for name, look in _open.items())]
    report.sections += [(f"seen: {name}", text) for name, text in found]


def tail(log: Path, lines: int = LOG_LINES) -> str:
    """The last lines of a process's log."""
    found = log.read_text(encoding="utf-8", errors="replace").splitlines()
    return "\n".join(found[-lines:])


def state_of(told: dict[str, Any]) -> str:
    """A snapshot of the rig in a few lines: state, cause, helm, test, faults, the loop's health."""
    faults = [one.get("code") for one in told.get("faults") or () if one.get("active", True)]
    shown = {name: told.get(name) for name in ("state", "first_cause", "helm", "test", "age_s")}
    return json.dumps({**shown, "faults": faults, "health": told.get("health")}, default=str)


def _tried(look: Callable[[], str]) -> str:
    try:
        return look()
    except Exception as error:  # a dead process answers nothing; the report says so
        return f"nothing to be seen: {error!r}"
