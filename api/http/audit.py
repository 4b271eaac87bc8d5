"""The append-only audit log: every command with who, when, what and outcome.

Data flows: routes -> Audit.write -> one JSON line at the end of `<data>/audit.jsonl`. Each line
carries the SHA-256 of the line before it together with its own text, so that a line changed or
taken out later is found by `verify`. Nothing here ever rewrites the file.
"""

from __future__ import annotations

import asyncio
import collections
import contextlib
import errno
import fcntl
import hashlib
import os
import time
from collections.abc import Callable
from pathlib import Path

import msgspec

from api.http.entry.access import Caller
from api.http.entry.admission import Bucket
from daq import wall_clock
from daq.errors import StoreError
from daq.texts.message import say

Detail = dict[str, str | float | int | bool | None]
FILE_NAME = "audit.jsonl"
REPEATED = frozenset({"ease-off", "keep-helm"})  # anybody may, as often as they like
REPEATS = 10.0  # of the same by the same caller at once
REPEATS_PER_S = 0.2  # and lasting
KINDS_KEPT = 512
_TAIL_BYTES = 256 * 1024


class Entry(msgspec.Struct, frozen=True):
    """One line. `chain` is the hex SHA-256 over the previous chain and this line without it."""

    at: str  # UTC, ISO 8601; a label, no decision is taken from it
    who: str  # token name and client, or "local"
    role: str
    peer: str  # network address the request came from
    what: str
    detail: Detail
    outcome: str  # accepted | refused | unanswered | done
    reason: str = ""
    chain: str = ""


class Audit:
    """Writes the log. Service and helm process write the same file, one entry after the other."""

    def __init__(self, folder: Path, now: Callable[[], float] = time.monotonic) -> None:
        self._log = _Log(folder / FILE_NAME)
        self._now = now
        self._lock = asyncio.Lock()
        self._repeats: collections.OrderedDict[tuple[str, ...], _Repeats] = (
            collections.OrderedDict()
        )
        self.failures = 0

    async def write(
        self,
        caller: Caller,
        what: str,
        outcome: str,
        *,
        detail: Detail | None = None,
        reason: str = "",
    ) -> None:
        """Append one entry and see it on the disk. A disk that refuses is counted, not raised:
        easing off must not depend on a log.

        Of easing off and heartbeats said again and again by the same caller some are written; the
        next that is written says in `detail` how many were not (`not_written`).
        """
        unwritten = 0
        if what in REPEATED:
            found = self._unwritten((caller.holder, what, outcome, reason))
            if found is None:
                return
            unwritten = found
        if unwritten:
            detail = {**(detail or {}), "not_written": unwritten}
        at = wall_clock.utc_now().isoformat(timespec="milliseconds")
        entry = Entry(
            at, caller.holder, caller.role, caller.peer, what, detail or {}, outcome, reason
        )
        async with self._lock:
            try:
                await asyncio.to_thread(self._log.append, entry)
            except OSError:
                self.failures += 1

    def _unwritten(self, key: tuple[str, ...]) -> int | None:
        """How many of this kind were left out before the one to write now; None: leave it out."""
        now_s = self._now()
        repeats = self._repeats.setdefault(key, _Repeats(Bucket(REPEATS, now_s)))
        self._repeats.move_to_end(key)
        while len(self._repeats) > KINDS_KEPT:
            self._repeats.popitem(last=False)
        if repeats.bucket.left(REPEATS_PER_S, REPEATS, now_s) < 1.0:
            repeats.left_out += 1
            return None
        repeats.bucket.spend(1.0)
        left_out, repeats.left_out = repeats.left_out, 0
        return left_out


class _Repeats:
    """Of one kind of entry: what may still be written, and how many were not."""

    def __init__(self, bucket: Bucket) -> None:
        self.bucket = bucket
        self.left_out = 0


class _Log:
    """The file. Used by one thread at a time; other processes append to it, too."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._chain = ""
        self._end: tuple[int, int] | None = None  # inode and size after the chain was known

    def append(self, entry: Entry) -> None:
        """Raises OSError; then nothing of it is in the file."""
        way = os.O_RDWR | os.O_APPEND | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC
        handle = os.open(self._path, way, 0o600)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX)  # ends with the descriptor
            status = os.fstat(handle)
            if self._end != (status.st_ino, status.st_size):  # new, or another wrote
                self._chain = _last_chain(handle, status.st_size)
            before = os.fstat(handle).st_size
            chain = chained(self._chain, entry)
            line = msgspec.json.encode(msgspec.structs.replace(entry, chain=chain)) + b"\n"
            _write_whole(handle, line, before)
            self._chain = chain
            self._end = (status.st_ino, before + len(line))
        finally:
            os.close(handle)


def _last_chain(handle: int, size: int) -> str:
    """The chain of the last whole line; half a one, left by a power cut, is cut off."""
    start = max(0, size - _TAIL_BYTES)
    data = os.pread(handle, size - start, start)
    if data and not data.endswith(b"\n"):
        data = data[: data.rfind(b"\n") + 1]
        os.ftruncate(handle, start + len(data))
    for line in reversed(data.split(b"\n")):
        with contextlib.suppress(msgspec.DecodeError):
            if line:
                return msgspec.json.decode(line, type=Entry).chain
    return ""


def _write_whole(handle: int, line: bytes, before: int) -> None:
    try:
        if os.write(handle, line) != len(line):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        os.fsync(handle)
    except OSError:
        # Half a line would make one with the next, and the log look forged.
        os.ftruncate(handle, before)
        raise


def chained(previous: str, entry: Entry) -> str:
    """The chain value of `entry` after `previous`."""
    bare = msgspec.json.encode(msgspec.structs.replace(entry, chain=""))
    return hashlib.sha256(previous.encode() + bare).hexdigest()


def tail(folder: Path, count: int) -> list[Entry]:
    """The last `count` entries, oldest first (within the last 256 KiB)."""
    path = folder / FILE_NAME
    if not path.exists():
        return []
    with path.open("rb") as file:
        size = file.seek(0, os.SEEK_END)
        start = max(0, size - _TAIL_BYTES)
        file.seek(start)
        lines = file.read().split(b"\n")
    if start > 0:
        lines = lines[1:]
    entries = []
    for line in [line for line in lines if line][-count:]:
        try:
            entries.append(msgspec.json.decode(line, type=Entry))
        except msgspec.DecodeError:
            continue
    return entries


def verify(folder: Path) -> int:
    """Number of entries when the whole chain holds. Raises StoreError at the first break."""
    path = folder / FILE_NAME
    if not path.exists():
        return 0
    chain = ""
    number = 0
    with path.open("rb") as file:
        for number, line in enumerate(file, start=1):
            try:
                entry = msgspec.json.decode(line, type=Entry)
            except msgspec.DecodeError:
                entry = None
            if entry is None or entry.chain != chained(chain, entry):
                raise StoreError(
                    say("audit-log-broken-at-line", line=number),
                    say("somebody-or-something-changed-compare-with"),
                )
            chain = entry.chain
    return number
