"""What goes over the narrow local channel between the loop process and the service process.

Data flows: loop -> service: one LoopHello, then telemetry (newest wins), events and answers;
service -> loop: commands. It is a Unix stream socket in the data directory; each message is a
32-bit little-endian length and one msgpack object. The two ends are `channel_server` (loop) and
`channel_client` (service).
"""

from __future__ import annotations

import os
import struct
from pathlib import Path

import msgspec

from control.core.commands import Answer, AnyCommand
from control.telemetry import Event, Telemetry
from daq.errors import DrumlinError, LinkError
from daq.texts.message import say

CHANNEL_VERSION = 1
SOCKET_NAME = "loop.sock"
MAX_MESSAGE_BYTES = 1 << 20
MAX_COMMAND_BYTES = 1 << 16
EVENTS_KEPT = 1000  # per reader that does not keep up
_PATH_LIMIT = 107  # bytes of a Unix socket's path
_LENGTH = struct.Struct("<I")


class LoopGone(LinkError):
    """The loop process does not answer: nothing can be commanded now."""


class LoopHello(msgspec.Struct, frozen=True, tag_field="message", tag="hello"):
    """First message on every connection: who serves, and which rig."""

    version: int
    pid: int
    rig_name: str
    rig_fingerprint: str


class TelemetryMessage(msgspec.Struct, frozen=True, tag_field="message", tag="telemetry"):
    telemetry: Telemetry


class EventMessage(msgspec.Struct, frozen=True, tag_field="message", tag="event"):
    event: Event
    missed_before: int = 0  # events this reader lost just before, because it did not keep up


class AnswerMessage(msgspec.Struct, frozen=True, tag_field="message", tag="answer"):
    answer: Answer


class CommandMessage(msgspec.Struct, frozen=True, tag_field="message", tag="command"):
    command: AnyCommand


FromLoop = LoopHello | TelemetryMessage | EventMessage | AnswerMessage

_encoder = msgspec.msgpack.Encoder()
decode_from_loop = msgspec.msgpack.Decoder(FromLoop).decode
decode_to_loop = msgspec.msgpack.Decoder(CommandMessage).decode


def pack(message: FromLoop | CommandMessage) -> bytes:
    """One message as it goes over the socket."""
    body = _encoder.encode(message)
    return _LENGTH.pack(len(body)) + body


class Splitter:
    """Cuts the byte stream into message bodies. Raises ValueError when a length is absurd."""

    def __init__(self, limit: int) -> None:
        self._buffer = bytearray()
        self._limit = limit

    def feed(self, data: bytes) -> list[bytes]:
        """Bodies completed by `data`, in order."""
        self._buffer += data
        bodies: list[bytes] = []
        start = 0
        while len(self._buffer) - start >= _LENGTH.size:
            (length,) = _LENGTH.unpack_from(self._buffer, start)
            if length > self._limit:
                raise ValueError(f"message of {length} bytes, at most {self._limit} allowed")
            end = start + _LENGTH.size + length
            if len(self._buffer) < end:
                break
            bodies.append(bytes(self._buffer[start + _LENGTH.size : end]))
            start = end
        del self._buffer[:start]
        return bodies


def check_path(path: Path) -> None:
    if len(os.fsencode(path)) > _PATH_LIMIT:
        raise DrumlinError(
            say("path-longer-than-local-socket-allows", path=path, limit=_PATH_LIMIT),
            say("choose-shorter-data-directory"),
        )
