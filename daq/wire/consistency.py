"""What docs/wire.md makes impossible within a SAMPLE, and between it and the sound one before.

Data flow: a frame laid out soundly -> `contradiction` -> "" or what contradicts what. A frame that
contradicts itself is damage like any other: it is dropped whole, and none of it is believed.
A frame must fit the one received just before it and the last sound one: one bad frame costs itself
and at most the next, and a counter that goes wrong in every frame gets none through.
"""

from __future__ import annotations

from collections.abc import Sequence

from daq.wire.frames import MAX_EDGES_PER_FRAME, ConverterFlag, Hello, Permission, Sample

_HALF = 0x8000_0000
_ENDS = (-(1 << 23), (1 << 23) - 1)  # of a converter
_AT_END = ConverterFlag.SATURATED | ConverterFlag.BRIDGE_FAULT
BEYOND = 1.25  # of a supply's ceiling: no coil carries that


class SampleCheck:
    """The invariants of one session's samples; `ceilings_a` per output channel."""

    def __init__(self, hello: Hello, ceilings_a: Sequence[float]) -> None:
        self._frame_ticks = hello.tick_hz // hello.frame_hz
        self._most_steps = [int(100.0 * BEYOND * each) for each in ceilings_a]
        self._before: Sample | None = None  # the last sound one
        self._latest: Sample | None = None  # the one received last

    def contradiction(self, sample: Sample) -> str:
        """Why this frame cannot be, "" when it can."""
        found = self._within(sample)
        before, latest = self._before, self._latest
        if not found and before is not None:
            found = self._between(before, sample)
        if not found and latest is not None and latest is not before:
            found = self._between(latest, sample)
        self._latest = sample
        if not found:
            self._before = sample
        return found

    def _within(self, sample: Sample) -> str:
        if sample.permission_left_ms and sample.permission != Permission.HELD:
            return "permission left while it is not held"
        oldest = self._frame_ticks
        for wheel, edges in enumerate(sample.edges):
            age = oldest
            for edge in edges:
                now = (sample.tick - edge) & 0xFFFF_FFFF
                if now >= age and not (now == age < oldest):
                    return f"an edge of wheel {wheel} outside its frame or out of order"
                age = now
        for count, flags in zip(sample.counts, sample.flags, strict=True):
            if count in _ENDS and not flags & _AT_END:
                return "a count at the converter's end that is not marked as saturated"
        for current, most in zip(sample.currents, self._most_steps, strict=True):
            if current > most:
                return f"a coil current of {current / 100.0:.0f} A, beyond its supply"
        return ""

    def _between(self, before: Sample, sample: Sample) -> str:
        made = (sample.sequence - before.sequence) & 0xFFFF_FFFF
        if made == 0 or made >= _HALF:
            return "a sequence that does not go on"
        for wheel, (total, last, edges) in enumerate(
            zip(sample.edge_totals, before.edge_totals, sample.edges, strict=True)
        ):
            passed, sent = (total - last) & 0xFFFF, len(edges)
            if passed < sent or (made == 1 and passed > sent and sent < MAX_EDGES_PER_FRAME):
                return f"the edges of wheel {wheel} against their total"
        return ""
