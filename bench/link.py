"""How long a frame takes from the line into the handler, and what it costs: our reader and another.

A process of its own plays the front end on a pseudo-terminal, 500 frames a second, with the
moment of writing in each frame's tick (host monotonic microseconds). The receiving side decodes,
answers with a set point, and takes the time. Compared are the link's own reader (`ours`) and the
transport of pyserial-asyncio-fast (`library`, None when it is not installed), with the same
handler, turn and turn about.

Run: `python -m bench.link --json [--quick]`.
"""

from __future__ import annotations

import asyncio
import importlib.util
import os
import subprocess
import sys
import time
import tty
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

import numpy as np

from bench.support.common import Options, run_bench
from daq.link.port import Link, Received
from daq.wire.codec import encode
from daq.wire.deframer import Deframer, Direction
from daq.wire.frames import Sample, SetPoint

FRAME_HZ = 500
BAUD = 2_000_000
_US = 1_000_000
_MASK = 0xFFFFFFFF
Transmit = Callable[[SetPoint], object]


def _now_us() -> int:
    return time.monotonic_ns() // 1000 & _MASK


def feed() -> None:
    """The front end's process: prints the port's path, then writes frames until it is ended."""
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    print(os.ttyname(slave), flush=True)
    started = time.monotonic()
    sequence = 0
    while True:
        sequence += 1
        time.sleep(max(0.0, started + sequence / FRAME_HZ - time.monotonic()))
        now = _now_us()
        edges = ((now, now ^ 0x0F0F), (now ^ 0x00FF,), (now ^ 0x0FF0,))
        counts, flags = (81_234, -5_000, 120_345, -70_000), (0, 0, 0, 0)
        frame = Sample(
            sequence, now, 1, 95, 7, 3, (1, 2, 3), edges, counts, flags, (1520, 1499, 1530, 1510)
        )
        try:
            os.write(master, encode(frame))
            os.read(master, 65_536)  # the set points sent back
        except BlockingIOError:
            pass
        except OSError:
            return


class Taker:
    """The same handler for both: time of arrival against the time in the frame, and an answer."""

    def __init__(self) -> None:
        self.late_us: list[int] = []
        self.lost = 0
        self.transmit: Transmit = lambda frame: None
        self._sequence: int | None = None

    def take(self, received: Received, host_ns: int) -> None:
        for frame, _ in received:
            if type(frame) is Sample:
                self.late_us.append((_now_us() - frame.tick) & _MASK)
                if self._sequence is not None:
                    self.lost += frame.sequence - self._sequence - 1
                self._sequence = frame.sequence
                self.transmit(SetPoint(1, frame.sequence & 0xFFFF, 100, 0, (1, 2, 3, 4)))


@asynccontextmanager
async def ours(path: str, taker: Taker) -> AsyncIterator[None]:
    link = Link(path, BAUD, taker.take)
    await link.start()
    taker.transmit = link.send
    yield
    await link.close()


@asynccontextmanager
async def library(path: str, taker: Taker) -> AsyncIterator[None]:
    import serial_asyncio_fast  # noqa: PLC0415 - only for this comparison, need not be there

    class Protocol(asyncio.Protocol):
        def __init__(self) -> None:
            self.deframer = Deframer(Direction.FROM_FRONT_END)

        def data_received(self, data: bytes) -> None:
            taker.take(self.deframer.feed_raw(data), time.monotonic_ns())

    transport, _ = await serial_asyncio_fast.create_serial_connection(
        asyncio.get_running_loop(), Protocol, path, baudrate=BAUD, exclusive=True
    )
    taker.transmit = lambda frame: transport.write(encode(frame))
    yield
    transport.close()
    await asyncio.sleep(0.05)


async def _run(which: Callable[..., Any], seconds: float) -> dict[str, float]:
    feeder = subprocess.Popen(  # noqa: ASYNC220 - before anything is measured
        [sys.executable, "-m", "bench.link", "--feed"], stdout=subprocess.PIPE, text=True
    )
    assert feeder.stdout is not None
    path = feeder.stdout.readline().strip()
    taker = Taker()
    try:
        async with which(path, taker):
            await asyncio.sleep(0.5)
            taker.late_us.clear()
            spent = time.process_time()
            await asyncio.sleep(seconds)
            spent = time.process_time() - spent
            late_ms = np.array(taker.late_us) / 1e3
    finally:
        feeder.kill()
        feeder.wait()
        feeder.stdout.close()
    low, high, highest = np.percentile(late_ms, (50.0, 99.0, 99.9))
    return {
        "frames": float(len(late_ms)),
        "lost": float(taker.lost),
        "p50_ms": float(low),
        "p99_ms": float(high),
        "p999_ms": float(highest),
        "max_ms": float(late_ms.max()),
        "cpu_us_per_frame": spent / len(late_ms) * _US,
    }


def measure(options: Options) -> dict[str, Any]:
    seconds, turns = (4.0, 2) if options.quick else (20.0, 3)
    ways: dict[str, Callable[..., Any]] = {"ours": ours}
    if importlib.util.find_spec("serial_asyncio_fast"):
        ways["library"] = library
    runs: dict[str, list[dict[str, float]]] = {name: [] for name in ways}
    for _ in range(turns):
        for name, way in ways.items():
            runs[name].append(asyncio.run(_run(way, seconds)))
    fields: dict[str, Any] = {"frame_hz": FRAME_HZ, "seconds_each": seconds, "turns": turns}
    fields["library"] = None
    for name, of_one in runs.items():
        fields[name] = {key: float(np.median([run[key] for run in of_one])) for key in of_one[0]}
        fields[name]["worst_p999_ms"] = max(run["p999_ms"] for run in of_one)
        fields[name]["max_ms"] = max(run["max_ms"] for run in of_one)
    return fields


if __name__ == "__main__":
    if "--feed" in sys.argv:
        feed()
    else:
        run_bench("link", measure)
