"""The process that workers are forked from: what many jobs load is loaded once.

Data flow: a socket and a job's class by name, from api.jobs.work -> fork -> the worker reads its
job from that socket, does it and answers there (api.jobs.worker) -> this process adds how it ended
and what processor time it took. A worker whose asker closes its side is killed, and all of them
when standard input ends. One thread only, which is what makes forking safe.
"""

from __future__ import annotations

import contextlib
import gc
import importlib
import os
import select
import signal
import socket
import struct
import sys
import traceback

from api.jobs.job import Job
from api.jobs.limits import end_with_parent
from api.jobs.worker import main as do_job
from api.runtime.protection import set_oom_score

ENDING = struct.Struct("!id")  # exit code (negative: the signal), processor seconds
FORK_SERVER = 800  # its workers go before it
LONGEST_NAME = 200
_PARENT_GONE = select.POLLIN | select.POLLHUP | select.POLLERR
_GIVEN_UP = select.POLLRDHUP | select.POLLHUP | select.POLLERR


def job_class(name: str) -> type[Job]:
    """The class of jobs called MODULE:CLASS. Raises TypeError when it is something else."""
    module, _, kind = name.partition(":")
    found = getattr(importlib.import_module(module), kind)
    if not (isinstance(found, type) and issubclass(found, Job)):
        raise TypeError(f"{name} is no job")
    return found


class _Worker:
    """One forked process and the socket that its asker holds the other end of."""

    def __init__(self, pid: int, line: socket.socket) -> None:
        self._pid = pid
        self.line = line
        self.handle = os.pidfd_open(pid)
        self.ending = b""  # how it ended, once it has

    def kill(self) -> None:
        """Harmless when it has ended already."""
        with contextlib.suppress(ProcessLookupError):
            signal.pidfd_send_signal(self.handle, signal.SIGKILL)

    def reap(self) -> None:
        """Wait for its end, and note how it came."""
        _, status, used = os.wait4(self._pid, 0)
        took_s = used.ru_utime + used.ru_stime
        self.ending = ENDING.pack(os.waitstatus_to_exitcode(status), took_s)

    def tell(self) -> None:
        """Say how it ended, if anybody still hears; the asker waits for the end of the line."""
        with self.line, contextlib.suppress(OSError):
            self.line.setblocking(False)
            self.line.sendall(self.ending)


class ForkServer:
    """Forks workers until its input ends."""

    def __init__(self, asked: socket.socket) -> None:
        self._asked = asked
        self._poll = select.poll()
        self._poll.register(asked, _PARENT_GONE)
        self._workers: dict[int, _Worker] = {}  # by each of its two descriptors

    def serve(self) -> None:
        """Until the other side is gone."""
        while True:
            for number, _ in self._poll.poll():
                if number == self._asked.fileno():
                    if not self._fork():
                        self._end()
                        return
                    continue
                worker = self._workers[number]
                if number == worker.handle:
                    worker.reap()
                    self._drop(number)
                    os.close(number)
                    # The last of its answer may still fill the line: told once there is room.
                    self._poll.register(worker.line, select.POLLOUT)
                elif worker.ending:
                    self._drop(number)
                    worker.tell()
                else:  # nobody waits for the answer any more; its end is seen next
                    worker.kill()
                    self._poll.unregister(number)

    def _fork(self) -> bool:
        """Take the next request. False: there will be none."""
        name, lines, _, _ = socket.recv_fds(self._asked, LONGEST_NAME, 1)
        if not name or not lines:
            return False
        line = socket.socket(fileno=lines[0])
        kind = name.decode(errors="replace")
        _load(kind)
        gc.freeze()  # what is loaded stays shared with the workers
        pid = os.fork()
        if pid == 0:
            self._become_worker(kind, line)
        worker = _Worker(pid, line)
        self._workers[worker.handle] = self._workers[line.fileno()] = worker
        self._poll.register(worker.handle, select.POLLIN)
        self._poll.register(line, _GIVEN_UP)
        return True

    def _become_worker(self, kind: str, line: socket.socket) -> None:
        code = 70  # EX_SOFTWARE of sysexits.h
        try:
            end_with_parent()
            self._asked.close()
            os.open(os.devnull, os.O_RDONLY)  # in the place of standard input
            for number in self._workers:
                os.close(number)
            code = do_job(job_class(kind), line)
        except BaseException as error:  # a worker never returns into the server
            traceback.print_exc()
            with contextlib.suppress(OSError):
                line.sendall(f"{type(error).__name__}: {error}".encode())
        finally:
            sys.stderr.flush()
            os._exit(code)

    def _drop(self, number: int) -> None:
        del self._workers[number]
        self._poll.unregister(number)

    def _end(self) -> None:
        running = {each for each in self._workers.values() if not each.ending}
        for worker in running:
            worker.kill()
        for worker in running:
            worker.reap()


def _load(kind: str) -> None:
    """Load what jobs of that kind share; what fails to load fails in the worker, with its word."""
    with contextlib.suppress(Exception):
        for name in job_class(kind).loads:
            importlib.import_module(name)


if __name__ == "__main__":
    set_oom_score(FORK_SERVER)  # without it only questions stay unanswered
    ForkServer(socket.socket(fileno=sys.stdin.fileno())).serve()
