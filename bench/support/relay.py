"""A cable that can be pulled: passes bytes between a port and a pseudo-terminal of its own.

`python -m bench.support.relay --port PORT --link LINK`: SIGUSR1 pulls it (the terminal at LINK is
gone, as a USB adapter would be), SIGUSR2 puts it in again. Ends with standard input.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import select
import signal
import threading
import tty
from pathlib import Path

PRIORITY = 30  # of the real-time class: a cable does not wait


def _main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--port", type=Path, required=True)
    parser.add_argument("--link", type=Path, required=True)
    told = parser.parse_args()
    wanted = [True]
    ended = threading.Event()
    signal.signal(signal.SIGUSR1, lambda *_: wanted.__setitem__(0, False))
    signal.signal(signal.SIGUSR2, lambda *_: wanted.__setitem__(0, True))

    def watch_input() -> None:
        while os.read(0, 1024):
            pass
        ended.set()

    threading.Thread(target=watch_input, daemon=True).start()
    with contextlib.suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(PRIORITY))
    board = os.open(told.port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    tty.setraw(board)
    ours: int | None = None
    while not ended.is_set():
        if wanted[0] and ours is None:
            ours, theirs = os.openpty()
            tty.setraw(theirs)
            os.set_blocking(ours, False)
            told.link.symlink_to(os.ttyname(theirs))
        elif not wanted[0] and ours is not None:
            told.link.unlink()
            os.close(theirs)
            os.close(ours)  # whoever holds the other end sees it hang up
            ours = None
        ready, _, _ = select.select([board] if ours is None else [board, ours], [], [], 0.02)
        for source in ready:
            goal = ours if source == board else board
            with contextlib.suppress(OSError):  # full or gone: bytes are lost, as on a cable
                data = os.read(source, 4096)
                if goal is not None:
                    os.write(goal, data)
    if ours is not None:
        told.link.unlink(missing_ok=True)


if __name__ == "__main__":
    _main()
