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
from typing import Any

import msgspec

from api.runtime.protection import set_oom_score
from daq.errors import DrumlinError
from daq.tasks import Tasks

CONFIGURATION_EXIT = 2  # a child that ends with it has said why; starting it again is no use
PATIENT_S = 6.0  # a longer wait is explained
_RESTARTS_ALLOWED = 5
_RESTART_WINDOW_S = 60.0
_RESTART_S = 0.1  # before the first restart, doubling
_RESTART_CAP_S = 5.0
_SPAWN_AGAIN_S = 1.0  # when the system refuses a process, doubling: it lacks something
_SPAWN_AGAIN_CAP_S = 10.0


# Out of processes, memory or descriptors; RuntimeError is how Python says "no thread to watch it".
_NO_PROCESS = (OSError, RuntimeError)


class ChildSpec(msgspec.Struct, frozen=True):
    """One process: how to start it, how to see that it is up, what its death means."""

    name: str
    arguments: tuple[str, ...]  # after the Python interpreter
    ready: Callable[[], Awaitable[bool]]
    ready_within_s: float = 180.0  # the first start compiles the numerical kernels
    ends_within_s: float = 10.0
    restart: bool = True
    niceness: int = 0
    oom_score: int = 200  # the higher, the sooner it is ended when memory runs out
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
        self._tasks = Tasks()
        self._pipes: dict[str, int] = {}
        self._failure: asyncio.Future[None] | None = None
        self._stopping = False
        self.restarts: dict[str, int] = {}

    async def start(self, specs: Sequence[ChildSpec]) -> None:
        """Start children at the same time and wait until each is ready.

        Raises Ended when one ends or does not get ready in its time.
        """
        if self._failure is None:
            self._failure = asyncio.get_running_loop().create_future()
        for spec in specs:
            try:
                await self._spawn(spec)
            except _NO_PROCESS as error:
                raise Ended(
                    f"The {spec.name} cannot be started: {error}.",
                    "The computer has no room for another process; end others, then try again.",
                ) from None
        for spec in specs:
            await self._wait_ready(spec)
        for spec in specs:
            self._tasks.start(f"watch {spec.name}", self._watch(spec), self._unwatched(spec))

    def _unwatched(self, spec: ChildSpec) -> Callable[[BaseException], None]:
        """A child must not go on unwatched: whatever ended its watcher ends all in order."""
        return lambda error: self._give_up(spec, f"Watching it failed: {error!r}.", 1)

    async def watch(self, stop: asyncio.Event) -> None:
        """Return when `stop` is set. Raises Ended when a child is gone for good."""
        assert self._failure is not None  # noqa: S101 (start comes first)
        waiter = self._tasks.start("stop", stop.wait())
        try:
            ends: set[asyncio.Future[Any]] = {waiter, self._failure}
            await asyncio.wait(ends, return_when=asyncio.FIRST_COMPLETED)
        finally:
            waiter.cancel()
        if self._failure.done():
            self._failure.result()

    async def stop(self, order: Sequence[str]) -> None:
        """End children one after the other; one that does not end in its time is killed."""
        self._stopping = True
        for name in order:
            child = self._children.get(name)
            if child is not None:
                await self._end(*child)
        await self._tasks.stop()
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
        except BaseException:
            os.close(write_end)  # a child that did begin sees the end of its input, and ends
            raise
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
        set_oom_score(spec.oom_score, process.pid)
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
            await asyncio.sleep(min(_RESTART_S * 2.0 ** (len(deaths) - 1), _RESTART_CAP_S))
            if not await self._again(spec, deaths):
                return

    async def _again(self, spec: ChildSpec, deaths: list[float]) -> bool:
        """Start a child again; each refusal by the system counts as a death. False: no more."""
        while not self._stopping:
            try:
                await self._spawn(spec)
            except _NO_PROCESS as error:
                deaths.append(asyncio.get_running_loop().time())
                if len(deaths) > _RESTARTS_ALLOWED:
                    self._give_up(spec, f"The system refuses the process: {error}.", 1)
                    return False
                wait_s = min(_SPAWN_AGAIN_S * 2.0 ** (len(deaths) - 2), _SPAWN_AGAIN_CAP_S)
                self._say(
                    f"The {spec.name} cannot be started ({error}); tried again in {wait_s:g} s."
                )
                await asyncio.sleep(wait_s)
            else:
                self.restarts[spec.name] = self.restarts.get(spec.name, 0) + 1
                return True
        return False

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
