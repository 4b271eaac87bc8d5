"""The one place that owns the tasks of a process: none ends unread.

Data flow: `keep` runs a job for ever and starts it again when it fails or returns; `start` runs
work once and tells whoever is to know when it failed, or the log. `stop` ends all.
A task that only asyncio holds would end with an exception that nobody reads, and what it watched
would go on unwatched.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable, Coroutine
from typing import Any, TypeVar

AGAIN_S = 1.0
T = TypeVar("T")

log = logging.getLogger("drumlin.tasks")


class Tasks:
    """The tasks of one owner. For use on one event loop."""

    def __init__(self) -> None:
        self._tasks: set[asyncio.Task[Any]] = set()

    def __len__(self) -> int:
        return len(self._tasks)

    def start(
        self,
        name: str,
        work: Coroutine[Any, Any, T],
        failed: Callable[[BaseException], None] | None = None,
    ) -> asyncio.Task[T]:
        """Run `work` once. A failure goes to `failed`; without one it is logged."""
        task = asyncio.create_task(work, name=name)
        self._tasks.add(task)

        def done(ended: asyncio.Task[T]) -> None:
            self._tasks.discard(ended)
            error = None if ended.cancelled() else ended.exception()
            if error is None:
                return
            if failed is not None:
                failed(error)
            else:
                log.error("The task '%s' failed.", name, exc_info=error)

        task.add_done_callback(done)
        return task

    def keep(self, name: str, job: Callable[[], Awaitable[None]], again_s: float = AGAIN_S) -> None:
        """Run `job` for ever: a defect in one job must not end the others, nor go unseen."""

        async def for_ever() -> None:
            while True:
                try:
                    await job()
                except Exception:
                    log.exception("The %s failed and starts again.", name)
                await asyncio.sleep(again_s)

        self.start(name, for_ever())

    async def end(self) -> None:
        """Wait for what was started to end by itself."""
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def stop(self) -> None:
        """Cancel all and wait for their end."""
        tasks = list(self._tasks)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
