"""What docs/wire.md makes impossible within a SAMPLE, and between it and the sound one before.

Data flow: a frame laid out soundly -> `contradiction` -> "" or what contradicts what. A frame that
contradicts itself is damage like any other: it is dropped whole, and none of it is believed.
A frame must fit the one received just before it and the last sound one: one bad frame costs itself
and at most the next, and a counter that goes wrong in every frame gets none through.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from daq.kernel import bound, jit, refresh_cache
from daq.wire import frame_kernel, frames
from daq.wire.frame_kernel import (
    CONVERTERS,
    FIRST_WHEEL,
    LEFT_MS,
    OUTPUTS,
    PERMISSION,
    SEQUENCE,
    TICK,
    WHEEL_HEAD,
    WHEELS,
    i24,
    u16,
    u32,
)
from daq.wire.frames import MAX_EDGES_PER_FRAME, ConverterFlag, Hello, Permission, Sample

refresh_cache(__file__, frame_kernel.__file__, frames.__file__)

_HALF = 0x8000_0000
_LOW_END, _HIGH_END = -(1 << 23), (1 << 23) - 1  # of a converter
_AT_END = int(ConverterFlag.SATURATED | ConverterFlag.BRIDGE_FAULT)
_HELD = int(Permission.HELD)
BEYOND = 1.25  # of a supply's ceiling: no coil carries that

# What the kernels return: one of these, and behind _PLACE bits the wheel it is about or the current
# in steps.
SOUND, LEFT, EDGES, AT_END, CURRENT, NOT_ON, TOTAL = range(7)
_PLACE = 3
_TEXTS = {
    SOUND: "",
    LEFT: "permission left while it is not held",
    EDGES: "an edge of wheel {0} outside its frame or out of order",
    AT_END: "a count at the converter's end that is not marked as saturated",
    CURRENT: "a coil current of {1:.0f} A, beyond its supply",
    NOT_ON: "a sequence that does not go on",
    TOTAL: "the edges of wheel {0} against their total",
}


@jit
def _within(body: bytes, frame_ticks: int, most_steps: npt.NDArray[np.int64]) -> int:
    """What a sample says against itself."""
    if u16(body, LEFT_MS) and body[PERMISSION] != _HELD:
        return LEFT
    tick = u32(body, TICK)
    at = FIRST_WHEEL
    for wheel in range(body[WHEELS]):
        n = body[at + 2]
        at += WHEEL_HEAD
        age = frame_ticks
        for _ in range(n):
            now = (tick - u32(body, at)) & 0xFFFFFFFF
            if now >= age and not (now == age and age < frame_ticks):
                return EDGES | wheel << _PLACE
            age = now
            at += 4
    for _ in range(body[CONVERTERS]):
        count = i24(body, at)
        if (count in (_LOW_END, _HIGH_END)) and not body[at + 3] & _AT_END:
            return AT_END
        at += 4
    for output in range(min(body[OUTPUTS], len(most_steps))):
        steps = u16(body, at)
        if steps > most_steps[output]:
            return CURRENT | steps << _PLACE
        at += 2
    return SOUND


@jit
def _between(before: bytes, body: bytes) -> int:
    """What a sample says against one before it with the same channels."""
    made = (u32(body, SEQUENCE) - u32(before, SEQUENCE)) & 0xFFFFFFFF
    if made == 0 or made >= _HALF:
        return NOT_ON
    at = was = FIRST_WHEEL
    for wheel in range(body[WHEELS]):
        passed = (u16(body, at) - u16(before, was)) & 0xFFFF
        sent = body[at + 2]
        if passed < sent or (made == 1 and passed > sent and sent < MAX_EDGES_PER_FRAME):
            return TOTAL | wheel << _PLACE
        at += WHEEL_HEAD + 4 * sent
        was += WHEEL_HEAD + 4 * before[was + 2]
    return SOUND


@jit
def _contradiction(
    body: bytes,
    before: bytes,
    latest: bytes,
    frame_ticks: int,
    most_steps: npt.NDArray[np.int64],
) -> int:
    """`before` and `latest` are empty where there is none to compare with."""
    found = _within(body, frame_ticks, most_steps)
    if found == SOUND and len(before) > 0:
        found = _between(before, body)
    if found == SOUND and len(latest) > 0:
        found = _between(latest, body)
    return found


class SampleCheck:
    """The invariants of one session's samples; `ceilings_a` per output channel."""

    def __init__(self, hello: Hello, ceilings_a: Sequence[float]) -> None:
        self._frame_ticks = hello.tick_hz // hello.frame_hz
        self._most_steps = np.array([int(100.0 * BEYOND * each) for each in ceilings_a], np.int64)
        self._contradiction = bound(_contradiction, b"", b"", b"", 0, self._most_steps)
        self._before = b""  # the last sound one
        self._latest = b""  # the one received last, when it was not sound

    def contradiction(self, sample: Sample) -> str:
        """Why this frame cannot be, "" when it can."""
        body = sample.body
        found = self._contradiction(
            body, self._before, self._latest, self._frame_ticks, self._most_steps
        )
        if found == SOUND:
            self._before, self._latest = body, b""
            return ""
        self._latest = body
        place = found >> _PLACE
        return _TEXTS[found & ((1 << _PLACE) - 1)].format(place, place / 100.0)
