"""Requests made from the OpenAPI document: every answer is one that it promises."""

from __future__ import annotations

import asyncio
import importlib.util
import os
import re
from pathlib import Path
from typing import Any

import httpx
import pytest

from api.settings import ServiceSection, Settings, StoreSection
from tests.api.fake_loop import RIG_FILE, FakeLoop, telemetry
from tests.api.harness import Service, listening

EXAMPLES = 6  # per route
BOUNDS = (("minimum", "exclusiveMinimum"), ("maximum", "exclusiveMaximum"))
needs = pytest.mark.skipif(
    importlib.util.find_spec("schemathesis") is None, reason="schemathesis is not installed"
)


def ask_all(port: int, examples: int, seed: int) -> tuple[int, list[str]]:
    """(requests, what was wrong) of seeded requests to every route of a running service."""
    import schemathesis
    from hypothesis import HealthCheck, Phase, given, settings
    from hypothesis import seed as seeded
    from schemathesis.specs.openapi.checks import positive_data_acceptance

    base = f"http://127.0.0.1:{port}"
    schema = schemathesis.openapi.from_url(f"{base}/api/openapi.json")
    asked = 0
    wrong: list[str] = []
    for result in schema.get_all_operations():
        operation = result.ok()

        @seeded(seed)
        @settings(
            max_examples=examples,
            deadline=None,
            database=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        @given(case=operation.as_strategy())
        def ask(case: schemathesis.Case) -> None:
            nonlocal asked
            asked += 1
            headers = {"Drumlin-Client": "page-0001"}
            # JSON Schema cannot say which bytes are a recording.
            free = case.media_type == "application/octet-stream"
            skipped = [positive_data_acceptance] if free else []
            case.call_and_validate(
                base_url=base, headers=headers, timeout=120.0, excluded_checks=skipped
            )

        try:
            ask()
        except Exception as error:  # all routes are asked before the test fails
            wrong.append(f"{operation.label}: {error}"[:1500])
    return asked, wrong


def unbounded(document: dict[str, Any]) -> set[str]:
    """Every number that a request may hold, in query, path or body, and that has no range."""
    found: set[str] = set()
    seen: set[str] = set()

    def look(schema: Any, where: str) -> None:
        if isinstance(schema, list):
            for each in schema:
                look(each, where)
        if not isinstance(schema, dict):
            return
        reference = schema.get("$ref")
        if reference and reference not in seen:
            seen.add(reference)
            name = reference.rpartition("/")[2]
            look(document["components"]["schemas"].get(name), name)
        bounded = all(any(bound in schema for bound in side) for side in BOUNDS)
        if schema.get("type") in ("number", "integer") and not bounded and "enum" not in schema:
            found.add(where)
        for key in ("anyOf", "oneOf", "allOf", "items", "prefixItems", "additionalProperties"):
            look(schema.get(key), where)
        for name, each in (schema.get("properties") or {}).items():
            look(each, f"{where}.{name}")

    for path, item in document["paths"].items():
        for method, operation in item.items():
            for one in operation.get("parameters", ()):
                look(one["schema"], f"{method} {path} {one['name']}")
            for body in (operation.get("requestBody") or {}).get("content", {}).values():
                look(body.get("schema"), f"{method} {path}")
    return found


def test_every_number_that_a_request_may_hold_has_a_range(service: Service) -> None:
    assert sorted(unbounded(service.app.openapi())) == []


def test_no_word_of_an_address_may_hold_a_nul_character_and_the_document_says_so(
    service: Service,
) -> None:
    open_to_all = {
        f"{method} {path} {one['name']}"
        for path, item in service.app.openapi()["paths"].items()
        for method, operation in item.items()
        for one in operation.get("parameters", ())
        if one["in"] == "query"
        and one["schema"].get("type") == "string"
        and "enum" not in one["schema"]
        and any(
            re.search(one["schema"].get("pattern", ""), text) for text in ("\0", "a\0b", "ab\0")
        )
    }
    assert open_to_all == set()


async def test_a_method_that_a_route_does_not_know_is_refused_with_those_it_knows(
    browser: httpx.AsyncClient, service: Service
) -> None:
    for path, item in service.app.openapi()["paths"].items():
        filled = re.sub(r"{\w+}", "x", path.replace("{run_id}", "20260101-000000-abcd"))
        for method in ("OPTIONS", "TRACE", "PATCH"):
            if method.lower() in item:
                continue
            answer = await browser.request(method, filled)
            assert answer.status_code == 405, f"{method} {path}: {answer.status_code}"
            allowed = {one.strip().lower() for one in answer.headers["allow"].split(",")}
            assert set(item) <= allowed, f"{method} {path}: {allowed}"


async def test_a_fuel_rate_of_no_engine_is_refused_with_its_range(
    browser: httpx.AsyncClient,
) -> None:
    asked = {"rule": "un-r85-diesel", "charging": "turbo", "fuel_g_per_s": 10, "boost_ratio": 2}
    tiny = asked | {"displacement_l": 1e-200, "speed_rpm": 1e-200}
    answer = await browser.get("/api/weather", params=tiny)
    assert answer.status_code == 422, answer.text
    likely = asked | {"displacement_l": 6.6, "speed_rpm": 1900}
    assert (await browser.get("/api/weather", params=likely)).status_code in (200, 409)


@needs
@pytest.mark.filterwarnings("default")
async def test_every_answer_is_one_that_the_document_promises(
    data: Path, fake_loop: FakeLoop
) -> None:
    seed = int(os.environ.get("DRUMLIN_SEED", "1"))  # the same draw each time; give another one
    settings = Settings(RIG_FILE, data, ServiceSection(), None, StoreSection(min_free_mb=0))
    async with listening(settings) as (_, port):
        running = asyncio.create_task(asyncio.to_thread(ask_all, port, EXAMPLES, seed))
        while not running.done():
            fake_loop.publish(telemetry())
            await asyncio.sleep(0.05)
        asked, wrong = await running
    assert asked > 100
    assert not wrong, f"DRUMLIN_SEED={seed}\n" + "\n\n".join(wrong)
