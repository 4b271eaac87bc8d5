"""The raw recorder: what came over the wire, what was sent and what was commanded, as it happened.

Data flows: loop -> `append` (returns at once) -> bounded queue -> a thread of its own -> blocks
with a CRC -> disk, synced at least twice a second. Append-only; an existing file is not touched.
Whatever the disk does, nothing is raised into the loop: it shows in `view`.

File: 8 bytes MAGIC, then blocks. Block: head (BLOCK_MARK u32, number u32, stored u32, plain u32,
records u32, crc u32; little endian), then `stored` bytes: the records, zlib-compressed. The CRC-32
covers the head without the CRC, and the stored bytes. Record: kind u8, host_ns u64, size u32,
payload. daq.recording.reader reads it back.
"""

from __future__ import annotations

import contextlib
import enum
import errno
import os
import threading
import time
import zlib
from collections import deque
from pathlib import Path
from struct import Struct
from typing import NamedTuple

import msgspec

from daq.errors import RecordingError

MAGIC = b"DRUMRAW1"
BLOCK_MARK = 0x4B4C4244
BLOCK_HEAD = Struct("<IIIII")  # mark, number, stored, plain, records; then the CRC
BLOCK_CRC = Struct("<I")
RECORD_HEAD = Struct("<BQI")
HEAD_BYTES = BLOCK_HEAD.size + BLOCK_CRC.size

BLOCK_BYTES = 1 << 18  # a block is closed at this size or after WRITE_EVERY_S
MAX_RECORD_BYTES = 1 << 20
WRITE_EVERY_S = 0.25
HEADER_LOOK_S = 0.01  # a file without its header says nothing: the first block waits for nothing
RETRY_S = 1.0
LAST_TRIES = 3  # at the end, of a disk that takes nothing
QUEUE_BYTES = 16 << 20  # some minutes of frames; beyond it records are dropped and counted
RECORD_COST = 100  # what a queued record takes beside its payload, roughly


class RecordKind(enum.IntEnum):
    """What a record is."""

    HEADER = 0  # JSON of daq.recording.reader.Header
    RX = 1  # wire bytes of one sound frame, without its 0x00
    TX = 2  # wire bytes of one frame the port took, without its 0x00
    COMMAND = 3  # msgpack
    EVENT = 4  # msgpack
    RX_DAMAGED = 5  # bytes between two 0x00 that were no frame
    ANSWER = 6  # msgpack
    END = 7  # empty: the recording was closed in order


class RecorderState(enum.StrEnum):
    RECORDING = "recording"
    BEHIND = "behind"  # the disk does not keep up; records were dropped
    DISK_FULL = "disk-full"  # waiting for room
    FAILED = "failed"  # writing failed in another way; it is tried again
    CLOSED = "closed"


class RecorderView(msgspec.Struct, frozen=True):
    state: RecorderState
    problem: str
    remedy: str
    records: int  # on disk
    stored_bytes: int  # on disk
    dropped: int  # records that will never be
    queued_bytes: int
    slowest_sync_ms: float


class _Block(NamedTuple):
    data: bytes
    cost: int
    records: int


class RawRecorder:
    """Writes one recording. `append` may be called from one thread, the loop's."""

    def __init__(self, path: Path, queue_bytes: int = QUEUE_BYTES) -> None:
        """Create the file. Raises RecordingError with the remedy when that is not possible."""
        self.path = path
        try:
            with contextlib.suppress(FileExistsError):
                path.parent.mkdir(parents=True, exist_ok=True)
            self._file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o644)
        except FileExistsError:
            raise RecordingError(
                f"The recording {path} exists already.",
                "Start a new run; none is ever overwritten.",
            ) from None
        except OSError as error:
            raise RecordingError(
                f"The recording {path} cannot be created: {error}.",
                "Check the data directory (--data), its rights and the room on its disk.",
            ) from None
        self._limit = queue_bytes
        self._queue: deque[tuple[int, int, bytes]] = deque()
        self._queued = 0  # bytes put in; only the appending side writes it
        self._done = 0  # bytes taken out and written or given up; only the thread writes it
        self._dropped = 0
        self._dropped_at_end = 0
        self._behind = False
        self._records = 0
        self._size = 0
        self._number = 0
        self._state = RecorderState.RECORDING
        self._problem = self._remedy = ""
        self._slowest_sync_s = 0.0
        self._closing = self._closed = False
        self._wake = threading.Event()
        self._thread = threading.Thread(target=self._run, name="raw recorder", daemon=True)
        self._thread.start()

    def in_place(self) -> bool:
        """Whether the file is still where it was made: what goes into a removed one is lost."""
        try:
            return os.path.samestat(os.stat(self.path), os.fstat(self._file))
        except OSError:
            return self._closed

    # --- the loop's side ----------------------------------------------------------------------

    def append(self, kind: int, host_ns: int, payload: bytes) -> bool:
        """Take one record; False when it was dropped. Never waits and never raises."""
        cost = len(payload) + RECORD_COST
        if (
            self._closing
            or self._queued - self._done + cost > self._limit
            or len(payload) > MAX_RECORD_BYTES
        ):
            self._dropped += 1
            self._behind = True
            return False
        self._queued += cost
        self._queue.append((kind, host_ns, payload))
        return True

    @property
    def view(self) -> RecorderView:
        dropped = self._dropped + self._dropped_at_end
        state, problem, remedy = self._state, self._problem, self._remedy
        if self._closed:
            state = RecorderState.CLOSED
        elif state is RecorderState.RECORDING and self._behind:
            state = RecorderState.BEHIND
            problem = f"The disk is too slow: {dropped} records were dropped."
            remedy = "Record to another disk; see what else writes to this one."
        return RecorderView(
            state,
            problem,
            remedy,
            self._records,
            self._size,
            dropped,
            self._queued - self._done,
            self._slowest_sync_s * 1e3,
        )

    def end(self) -> None:
        """Ask for an orderly end and return at once; the thread writes what is queued."""
        if not self._closing:
            self._queue.append((RecordKind.END, time.monotonic_ns(), b""))
            self._queued += RECORD_COST
            self._closing = True
            self._wake.set()

    def close(self, timeout_s: float = 10.0) -> bool:
        """`end`, then wait; False when the disk did not take everything in time."""
        self.end()
        self._thread.join(timeout_s)
        return not self._thread.is_alive() and self._done == self._queued

    # --- the thread ---------------------------------------------------------------------------

    def _run(self) -> None:
        block: _Block | None = _Block(MAGIC, 0, 0)
        last_tries = LAST_TRIES
        _sync_directory(self.path.parent)
        while True:
            if block is None:
                block = self._next_block()
            if block is None:
                self._behind = False
                if self._closing:
                    break
                self._wake.wait(WRITE_EVERY_S if self._number else HEADER_LOOK_S)
            elif self._write(block):
                self._done += block.cost
                if self._number and len(block.data) < BLOCK_BYTES // 8 and not self._closing:
                    self._wake.wait(WRITE_EVERY_S)
                block = None
            elif not self._closing:
                self._wake.wait(RETRY_S)
            elif last_tries:
                last_tries -= 1
                time.sleep(WRITE_EVERY_S)
            else:  # the disk took nothing to the last: what is left is lost, and counted
                self._dropped_at_end = block.records + len(self._queue)
                self._queue.clear()
                break
        with contextlib.suppress(OSError):
            os.close(self._file)
        self._closed = True

    def _next_block(self) -> _Block | None:
        """Up to BLOCK_BYTES of records as one block; None when nothing waits."""
        parts: list[bytes] = []
        plain = cost = records = 0
        while plain < BLOCK_BYTES and self._queue:
            kind, host_ns, payload = self._queue.popleft()
            parts.append(RECORD_HEAD.pack(kind, host_ns, len(payload)))
            parts.append(payload)
            plain += RECORD_HEAD.size + len(payload)
            cost += len(payload) + RECORD_COST
            records += 1
        if not records:
            return None
        stored = zlib.compress(b"".join(parts), 1)
        head = BLOCK_HEAD.pack(BLOCK_MARK, self._number, len(stored), plain, records)
        self._number += 1
        crc = BLOCK_CRC.pack(zlib.crc32(stored, zlib.crc32(head)))
        return _Block(head + crc + stored, cost, records)

    def _write(self, block: _Block) -> bool:
        """Write at the end and sync. On failure the file is cut back to its last whole block."""
        try:
            view = memoryview(block.data)
            at = self._size
            while view:
                taken = os.pwrite(self._file, view, at)
                at += taken
                view = view[taken:]
            began = time.monotonic()
            os.fdatasync(self._file)
            self._slowest_sync_s = max(self._slowest_sync_s, time.monotonic() - began)
        except OSError as error:
            with contextlib.suppress(OSError):
                os.ftruncate(self._file, self._size)
            self._failed(error)
            return False
        self._size = at
        self._records += block.records
        self._state = RecorderState.RECORDING
        self._problem = self._remedy = ""
        return True

    def _failed(self, error: OSError) -> None:
        if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
            self._state = RecorderState.DISK_FULL
            self._problem = f"There is no room to record in {self.path.parent}: {error.strerror}."
            self._remedy = "Make room on that disk; recording goes on by itself."
        else:
            self._state = RecorderState.FAILED
            self._problem = f"Recording to {self.path} failed: {error.strerror}."
            self._remedy = "Check the disk; the run goes on, what is not recorded is counted."


def _sync_directory(path: Path) -> None:
    """A new file is only safe when its directory is, too."""
    with contextlib.suppress(OSError):
        directory = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(directory)
        finally:
            os.close(directory)
