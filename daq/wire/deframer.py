"""A stream of bytes to typed frames: cuts at 0x00, drops what is damaged, counts every loss.

Data flows: port -> bytes in pieces of any size -> `feed` -> frames, in order. Never raises and
never holds more than one frame's bytes, whatever arrives.
"""

from __future__ import annotations

import enum
from collections.abc import Callable

import msgspec

from daq.wire.codec import Damage, FrameDamaged, decode
from daq.wire.frames import (
    MAX_FRAME_BYTES,
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

# Longest stuffed frame: one code byte per 254 bytes begun.
MAX_STUFFED_BYTES = MAX_FRAME_BYTES + 1 + MAX_FRAME_BYTES // 254


class Direction(enum.Enum):
    """Which frames a receiver accepts; the others are counted and dropped."""

    FROM_FRONT_END = (Hello, Sample, Slow, Time, Notice)
    TO_FRONT_END = (SetPoint, AskIdentity, AskTime)
    BOTH = (Hello, Sample, Slow, Time, Notice, SetPoint, AskIdentity, AskTime)


class WireCounters(msgspec.Struct):
    """What a receiver took and what it lost, by kind; all start at 0 and only rise.

    `bytes_discarded` counts the bytes of everything that was not delivered, delimiters left out.
    """

    frames: int = 0  # delivered
    crc_failures: int = 0
    cobs_failures: int = 0  # the byte stuffing reaches past the end: most often a cut frame
    truncated: int = 0  # too short for a type and a CRC
    oversized: int = 0
    unknown_type: int = 0  # sound frame of a newer protocol
    malformed: int = 0  # sound CRC, body not laid out as its type says
    wrong_direction: int = 0  # an echo, or the two ends crossed
    bytes_discarded: int = 0

    @property
    def damaged(self) -> int:
        """Frames lost to damage of any kind."""
        return (
            self.crc_failures
            + self.cobs_failures
            + self.truncated
            + self.oversized
            + self.unknown_type
            + self.malformed
            + self.wrong_direction
        )


class Deframer:
    """Receiving side of one connection. Start a new one for each connection."""

    def __init__(
        self,
        direction: Direction = Direction.BOTH,
        on_damage: Callable[[bytes], None] | None = None,
        counters: WireCounters | None = None,
    ) -> None:
        """`on_damage` gets the bytes of each dropped frame short enough to keep; `counters` go on
        from those of the connection before."""
        self.counters = WireCounters() if counters is None else counters
        self._on_damage = on_damage
        self._accepted = frozenset(direction.value)
        self._held = b""
        self._skipping = False  # inside a frame already known to be too long

    def feed(self, data: bytes) -> list[Frame]:
        """The frames that end within `data`, oldest first. Never raises on any bytes."""
        return [frame for frame, _ in self.feed_raw(data)]

    def feed_raw(self, data: bytes) -> list[tuple[Frame, bytes]]:
        """Like `feed`, each frame with its stuffed bytes (without the 0x00) for the recorder."""
        frames: list[tuple[Frame, bytes]] = []
        pieces = (self._held + data).split(b"\0") if self._held else data.split(b"\0")
        self._held = pieces.pop()
        counters = self.counters
        for raw in pieces:
            if self._skipping:  # the end of the frame too long
                self._skipping = False
                counters.bytes_discarded += len(raw)
                continue
            if not raw:  # delimiters in a row are allowed and mean nothing
                continue
            try:
                if len(raw) > MAX_STUFFED_BYTES:
                    raise FrameDamaged(Damage.OVERSIZED)
                frame = decode(raw)
            except FrameDamaged as error:
                name = error.damage.value
                setattr(counters, name, getattr(counters, name) + 1)
                counters.bytes_discarded += len(raw)
                if self._on_damage is not None:
                    self._on_damage(raw)
                continue
            if type(frame) in self._accepted:
                counters.frames += 1
                frames.append((frame, raw))
            else:
                counters.wrong_direction += 1
                counters.bytes_discarded += len(raw)
        if self._skipping or len(self._held) > MAX_STUFFED_BYTES:
            if not self._skipping:
                counters.oversized += 1
                self._skipping = True
            counters.bytes_discarded += len(self._held)
            self._held = b""
        return frames
