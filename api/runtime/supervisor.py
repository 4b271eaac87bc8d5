"""Starts child processes, watches them, restarts those that may be restarted, ends all in order.

Data flows: serve and demo describe the children; this module owns their lives. Each child gets
the read end of a pipe as standard input: when the supervisor is gone, however it went, the child
sees the end of it and ends in its own order. Children run in groups of their own, so that one
Ctrl-C reaches only the supervisor, which then decides who goes first.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import sys
from asyncio.subprocess import Process
from collections.abc import Awaitable, Callable, Sequence

import msgspec

from daq.errors import DrumlinError

CONFIGURATION_EXIT = 2  # a child that ends with it has said why; starting it again is no use
PATIENT_S = 6.0  # a longer wait is explained
_RESTARTS_ALLOWED = 5
_RESTART_WINDOW_S = 60.0


class ChildSpec(msgspec.Struct, frozen=True):
    """One process: how to start it, how to see that it is up, what its death means."""

    name: str
    arguments: tuple[str, ...]  # after the Python interpreter
    ready: Callable[[], Awaitable[bool]]
    ready_within_s: float = 180.0  # the first start compiles the numerical kernels
    ends_within_s: float = 10.0
    restart: bool = True
    niceness: int = 0
    on_death: str = ""  # what people should know when it dies unexpectedly


class Ended(DrumlinError):
    """A child ended and cannot be started again; `exit_code` is for the caller's own exit."""

    def __init__(self, problem: str, remedy: str, exit_code: int = 1) -> None:
        super().__init__(problem, remedy)
        self.exit_code = exit_code


class Supervisor:
    """`start` in order, `watch` until told to end, `stop` in reverse order of `specs` given."""

    def __init__(self, say: Callable[[str], None]) -> None:
        self._say = say
        self._children: dict[str, tuple[ChildSpec, Process]] = {}
        self._watchers: dict[str, asyncio.Task[None]] = {}
        self._pipes: dict[str, int] = {}
        self._failure: asyncio.Future[None] | None = None
        self._stopping = False
        self.restarts: dict[str, int] = {}

    def process_id(self, name: str) -> int:
        """Process id of a running child."""
        return self._children[name][1].pid

    async def start(self, specs: Sequence[ChildSpec]) -> None:
        """Start children at the same time and wait until each is ready.

        Raises Ended when one ends or does not get ready in its time.
        """
        if self._failure is None:
            self._failure = asyncio.get_running_loop().create_future()
        for spec in specs:
            await self._spawn(spec)
        for spec in specs:
            await self._wait_ready(spec)
        for spec in specs:
            self._watchers[spec.name] = asyncio.create_task(
                self._watch(spec), name=f"watch {spec.name}"
            )

    async def watch(self, stop: asyncio.Event) -> None:
        """Return when `stop` is set. Raises Ended when a child is gone for good."""
        assert self._failure is not None  # noqa: S101 (start comes first)
        waiter: asyncio.Future[None] = asyncio.ensure_future(_until(stop))
        try:
            await asyncio.wait({waiter, self._failure}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            waiter.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await waiter
        if self._failure.done():
            self._failure.result()

    async def stop(self, order: Sequence[str]) -> None:
        """End children one after the other; one that does not end in its time is killed."""
        self._stopping = True
        for name in order:
            child = self._children.get(name)
            if child is not None:
                await self._end(*child)
        for watcher in self._watchers.values():
            watcher.cancel()
        await asyncio.gather(*self._watchers.values(), return_exceptions=True)
        self._watchers.clear()
        for pipe in self._pipes.values():
            os.close(pipe)
        self._pipes.clear()
        if self._failure is not None and self._failure.done():
            self._failure.exception()  # seen

    async def _spawn(self, spec: ChildSpec) -> Process:
        read_end, write_end = os.pipe()
        try:
            process = await asyncio.create_subprocess_exec(
                sys.executable, *spec.arguments, stdin=read_end, stdout=2, process_group=0
            )
        finally:
            os.close(read_end)
        old = self._pipes.pop(spec.name, None)
        if old is not None:
            os.close(old)
        self._pipes[spec.name] = write_end
        self._children[spec.name] = (spec, process)
        if spec.niceness:
            with contextlib.suppress(OSError):
                os.setpriority(os.PRIO_PROCESS, process.pid, spec.niceness)
        return process

    async def _wait_ready(self, spec: ChildSpec) -> None:
        process = self._children[spec.name][1]
        begun_s = asyncio.get_running_loop().time()
        deadline = begun_s + spec.ready_within_s
        told = False
        while not await spec.ready():
            if not told and asyncio.get_running_loop().time() > begun_s + PATIENT_S:
                told = True
                self._say(
                    f"Waiting for the {spec.name}. The first start after an installation "
                    "compiles its numerical kernels; later ones take a few seconds."
                )
            if process.returncode is not None:
                raise Ended(
                    f"The {spec.name} ended while starting ({_how(process.returncode)}).",
                    "Its message is above.",
                    max(process.returncode, 1),
                )
            if asyncio.get_running_loop().time() > deadline:
                raise Ended(
                    f"The {spec.name} was not ready within {spec.ready_within_s:g} s.",
                    "Look at its messages above.",
                )
            await asyncio.sleep(0.03)

    async def _watch(self, spec: ChildSpec) -> None:
        """Wait for the child's death and start it again, until there is no use in it."""
        deaths: list[float] = []
        while True:
            code = await self._children[spec.name][1].wait()
            if self._stopping:
                return
            now = asyncio.get_running_loop().time()
            deaths = [when for when in deaths if now - when < _RESTART_WINDOW_S] + [now]
            self._say(f"The {spec.name} ended unexpectedly ({_how(code)}). {spec.on_death}".strip())
            if code == CONFIGURATION_EXIT or not spec.restart:
                self._give_up(spec, "Its message is above.", max(code, 1))
                return
            if len(deaths) > _RESTARTS_ALLOWED:
                self._give_up(
                    spec, f"It ended {len(deaths)} times within {_RESTART_WINDOW_S:g} s.", 1
                )
                return
            await asyncio.sleep(min(0.1 * 2.0 ** (len(deaths) - 1), 5.0))
            if self._stopping:
                return
            self.restarts[spec.name] = self.restarts.get(spec.name, 0) + 1
            await self._spawn(spec)

    def _give_up(self, spec: ChildSpec, why: str, exit_code: int) -> None:
        assert self._failure is not None  # noqa: S101
        if not self._failure.done():
            self._failure.set_exception(
                Ended(f"The {spec.name} is not started again. {why}", "", exit_code)
            )

    async def _end(self, spec: ChildSpec, process: Process) -> None:
        if process.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                process.send_signal(signal.SIGTERM)
                process.send_signal(signal.SIGCONT)  # a stopped one could not hear it
            try:
                await asyncio.wait_for(process.wait(), spec.ends_within_s)
            except TimeoutError:
                self._say(f"The {spec.name} did not end within {spec.ends_within_s:g} s: killed.")
                with contextlib.suppress(ProcessLookupError):
                    process.kill()
                await process.wait()


async def _until(event: asyncio.Event) -> None:
    await event.wait()


def _how(code: int) -> str:
    if code < 0:
        return f"signal {signal.Signals(-code).name}"
    return f"exit code {code}"


def parent_gone(on_gone: Callable[[], None]) -> None:
    """In a child: call `on_gone` from the running event loop when the supervisor is gone."""
    loop = asyncio.get_running_loop()

    def readable() -> None:
        if not os.read(0, 1024):
            loop.remove_reader(0)
            on_gone()

    loop.add_reader(0, readable)
