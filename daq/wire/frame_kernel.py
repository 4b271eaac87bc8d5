"""Compiled: stuffed bytes to the bytes of a frame, checked, and back.

Data flows: deframer -> `open_frame` -> daq.wire.codec, or what is wrong with them; codec ->
`close_frame` -> port. SAMPLE, which alone comes hundreds of times a second, is checked for its
layout here; after that `u16`, `u32` and `i24` read its fields where they stand.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from daq.kernel import jit, refresh_cache
from daq.wire import cobs, frames
from daq.wire.cobs import Bytes, stuff_into, stuffed_size, unstuff_into
from daq.wire.frames import MAX_EDGES_PER_FRAME, MAX_FRAME_BYTES, FrameType, Permission

refresh_cache(__file__, cobs.__file__, frames.__file__)

Body = Bytes | bytes  # of a frame; reads alike

# What `open_frame` returns in place of a size.
BAD_STUFFING, TOO_SHORT, TOO_LONG, BAD_CRC, BAD_LAYOUT = -1, -2, -3, -4, -5

CRC_BYTES = 4
SHORTEST_FRAME = 1 + CRC_BYTES  # type and CRC
LONGEST_ON_WIRE = stuffed_size(MAX_FRAME_BYTES) + 1  # with the 0x00
# The CRC-32 of any data followed by its own CRC, little endian, is this number.
CRC_RESIDUE = 0x2144DF1C

# Where the fields of SAMPLE stand in its body; the wheels come after the head.
SEQUENCE, TICK, PERMISSION, LEFT_MS, LAST_SET_POINT, DIGITAL = 1, 5, 9, 10, 12, 14
WHEELS, CONVERTERS, OUTPUTS, FIRST_WHEEL = 16, 17, 18, 19
WHEEL_HEAD = 3  # edge_total u16, n u8
_SAMPLE = int(FrameType.SAMPLE)
_LAST_PERMISSION = int(max(Permission))


def _crc_table() -> npt.NDArray[np.int64]:
    """What each byte adds; CRC-32 of IEEE 802.3, reflected, polynomial 0xEDB88320."""
    table = np.arange(256, dtype=np.int64)
    for _ in range(8):
        table = np.where(table & 1, (table >> 1) ^ 0xEDB88320, table >> 1)
    return table


_CRC_TABLE = _crc_table()


@jit
def crc32(data: Bytes, start: int, end: int) -> int:
    """CRC-32 of the bytes from `start` to before `end`, as zlib's."""
    crc = 0xFFFFFFFF
    for k in range(start, end):
        crc = int(_CRC_TABLE[(crc ^ int(data[k])) & 0xFF]) ^ (crc >> 8)
    return crc ^ 0xFFFFFFFF


@jit
def u16(body: Body, at: int) -> int:
    return int(body[at]) | int(body[at + 1]) << 8


@jit
def u32(body: Body, at: int) -> int:
    return u16(body, at) | u16(body, at + 2) << 16


@jit
def i24(body: Body, at: int) -> int:
    low = u16(body, at) | int(body[at + 2]) << 16
    return low - (1 << 24) if low >= 1 << 23 else low


@jit
def first_converter(body: Body, size: int) -> int:
    """Where the converters begin in a SAMPLE of `size` bytes; behind its end: not laid out soundly.

    From there on come per converter count i24 and flags u8, then per output the current u16.
    """
    beyond = size + 1
    if size < FIRST_WHEEL:
        return beyond
    at = FIRST_WHEEL
    for _ in range(body[WHEELS]):
        if at + WHEEL_HEAD > size:
            return beyond
        n = int(body[at + 2])
        if n > MAX_EDGES_PER_FRAME:
            return beyond
        at += WHEEL_HEAD + 4 * n
    sound = at + 4 * int(body[CONVERTERS]) + 2 * int(body[OUTPUTS]) == size
    return at if sound and body[PERMISSION] <= _LAST_PERMISSION else beyond


@jit
def open_frame(raw: bytes, data: Bytes) -> int:
    """A stuffed body without its 0x00 into `data` (MAX_FRAME_BYTES), type to CRC.

    Returns the size, or below 0 what is wrong.
    """
    size = unstuff_into(raw, data)
    if size < 0:
        return BAD_STUFFING
    if size < SHORTEST_FRAME:
        return TOO_SHORT
    if size > len(data):
        return TOO_LONG
    if crc32(data, 0, size) != CRC_RESIDUE:
        return BAD_CRC
    end = size - CRC_BYTES
    if data[0] == _SAMPLE and first_converter(data, end) > end:
        return BAD_LAYOUT
    return size


@jit
def close_frame(body: bytes, raw: Bytes) -> int:
    """A body, type to last field, to wire bytes in `raw` (LONGEST_ON_WIRE), 0x00 included.

    The plain bytes wait at the end of `raw`, which the stuffed ones never overtake. Returns the
    size.
    """
    start = len(raw) - len(body) - CRC_BYTES
    end = start + len(body)
    for k in range(len(body)):
        raw[start + k] = body[k]
    crc = crc32(raw, start, end)
    for k in range(CRC_BYTES):
        raw[end + k] = (crc >> (8 * k)) & 0xFF
    size = stuff_into(raw, start, len(raw), raw)
    raw[size] = 0
    return size + 1
