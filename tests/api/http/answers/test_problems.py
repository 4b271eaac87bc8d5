"""Every error is a problem with a remedy, whatever was asked."""

from __future__ import annotations

from pathlib import Path

import httpx
import msgspec
import pytest

from api.http.answers.bodies import MAX_BODY_BYTES
from api.http.answers.problems import ProblemDetails
from api.settings import SettingsError, StoreSection, load_settings, parse_sections
from tests.api.fake_loop import RIG_FILE
from tests.api.harness import Service, StartService

MISTAKES = [
    ("GET", "/api/nothing", {}, 404, "not-found"),
    ("GET", "/api", {}, 404, "not-found"),
    ("GET", "/nothing.html", {}, 404, "not-found"),
    ("GET", "/../pyproject.toml", {}, 404, "not-found"),
    ("GET", "/%2e%2e/api/app.py", {}, 404, "not-found"),
    ("POST", "/", {}, 405, "method"),
    ("GET", "/api/park", {}, 405, "method"),
    ("DELETE", "/api/state", {}, 405, "method"),
    ("POST", "/api/park", {"content": b"{"}, 400, "json"),
    ("POST", "/api/park", {"content": b"\xff\xfe"}, 400, "json"),
    ("POST", "/api/park", {"content": b"[" * 20000}, 422, "invalid"),
    ("POST", "/api/park", {"content": b"[]"}, 422, "invalid"),
    ("POST", "/api/park", {"content": b'{"please":1}'}, 422, "invalid"),
    ("POST", "/api/test/adjust", {"content": b'{"set_point":"fast"}'}, 422, "invalid"),
    ("POST", "/api/test/adjust", {"content": b'{"set_point":1e300}'}, 422, "invalid"),
    ("POST", "/api/test/adjust", {"content": b'{"set_point":NaN}'}, 400, "json"),
    ("POST", "/api/helm/take", {"content": b'{"name":""}'}, 422, "invalid"),
    ("POST", "/api/helm/take", {"content": b'{"name":"Ann\\n"}'}, 422, "invalid"),
    ("POST", "/api/helm/take", {"content": b'{"name":"a\\u001b[2J"}'}, 422, "invalid"),
    ("POST", "/api/park", {"content": b"{}", "type": "text/plain"}, 415, "media-type"),
    ("POST", "/api/park", {"content": b" " * (MAX_BODY_BYTES + 1)}, 413, "too-large"),
    ("GET", "/api/runs?limit=0", {}, 422, "invalid"),
    ("GET", "/api/runs?limit=many", {}, 422, "invalid"),
    ("GET", "/api/runs?state=lost", {}, 422, "invalid"),
    ("GET", "/api/runs?q=%00", {}, 422, "invalid"),
    ("GET", "/api/runs/20260101-000000-abcd", {}, 404, "no-run"),
    ("GET", "/api/runs/20260101-000000-abcd/samples", {}, 404, "no-run"),
    ("GET", "/api/runs/..%2F..%2Ftokens.json", {}, 404, "not-found"),
    ("GET", "/api/runs/tokens.json/samples", {}, 422, "invalid"),
    ("GET", "/api/runs/20260101-000000-abcd/samples?points=99999", {}, 422, "invalid"),
    ("GET", "/api/runs/20260101-000000-abcd/samples?from_s=nan", {}, 422, "invalid"),
    ("DELETE", "/api/tokens/none", {}, 404, "no-token"),
    ("GET", "/api/live", {}, 404, "not-found"),
    ("POST", "/api/compare", {"content": b'{"before":["A","B"],"after":[]}'}, 422, "invalid"),
]


@pytest.mark.parametrize(("method", "path", "sent", "status", "code"), MISTAKES)
async def test_a_mistake_is_answered_by_a_problem_with_a_remedy(
    service: Service,
    browser: httpx.AsyncClient,
    method: str,
    path: str,
    sent: dict[str, bytes],
    status: int,
    code: str,
) -> None:
    headers = {"Content-Type": str(sent.get("type", "application/json"))}
    response = await browser.request(method, path, content=sent.get("content"), headers=headers)
    assert response.headers["content-type"] == "application/problem+json"
    problem = msgspec.json.decode(response.content, type=ProblemDetails)
    assert (response.status_code, problem.code) == (status, code), problem
    assert problem.status == status
    assert problem.type == f"urn:drumlin:problem:{code}"
    assert problem.title
    assert problem.detail
    assert str(problem.remedy)
    assert "(?![" not in problem.detail
    assert "[0-9]" not in problem.detail, "people are told in words"
    assert service.loop.commands == []


async def test_a_body_that_lies_about_its_length_is_cut_off(
    service: Service, browser: httpx.AsyncClient
) -> None:
    async def endless():  # type: ignore[no-untyped-def]
        for _ in range(1000):
            yield b" " * 1024

    response = await browser.post("/api/park", content=endless())
    assert (response.status_code, response.json()["code"]) == (413, "too-large")


@pytest.mark.parametrize("declared", [str(MAX_BODY_BYTES + 1), "-1", "many"])
async def test_a_length_that_cannot_be_is_refused_before_reading(
    service: Service, browser: httpx.AsyncClient, declared: str
) -> None:
    headers = {"Content-Length": declared, "Content-Type": "application/json"}
    response = await browser.post("/api/park", content=b"{}", headers=headers)
    assert (response.status_code, response.json()["code"]) == (413, "too-large")
    assert service.loop.commands == []


async def test_a_defect_of_ours_tells_nothing_of_the_inside(service: Service) -> None:
    def defective() -> float:
        raise RuntimeError("/secret/path exploded")

    service.context.settings = None  # type: ignore[assignment]
    transport = httpx.ASGITransport(service.app, raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as browser:
        response = await browser.get("/api/health")
    assert response.status_code == 500
    assert response.json()["code"] == "internal"
    assert "settings" not in response.text
    assert "Traceback" not in response.text


async def test_a_full_disk_refuses_a_start_before_the_loop_is_asked(
    start_service: StartService,
) -> None:
    service = await start_service(store=StoreSection(min_free_mb=10**9))
    plan = {"kind": "steady-hold", "rpm": 1900, "seconds": 60}
    async with service.browser() as browser:
        response = await browser.post("/api/test/start", json={"plan": plan})
        assert (response.status_code, response.json()["code"]) == (507, "disk-low")
        health = (await browser.get("/api/health")).json()
    assert service.loop.commands == []
    assert health["disk_ok"] is False


async def test_the_openapi_describes_bodies_answers_and_problems(
    browser: httpx.AsyncClient,
) -> None:
    described = (await browser.get("/api/openapi.json")).json()
    schemas = described["components"]["schemas"]
    for path, item in described["paths"].items():
        for method, operation in item.items():
            assert operation["summary"], path
            problem = operation["responses"].get("4XX")
            if path != "/api/metrics":
                assert problem["content"].keys() == {"application/problem+json"}
            if method in ("post", "put") and path not in ("/api/ease-off", "/api/sign-out"):
                assert "requestBody" in operation, path
    start = described["paths"]["/api/test/start"]["post"]
    body = start["requestBody"]["content"]["application/json"]["schema"]
    assert body["$ref"].rpartition("/")[2] in schemas
    assert "SteadyHoldBody" in schemas
    assert set(schemas["ProblemDetails"]["required"]) >= {"code", "remedy", "detail", "title"}
    assert "age_s" in schemas["Reading"]["properties"]
    assert set(schemas["Telemetry"]["properties"]) >= {"age_s", "loop_up", "stale", "measured"}
    assert schemas["Reading"]["properties"]["value"]["type"] == ["number", "null"]
    for path, method in (("/api/sign-out", "post"), ("/api/tokens/{token_id}", "delete")):
        assert "content" not in described["paths"][path][method]["responses"]["204"]
    for reference in references(described):
        assert reference.rpartition("/")[2] in schemas, reference


def references(node: object) -> list[str]:
    if isinstance(node, dict):
        found = [node["$ref"]] if isinstance(node.get("$ref"), str) else []
        return found + [each for value in node.values() for each in references(value)]
    if isinstance(node, list):
        return [each for value in node for each in references(value)]
    return []


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[service]\nport = 99999", "port"),
        ("[service]\nprot = 1", "prot"),
        ("[mqtt]\nport = 1883", "host"),
        ("[mqtt]\nhost = 'x'\nprefix = 'a/#'", "prefix"),
        ("service =", "TOML"),
    ],
)
def test_wrong_settings_name_the_key(text: str, says: str) -> None:
    with pytest.raises(SettingsError, match=says):
        parse_sections(text)


def test_the_command_line_wins_over_the_settings_file(data: Path) -> None:
    file = data / "drumlin.toml"
    file.write_text('[service]\nhost = "0.0.0.0"\nport = 9000\n[store]\nmin_free_mb = 1\n')
    settings = load_settings(RIG_FILE, data, file, port=9001)
    assert (settings.service.host, settings.service.port) == ("0.0.0.0", 9001)
    assert settings.store.min_free_mb == 1
    assert settings.mqtt is None
    with pytest.raises(SettingsError, match="no settings file"):
        load_settings(RIG_FILE, data, data / "other.toml")
