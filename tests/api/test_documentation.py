"""The pages docs/api.md and docs/mqtt.md name every route, code, setting, metric and topic."""

from __future__ import annotations

import re
from pathlib import Path

import httpx
import msgspec
import pytest

from api.settings import MqttSection, ServiceSection, StoreSection
from api.store.schema import RunState
from tests.api.harness import Service

ROOT = Path(__file__).parents[2]
API = (ROOT / "docs" / "api.md").read_text(encoding="utf-8")
MQTT = (ROOT / "docs" / "mqtt.md").read_text(encoding="utf-8")
SOURCES = sorted((ROOT / "api").rglob("*.py"))


def codes() -> set[str]:
    """Every problem code in the service's source."""
    found: set[str] = set()
    for path in SOURCES:
        text = path.read_text(encoding="utf-8")
        found |= set(re.findall(r"Problem\(\s*\d{3},\s*\"([a-z-]+)\"", text))
    return found


def test_every_problem_code_is_listed() -> None:
    assert len(codes()) > 20
    missing = {code for code in codes() if f"`{code}`" not in API}
    assert not missing


async def test_every_route_is_listed_with_its_method(service: Service) -> None:
    for path, item in service.app.openapi()["paths"].items():
        for method in item:
            assert f"| {method.upper()} | `{path}`" in API, f"{method} {path}"


@pytest.mark.parametrize(
    ("section", "page"), [(ServiceSection, API), (StoreSection, API), (MqttSection, MQTT)]
)
def test_every_setting_is_listed(section: type[msgspec.Struct], page: str) -> None:
    for field in section.__struct_fields__:
        assert re.search(rf"^{field} = ", page, re.MULTILINE), field


async def test_every_metric_is_listed(browser: httpx.AsyncClient) -> None:
    text = (await browser.get("/api/metrics")).text
    names = set(re.findall(r"^# TYPE (\S+)", text, re.MULTILINE))
    assert len(names) > 15
    assert not {name for name in names if f"`{name}`" not in API}


PAGES = [*sorted((ROOT / "docs").rglob("*.md")), ROOT / "README.md", ROOT / "DEVELOPERS.md"]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_table_is_one_table(page: Path) -> None:
    """A blank line in a table ends it: rows that follow are read as text with bars."""
    lines = page.read_text(encoding="utf-8").splitlines()
    for number, line in enumerate(lines):
        if line.startswith("|") and not (number and lines[number - 1].startswith("|")):
            below = lines[number + 1] if number + 1 < len(lines) else ""
            assert re.fullmatch(r"\|[\s:|-]+\|", below), f"{page.name}:{number + 1}: {line[:60]}"


def test_every_run_state_is_listed() -> None:
    for state in RunState:
        assert f"`{state.value}`" in API
