"""Ports for processes that a test starts and that are told where to listen."""

from __future__ import annotations

import itertools
import os
import socket

# Below those that the system hands to whoever asks for any: between choosing one and listening
# there, seconds may pass, in which thousands of connections of other tests come and go.
FIRST, COUNT = 20_000, 12_000

_next = itertools.count(os.getpid() * 97, 7)  # workers of one test run ask for different ones


def free_port() -> int:
    """A loopback port nobody listens on now, and which this process has not named before."""
    while True:
        port = FIRST + next(_next) % COUNT
        with socket.socket() as probe:
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
        return port
