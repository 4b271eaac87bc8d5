"""Runs the simulated rig as a process: terminal, seat, truth log and an orderly end.

Data flows: command line -> Plant, Terminal, Seat, TruthLog -> RealTime, until SIGINT or SIGTERM.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import secrets
import signal
import sys
import threading
from dataclasses import replace
from pathlib import Path

from simulator.plant import Plant
from simulator.rig_and_truck.setup import tarnhow
from simulator.seat import Seat
from simulator.terminal import LinkTaken, PseudoTerminal, RealTime
from simulator.truth_log import TruthLog

FRAME_PRIORITY = 20  # real-time class, above the host's loop: a front end waits for nobody


def _options(arguments: list[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        "python -m simulator", description="The demo rig behind a port."
    )
    parser.add_argument("--link", type=Path, required=True, help="path of the link to the port")
    parser.add_argument("--data", type=Path, help="where simulator.json (port, seat, pid) goes")
    parser.add_argument("--driver-port", type=int, default=0, help="port of the seat, 0: any")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--frame-hz", type=int, default=500)
    parser.add_argument("--truth", type=Path, help="file for the truth, for benches and tests")
    parser.add_argument(
        "--until-input-ends", action="store_true", help="stop when standard input ends"
    )
    parser.add_argument("--truth-every", type=int, default=5, help="frames between its rows")
    return parser.parse_args(arguments)


def run(arguments: list[str]) -> int:
    """Run the rig until SIGINT or SIGTERM; 0 when it ended in order."""
    options = _options(arguments)
    setup = tarnhow(options.seed)
    if not 100 <= options.frame_hz <= 1000 or setup.front_end.tick_hz % options.frame_hz:
        print("--frame-hz: 100 to 1000 and a divisor of 1,000,000.", file=sys.stderr)
        return 2
    setup = replace(setup, front_end=replace(setup.front_end, frame_hz=options.frame_hz))
    plant = Plant(setup, options.seed)
    plant.front_end.boot_id = secrets.randbits(32) or 1  # another at each start, as on a board
    plant.warm_up()
    try:
        terminal = PseudoTerminal(options.link)
    except (LinkTaken, OSError) as error:
        print(f"{error}", file=sys.stderr)
        return 1
    real_time = RealTime(plant, terminal)
    try:
        seat = Seat(plant, real_time.ask, options.driver_port)
    except OSError as error:
        terminal.close()
        print(
            f"Port {options.driver_port} cannot be used ({error.strerror}). "
            "Give another with --driver-port.",
            file=sys.stderr,
        )
        return 1

    def stop(_signal: int, _frame: object) -> None:
        real_time.stop = True

    signal.signal(signal.SIGINT, stop)
    signal.signal(signal.SIGTERM, stop)
    # The seat's thread must not hold up a frame for longer than this.
    sys.setswitchinterval(0.0002)
    about = {
        "link": str(options.link),
        "port": terminal.name,
        "seat": seat.port,
        "pid": os.getpid(),
    }
    if options.data is not None:
        options.data.mkdir(parents=True, exist_ok=True)
        (options.data / "simulator.json").write_text(json.dumps(about))
    if options.until_input_ends:
        # Whoever started us holds the other end; when it is gone, however it went, so are we.
        threading.Thread(target=_watch_input, args=(real_time,), name="input", daemon=True).start()
    log = TruthLog(options.truth, plant, options.truth_every) if options.truth else None
    # A board of its own has its own processor; here it goes first, where it may.
    with contextlib.suppress(OSError, AttributeError):
        os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(FRAME_PRIORITY))
    seat.start()
    print(f"simulator: {options.link}, seat http://127.0.0.1:{seat.port}/", flush=True)
    try:
        real_time.run(log.frame if log is not None else None)
    finally:
        seat.close()
        if log is not None:
            log.close()
        terminal.close()
    return 0


def _watch_input(real_time: RealTime) -> None:
    while os.read(0, 1024):
        pass
    real_time.stop = True
