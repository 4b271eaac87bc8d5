"""Consistent overhead byte stuffing: frames without a zero inside, so that 0x00 can end them.

Data flows: codec packs a frame -> `stuff_into` -> port; deframer cuts at 0x00 -> `unstuff_into` ->
codec. After S. Cheshire and M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on
Networking 7 (1999). Compiled, because every frame passes here.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from daq.kernel import jit

Bytes = bytearray | npt.NDArray[np.uint8]

FULL_BLOCK = 0xFF  # code of a block of 254 bytes that no zero follows


def stuffed_size(size: int) -> int:
    """The most bytes that so many become; one more per 254 begun."""
    return size + 1 + size // (FULL_BLOCK - 1)


@jit
def stuff_into(data: Bytes, start: int, end: int, out: Bytes) -> int:
    """`data` from `start` to before `end` stuffed into `out`, without the 0x00 that ends it on the
    wire; returns how many bytes it is. `out` may be `data` where `start` leaves room for what is
    added."""
    code = 0  # where the code of the block stands that is being filled
    at = 1
    for k in range(start, end):
        if at - code == FULL_BLOCK:
            out[code] = FULL_BLOCK
            code = at
            at += 1
        if data[k] == 0:
            out[code] = at - code
            code = at
        else:
            out[at] = data[k]
        at += 1
    out[code] = at - code
    return at


@jit
def unstuff_into(raw: bytes, out: Bytes) -> int:
    """What `stuff_into` was given, into `out` as far as it has room; returns how many bytes it is,
    -1 when the last block reaches past the end or a zero is inside."""
    size = len(raw)
    at = 0
    made = 0
    while at < size:
        step = raw[at]
        if step == 0 or at + step > size:
            return -1
        for k in range(at + 1, at + step):
            if raw[k] == 0:
                return -1
            if made < len(out):
                out[made] = raw[k]
            made += 1
        at += step
        if step != FULL_BLOCK and at < size:
            if made < len(out):
                out[made] = 0
            made += 1
    return made if size > 0 else -1


def stuff(data: bytes) -> bytes:
    """`data` stuffed, without the 0x00 that ends it on the wire."""
    out = bytearray(stuffed_size(len(data)))
    return bytes(out[: stuff_into(bytearray(data), 0, len(data), out)])
