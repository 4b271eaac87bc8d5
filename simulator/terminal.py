"""The simulated rig behind a pseudo-terminal, in real time: the bytes of a real serial device.

Data flows: host -> pty -> Plant.receive; Plant.advance at absolute frame times -> pty -> host.
The terminal stays open while hosts come and go; a host that does not read loses whole bursts, as
on a real line, and the rig goes on.
"""

from __future__ import annotations

import contextlib
import gc
import os
import queue
import select
import termios
import time
import tty
from collections.abc import Callable
from pathlib import Path
from threading import Event
from typing import Any

from simulator.plant import Plant

LATE_LIMIT_S = 1.0  # behind by more (the process was stopped): the clock is set anew
STALE_S = 0.25  # nobody reads for so long: what lies in the terminal is thrown away
READ_SIZE = 4096


class LinkTaken(Exception):
    """The path for the link belongs to something else."""


class PseudoTerminal:
    """A raw pseudo-terminal whose slave end is reached by a symbolic link at `link`."""

    def __init__(self, link: Path) -> None:
        if link.is_symlink():
            link.unlink()
        elif link.exists():
            raise LinkTaken(f"{link} exists and is no link. Give another path with --link.")
        link.parent.mkdir(parents=True, exist_ok=True)
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave, termios.TCSANOW)
        os.set_blocking(self.master, False)
        self.name = os.ttyname(self._slave)
        self.link = link
        link.symlink_to(self.name)
        self._rest = b""
        self._blocked_since: float | None = None
        self.bursts_lost = 0

    def read(self) -> bytes:
        """What the host sent, b"" when there is nothing."""
        try:
            return os.read(self.master, READ_SIZE)
        except (BlockingIOError, InterruptedError):
            return b""

    def write(self, data: bytes, now_s: float) -> None:
        """Send a burst. Never blocks: when the line is full the burst is lost."""
        if self._rest:
            self._rest = self._rest[self._put(self._rest) :]
        if not self._rest:
            sent = self._put(data)
            if sent:
                self._rest = data[sent:]
                self._blocked_since = None
                return
        if not data:
            return
        self.bursts_lost += 1
        if self._blocked_since is None:
            self._blocked_since = now_s
        elif now_s - self._blocked_since > STALE_S:
            termios.tcflush(self._slave, termios.TCIFLUSH)
            self._rest = b"\0"  # ends whatever frame was cut
            self._blocked_since = None

    def _put(self, data: bytes) -> int:
        try:
            return os.write(self.master, data)
        except (BlockingIOError, InterruptedError):
            return 0

    def close(self) -> None:
        """Take the link away, if it is still ours, and close both ends."""
        with contextlib.suppress(OSError):
            if self.link.is_symlink() and str(self.link.readlink()) == self.name:
                self.link.unlink()
        os.close(self.master)
        os.close(self._slave)


class RealTime:
    """Runs a plant against the monotonic clock until told to stop."""

    def __init__(self, plant: Plant, terminal: PseudoTerminal) -> None:
        self.plant = plant
        self.terminal = terminal
        self._jobs: queue.SimpleQueue[Callable[[], None]] = queue.SimpleQueue()
        self.stop = False
        self.late_frames = 0  # begun more than one period late
        self.worst_late_s = 0.0
        self.clock_set_anew = 0

    def ask(self, job: Callable[[], Any], timeout_s: float = 8.0) -> Any:
        """Run `job` between two frames, from another thread; gives its result or raises its error.

        Raises TimeoutError when the loop does not get to it within `timeout_s`.
        """
        done = Event()
        answer: list[Any] = []
        failure: list[BaseException] = []

        def run() -> None:
            try:
                answer.append(job())
            except Exception as error:
                failure.append(error)
            done.set()

        self._jobs.put(run)
        if not done.wait(timeout_s):
            raise TimeoutError(f"Waited {timeout_s:g} s for the simulation to answer.")
        if failure:
            raise failure[0]
        return answer[0]

    def run(self, after_frame: Callable[[], None] | None = None) -> None:
        """One frame per period at absolute times; returns soon after `stop` is set."""
        plant, terminal, clock = self.plant, self.terminal, time.monotonic
        period = plant.world.period_s
        gc.collect()
        gc.freeze()
        start, frames = clock(), 0
        last_frame = start
        while not self.stop:
            due = start + (frames + 1) * period
            while (wait := due - clock()) > 0.0:
                ready, _, _ = select.select([terminal.master], [], [], wait)
                if ready:
                    # after a stop of this process no byte is later than the frame it falls into
                    later = min(max(clock() - last_frame, 0.0), period)
                    plant.receive(terminal.read(), later)
                    if plant.front_end.out:
                        terminal.write(plant.replies(), clock())
            late = -wait
            if late > LATE_LIMIT_S:
                start, frames = clock(), 0
                self.clock_set_anew += 1
            else:
                frames += 1
            if late > period:
                self.late_frames += 1
                while data := terminal.read():
                    plant.receive(data)
            self.worst_late_s = max(self.worst_late_s, late)
            last_frame = due
            data = plant.advance()
            if data:
                terminal.write(data, clock())
            if after_frame is not None:
                after_frame()
            while not self._jobs.empty():
                self._jobs.get()()
