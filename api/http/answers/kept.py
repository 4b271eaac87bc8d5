"""Answers that take long to work out, kept for a while and worked out once for all who ask.

Data flow: question -> `Kept.get` -> the answer kept, or `make`, once at a time for each question.
"""

from __future__ import annotations

import asyncio
import collections
from collections.abc import Awaitable, Callable, Hashable
from typing import Generic, TypeVar
from weakref import WeakValueDictionary

T = TypeVar("T")
MOST_KEPT = 64


class Kept(Generic[T]):
    """The answers to one kind of question."""

    def __init__(self, kept_s: float, now: Callable[[], float]) -> None:
        self._kept_s = kept_s
        self._now = now
        self._turns: WeakValueDictionary[Hashable, asyncio.Lock] = WeakValueDictionary()
        self._answers: collections.OrderedDict[Hashable, tuple[float, T]] = (
            collections.OrderedDict()
        )

    async def get(self, question: Hashable, make: Callable[[], Awaitable[T]]) -> T:
        """The answer, at most `kept_s` old. Raises what `make` raises, to whoever asked."""
        turn = self._turns.setdefault(question, asyncio.Lock())
        async with turn:
            at_s, answer = self._answers.get(question, (float("-inf"), None))
            if answer is None or self._now() - at_s > self._kept_s:
                answer = await make()
                self._answers[question] = (self._now(), answer)
                while len(self._answers) > MOST_KEPT:
                    self._answers.popitem(last=False)
            return answer
