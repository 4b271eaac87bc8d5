"""The C core reads and writes the wire as the host does: golden frames, damage, any stream."""

from __future__ import annotations

import json
import math
import random
from pathlib import Path
from typing import Any

import pytest

from bench.firmware.core import Script, record_of
from daq.wire.codec import encode
from daq.wire.deframer import Deframer, Direction, WireCounters
from daq.wire.frames import (
    AskIdentity,
    AskTime,
    Frame,
    Hello,
    Notice,
    Sample,
    SetPoint,
    Slow,
    Time,
)
from simulator.rig_and_truck.setup import nominal
from tests.daq.wire.wire_reference import GOLDEN, damaged, wire_of_body

VECTORS: dict[str, Any] = json.loads(GOLDEN.read_text())
RECORD = record_of(nominal())


def counted(core: Path, stream: bytes) -> tuple[WireCounters, list[Frame]]:
    """What the core counted of that stream, and the frames it answered with."""
    script = Script()
    script.boot(RECORD)
    script.receive(stream, 7)
    script.count()
    replies = script.run(core)
    answers = Deframer(Direction.FROM_FRONT_END)
    frames = answers.feed(b"".join(reply.line for reply in replies[1:]))
    assert answers.counters.damaged == 0
    counters = replies[-1].counters
    assert counters is not None
    return counters, frames


def hosts(stream: bytes) -> WireCounters:
    """What the host's receiver counts of it, were it the front end's."""
    deframer = Deframer(Direction.TO_FRONT_END)
    deframer.feed(stream)
    return deframer.counters


def test_each_golden_frame_is_counted_as_by_the_host(core: Path) -> None:
    for vector in (*VECTORS["sound"], *VECTORS["damaged"]):
        raw = bytes.fromhex(vector["wire"])
        assert counted(core, raw)[0] == hosts(raw), vector["name"]


def test_all_golden_frames_in_one_stream_are_counted_as_by_the_host(core: Path) -> None:
    raw = b"".join(bytes.fromhex(v["wire"]) for v in (*VECTORS["sound"], *VECTORS["damaged"]))
    counters, _ = counted(core, raw)
    assert counters == hosts(raw)
    assert counters.damaged >= len(damaged())


def test_questions_are_answered_with_the_tick_of_their_last_byte(core: Path) -> None:
    _, frames = counted(core, encode(AskTime(0xDEADBEEF)) + encode(AskIdentity(77)))
    assert frames[0] == Time(0xDEADBEEF, 7)
    hello = frames[1]
    assert isinstance(hello, Hello)
    assert (hello.session, hello.tick) == (77, 7)


@pytest.mark.parametrize(
    "content",
    [
        # Names that are not UTF-8: a lone continuation, an overlong form, a surrogate, a cut
        # sequence, beyond U+10FFFF (RFC 3629, from memory).
        b"\x80", b"\xc0\xaf", b"\xed\xa0\x80", b"\xe2\x82", b"\xf4\x90\x80\x80", b"\xf8\x88",
        # And those that are: two, three and four bytes at the ends of their ranges.
        "\u0080\u07ff".encode(), "\u0800\ud7ff\ue000\uffff".encode(),
        "\U00010000\U0010ffff".encode(),
    ],
)  # fmt: skip
def test_text_that_is_not_utf8_is_damage_on_both_sides(core: Path, content: bytes) -> None:
    head = b"\x01\x01\x00\x00" + (1_000_000).to_bytes(4, "little") + b"\xf4\x01" + bytes(20)
    raw = wire_of_body(head + bytes((len(content),)) + content + b"\x00")
    assert counted(core, raw)[0] == hosts(raw)


def spoiled(rnd: random.Random) -> bytes:
    """A few frames of all types, some of them damaged."""
    stream = bytearray()
    for _ in range(rnd.randint(1, 6)):
        frames: list[Frame] = [
            SetPoint(rnd.choice([0, 7]), rnd.getrandbits(16), rnd.randint(0, 3000), 3,
                     tuple(rnd.choice([0, 255, 6001]) for _ in range(rnd.choice([0, 4, 5])))),
            AskIdentity(rnd.choice([0, 7])), AskTime(rnd.getrandbits(32)), Time(1, 2),
            Notice(1, 2, 3), Slow(4, ((0, 1.5), (3, 2.5))),
            Sample(1, 2, rnd.randrange(4), 3, 4, 5, (1,), ((1, 2, 3),), (-5,), (1,), (7, 8)),
        ]  # fmt: skip
        raw = bytearray(encode(rnd.choice(frames)))
        if rnd.random() < 0.2:
            junk = rnd.randbytes(rnd.choice([1, 5, 300, 1029, 1030, 1400])).replace(b"\0", b"\1")
            raw = bytearray(junk + b"\0")
        if rnd.random() < 0.2:  # a sound CRC round a bent body
            body = bytearray(rnd.randbytes(rnd.randint(1, 40)))
            body[0] = rnd.choice([1, 2, 3, 4, 5, 0x81, 0x82, 0x83, 9])
            raw = bytearray(wire_of_body(bytes(body)))
        for _ in range(rnd.choice([0, 0, 0, 1, 2])):
            raw[rnd.randrange(len(raw))] ^= 1 << rnd.randrange(8)
        stream += raw[: rnd.randrange(len(raw) + 1)] if rnd.random() < 0.1 else raw
    return bytes(stream) + b"\0"


def test_any_damaged_stream_is_counted_as_by_the_host(core: Path) -> None:
    rnd = random.Random(5)
    streams = [spoiled(rnd) for _ in range(600)]
    script = Script()
    for stream in streams:
        script.boot(RECORD)
        script.receive(stream, 5)
        script.count()
    counts = [reply.counters for reply in script.run(core) if reply.what == "K"]
    assert len(counts) == len(streams)
    for stream, counters in zip(streams, counts, strict=True):
        assert counters == hosts(stream), stream.hex()


def test_bytes_may_come_in_pieces_of_any_size(core: Path) -> None:
    rnd = random.Random(6)
    stream = b"".join(spoiled(rnd) for _ in range(20))
    script = Script()
    script.boot(RECORD)
    at = 0
    while at < len(stream):
        size = rnd.randint(1, 90)
        script.receive(stream[at : at + size], 5)
        at += size
    script.count()
    assert script.run(core)[-1].counters == hosts(stream)


def test_slow_values_that_are_infinite_are_sent_as_no_value(core: Path) -> None:
    script = Script()
    script.boot(RECORD)
    script.slow(9, ((0, 21.5), (5, float("inf")), (6, float("-inf"))))
    (slow,) = Deframer(Direction.FROM_FRONT_END).feed(script.run(core)[-1].line)
    assert isinstance(slow, Slow)
    assert slow.tick == 9
    assert slow.values[0] == (0, 21.5)
    assert all(math.isnan(value) for _, value in slow.values[1:])


def test_the_oldest_frames_are_dropped_whole_when_the_line_is_blocked(core: Path) -> None:
    """Answers wait in the core until the line takes them: here it takes none for a while."""
    script = Script()
    script.boot(RECORD)
    script.receive(b"".join(encode(AskTime(token)) for token in range(400)), 5)
    deframer = Deframer(Direction.FROM_FRONT_END)
    frames = deframer.feed(script.run(core)[-1].line)
    tokens = [frame.token for frame in frames if isinstance(frame, Time)]
    assert deframer.counters.damaged == 0
    assert 50 < len(tokens) < 400
    assert tokens == list(range(400 - len(tokens), 400))
