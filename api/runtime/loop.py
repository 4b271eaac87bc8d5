"""The loop process: link, measuring, control, gate and raw recording on one event loop, alone.

Data flows: serial port <-> daq.link.port <-> Engine <-> local channel. Timers keep absolute times.
Before the port opens every kernel has run once and the garbage collector is frozen; files are
written on other threads. SIGTERM, SIGINT or the end of the supervisor take the load off in order
first, within a bounded time. No web framework is imported here (a checked contract).
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import gc
import logging
import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path

import msgspec

from api.folders import MEMORY_NAME
from api.runtime.channel import CHANNEL_VERSION, SOCKET_NAME, LoopHello
from api.runtime.channel_server import ChannelServer
from api.runtime.engine import TELEMETRY_S, Engine
from api.runtime.memory_file import memory_age_s, read_memory
from api.runtime.protection import lock_pages
from api.runtime.run_file import LEAST_FREE_MB
from api.runtime.supervisor import CONFIGURATION_EXIT, parent_gone
from api.runtime.warm_up import warm_up
from daq.errors import DrumlinError, WireError
from daq.link.port import Link
from daq.rig.description import load_rig
from daq.texts.message import say

TICK_S = 0.01
HOUSE_S = 1.0
FULL_SWEEP_S = 600.0  # of the garbage collector, and only while parked
EASE_MARGIN_S = 2.0  # beyond the rig's easing time before the end is forced
GREETING_S = 3.0  # a front end that does not fit is an error at the start, later a trip
LOOP_PRIORITY = 10  # of the real-time class
SWITCH_INTERVAL_S = 0.0005  # writer threads give way to the loop sooner than by default


class LoopSettings(msgspec.Struct, frozen=True):
    """What the loop process is started with."""

    rig: Path
    port: str
    data: Path
    least_free_mb: int = LEAST_FREE_MB


class Timers:
    """Calls functions at absolute times: a late call does not move the ones after it."""

    def __init__(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._handles: dict[int, asyncio.TimerHandle] = {}
        self._count = 0

    def every(self, period_s: float, call: Callable[[], None]) -> None:
        """Call `call` every `period_s` from now on; times that passed meanwhile are left out."""
        self._count += 1
        number = self._count
        due_s = self._loop.time() + period_s

        def run() -> None:
            nonlocal due_s
            due_s += period_s
            now_s = self._loop.time()
            if due_s <= now_s:
                due_s += period_s * (1 + int((now_s - due_s) / period_s))
            self._handles[number] = self._loop.call_at(due_s, run)
            call()

        self._handles[number] = self._loop.call_at(due_s, run)

    def stop(self) -> None:
        for handle in self._handles.values():
            handle.cancel()


async def run_loop(settings: LoopSettings, stop: asyncio.Event) -> None:
    """Run until `stop`, then take the load off and end. `warm_up` comes first, once per process.

    Raises DrumlinError when the rig, the memory, the port or the front end cannot be used.
    """
    rig = load_rig(settings.rig)
    rig_text = settings.rig.read_text(encoding="utf-8")
    settings.data.mkdir(parents=True, exist_ok=True)
    memory = read_memory(settings.data / MEMORY_NAME)
    off_s = memory_age_s(settings.data)
    hello = LoopHello(CHANNEL_VERSION, os.getpid(), rig.name, rig.fingerprint)
    server = ChannelServer(hello)
    engine = Engine(
        rig,
        rig_text,
        memory,
        settings.data,
        server,
        off_s=off_s,
        least_free_mb=settings.least_free_mb,
    )
    link = Link(
        settings.port or rig.link.port,
        rig.link.baud,
        engine.received,
        on_sent=engine.sent,
        on_damage=engine.damaged,
        on_change=engine.changed,
    )
    engine.link = link
    _freeze()
    timers = Timers()
    try:
        await link.start()
        timers.every(TICK_S, engine.tick)
        timers.every(TELEMETRY_S, engine.publish)
        timers.every(HOUSE_S, engine.keep_house)
        timers.every(HOUSE_S, _Sweeper(engine).sweep)
        await _greeting(engine, stop)
        # Only now is anybody let in: a port or front end that does not do ends the start instead.
        await server.start(settings.data / SOCKET_NAME)
        await stop.wait()
        await _unload(engine, rig.limits.ease_off_s + EASE_MARGIN_S)
    finally:
        timers.stop()
        await link.close()
        await asyncio.to_thread(engine.close)
        await asyncio.sleep(0)  # lets what `close` handed over reach the readers
        await server.stop()


class _Sweeper:
    """The garbage collector by our own clock: young objects often, all of them only when parked."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._until_full = FULL_SWEEP_S

    def sweep(self) -> None:
        clock = asyncio.get_running_loop().time
        begun_s = clock()
        self._until_full -= HOUSE_S
        if self._until_full <= 0.0 and self._engine.unloaded:
            self._until_full = FULL_SWEEP_S
            gc.collect(1)
        else:
            gc.collect(0)
        self._engine.pulse.ran("garbage collection", clock() - begun_s)


def _freeze() -> None:
    """Nothing that exists now is looked at by the garbage collector again."""
    gc.collect()
    gc.freeze()
    gc.disable()


async def _greeting(engine: Engine, stop: asyncio.Event) -> None:
    """Give the front end a moment to greet. Raises WireError when it does not fit the rig file."""
    loop = asyncio.get_running_loop()
    until_s = loop.time() + GREETING_S
    while loop.time() < until_s and not stop.is_set():
        session = engine.core.session
        if session.live:
            return
        if session.mismatch:
            raise WireError(
                say("front-end-does-not-fit", why=session.mismatch),
                say("make-firmware-rig-file-agree-then"),
            )
        await asyncio.sleep(0.02)


async def _unload(engine: Engine, within_s: float) -> None:
    """Ease off and wait for it; after `within_s` the front end's own easing has to do."""
    loop = asyncio.get_running_loop()
    until_s = loop.time() + within_s
    if not engine.unloaded:
        engine.ease_off()
    while not engine.unloaded and loop.time() < until_s:
        await asyncio.sleep(0.02)


def stop_on_signals(stop: asyncio.Event, supervised: bool) -> None:
    """Set `stop` on SIGTERM, SIGINT or, when supervised, on the supervisor's end."""
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    if supervised:
        parent_gone(stop.set)


async def _main(settings: LoopSettings, supervised: bool) -> None:
    stop = asyncio.Event()
    stop_on_signals(stop, supervised)
    await run_loop(settings, stop)


def go_first() -> None:
    """Ask for the real-time class, else for a high priority; without the right it works too.

    Whatever else the computer does, a frame must not wait for it. The threads made later (recorder,
    memory) inherit the class on purpose: one that holds Python's lock and is put aside by other
    work would hold up the frames.
    """
    try:
        os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(LOOP_PRIORITY))
    except OSError:
        with contextlib.suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, 0, -10)


def main() -> int:
    """Entry: `python -m api.runtime.loop`. Exit code 2 when starting again is no use."""
    parser = argparse.ArgumentParser(prog="python -m api.runtime.loop", description=__doc__)
    parser.add_argument("--rig", type=Path, required=True)
    parser.add_argument("--port", default="")
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--min-free-mb", type=int, default=LEAST_FREE_MB)
    parser.add_argument("--supervised", action="store_true", help="end with standard input")
    told = parser.parse_args()
    logging.basicConfig(level=logging.WARNING, format="loop: %(message)s", stream=sys.stderr)
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    try:
        # Before signals are handled: compiling, at the first start, can be broken off by them.
        warm_up(load_rig(told.rig))
        go_first()
        lock_pages()
        settings = LoopSettings(told.rig, told.port, told.data, told.min_free_mb)
        asyncio.run(_main(settings, told.supervised))
    except DrumlinError as error:
        print(f"loop: {error}", file=sys.stderr)
        return getattr(error, "exit_code", CONFIGURATION_EXIT)
    return 0


if __name__ == "__main__":
    sys.exit(main())
