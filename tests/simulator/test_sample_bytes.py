"""The bytes that the simulated board writes are those of the host's own layout."""

from __future__ import annotations

import numpy as np

from daq.wire.frames import MAX_EDGES_PER_FRAME, MAX_FRAME_BYTES, Sample
from simulator.front_end.sample_bytes import write_sample


def test_a_board_writes_the_bytes_of_the_fields_and_the_newest_of_too_many_edges() -> None:
    numbers = np.random.default_rng(3)
    body = bytearray(MAX_FRAME_BYTES)
    totals = np.array([65_530, 0, 7], np.int64)
    for number in range(200):
        start = int(numbers.integers(0, 2**40))
        edges = [
            [start + k for k in range(int(numbers.integers(0, most)))]
            for most in (3, 90, 1 + number)
        ]
        counts = numbers.integers(-(2**23), 2**23, 4).tolist()
        flags = numbers.integers(0, 8, 4).tolist()
        currents = numbers.integers(0, 2**16, 4).tolist()
        seen = [
            (int(total) + len(ticks)) & 0xFFFF for total, ticks in zip(totals, edges, strict=True)
        ]
        row = [*counts, *currents, *map(len, edges), *edges[0], *edges[1], *edges[2]]
        size = write_sample(
            number, 2**32 - 1 - number, 1, 99, 65_535, 5,
            np.array(row, np.int64), np.array(flags, np.int64), totals, body,
        )  # fmt: skip
        sent = [
            [tick & 0xFFFF_FFFF for tick in ticks[-MAX_EDGES_PER_FRAME:]] if ticks else []
            for ticks in edges
        ]
        assert Sample.of(bytes(body[:size])) == Sample(
            number, 2**32 - 1 - number, 1, 99, 65_535, 5, seen, sent, counts, flags, currents
        )
