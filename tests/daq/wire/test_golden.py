"""The golden vectors hold in both directions, and against the wire written a second time."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest

from daq.errors import WireError
from daq.wire.cobs import stuff
from daq.wire.codec import decode, encode
from daq.wire.deframer import Deframer, Direction, WireCounters
from daq.wire.frames import FrameType, Hello, Sample, Slow

from .wire_reference import (
    GOLDEN,
    body,
    crc32_bitwise,
    damaged,
    golden,
    hello,
    stuff_plainly,
    wire,
    wire_of_body,
)
from .wire_typed import same, typed, unstuff

VECTORS: dict[str, Any] = json.loads(GOLDEN.read_text())
SOUND = VECTORS["sound"]
DAMAGED = VECTORS["damaged"]


def names(vectors: list[dict[str, Any]]) -> list[str]:
    return [vector["name"] for vector in vectors]


@pytest.mark.parametrize("vector", SOUND, ids=names(SOUND))
def test_a_golden_frame_encodes_to_its_bytes(vector: dict[str, Any]) -> None:
    assert encode(typed(vector["frame"])).hex() == vector["wire"]


@pytest.mark.parametrize("vector", SOUND, ids=names(SOUND))
def test_golden_bytes_decode_to_their_frame(vector: dict[str, Any]) -> None:
    raw = bytes.fromhex(vector["wire"])
    assert raw.endswith(b"\0")
    assert same(decode(raw[:-1]), typed(vector["frame"]))


@pytest.mark.parametrize("vector", DAMAGED, ids=names(DAMAGED))
def test_golden_damage_is_dropped_and_its_own_counter_counts(vector: dict[str, Any]) -> None:
    """On the side that the vector names; what is the other's is no frame for this one."""
    raw = bytes.fromhex(vector["wire"])
    sides = {"host": Direction.FROM_FRONT_END, "front end": Direction.TO_FRONT_END}
    for side, direction in sides.items():
        deframer = Deframer(direction)
        assert deframer.feed(raw) == []
        if vector["to"] in (side, "both"):
            expected = WireCounters(bytes_discarded=len(raw) - 1)
            setattr(expected, vector["counter"], 1)
            assert deframer.counters == expected
        else:
            assert deframer.counters.damaged == 1


def test_the_golden_file_is_what_the_second_writing_of_the_wire_makes() -> None:
    assert golden() == VECTORS
    assert {counter for _, counter, _ in damaged()} == {
        "crc_failures",
        "cobs_failures",
        "truncated",
        "oversized",
        "unknown_type",
        "malformed",
    }


def test_every_frame_type_has_a_golden_vector() -> None:
    seen = {bytes.fromhex(vector["wire"]) for vector in SOUND}
    types = {encode(decode(raw[:-1])) and _type_of(raw) for raw in seen}
    assert types == set(FrameType)


def _type_of(raw: bytes) -> int:
    return raw[1]  # the type is never 0, so it follows the first code byte


def test_crc_gives_the_published_check_value() -> None:
    # CRC-32 of "123456789" is 0xCBF43926: catalogues of CRC parameters, from memory.
    assert crc32_bitwise(b"123456789") == 0xCBF43926


@pytest.mark.parametrize(
    ("plain", "stuffed"),
    [
        # Worked examples of COBS in general use (encyclopedia article after Cheshire and Baker
        # 1999), from memory.
        ("00", "01 01"),
        ("00 00", "01 01 01"),
        ("00 11 00", "01 02 11 01"),
        ("11 22 00 33", "03 11 22 02 33"),
        ("11 22 33 44", "05 11 22 33 44"),
        ("11 00 00 00", "02 11 01 01 01"),
    ],
)
def test_stuffing_gives_the_published_examples(plain: str, stuffed: str) -> None:
    assert stuff(bytes.fromhex(plain)) == bytes.fromhex(stuffed)
    assert unstuff(bytes.fromhex(stuffed)) == bytes.fromhex(plain)
    assert stuff_plainly(bytes.fromhex(plain)) == bytes.fromhex(stuffed)


@pytest.mark.parametrize(
    ("plain", "stuffed"),
    [
        # The four long examples of the same article: around one full block of 254 bytes.
        (bytes(range(1, 255)), b"\xff" + bytes(range(1, 255))),
        (bytes(range(255)), b"\x01\xff" + bytes(range(1, 255))),
        (bytes(range(1, 256)), b"\xff" + bytes(range(1, 255)) + b"\x02\xff"),
        (bytes(range(2, 256)) + b"\0", b"\xff" + bytes(range(2, 256)) + b"\x01\x01"),
        (bytes(range(3, 256)) + b"\0\1", b"\xfe" + bytes(range(3, 256)) + b"\x02\x01"),
    ],
)
def test_stuffing_of_long_runs_gives_the_published_examples(plain: bytes, stuffed: bytes) -> None:
    assert stuff(plain) == stuffed
    assert unstuff(stuffed) == plain
    assert stuff_plainly(plain) == stuffed


def test_a_later_major_version_may_append_to_hello_but_ours_may_not() -> None:
    appended = decode(wire_of_body(body(hello(major=2)) + b"\x55")[:-1])
    assert isinstance(appended, Hello)
    assert appended.major == 2
    with pytest.raises(WireError, match="layout"):
        decode(wire_of_body(body(hello(major=1)) + b"\x55")[:-1])


def test_an_infinite_slow_value_reads_as_no_value() -> None:
    raw = wire_of_body(b"\x03" + bytes(4) + b"\x01\x00\x00\x00\x80\x7f")
    frame = decode(raw[:-1])
    assert isinstance(frame, Slow)
    assert math.isnan(frame.values[0][1])


SAMPLE = typed(SOUND[4]["frame"])


@pytest.mark.parametrize(
    "changes",
    [
        {"sequence": 2**32},
        {"sequence": -1},
        {"tick": 2**32},
        {"permission": 4},
        {"permission": -1},
        {"permission_left_ms": 65_536},
        {"last_set_point": -1},
        {"digital": 65_536},
        {"counts": (2**23, 0, 0, 0)},
        {"counts": (0, 0, 0, -(2**23) - 1)},
        {"flags": (256, 0, 0, 0)},
        {"flags": (0, 0, -1, 0)},
        {"flags": (0, 0, 0)},
        {"edge_totals": (1, 2)},
        {"edge_totals": (1, 2, 65_536)},
        {"edges": ((2**32,), (), ())},
        {"edges": (tuple(range(65)), (), ())},
        {"currents": (65_536, 0, 0, 0)},
        {"currents": (-1, 0, 0, 0)},
        {"currents": (1.5, 0, 0, 0)},
    ],
    ids=str,
)
def test_a_sample_with_a_field_out_of_range_is_refused_with_a_remedy(
    changes: dict[str, Any],
) -> None:
    assert isinstance(SAMPLE, Sample)
    with pytest.raises(WireError, match=r"docs/wire\.md"):
        encode(SAMPLE.__replace__(**changes))


SET_POINT = {"type": "set_point", "session": 1, "sequence": 1, "validity_ms": 1, "digital_out": 0}


@pytest.mark.parametrize(
    "frame",
    [
        {**SET_POINT, "currents": [], "session": 2**32},
        {**SET_POINT, "currents": [], "sequence": 65_536},
        {**SET_POINT, "currents": [], "validity_ms": 65_536},
        {**SET_POINT, "currents": [], "digital_out": 256},
        {**SET_POINT, "currents": [0] * 256},
        {**SET_POINT, "currents": [65_536]},
        {"type": "slow", "tick": 0, "values": [[256, 0.0]]},
        {"type": "slow", "tick": 0, "values": [[0, 1e39]]},
        {"type": "time", "token": -1, "tick": 0},
        {"type": "notice", "tick": 0, "code": 256, "detail": 0},
        {"type": "ask_identity", "session": -1},
        {"type": "ask_time", "token": 2**32},
    ],
    ids=str,
)
def test_a_frame_with_a_field_out_of_range_is_refused_with_a_remedy(frame: dict[str, Any]) -> None:
    with pytest.raises(WireError) as caught:
        encode(typed(frame))
    assert caught.value.remedy


def test_an_infinite_slow_value_is_not_sent() -> None:
    with pytest.raises(WireError):
        encode(Slow(0, ((0, math.inf),)))


def test_names_too_long_for_hello_are_refused() -> None:
    with pytest.raises(WireError, match="64 bytes"):
        encode(typed(hello(firmware="x" * 65)))
    with pytest.raises(WireError, match="24 bytes"):
        encode(typed(hello(channels=[{"kind": 1, "name": "x" * 25, "unit": ""}])))
    many = [{"kind": 6, "name": f"{index:024}", "unit": "degC"} for index in range(60)]
    with pytest.raises(WireError, match="fewer channels"):
        encode(typed(hello(channels=many)))  # 60 channels of 31 bytes are beyond 1024


def test_a_frame_of_the_other_direction_is_counted_and_dropped() -> None:
    ask = wire({"type": "ask_time", "token": 5})
    time = wire({"type": "time", "token": 5, "tick": 6})
    host = Deframer(Direction.FROM_FRONT_END)
    assert len(host.feed(ask + time)) == 1
    assert host.counters == WireCounters(frames=1, wrong_direction=1, bytes_discarded=len(ask) - 1)
    front_end = Deframer(Direction.TO_FRONT_END)
    assert len(front_end.feed(ask + time)) == 1
    assert front_end.counters == WireCounters(
        frames=1, wrong_direction=1, bytes_discarded=len(time) - 1
    )
