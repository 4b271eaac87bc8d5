"""Answers worked out once for all who ask, in virtual time."""

from __future__ import annotations

import asyncio

import pytest

from api.http.answers.kept import MOST_KEPT, Kept


async def test_many_who_ask_the_same_cost_one_answer_until_it_is_old() -> None:
    now_s = 0.0
    made = 0
    kept: Kept[int] = Kept(10.0, lambda: now_s)

    async def make() -> int:
        nonlocal made
        await asyncio.sleep(0)
        made += 1
        return made

    assert await asyncio.gather(*(kept.get("map", make) for _ in range(20))) == [1] * 20
    now_s = 10.0
    assert await kept.get("map", make) == 1
    now_s = 10.1
    assert await kept.get("map", make) == 2
    assert await kept.get("another", make) == 3


async def test_a_failure_is_not_kept_and_what_is_kept_is_bounded() -> None:
    kept: Kept[int] = Kept(10.0, lambda: 0.0)

    async def fail() -> int:
        raise ValueError("no map")

    async def make() -> int:
        return 7

    with pytest.raises(ValueError, match="no map"):
        await kept.get("map", fail)
    assert await kept.get("map", make) == 7
    for number in range(2 * MOST_KEPT):
        await kept.get(number, make)
    assert len(kept._answers) == MOST_KEPT
