"""Has jobs done by worker processes: started fresh, niced, bounded in time, memory and disk.

Data flows: Job -> its turn -> `python -m api.jobs.worker` -> bytes. A worker that hangs, crashes or
says nonsense becomes a WorkError; the service does not feel it. One job of a kind is done at a
time, some wait, more are refused: whoever may only watch can ask for many.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
from collections.abc import AsyncIterator
from weakref import WeakKeyDictionary

import msgspec

from api.jobs.job import Busy, Complaint, Job, WorkError
from daq.errors import Refused

LARGEST_BYTES = 64 << 20
_ONE_THREAD = {
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "NUMBA_NUM_THREADS": "1",
    "ARROW_IO_THREADS": "1",
}


class _Desk:
    """Where jobs of one kind wait for their turn."""

    def __init__(self) -> None:
        self.turn = asyncio.Lock()
        self.waiting = 0


_desks: WeakKeyDictionary[asyncio.AbstractEventLoop, dict[type, _Desk]] = WeakKeyDictionary()


@contextlib.asynccontextmanager
async def _turn(kind: type[Job]) -> AsyncIterator[None]:
    """Wait until no other job of that kind is done. Raises Busy when many wait."""
    desks = _desks.setdefault(asyncio.get_running_loop(), {})
    desk = desks.setdefault(kind, _Desk())
    if desk.waiting > kind.most_waiting:
        raise Busy("Too many such jobs wait already.", "Try again when some are done.")
    desk.waiting += 1
    try:
        async with desk.turn:
            yield
    finally:
        desk.waiting -= 1


async def work(job: Job, time_limit_s: float = 0.0) -> bytes:
    """Have a job done, within its kind's time unless another is given.

    Raises Refused as the worker did, else WorkError; cancelling ends the worker.
    """
    async with _turn(type(job)):
        return await _work(job, time_limit_s or job.time_limit_s)


async def _work(job: Job, time_limit_s: float) -> bytes:
    kind = type(job)
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "api.jobs.worker",
        f"{kind.__module__}:{kind.__name__}",
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        env={**os.environ, **_ONE_THREAD},
        start_new_session=True,  # Ctrl-C ends the service, which then ends its worker
    )
    try:
        async with asyncio.timeout(time_limit_s):
            output, told = await process.communicate(msgspec.json.encode(job))
    except TimeoutError:
        raise WorkError(
            f"The work took longer than {time_limit_s:g} s.",
            "Try again when the computer has less to do.",
        ) from None
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
    if process.returncode == 0 and len(output) <= LARGEST_BYTES:
        return output
    raise _error(process.returncode, told)


def _error(exit_code: int | None, told: bytes) -> Refused | WorkError:
    lines = told.decode(errors="replace").strip().splitlines()
    try:
        complaint = msgspec.json.decode(lines[-1] if lines else "", type=Complaint)
    except msgspec.DecodeError:
        last = lines[-1][:300] if lines else "no message"
        return WorkError(
            f"The work failed ({exit_code}): {last}", "Evaluate the run again, then retry."
        )
    if complaint.code:
        return Refused(complaint.problem, complaint.remedy, complaint.code)
    return WorkError(complaint.problem, complaint.remedy)
