"""Numbers of a body as JSON means them: 26.0 is an integer, 26.5 is none."""

from __future__ import annotations

import pytest
from fastapi import Request
from msgspec import Struct

from api.http.answers.bodies import read
from api.http.answers.problems import Problem


class Part(Struct, frozen=True, forbid_unknown_fields=True):
    count: int
    share: float = 0.0


class Whole(Struct, frozen=True, forbid_unknown_fields=True):
    parts: tuple[Part, ...]
    named: dict[str, int] = {}


def request(body: bytes) -> Request:
    async def receive() -> dict[str, object]:
        return {"type": "http.request", "body": body, "more_body": False}

    headers = [(b"content-type", b"application/json")]
    return Request({"type": "http", "method": "POST", "headers": headers}, receive)


async def test_a_whole_number_with_a_point_is_an_integer() -> None:
    body = b'{"parts": [{"count": 26.0, "share": 2.0}, {"count": 1e3}], "named": {"a": 4.0}}'
    found = await read(request(body), Whole)
    assert found == Whole((Part(26, 2.0), Part(1000)), {"a": 4})
    assert isinstance(found.parts[0].count, int)
    assert isinstance(found.parts[0].share, float)


@pytest.mark.parametrize("number", ["26.5", "1e300", "true", '"26"', "null"])
async def test_what_is_no_whole_number_is_refused_with_its_place(number: str) -> None:
    with pytest.raises(Problem) as refused:
        await read(request(f'{{"parts": [{{"count": {number}}}]}}'.encode()), Whole)
    assert refused.value.status == 422
    assert "$.parts" in refused.value.detail
