"""Seeded garbage at every route: always a problem, never a defect, never a command by accident."""

from __future__ import annotations

import random

import httpx
import msgspec
import pytest

from api.http.answers.problems import MEDIA_TYPE, ProblemDetails
from tests.api.harness import Service

VALUES = (
    None, True, 0, -1, 1e308, -1e308, 2**70, "", "x" * 5000, "\u0000", "\U0001f600", [], {}, [[]],
    {"a": {"b": []}}, "NaN", "../../etc/passwd", "%00", "'; DROP TABLE runs; --",
)  # fmt: skip
KEYS = (
    "name",
    "to",
    "plan",
    "kind",
    "rpm",
    "seconds",
    "set_point",
    "token",
    "code",
    "text",
    "tags",
)


def garbled(chance: random.Random, depth: int = 0) -> object:
    if depth < 3 and chance.random() < 0.5:
        count = chance.randrange(4)
        return {chance.choice(KEYS): garbled(chance, depth + 1) for _ in range(count)}
    return chance.choice(VALUES)


@pytest.mark.parametrize("seed", range(4))
async def test_garbage_is_refused_in_order(
    service: Service, browser: httpx.AsyncClient, seed: int
) -> None:
    chance = random.Random(seed)
    for path, item in service.app.openapi()["paths"].items():
        if path == "/api/ease-off":
            continue  # takes any body on purpose
        for method in item:
            for _ in range(12):
                filled = path.replace("{run_id}", "20260101-000000-abcd").replace(
                    "{token_id}", chance.choice(("x", "%00", "a" * 300))
                )
                query = {chance.choice(("q", "limit", "points", "from_s", "before", "state")): str(
                    chance.choice(VALUES)
                )[:3000]}  # fmt: skip
                body = msgspec.json.encode(garbled(chance))
                if chance.random() < 0.3:
                    at = chance.randrange(len(body) + 1)
                    body = body[:at] + bytes([chance.randrange(256)]) + body[at + 1 :]
                response = await browser.request(
                    method,
                    filled,
                    params=query,
                    content=body,
                    headers={"Content-Type": "application/json"},
                )
                assert response.status_code < 500, (method, path, body, response.text)
                if response.status_code >= 400:
                    assert response.headers["content-type"] == MEDIA_TYPE
                    problem = msgspec.json.decode(response.content, type=ProblemDetails)
                    assert str(problem.remedy)
        # Making tokens by accident would lock this browser out of what follows.
        service.context.access.book.path.unlink(missing_ok=True)
    for command in service.loop.commands:
        # What did reach the loop was whole: every command decodes by its own type.
        assert msgspec.convert(msgspec.to_builtins(command), type(command)) == command
