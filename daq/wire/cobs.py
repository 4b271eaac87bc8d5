"""Consistent overhead byte stuffing: frames without a zero inside, so that 0x00 can end them.

Data flows: codec packs a frame -> `stuff` -> port; deframer cuts at 0x00 -> `unstuff` -> codec.
After S. Cheshire and M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on
Networking 7 (1999). The work per call is one C-speed split or copy and one short step per zero
byte, because a frame has a few dozen bytes and arrives 500 times a second.
"""

from __future__ import annotations

FULL_BLOCK = 0xFF  # code of a block of 254 bytes that no zero follows
_LONGEST = FULL_BLOCK - 1


def stuff(data: bytes) -> bytes:
    """`data` stuffed, without the 0x00 that ends it on the wire; one byte longer per 254 begun."""
    if len(data) >= _LONGEST:
        return _stuff_long(data)
    # No run can fill a block, so every code byte takes the place of a zero (one put in front).
    out = bytearray(1)
    out += data
    at = 0
    for run in data.split(b"\0"):
        step = len(run) + 1
        out[at] = step
        at += step
    return bytes(out)


def unstuff(raw: bytes) -> bytes | None:
    """What `stuff` was given; None when the last block reaches past the end or a zero is inside."""
    size = len(raw)
    if not size or 0 in raw:
        return None
    if size >= FULL_BLOCK:
        return _unstuff_long(raw)
    # Too short for a full block: every code byte stands where a zero was, or is the one in front.
    out = bytearray(raw)
    at = 0
    while at < size:
        step = out[at]
        out[at] = 0
        at += step
    return bytes(out[1:]) if at == size else None


def _stuff_long(data: bytes) -> bytes:
    out = bytearray()
    runs = data.split(b"\0")
    last = len(runs) - 1
    for index, run in enumerate(runs):
        start = 0
        while len(run) - start >= _LONGEST:
            out.append(FULL_BLOCK)
            out += run[start : start + _LONGEST]
            start += _LONGEST
        if start and start == len(run) and index == last:
            break  # a full block at the very end needs no empty block after it
        out.append(len(run) - start + 1)
        out += run[start:]
    return bytes(out)


def _unstuff_long(raw: bytes) -> bytes | None:
    out = bytearray()
    size = len(raw)
    at = 0
    while at < size:
        step = raw[at]
        if at + step > size:
            return None
        out += raw[at + 1 : at + step]
        at += step
        if step != FULL_BLOCK and at < size:
            out.append(0)
    return bytes(out)
