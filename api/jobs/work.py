"""Has jobs done by worker processes: niced, bounded in time, memory and disk.

Data flows: Job -> its turn -> forked off the fork server -> bytes. A worker that hangs, crashes or
says nonsense becomes a WorkError; whoever asked does not feel it. One job of a kind is done at a
time, some wait, more are refused: whoever may only watch can ask for many.
"""

from __future__ import annotations

import asyncio
import contextlib
import heapq
import itertools
import os
import socket
import sys
from collections.abc import AsyncIterator, Callable
from weakref import WeakKeyDictionary

import msgspec

from api.jobs.fork_server import ENDING
from api.jobs.job import Busy, Complaint, Job, WorkError
from api.jobs.worker import COMPLAINED, DONE, LENGTH
from daq.errors import Refused
from daq.texts.message import say

LARGEST_BYTES = 64 << 20
HIGHEST = 2  # rank of who operates, and of the service itself
KILLED_WITHIN_S = 5.0
_CHUNK_BYTES = 1 << 18
_ONE_THREAD = {
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "NUMBA_NUM_THREADS": "1",
    "ARROW_IO_THREADS": "1",
}


class _Desk:
    """Where jobs of one kind wait for their turn: the higher rank first, then who came first."""

    def __init__(self) -> None:
        self._busy = False
        self._waiting: list[tuple[int, int, asyncio.Future[None]]] = []
        self._number = itertools.count()

    @contextlib.asynccontextmanager
    async def turn(self, most_waiting: int, rank: int) -> AsyncIterator[None]:
        """Wait until no other job is done here. Raises Busy when many wait."""
        if self._busy:
            # The last places are kept for people who may operate.
            if len(self._waiting) >= (most_waiting if rank >= HIGHEST else most_waiting // 2):
                raise Busy(
                    say("too-many-such-jobs-wait-already"), say("try-again-when-some-are-done")
                )
            place = (-rank, next(self._number), asyncio.get_running_loop().create_future())
            heapq.heappush(self._waiting, place)
            try:
                await place[2]
            except asyncio.CancelledError:
                if place in self._waiting:
                    self._waiting.remove(place)
                    heapq.heapify(self._waiting)
                else:  # it was its turn at that moment
                    self._next()
                raise
        self._busy = True
        try:
            yield
        finally:
            self._next()

    def _next(self) -> None:
        self._busy = bool(self._waiting)
        if self._waiting:
            heapq.heappop(self._waiting)[2].set_result(None)


class _Forks:
    """The fork server of one event loop, started when it is first needed."""

    def __init__(self) -> None:
        self._asked: socket.socket | None = None
        self._process: asyncio.subprocess.Process | None = None
        self._starting = asyncio.Lock()

    async def fork(self, kind: type[Job]) -> socket.socket:
        """A line to a new worker for a job of that kind. Raises WorkError."""
        async with self._starting:
            ours, theirs = socket.socketpair()
            try:
                with theirs:
                    await self._hand_over(f"{kind.__module__}:{kind.__name__}", theirs)
            except BaseException:
                ours.close()
                raise
            return ours

    async def _hand_over(self, name: str, line: socket.socket) -> None:
        for _ in range(2):  # the server may have been killed since the last job
            with contextlib.suppress(OSError):
                asked = self._asked or await self._start()
                socket.send_fds(asked, [name.encode()], [line.fileno()])
                return
            await self._end()
        raise WorkError(say("no-worker-could-be-started"), say("try-again-in-moment"))

    async def _start(self) -> socket.socket:
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        ours.setblocking(False)
        with theirs:
            try:
                self._process = await asyncio.create_subprocess_exec(
                    sys.executable,
                    "-m",
                    "api.jobs.fork_server",
                    stdin=theirs.fileno(),
                    stdout=asyncio.subprocess.DEVNULL,
                    env={**os.environ, **_ONE_THREAD},
                    start_new_session=True,  # Ctrl-C ends the service, which then ends this
                )
            except BaseException:
                ours.close()
                raise
        self._asked = ours
        return ours

    async def end(self) -> None:
        """End the server and what it forked."""
        async with self._starting:
            await self._end()

    async def _end(self) -> None:
        asked, process = self._asked, self._process
        self._asked = self._process = None
        if asked is not None:
            asked.close()
        if process is not None:
            try:
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(KILLED_WITHIN_S):
                        await process.wait()
            finally:
                if process.returncode is None:
                    process.kill()
                    await process.wait()


class _Yard:
    """What one event loop has jobs done with."""

    def __init__(self) -> None:
        self.users = 0
        self.forks = _Forks()
        self.desks: dict[type, _Desk] = {}


_yards: WeakKeyDictionary[asyncio.AbstractEventLoop, _Yard] = WeakKeyDictionary()


@contextlib.asynccontextmanager
async def workers() -> AsyncIterator[None]:
    """Keep the fork server between jobs, for whoever has more than one done."""
    loop = asyncio.get_running_loop()
    yard = _yards.setdefault(loop, _Yard())
    yard.users += 1
    try:
        yield
    finally:
        yard.users -= 1
        if not yard.users:
            _yards.pop(loop, None)
            await yard.forks.end()


async def work(
    job: Job,
    time_limit_s: float = 0.0,
    rank: int = HIGHEST,
    spent: Callable[[float], None] | None = None,
) -> bytes:
    """Have a job done, within its kind's time unless another is given.

    `rank`: of whoever asked, who goes before lower ones; `spent` is told the processor seconds that
    it took, also when it failed. Raises Refused as the worker did, else WorkError; cancelling ends
    the worker.
    """
    kind = type(job)
    async with workers():
        yard = _yards[asyncio.get_running_loop()]
        async with yard.desks.setdefault(kind, _Desk()).turn(kind.most_waiting, rank):
            line = await yard.forks.fork(kind)
            return await _work(line, job, time_limit_s or kind.time_limit_s, spent)


async def _work(
    line: socket.socket, job: Job, time_limit_s: float, spent: Callable[[float], None] | None
) -> bytes:
    reader, writer = await asyncio.open_connection(sock=line)
    told = bytearray()
    try:
        asked = msgspec.json.encode(job)
        async with asyncio.timeout(time_limit_s):
            writer.writelines((LENGTH.pack(len(asked)), asked))
            await _read(reader, told)
    except TimeoutError:
        raise WorkError(
            say("work-took-longer-than-s", limit=time_limit_s),
            say("try-again-when-computer-has-less"),
        ) from None
    finally:
        if not reader.at_eof():
            # The server kills the worker and says what it took.
            with contextlib.suppress(TimeoutError, OSError):
                writer.write_eof()
                async with asyncio.timeout(KILLED_WITHIN_S):
                    await _read(reader, told)
        writer.transport.abort()
        if spent is not None and len(told) >= ENDING.size:
            spent(ENDING.unpack(told[-ENDING.size :])[1])
    if len(told) < ENDING.size:
        raise WorkError(say("work-was-broken-off"), say("try-again"))
    exit_code, _ = ENDING.unpack(told[-ENDING.size :])
    answer = bytes(told[: -ENDING.size])
    if exit_code == DONE and len(answer) <= LARGEST_BYTES:
        return answer
    raise _error(exit_code, answer)


async def _read(reader: asyncio.StreamReader, told: bytearray) -> None:
    """To the end of the line; of an answer that is too long only how it ends is kept."""
    with contextlib.suppress(ConnectionResetError):
        while chunk := await reader.read(_CHUNK_BYTES):
            if len(told) > LARGEST_BYTES:
                del told[LARGEST_BYTES : -ENDING.size]
            told += chunk


def _error(exit_code: int, answer: bytes) -> Refused | WorkError:
    if exit_code != COMPLAINED:
        last = answer[:300].decode(errors="replace") or "no message"
        return WorkError(
            say("work-failed", exit_code=str(exit_code), last=last),
            say("evaluate-run-again-then-retry"),
        )
    complaint = msgspec.json.decode(answer, type=Complaint)
    if complaint.code:
        return Refused(complaint.problem, complaint.remedy, complaint.code)
    return WorkError(complaint.problem, complaint.remedy)
