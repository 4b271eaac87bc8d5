"""Compiled: the board's numbers of one frame to the body of a SAMPLE, after docs/wire.md.

Written from the page, not from the host's codec: the two must agree on the bytes.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from simulator.kernel import jit

Ints = npt.NDArray[np.int64]

SAMPLE = 0x02
MOST_EDGES = 64  # per wheel and frame


@jit
def _put(body: bytearray, at: int, value: int, width: int) -> int:
    """A number of so many bytes, little endian; returns where the next one goes."""
    for k in range(width):
        body[at + k] = (value >> (8 * k)) & 0xFF
    return at + width


@jit
def write_sample(
    sequence: int, tick: int, permission: int, left_ms: int, last_set_point: int, digital: int,
    row: Ints, flags: Ints, totals: Ints, body: bytearray,
) -> int:  # fmt: skip
    """A SAMPLE's body, as a front end makes it, into `body`; returns its size.

    `row` holds per converter the count, per output (as many) the current in steps, per wheel how
    many edges came, then their ticks, wheel by wheel, of any width. `totals` of all edges are
    counted on. Of more than MOST_EDGES edges the newest are sent.
    """
    count = len(flags)
    at = _put(body, 0, SAMPLE, 1)
    at = _put(body, at, sequence, 4)
    at = _put(body, at, tick, 4)
    at = _put(body, at, permission, 1)
    at = _put(body, at, left_ms, 2)
    at = _put(body, at, last_set_point, 2)
    at = _put(body, at, digital, 2)
    at = _put(body, at, len(totals), 1)
    at = _put(body, at, count, 1)
    at = _put(body, at, count, 1)
    first = 2 * count + len(totals)
    for wheel in range(len(totals)):
        n = row[2 * count + wheel]
        totals[wheel] = (totals[wheel] + n) & 0xFFFF
        sent = min(n, MOST_EDGES)
        at = _put(body, at, totals[wheel], 2)
        at = _put(body, at, sent, 1)
        for k in range(first + n - sent, first + n):
            at = _put(body, at, row[k], 4)
        first += n
    for c in range(count):
        at = _put(body, at, row[c], 3)
        at = _put(body, at, flags[c], 1)
    for c in range(count):
        at = _put(body, at, row[count + c], 2)
    return at
