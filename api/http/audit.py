"""The append-only audit log: every command with who, when, what and outcome.

Data flows: routes -> Audit.write -> one JSON line at the end of `<data>/audit.jsonl`. Each line
carries the SHA-256 of the line before it together with its own text, so that a line changed or
taken out later is found by `verify`. Nothing here ever rewrites the file.
"""

from __future__ import annotations

import asyncio
import errno
import hashlib
import os
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from api.http.access import Caller
from daq.errors import StoreError

Detail = dict[str, str | float | int | bool | None]
FILE_NAME = "audit.jsonl"
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
    """Writes the log; one writer per data directory (the service)."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / FILE_NAME
        self._chain = ""
        self._lock = asyncio.Lock()
        self.failures = 0
        if self._path.exists():
            mend_tail(self._path)
            entries = tail(folder, 1)
            if entries:
                self._chain = entries[-1].chain

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
        easing off must not depend on a log."""
        at = datetime.now(UTC).isoformat(timespec="milliseconds")
        entry = Entry(
            at, caller.holder, caller.role, caller.peer, what, detail or {}, outcome, reason
        )
        async with self._lock:
            chain = chained(self._chain, entry)
            line = msgspec.json.encode(msgspec.structs.replace(entry, chain=chain)) + b"\n"
            try:
                await asyncio.to_thread(_append, self._path, line)
            except OSError:
                self.failures += 1
            else:
                self._chain = chain


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
                    f"The audit log is broken at line {number}.",
                    "Somebody or something changed it; compare it with a backup.",
                )
            chain = entry.chain
    return number


def mend_tail(path: Path) -> None:
    """Cut off a last line that a power cut left unfinished."""
    with path.open("rb+") as file:
        size = file.seek(0, os.SEEK_END)
        start = max(0, size - _TAIL_BYTES)
        file.seek(start)
        data = file.read()
        if data and not data.endswith(b"\n"):
            file.truncate(start + data.rfind(b"\n") + 1)


def _append(path: Path, line: bytes) -> None:
    handle = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        before = os.fstat(handle).st_size
        try:
            if os.write(handle, line) != len(line):
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            os.fsync(handle)
        except OSError:
            # Half a line would make one with the next, and the log look forged.
            os.ftruncate(handle, before)
            raise
    finally:
        os.close(handle)
