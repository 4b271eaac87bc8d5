"""Requests made from the OpenAPI document: every answer is one that it promises."""

from __future__ import annotations

import asyncio
import importlib.util
from pathlib import Path

import pytest

from api.settings import ServiceSection, Settings, StoreSection
from tests.api.fake_loop import RIG_FILE, FakeLoop, telemetry
from tests.api.harness import listening

EXAMPLES = 6  # per route in the suite; bench.fuzz asks for more
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
                base_url=base, headers=headers, timeout=10.0, excluded_checks=skipped
            )

        try:
            ask()
        except Exception as error:  # all routes are asked before the test fails
            wrong.append(f"{operation.label}: {error}"[:1500])
    return asked, wrong


@needs
@pytest.mark.filterwarnings("default")
async def test_every_answer_is_one_that_the_document_promises(
    data: Path, fake_loop: FakeLoop
) -> None:
    settings = Settings(RIG_FILE, data, ServiceSection(), None, StoreSection(min_free_mb=0))
    async with listening(settings) as (_, port):
        running = asyncio.create_task(asyncio.to_thread(ask_all, port, EXAMPLES, 1))
        while not running.done():
            fake_loop.publish(telemetry())
            await asyncio.sleep(0.05)
        asked, wrong = await running
    assert asked > 100
    assert not wrong, "\n\n".join(wrong)
