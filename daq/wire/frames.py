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

import msgspec

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


class Sample(msgspec.Struct, frozen=True, gc=False, tag="sample"):
    """What the front end measured since the frame before.

    `edges[w]` are raw 32-bit ticks, oldest first; `edge_totals[w]` counts every edge seen since
    boot, modulo 65536, so that lost frames do not lose the tooth phase. `counts` are signed
    24-bit; `currents` are in steps of 10 mA.
    """

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
