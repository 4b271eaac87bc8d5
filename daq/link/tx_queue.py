"""What waits to be written to the port: a few questions in order, and one set point, the newest.

Data flows: link puts encoded frames in -> `ahead` is written, as far as the port takes it ->
`took` -> the frame that went out whole. Pure and bounded: an old set point is worth nothing, so
one that the port has not begun to take gives way to the newer.
"""

from __future__ import annotations

from collections import deque

MAX_QUESTIONS = 16


class TxQueue:
    """Frames on their way out, in the order questions before set point."""

    def __init__(self) -> None:
        self._questions: deque[bytes] = deque()
        self._set_point = b""
        self._current = b""  # the frame being written
        self._current_is_set_point = False
        self._taken = 0  # bytes of it the port has
        self.superseded = 0
        self.dropped = 0  # questions, the oldest, when more than MAX_QUESTIONS wait

    def put_set_point(self, raw: bytes) -> None:
        if self._set_point:
            self.superseded += 1
        self._set_point = raw

    def put(self, raw: bytes) -> None:
        if len(self._questions) == MAX_QUESTIONS:
            self._questions.popleft()
            self.dropped += 1
        self._questions.append(raw)

    def forget_set_point(self) -> None:
        """A set point of a session that is over must not go out."""
        self._set_point = b""

    def clear(self) -> None:
        """A new connection: nothing of the old one goes out, not even the rest of a frame."""
        self._questions.clear()
        self._set_point = self._current = b""
        self._taken = 0

    @property
    def ahead(self) -> bytes:
        """The bytes to write next, empty when nothing waits."""
        if not self._current:
            if self._questions:
                self._current = self._questions.popleft()
                self._current_is_set_point = False
            elif self._set_point:
                self._current, self._set_point = self._set_point, b""
                self._current_is_set_point = True
        return self._current[self._taken :] if self._taken else self._current

    def took(self, size: int) -> bytes:
        """The port took so many bytes of `ahead`: the frame when it is complete, else empty."""
        self._taken += size
        current = self._current
        if self._taken == len(current):
            self._current = b""
            self._taken = 0
            return current
        if not self._taken:  # not begun: it waits again, unless a newer one came
            self._current = b""
            if not self._current_is_set_point:
                self._questions.appendleft(current)
            elif not self._set_point:
                self._set_point = current
            else:
                self.superseded += 1
        return b""
