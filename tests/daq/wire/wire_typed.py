"""JSON of the wire page and the golden file to typed frames, and a comparison that knows NaN."""

from __future__ import annotations

import math
from typing import Any

import msgspec

from daq.wire.cobs import unstuff_into
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

_KINDS: dict[str, type] = {
    "hello": Hello,
    "slow": Slow,
    "time": Time,
    "notice": Notice,
    "set_point": SetPoint,
    "ask_identity": AskIdentity,
    "ask_time": AskTime,
}


def typed(frame: dict[str, Any]) -> Frame:
    fields = dict(frame)
    if fields["type"] == "slow":
        fields["values"] = [
            (index, math.nan if value is None else value) for index, value in fields["values"]
        ]
    if frame["type"] == "sample":
        del fields["type"]
        return Sample(**fields)
    made: Frame = msgspec.convert(fields, _KINDS[fields["type"]])
    return made


def unstuff(raw: bytes) -> bytes | None:
    """What was stuffed; None when the bytes cannot be."""
    room = bytearray(len(raw))
    size = unstuff_into(raw, room)
    return bytes(room[:size]) if size >= 0 else None


def same(one: Frame, other: Frame) -> bool:
    """Equal in type and every field; no value equals no value."""
    if isinstance(one, Slow) and isinstance(other, Slow):
        return one.tick == other.tick and _plain(one) == _plain(other)
    return type(one) is type(other) and one == other


def _plain(slow: Slow) -> list[tuple[int, float | None]]:
    return [(index, None if math.isnan(value) else value) for index, value in slow.values]
