"""Fuzzing of the wire guided by coverage, for bench.fuzz: needs the package atheris.

`python -m bench.fuzz.guided --seconds N --seed S FOLDER`: inputs grow in FOLDER from the golden
frames. Ends with exit code 0 when nothing was raised; libFuzzer's own figures go to standard error.
"""

from __future__ import annotations

import argparse
import os
import sys
import zlib
from pathlib import Path

import atheris

os.environ["NUMBA_DISABLE_JIT"] = "1"  # coverage is of Python

with atheris.instrument_imports(
    include=["daq.wire.codec", "daq.wire.deframer", "daq.wire.cobs", "daq.wire.frame_kernel"]
):
    from daq.wire.cobs import stuff
    from daq.wire.codec import decode, encode
    from daq.wire.deframer import Deframer, Direction

from bench.fuzz.corpus import corpus
from daq.errors import WireError

LONGEST = 4096
MOST_CONTENT = 1020


def check(data: bytes) -> None:
    """Whatever comes: frames or counted damage; what was read is written as it came.

    The bytes come as they are, and as contents of a frame whose CRC holds: no fuzzer guesses one.
    """
    sound = data[:MOST_CONTENT]
    _feed(data)
    _feed(stuff(sound + zlib.crc32(sound).to_bytes(4, "little")) + b"\0")


def _feed(data: bytes) -> None:
    for direction in Direction:
        whole = Deframer(direction)
        frames = whole.feed(data)
        split = Deframer(direction)
        middle = len(data) // 2
        pieces = split.feed(data[:middle]) + split.feed(data[middle:])
        if [encode(each) for each in frames] != [encode(each) for each in pieces]:
            raise AssertionError("the same bytes in two pieces gave other frames")
    for raw in data.split(b"\0"):
        try:
            frame = decode(raw)
        except WireError:
            continue
        again = encode(frame)
        if encode(decode(again[:-1])) != again:
            raise AssertionError(f"not the same again: {raw.hex()}")


def main() -> None:
    """Fuzz until the time is over."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=int, required=True)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("folder", type=Path)
    told = parser.parse_args()
    told.folder.mkdir(parents=True, exist_ok=True)
    for number, frame in enumerate(corpus(told.seed)):
        (told.folder / f"seed-{number:04d}").write_bytes(frame)
    atheris.Setup(
        [
            sys.argv[0], f"-max_total_time={told.seconds}", f"-seed={told.seed}",
            f"-max_len={LONGEST}", "-timeout=5", "-print_final_stats=1",
            f"-artifact_prefix={told.folder}/", str(told.folder),
        ],
        check,
    )  # fmt: skip
    atheris.Fuzz()


if __name__ == "__main__":
    main()
