"""Typed frames to bytes and back, after docs/wire.md; pure functions, no port, no clock.

Data flows: frame -> `encode` -> bytes with their 0x00 -> port; deframer -> `decode` -> frame.
A frame decodes whole or not at all: damage raises FrameDamaged, which says of what kind it was.
Stuffing, CRC and the layout of SAMPLE, which alone comes hundreds of times a second, are compiled
(daq.wire.frame_kernel).
"""

from __future__ import annotations

import enum
import math
import struct
from collections.abc import Callable
from struct import Struct

from daq.errors import WireError
from daq.wire import frame_kernel as kernel
from daq.wire.frame_kernel import CRC_BYTES, LONGEST_ON_WIRE, close_frame, open_frame
from daq.wire.frames import (
    MAX_FRAME_BYTES,
    PROTOCOL_MAJOR,
    AskIdentity,
    AskTime,
    Channel,
    ChannelKind,
    Frame,
    FrameType,
    Hello,
    Notice,
    ResetCause,
    Sample,
    SetPoint,
    Slow,
    Time,
    misfit,
)

MAX_NAME_BYTES = 24
MAX_FIRMWARE_BYTES = 64

# Each includes the type byte.
_HELLO = Struct("<BBBBIHIIQI")
_SLOW_HEAD = Struct("<BIB")
_SLOW_VALUE = Struct("<Bf")
_TIME = Struct("<BII")
_NOTICE = Struct("<BIBI")
_SET_POINT_HEAD = Struct("<BIHHBB")
_ASK = Struct("<BI")

_SAMPLE, _SET_POINT = int(FrameType.SAMPLE), int(FrameType.SET_POINT)


class Damage(enum.StrEnum):
    """Why bytes were not a frame; the names are those of the counters."""

    COBS = "cobs_failures"
    TRUNCATED = "truncated"
    OVERSIZED = "oversized"
    CRC = "crc_failures"
    UNKNOWN_TYPE = "unknown_type"
    MALFORMED = "malformed"


_DAMAGES = {
    kernel.BAD_STUFFING: Damage.COBS,
    kernel.TOO_SHORT: Damage.TRUNCATED,
    kernel.TOO_LONG: Damage.OVERSIZED,
    kernel.BAD_CRC: Damage.CRC,
    kernel.BAD_LAYOUT: Damage.MALFORMED,
}
_DAMAGE_TEXT = {
    Damage.COBS: "The last block of the byte stuffing reaches past the end of the frame.",
    Damage.TRUNCATED: "The frame is too short for a type and a CRC.",
    Damage.OVERSIZED: f"The frame is longer than {MAX_FRAME_BYTES} bytes.",
    Damage.CRC: "The CRC does not match.",
    Damage.UNKNOWN_TYPE: "The frame type is not known.",
    Damage.MALFORMED: "The body does not have the layout of its type.",
}


class FrameDamaged(WireError):
    """Bytes that are no frame; `damage` says of what kind."""

    def __init__(self, damage: Damage) -> None:
        super().__init__(
            _DAMAGE_TEXT[damage], "It is discarded and counted; check cable and ground."
        )
        self.damage = damage


def encode(frame: Frame) -> bytes:
    """Wire bytes of one frame, stuffed and with the 0x00 at the end.

    Raises WireError when a field does not fit its place in the layout.
    """
    if type(frame) is Sample:
        body = frame.body
    else:
        try:
            body = _ENCODERS[type(frame)](frame)
        except (struct.error, OverflowError, TypeError, ValueError, KeyError) as error:
            raise misfit(type(frame).__name__, error) from None
    if len(body) + CRC_BYTES > MAX_FRAME_BYTES:
        raise WireError(
            f"A frame of kind {type(frame).__name__} has {len(body) + CRC_BYTES} bytes, "
            f"{MAX_FRAME_BYTES} are allowed.",
            "Describe fewer channels or use shorter names.",
        )
    raw = bytearray(LONGEST_ON_WIRE)
    return bytes(raw[: close_frame(body, raw)])


def decode(raw: bytes) -> Frame:
    """The frame in one stuffed body without its 0x00. Raises FrameDamaged, a WireError."""
    room = bytearray(MAX_FRAME_BYTES)
    size = open_frame(raw, room)
    if size < 0:
        raise FrameDamaged(_DAMAGES[size])
    if room[0] == _SAMPLE:
        return Sample.of(bytes(room[: size - CRC_BYTES]))
    data = bytes(room[:size])
    try:
        decoder = _DECODERS.get(data[0])
        if decoder is None:
            raise FrameDamaged(Damage.UNKNOWN_TYPE)
        return decoder(data)
    except (struct.error, IndexError, ValueError):
        raise FrameDamaged(Damage.MALFORMED) from None


# --- the rare frames --------------------------------------------------------------------------


def _text(value: str, most: int, what: str) -> bytes:
    raw = value.encode()
    if len(raw) > most:
        raise ValueError(f"{what} '{value}' has more than {most} bytes")
    return bytes((len(raw),)) + raw


def _encode_hello(frame: Hello) -> bytes:
    head = _HELLO.pack(
        FrameType.HELLO,
        frame.major,
        frame.minor,
        frame.reset_cause,
        frame.tick_hz,
        frame.frame_hz,
        frame.boot_id,
        frame.session,
        frame.config_hash,
        frame.tick,
    )
    parts = [head, _text(frame.firmware, MAX_FIRMWARE_BYTES, "firmware")]
    parts.append(bytes((len(frame.channels),)))
    for channel in frame.channels:
        parts.append(bytes((ChannelKind(channel.kind),)))
        parts.append(_text(channel.name, MAX_NAME_BYTES, "channel"))
        parts.append(_text(channel.unit, MAX_NAME_BYTES, "unit"))
    return b"".join(parts)


def _decode_hello(data: bytes) -> Hello:
    end = len(data) - CRC_BYTES
    (_, major, minor, cause, tick_hz, frame_hz, boot_id, session, config_hash, tick) = (
        _HELLO.unpack_from(data)
    )
    at = _HELLO.size

    def text(most: int) -> str:
        nonlocal at
        length = data[at]
        start, at = at + 1, at + 1 + length
        if length > most or at > end:
            raise FrameDamaged(Damage.MALFORMED)
        return data[start:at].decode()

    firmware = text(MAX_FIRMWARE_BYTES)
    count = data[at]
    at += 1
    channels: list[Channel] = []
    for _ in range(count):
        kind = ChannelKind(data[at])
        at += 1
        channels.append(Channel(kind, text(MAX_NAME_BYTES), text(MAX_NAME_BYTES)))
    # Another major version may say more after the table; ours says exactly this.
    if at > end or (major == PROTOCOL_MAJOR and at != end) or not tick_hz or not frame_hz:
        raise FrameDamaged(Damage.MALFORMED)
    known = cause in ResetCause._value2member_map_
    return Hello(
        major,
        minor,
        ResetCause(cause) if known else ResetCause.UNKNOWN,
        tick_hz,
        frame_hz,
        boot_id,
        session,
        config_hash,
        tick,
        firmware,
        tuple(channels),
    )


def _encode_slow(frame: Slow) -> bytes:
    parts = [_SLOW_HEAD.pack(FrameType.SLOW, frame.tick, len(frame.values))]
    for index, value in frame.values:
        if math.isinf(value):
            raise ValueError("a slow value is infinite")
        parts.append(_SLOW_VALUE.pack(index, value))
    return b"".join(parts)


def _decode_slow(data: bytes) -> Slow:
    (_, tick, count) = _SLOW_HEAD.unpack_from(data)
    at = _SLOW_HEAD.size
    _exact(data, at + count * _SLOW_VALUE.size)
    pairs = [_SLOW_VALUE.unpack_from(data, at + i * _SLOW_VALUE.size) for i in range(count)]
    # An infinite value is nothing a sensor measured: no value.
    return Slow(tick, tuple((i, math.nan if math.isinf(value) else value) for i, value in pairs))


def _encode_time(frame: Time) -> bytes:
    return _TIME.pack(FrameType.TIME, frame.token, frame.tick)


def _decode_time(data: bytes) -> Time:
    _exact(data, _TIME.size)
    (_, token, tick) = _TIME.unpack_from(data)
    return Time(token, tick)


def _encode_notice(frame: Notice) -> bytes:
    return _NOTICE.pack(FrameType.NOTICE, frame.tick, frame.code, frame.detail)


def _decode_notice(data: bytes) -> Notice:
    _exact(data, _NOTICE.size)
    (_, tick, code, detail) = _NOTICE.unpack_from(data)
    return Notice(tick, code, detail)


def _encode_set_point(frame: SetPoint) -> bytes:
    count = len(frame.currents)
    return struct.pack(
        f"<BIHHBB{count}H",
        _SET_POINT,
        frame.session,
        frame.sequence,
        frame.validity_ms,
        frame.digital_out,
        count,
        *frame.currents,
    )


def _decode_set_point(data: bytes) -> SetPoint:
    (_, session, sequence, validity_ms, digital_out, count) = _SET_POINT_HEAD.unpack_from(data)
    at = _SET_POINT_HEAD.size
    _exact(data, at + 2 * count)
    currents = struct.unpack_from(f"<{count}H", data, at)
    return SetPoint(session, sequence, validity_ms, digital_out, currents)


def _encode_ask_identity(frame: AskIdentity) -> bytes:
    return _ASK.pack(FrameType.ASK_IDENTITY, frame.session)


def _decode_ask_identity(data: bytes) -> AskIdentity:
    _exact(data, _ASK.size)
    return AskIdentity(_ASK.unpack_from(data)[1])


def _encode_ask_time(frame: AskTime) -> bytes:
    return _ASK.pack(FrameType.ASK_TIME, frame.token)


def _decode_ask_time(data: bytes) -> AskTime:
    _exact(data, _ASK.size)
    return AskTime(_ASK.unpack_from(data)[1])


def _exact(data: bytes, size: int) -> None:
    """The body must end where its layout ends: no byte too few, none too many."""
    if len(data) != size + CRC_BYTES:
        raise FrameDamaged(Damage.MALFORMED)


_ENCODERS: dict[type, Callable[..., bytes]] = {
    Hello: _encode_hello,
    Slow: _encode_slow,
    Time: _encode_time,
    Notice: _encode_notice,
    SetPoint: _encode_set_point,
    AskIdentity: _encode_ask_identity,
    AskTime: _encode_ask_time,
}

_DECODERS: dict[int, Callable[[bytes], Frame]] = {
    FrameType.HELLO: _decode_hello,
    FrameType.SLOW: _decode_slow,
    FrameType.TIME: _decode_time,
    FrameType.NOTICE: _decode_notice,
    FrameType.SET_POINT: _decode_set_point,
    FrameType.ASK_IDENTITY: _decode_ask_identity,
    FrameType.ASK_TIME: _decode_ask_time,
}
