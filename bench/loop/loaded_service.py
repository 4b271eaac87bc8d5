"""The service process with a report-like load in a thread, for bench.loop.

The load does what drawing a report does: statistics over columns, curves to text, a large JSON
body, compression; over and over, from SIGUSR1 on. With `--core inside` the loop's work runs on
the service's own event loop, which is the form that Drumlin does not take.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import signal
import sys
import threading
import zlib
from pathlib import Path

import numpy as np

from api.http.app import make_server
from api.runtime.loop import SWITCH_INTERVAL_S, LoopSettings, run_loop
from api.runtime.supervisor import parent_gone
from api.runtime.warm_up import warm_up
from api.settings import load_settings
from daq.rig.description import load_rig

ROWS = 30_000  # a minute of frames
COLUMNS = 6


def draw_report(random: np.random.Generator) -> int:
    """One report's worth of work; the size of what came out."""
    columns = random.standard_normal((COLUMNS, ROWS)).cumsum(axis=1)
    kernel = np.ones(51) / 51.0
    size = 0
    for column in columns:
        smooth = np.convolve(column, kernel, mode="same")
        np.percentile(smooth, (5, 50, 95))
        points = " ".join(f"{x:.1f},{y:.2f}" for x, y in enumerate(smooth[::4].tolist()))
        size += len(zlib.compress(points.encode(), 6))
    size += len(json.dumps(columns[:, ::2].tolist()))
    return size


def _load(stop: threading.Event, counts: list[int]) -> None:
    random = np.random.default_rng(1)
    while not stop.is_set():
        draw_report(random)
        counts[0] += 1


async def _main(told: argparse.Namespace) -> None:
    settings = load_settings(told.rig, told.data, None, "127.0.0.1", told.listen_port)
    server = make_server(settings)
    stop = asyncio.Event()
    counts = [0]
    enough = threading.Event()

    def gone() -> None:
        server.should_exit = True
        enough.set()
        stop.set()

    parent_gone(gone)
    thread = threading.Thread(target=_load, args=(enough, counts), name="report", daemon=True)
    asyncio.get_running_loop().add_signal_handler(signal.SIGUSR1, thread.start)
    if told.core == "inside":
        core = asyncio.create_task(run_loop(LoopSettings(told.rig, told.port, told.data), stop))
        await server.serve()
        stop.set()
        await core
    else:
        await server.serve()
    enough.set()
    if thread.ident is not None:
        thread.join(10.0)
    print(json.dumps({"reports": counts[0]}), flush=True)


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--rig", type=Path, required=True)
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--port", default="")
    parser.add_argument("--listen-port", type=int, required=True)
    parser.add_argument("--core", choices=("inside", "outside"), required=True)
    sys.setswitchinterval(SWITCH_INTERVAL_S)  # the same as the loop process gives itself
    arguments = parser.parse_args()
    warm_up(load_rig(arguments.rig))
    asyncio.run(_main(arguments))
