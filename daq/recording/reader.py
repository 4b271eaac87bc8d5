"""Reading a raw recording back, whole or hurt: the regression test and the black box of a run.

Data flows: file of daq.recording.recorder -> blocks whose CRC holds -> records in order. A torn
tail (the power went, kill -9) ends it; a damaged block is skipped and counted, and reading goes on
at the next block mark. One block is in memory at a time.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Annotated, NamedTuple

import msgspec
from msgspec import Meta

from daq.errors import RecordingError
from daq.measure.speed.tooth_errors import ToothTable
from daq.recording.recorder import (
    BLOCK_BYTES,
    BLOCK_CRC,
    BLOCK_HEAD,
    BLOCK_MARK,
    HEAD_BYTES,
    MAGIC,
    MAX_RECORD_BYTES,
    RECORD_HEAD,
    RecordKind,
)

HEADER_SCHEMA = 1
# A recording may come from anywhere; what names it stands in every list.
Label = Annotated[str, Meta(max_length=256)]
_MARK = BLOCK_MARK.to_bytes(4, "little")
# Longest honest block: full but for one byte, then the longest record; zlib may add a little.
_MOST = BLOCK_BYTES + MAX_RECORD_BYTES + RECORD_HEAD.size
_MOST_STORED = _MOST + _MOST // 1000 + 64


class Header(msgspec.Struct, frozen=True, kw_only=True):
    """First record of a recording: what one must know to replay it."""

    rig_text: Annotated[str, Meta(max_length=500_000)]  # the rig file as it was
    rig_fingerprint: Label
    version: Label  # of Drumlin
    run_id: Label = ""
    plan: msgspec.Raw = msgspec.Raw(b"null")  # JSON
    vehicle: Label = ""  # on the rolls, as acknowledged
    started_utc: Label = ""  # a label for people; no computation uses it
    utc_ns: int = 0  # UTC at this record's host time, ns since 1970; 0: not told
    utc_sigma_s: float = 0.0  # how well that computer's clock was known to be right
    zeros: dict[str, float] = {}  # absorber name -> count taken as zero, before the run
    learned_ratio: float | None = None  # engine rad/s per roll m/s
    teeth: dict[str, ToothTable] = {}  # roll set -> tooth offsets known when it began
    note: Annotated[str, Meta(max_length=20_000)] = ""
    schema: int = HEADER_SCHEMA


class Record(NamedTuple):
    kind: int  # daq.recording.recorder.RecordKind
    host_ns: int
    payload: bytes


class RecordingHealth(msgspec.Struct):
    """How whole the recording was found, complete once it was read to its end."""

    blocks: int = 0
    records: int = 0
    damaged_blocks: int = 0  # places where blocks could not be used
    missing_blocks: int = 0  # numbers not seen between those that were
    skipped_bytes: int = 0
    torn_tail: bool = False  # the last block is not whole: the recorder was cut off
    ended: bool = False  # closed in order


class Recording:
    """One recording on disk. Iterating reads it from its start; `health` fills on the way."""

    def __init__(self, path: Path) -> None:
        """Raises RecordingError when there is no such file or it is none of ours."""
        self.path = path
        self.health = RecordingHealth()
        try:
            with path.open("rb") as file:
                start = file.read(len(MAGIC))
        except OSError as error:
            raise RecordingError(
                f"The recording {path} cannot be read: {error}.", "Check the run and the disk."
            ) from None
        if start != MAGIC[: len(start)] or (not start and path.stat().st_size):
            raise RecordingError(
                f"{path} is not a raw recording.", "Raw recordings are the raw.drm files of runs."
            )

    def __iter__(self) -> Iterator[Record]:
        health = self.health = RecordingHealth()
        with self.path.open("rb") as file:
            for plain, count in _blocks(file, health):
                for record in _records(plain, count):
                    health.records += 1
                    if record.kind == RecordKind.END:
                        health.ended = True
                    yield record

    def header(self) -> Header:
        """The header record. Raises RecordingError when there is none that can be used.

        It is in the first block, and so is all that is looked at: a long file that was made to be
        searched is not.
        """
        with self.path.open("rb") as file:
            size = file.seek(0, 2)
            file.seek(len(MAGIC))
            block = _block(file, size - len(MAGIC))
        for record in _records(block[1], block[2]) if block is not None else ():
            if record.kind == RecordKind.HEADER:
                try:
                    return msgspec.json.decode(record.payload, type=Header)
                except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
                    raise RecordingError(
                        f"The header of {self.path} cannot be used: {error}.",
                        "It may come from a newer Drumlin; open it with that one.",
                    ) from None
        raise RecordingError(
            f"{self.path} has no header.",
            "The recording was cut off at its very start; nothing can be replayed from it.",
        )


def _records(plain: bytes, count: int) -> Iterator[Record]:
    """What a block holds; what it only claims to hold is not there."""
    at = 0
    for _ in range(count):
        start = at + RECORD_HEAD.size
        if start > len(plain):
            return
        kind, host_ns, size = RECORD_HEAD.unpack_from(plain, at)
        at = start + size
        if at > len(plain):
            return
        yield Record(kind, host_ns, plain[start:at])


def _blocks(file: IO[bytes], health: RecordingHealth) -> Iterator[tuple[bytes, int]]:
    """Decompressed contents and record count of each sound block."""
    at = len(MAGIC)
    expected = 0
    size = file.seek(0, 2)
    hurt_from = -1  # start of the stretch that could not be used, -1: none
    while at < size:
        file.seek(at)
        block = _block(file, size - at)
        if block is None:
            if hurt_from < 0:
                hurt_from = at
            at = _next_mark(file, at + 1, size)
            continue
        number, plain, count, length = block
        if hurt_from >= 0:
            health.damaged_blocks += 1
            health.skipped_bytes += at - hurt_from
            hurt_from = -1
        health.missing_blocks += max(0, number - expected)
        expected = number + 1
        health.blocks += 1
        yield plain, count
        at += length
    if hurt_from >= 0:
        health.torn_tail = True
        health.skipped_bytes += size - hurt_from


def _block(file: IO[bytes], left: int) -> tuple[int, bytes, int, int] | None:
    """(number, contents, records, length) of the block here; None when it cannot be used."""
    head = file.read(HEAD_BYTES)
    if len(head) < HEAD_BYTES:
        return None
    mark, number, stored, plain, records = BLOCK_HEAD.unpack_from(head)
    if mark != BLOCK_MARK or stored > min(_MOST_STORED, left - HEAD_BYTES) or plain > _MOST:
        return None
    data = file.read(stored)
    (crc,) = BLOCK_CRC.unpack_from(head, BLOCK_HEAD.size)
    if len(data) < stored or zlib.crc32(data, zlib.crc32(head[: BLOCK_HEAD.size])) != crc:
        return None
    unpacker = zlib.decompressobj()
    try:
        content = unpacker.decompress(data, plain)
    except zlib.error:
        return None
    if len(content) != plain:
        return None
    return number, content, records, HEAD_BYTES + stored


def _next_mark(file: IO[bytes], start: int, size: int) -> int:
    """Where the next block mark begins at or after `start`; the size when there is none."""
    step = 1 << 16
    at = start
    while at < size:
        file.seek(at)
        data = file.read(step + len(_MARK) - 1)
        found = data.find(_MARK)
        if found >= 0:
            return at + found
        at += step
    return size
