"""The last minute before a trip: raw frames, set points, commands, events and decisions.

Data flows: the loop appends what it receives and sends to a ring; on a trip a copy of the ring
is written into a recording of its own under `blackbox/`, on a thread of its own.
"""

from __future__ import annotations

import collections
import threading
from collections.abc import Callable

KEEP_NS = 60_000_000_000
Entry = tuple[int, int, bytes]  # kind, host nanoseconds, payload


class BlackBox:
    """A ring of the last `keep_ns`; `dump` hands a copy to `write` on another thread."""

    def __init__(self, write: Callable[[str, list[Entry]], None], keep_ns: int = KEEP_NS) -> None:
        self._write = write
        self._keep_ns = keep_ns
        self._ring: collections.deque[Entry] = collections.deque()
        self._writing: threading.Thread | None = None
        self.failure = ""

    def append(self, kind: int, host_ns: int, payload: bytes) -> None:
        """Take one entry; entries older than the ring's length fall out."""
        ring = self._ring
        ring.append((kind, host_ns, payload))
        oldest = host_ns - self._keep_ns
        while ring[0][1] < oldest:
            ring.popleft()

    def dump(self, name: str) -> bool:
        """Write the ring as recording `name`; False when the one before is still being written."""
        if self._writing is not None and self._writing.is_alive():
            return False
        entries = list(self._ring)
        self._writing = threading.Thread(
            target=self._run, args=(name, entries), name="black box", daemon=True
        )
        self._writing.start()
        return True

    def close(self) -> None:
        """Wait for a dump under way."""
        if self._writing is not None:
            self._writing.join(timeout=30.0)

    def _run(self, name: str, entries: list[Entry]) -> None:
        try:
            self._write(name, entries)
        except Exception as error:  # whatever happens here, the loop goes on and says so
            self.failure = str(error)
