"""Typed frames of the wire and the constants of its layout (docs/wire.md is the authority).

Framing: COBS, one 0x00 byte ends each frame. Inside: `type u8 | body | crc32 u32`, all numbers
little endian; the CRC is CRC-32 (IEEE 802.3, as in zlib) over type and body. A frame decodes
whole or not at all. Types below 0x80 go from the front end to the host, the others to it.

Bodies (sizes in bytes):

HELLO 0x01     major u8, minor u8, reset_cause u8, tick_hz u32, frame_hz u16, boot_id u32,
               session u32, config_hash u64, tick u32, firmware (u8 length + UTF-8),
               count u8, then per channel: kind u8, name (u8 length + UTF-8),
               unit (u8 length + UTF-8)
SAMPLE 0x02    sequence u32, tick u32, permission u8, permission_left_ms u16, last_set_point u16,
               digital u16, wheel count u8, converter count u8, output count u8,
               per wheel: edge_total u16, n u8, n x edge tick u32 (oldest first),
               per converter: count i24, flags u8,
               per output: current u16 in 10 mA steps
SLOW 0x03      tick u32, n u8, n x (channel index u8, value f32; NaN = no value)
TIME 0x04      token u32, tick u32 (at the moment the question was read)
NOTICE 0x05    tick u32, code u8, detail u32
SET_POINT 0x81 session u32, sequence u16, validity_ms u16, digital_out u8, n u8,
               n x u16 in 10 mA steps
ASK_IDENTITY 0x82  session u32  (opens a session: earlier permission ends, current eases off)
ASK_TIME 0x83  token u32

Channel indices count within their kind, in the order of the table in HELLO.
"""

from __future__ import annotations

import enum
import struct
from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any

import msgspec

from daq.errors import WireError
from daq.plain_text import visible

PROTOCOL_MAJOR = 1
PROTOCOL_MINOR = 0
MAX_FRAME_BYTES = 1024  # decoded, type to CRC; longer is discarded and counted
MAX_EDGES_PER_FRAME = 64  # per wheel; a front end that saw more sends the newest 64
CURRENT_STEP_A = 0.01


class FrameType(enum.IntEnum):
    HELLO = 0x01
    SAMPLE = 0x02
    SLOW = 0x03
    TIME = 0x04
    NOTICE = 0x05
    SET_POINT = 0x81
    ASK_IDENTITY = 0x82
    ASK_TIME = 0x83


class ChannelKind(enum.IntEnum):
    WHEEL = 1  # tooth wheel or engine pickup: edge times
    CONVERTER = 2  # 24-bit load-cell converter
    OUTPUT = 3  # absorber supply with measured current
    DIGITAL_IN = 4  # bit i of `digital` is digital-in channel i
    DIGITAL_OUT = 5  # bit i of `digital_out`: fans and the like
    SLOW = 6  # temperature, pressure, ... as float in the unit of the table


class ResetCause(enum.IntEnum):
    POWER_ON = 0
    WATCHDOG = 1
    BROWN_OUT = 2
    COMMANDED = 3
    UNKNOWN = 255


class Permission(enum.IntEnum):
    """What the front end allows itself, by its own clock and its own inputs."""

    NONE = 0  # no session or no set point yet: current is zero
    HELD = 1  # set points are fresh
    EASING = 2  # permission expired: current goes to zero along the front end's ramp
    CHAIN_OPEN = 3  # hardwired stop chain open: supplies are off, whatever is asked


class ConverterFlag(enum.IntFlag):
    SATURATED = 1
    BRIDGE_FAULT = 2  # open or shorted bridge, excitation out of range
    NOT_FRESH = 4  # no conversion finished since the last frame; the count is repeated


class NoticeCode(enum.IntEnum):
    EASING_BEGAN = 1  # permission expired; detail: ms since the last accepted set point
    # detail: 1 session, 2 sequence not newer, 3 output count, 4 range, 5 not zero after the chain
    SET_POINT_REFUSED = 2
    FRAMES_DAMAGED = 3  # detail: frames from the host discarded since the last notice
    CHAIN_OPENED = 4
    EDGES_DROPPED = 5  # detail: wheel index << 16 | edges not sent


class Channel(msgspec.Struct, frozen=True):
    kind: ChannelKind
    name: str  # at most 24 bytes of UTF-8
    unit: str = ""  # only for slow channels


class Hello(msgspec.Struct, frozen=True, tag="hello"):
    major: int
    minor: int
    reset_cause: ResetCause
    tick_hz: int
    frame_hz: int
    boot_id: int  # random, new at each boot
    session: int  # the session in force, 0 before the first ASK_IDENTITY
    config_hash: int
    tick: int
    firmware: str
    channels: tuple[Channel, ...]

    def as_shown(self) -> Hello:
        """The same with nothing in its texts that would command what shows them."""
        channels = tuple(
            Channel(one.kind, visible(one.name), visible(one.unit)) for one in self.channels
        )
        return msgspec.structs.replace(self, firmware=visible(self.firmware), channels=channels)

    def names(self, kind: ChannelKind) -> tuple[str, ...]:
        """Channel names of one kind in index order."""
        return tuple(channel.name for channel in self.channels if channel.kind == kind)


_SAMPLE_FIELDS = (
    "sequence", "tick", "permission", "permission_left_ms", "last_set_point", "digital",
    "edge_totals", "edges", "counts", "flags", "currents",
)  # fmt: skip


class Sample:
    """What the front end measured since the frame before: its body as on the wire, read when asked.

    `edges[w]` are raw 32-bit ticks, oldest first; `edge_totals[w]` counts every edge seen since
    boot, modulo 65536, so that lost frames do not lose the tooth phase. `counts` are signed
    24-bit; `currents` are in steps of 10 mA. Made from fields it raises WireError when one does
    not fit its place. What steers reads the body itself (daq.wire.sample_kernel).
    """

    __slots__ = ("body", *_SAMPLE_FIELDS)

    body: bytes  # type to last current, without the CRC
    sequence: int
    tick: int
    permission: int
    permission_left_ms: int
    last_set_point: int
    digital: int
    edge_totals: tuple[int, ...]
    edges: tuple[tuple[int, ...], ...]
    counts: tuple[int, ...]
    flags: tuple[int, ...]
    currents: tuple[int, ...]

    def __init__(
        self,
        sequence: int,
        tick: int,
        permission: int,
        permission_left_ms: int,
        last_set_point: int,
        digital: int,
        edge_totals: Sequence[int],
        edges: Sequence[Sequence[int]],
        counts: Sequence[int],
        flags: Sequence[int],
        currents: Sequence[int],
    ) -> None:
        head = (sequence, tick, permission, permission_left_ms, last_set_point, digital)
        try:
            self.body = _packed(head, edge_totals, edges, counts, flags, currents)
        except (struct.error, OverflowError, TypeError, ValueError) as error:
            raise misfit("Sample", error) from None

    @staticmethod
    def of(body: bytes) -> Sample:
        """The sample of a body that is known to be laid out as one."""
        sample: Sample = _new_sample(Sample)
        sample.body = body
        return sample

    def __getattr__(self, name: str) -> Any:  # of a field not read yet
        if name not in _SAMPLE_FIELDS:
            raise AttributeError(f"a sample has no field '{name}'")
        for field, value in zip(_SAMPLE_FIELDS, _unpacked(self.body), strict=True):
            setattr(self, field, value)
        return getattr(self, name)

    def __eq__(self, other: object) -> bool:
        return type(other) is Sample and self.body == other.body

    def __hash__(self) -> int:
        return hash(self.body)

    def __repr__(self) -> str:
        return f"Sample{_unpacked(self.body)!r}"

    def __reduce__(self) -> tuple[Callable[[bytes], Sample], tuple[bytes]]:
        return Sample.of, (self.body,)

    def __replace__(self, **changes: Any) -> Sample:
        """The same with other values in the fields named."""
        return Sample(**dict(zip(_SAMPLE_FIELDS, _unpacked(self.body), strict=True)) | changes)


def last_set_point_of(sample: Sample) -> int:
    """That field alone, for every frame; asked of the sample itself, all of it is read."""
    found: int = _LAST_SET_POINT.unpack_from(sample.body, _LAST_SET_POINT_AT)[0]
    return found


_new_sample = object.__new__
# Type, the six numbers of the head, and how many wheels, converters and outputs follow.
_SAMPLE_HEAD = struct.Struct("<BIIBHHHBBB")
_LAST_SET_POINT, _LAST_SET_POINT_AT = struct.Struct("<H"), struct.calcsize("<BIIBH")
_COUNT_LOW, _COUNT_HIGH = -(1 << 23), (1 << 23) - 1
_KNOWN_PERMISSION = max(Permission)


def misfit(kind: str, error: Exception) -> WireError:
    """A field that does not fit its place in the layout."""
    return WireError(
        f"A frame of kind {kind} does not fit the wire: {error}.",
        "docs/wire.md gives the range of every field.",
    )


@lru_cache(maxsize=4096)
def _sample_packer(edges: tuple[int, ...], converters: int, outputs: int) -> Callable[..., bytes]:
    if edges and max(edges) > MAX_EDGES_PER_FRAME:
        raise ValueError(f"more than {MAX_EDGES_PER_FRAME} edges of one wheel")
    wheels = "".join(f"HB{n}I" for n in edges)
    return struct.Struct(f"<BIIBHHHBBB{wheels}{converters}I{outputs}H").pack


def _packed(
    head: tuple[int, ...],
    totals: Sequence[int],
    edges: Sequence[Sequence[int]],
    counts: Sequence[int],
    flags: Sequence[int],
    currents: Sequence[int],
) -> bytes:
    if len(totals) != len(edges) or len(flags) != len(counts):
        raise ValueError("edge totals go with edges and flags with counts, one each")
    if counts and (max(counts) > _COUNT_HIGH or min(counts) < _COUNT_LOW):
        raise ValueError("a count has more than 24 bits")
    if head[2] > _KNOWN_PERMISSION:
        raise ValueError("permission is none of the known four")
    sizes = tuple(map(len, edges))
    values: list[int] = []
    for total, size, ticks in zip(totals, sizes, edges, strict=True):
        values += (total, size, *ticks)
    # Count and flags share one 32-bit word: 24 bits of count below 8 bits of flags.
    if any(flags):
        values += [(c & 0xFFFFFF) | (f << 24) for c, f in zip(counts, flags, strict=True)]
    else:
        values += [c & 0xFFFFFF for c in counts]
    shape = (len(sizes), len(counts), len(currents))
    pack = _sample_packer(sizes, len(counts), len(currents))
    return pack(FrameType.SAMPLE, *head, *shape, *values, *currents)


def _unpacked(body: bytes) -> tuple[Any, ...]:
    """The fields, in the order of `_SAMPLE_FIELDS`."""
    _, *head, wheels, converters, outputs = _SAMPLE_HEAD.unpack_from(body)
    at = _SAMPLE_HEAD.size
    totals: list[int] = []
    edges: list[tuple[int, ...]] = []
    for _ in range(wheels):
        total, n = struct.unpack_from("<HB", body, at)
        totals.append(total)
        edges.append(struct.unpack_from(f"<{n}I", body, at + 3))
        at += 3 + 4 * n
    after = at + 4 * converters
    # One byte early, the 24-bit count is the upper part of a signed 32-bit word.
    words = struct.unpack_from(f"<{converters}i", body, at - 1)
    counts = tuple([word >> 8 for word in words])
    currents = struct.unpack_from(f"<{outputs}H", body, after)
    return *head, tuple(totals), tuple(edges), counts, tuple(body[at + 3 : after : 4]), currents


class Slow(msgspec.Struct, frozen=True, tag="slow"):
    tick: int
    values: tuple[tuple[int, float], ...]


class Time(msgspec.Struct, frozen=True, tag="time"):
    token: int
    tick: int


class Notice(msgspec.Struct, frozen=True, tag="notice"):
    tick: int
    code: int
    detail: int


class SetPoint(msgspec.Struct, frozen=True, tag="set_point"):
    """Supply set points. A front end takes it only in the session it names, only when its
    sequence is newer (modulo 65536), and lets it expire after `validity_ms`."""

    session: int
    sequence: int
    validity_ms: int
    digital_out: int
    currents: tuple[int, ...]


class AskIdentity(msgspec.Struct, frozen=True, tag="ask_identity"):
    session: int


class AskTime(msgspec.Struct, frozen=True, tag="ask_time"):
    token: int


FromFrontEnd = Hello | Sample | Slow | Time | Notice
ToFrontEnd = SetPoint | AskIdentity | AskTime
Frame = FromFrontEnd | ToFrontEnd
