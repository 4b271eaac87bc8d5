"""A job that does what a test wants; in a module of its own, because a worker loads it."""

from __future__ import annotations

import os
import signal
import time
from typing import ClassVar

from api.jobs.job import Job


class Told(Job, frozen=True):
    """A job that does what a test wants."""

    how: str
    memory_mb: ClassVar[int] = 64

    def run(self) -> bytes:
        if self.how == "pid":
            return str(os.getpid()).encode()
        if self.how == "work":
            until_s = time.process_time() + 0.3
            while time.process_time() < until_s:
                pass
        if self.how == "memory":
            bytearray(512 << 20)
        if self.how == "much":
            return bytes(1000)
        if self.how == "crash":
            os.kill(os.getpid(), signal.SIGKILL)
        if self.how == "hang":
            time.sleep(60.0)
        return self.how.encode()
