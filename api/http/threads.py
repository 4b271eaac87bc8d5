"""The threads of a listener's process for what blocks: catalogue, files, sockets."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from concurrent.futures import ThreadPoolExecutor


@contextlib.asynccontextmanager
async def blocking_threads(count: int) -> AsyncIterator[None]:
    """A bounded pool behind asyncio.to_thread, ended with the block."""
    loop = asyncio.get_running_loop()
    pool = ThreadPoolExecutor(count, "service")
    loop.set_default_executor(pool)
    try:
        yield
    finally:
        loop.set_default_executor(ThreadPoolExecutor(count, "after service"))
        pool.shutdown(wait=True, cancel_futures=True)
