"""The instrument of bench.loop: a front end on a pseudo-terminal that times each answer.

It runs the simulated rig in real time and notes, for every sample frame, how long it takes from
writing it until a set point of that frame (or a newer one) has been read. It takes a real-time
class when it may, because an instrument that waits for a core measures its own starvation.
SIGUSR1 starts the measurement; after `--seconds` the figures are printed as JSON and it goes on
feeding until standard input ends.
"""

from __future__ import annotations

import argparse
import collections
import gc
import json
import os
import select
import signal
import threading
import time
from pathlib import Path

import numpy as np

from daq.wire.deframer import Deframer, Direction
from daq.wire.frames import SetPoint
from simulator.plant import Plant
from simulator.terminal import PseudoTerminal

LEARNING = 200  # answers from which the offset of the two sequences is learned
AGREEING = 150  # of them; fewer while a loop just started works off what waited for it


class Clockwork:
    """Matches set points to the frames they answer and keeps the times."""

    def __init__(self, frames: int) -> None:
        self.latency_s = np.full(frames, np.nan)
        self.written = 0
        self.measuring = False
        self._first = 0
        self._sent: collections.deque[tuple[int, float]] = collections.deque()
        self._offsets: collections.deque[int] = collections.deque(maxlen=LEARNING)
        self._offset: int | None = None

    def frame(self, number: int, at_s: float) -> None:
        """A sample frame is about to be written."""
        if self.measuring:
            if self.written == 0:
                self._first = number
            if self.written < len(self.latency_s):
                self.written += 1
        self._sent.append((number, at_s))
        if len(self._sent) > 5000:  # 10 s without an answer
            self._sent.popleft()

    def answer(self, sequence: int, at_s: float) -> None:
        """A set point was read."""
        if self._offset is None:
            if self._sent:
                self._offsets.append((sequence - self._sent[-1][0]) & 0xFFFF)
            if len(self._offsets) == LEARNING:
                offset, times = collections.Counter(self._offsets).most_common(1)[0]
                self._offset = offset if times >= AGREEING else None
            return
        while self._sent:
            number, sent_s = self._sent[0]
            ahead = (sequence - number - self._offset) & 0xFFFF
            if ahead >= 0x8000:  # this frame is newer than what the set point answers
                return
            self._sent.popleft()
            place = number - self._first
            if self.measuring and 0 <= place < len(self.latency_s):
                self.latency_s[place] = at_s - sent_s


def _figures(clockwork: Clockwork, late_s: list[float]) -> dict[str, float | int | bool]:
    known = clockwork.latency_s[~np.isnan(clockwork.latency_s)] * 1e3
    late = np.array(late_s) * 1e3
    p50, p99, p999 = np.percentile(known, (50.0, 99.0, 99.9)) if len(known) else (np.nan,) * 3
    return {
        "frames": len(clockwork.latency_s),
        "unanswered": int(np.isnan(clockwork.latency_s).sum()),
        "p50_ms": float(p50),
        "p99_ms": float(p99),
        "p999_ms": float(p999),
        "max_ms": float(known.max()) if len(known) else float("nan"),
        "feeder_late_p999_ms": float(np.percentile(late, 99.9)) if len(late) else float("nan"),
        "feeder_late_max_ms": float(late.max()) if len(late) else float("nan"),
    }


def main() -> None:
    """Feed until told to stop."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--link", type=Path, required=True)
    parser.add_argument("--seconds", type=float, required=True)
    parser.add_argument("--seed", type=int, default=1)
    told = parser.parse_args()
    plant = Plant(seed=told.seed)
    plant.warm_up()
    terminal = PseudoTerminal(told.link)
    period_s = plant.world.period_s
    clockwork = Clockwork(round(told.seconds / period_s))
    late_s: list[float] = []
    deframer = Deframer(Direction.TO_FRONT_END)
    stop = threading.Event()
    wanted = threading.Event()
    driving = threading.Event()
    signal.signal(signal.SIGUSR1, lambda *_: wanted.set())
    signal.signal(signal.SIGUSR2, lambda *_: driving.set())

    def watch_input() -> None:
        while os.read(0, 1024):
            pass
        stop.set()

    threading.Thread(target=watch_input, daemon=True).start()
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(50))
        real_time = True
    except OSError:
        real_time = False
    gc.collect()
    gc.freeze()
    gc.disable()
    clock = time.monotonic
    begun_s = clock()
    number = 0
    told_figures = False
    while not stop.is_set():
        due_s = begun_s + (number + 1) * period_s
        while (wait_s := due_s - clock()) > 0.0:
            ready, _, _ = select.select([terminal.master], [], [], wait_s)
            if ready:
                data = terminal.read()
                now_s = clock()
                plant.receive(data, max(now_s - due_s + period_s, 0.0))
                for frame in deframer.feed(data):
                    if type(frame) is SetPoint:
                        clockwork.answer(frame.sequence, now_s)
                if plant.front_end.out:
                    terminal.write(plant.replies(), now_s)
        if clockwork.measuring:
            late_s.append(-wait_s)
        elif wanted.is_set():
            clockwork.measuring = True
        if driving.is_set():
            driving.clear()
            plant.driver.tell(gear=4, brake=0.0, pedal=0.35)
        data = plant.advance()
        now_s = clock()
        clockwork.frame(number, now_s)
        terminal.write(data, now_s)
        number += 1
        done = clockwork.measuring and clockwork.written == len(clockwork.latency_s)
        if done and not told_figures and len(late_s) > len(clockwork.latency_s) + 500:
            told_figures = True  # a second later: late answers have come too
            figures = _figures(clockwork, late_s[: len(clockwork.latency_s)])
            print(json.dumps({**figures, "real_time_class": real_time}), flush=True)
    terminal.close()


if __name__ == "__main__":
    main()
