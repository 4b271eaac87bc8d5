"""One fork server for all tests of a process: what its workers need is loaded once, not per test.

The process is the product's own (api.jobs.fork_server); only its life is longer than that of one
service. How it lives and ends with a service is tested in tests/api/jobs/test_work.py, which does
without this.
"""

from __future__ import annotations

import os
import socket
import subprocess
import sys

from api.jobs import work


class KeptServer:
    """The fork server, until `end`."""

    def __init__(self) -> None:
        self._asked, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with theirs:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "api.jobs.fork_server"],
                stdin=theirs,
                stdout=subprocess.DEVNULL,
                env={**os.environ, **work._ONE_THREAD},
                start_new_session=True,
            )

    def line(self) -> socket.socket:
        """A way to ask it, of the caller's own."""
        assert self._process.poll() is None, "a test has ended the fork server of all tests"
        asked = self._asked.dup()
        asked.setblocking(False)
        return asked

    def end(self) -> None:
        self._asked.close()
        self._process.wait(work.KILLED_WITHIN_S)


def forks_of(server: KeptServer) -> type[work._Forks]:
    """What asks that server, in the place of what starts one for each event loop."""

    class KeptForks(work._Forks):
        async def _start(self) -> socket.socket:
            self._asked = server.line()
            return self._asked

    return KeptForks
