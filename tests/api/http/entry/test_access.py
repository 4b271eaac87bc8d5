"""Who gets in, and who does not: tokens, roles, hosts, origins, pairing, locking."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx
import pytest
from fastapi.routing import APIRoute

from api.http.answers.problems import Problem
from api.http.entry.access import (
    CODE_LIFE_S,
    FAILURE_WINDOW_S,
    FAILURES_ALLOWED,
    PAIRING_FAILURES_ALLOWED,
    Access,
)
from api.http.entry.tokens import LOCK_NAME, Role, TokenBook, TokenError
from api.settings import ServiceSection, Settings, SettingsError, check_exposure
from tests.api.fake_loop import RIG_FILE
from tests.api.harness import Service, StartService

PLAN = {"kind": "steady-hold", "rpm": 1900, "seconds": 60}
RUN = "20260101-000000-abcd"

# Every route and the least role it needs; None: open to whoever reaches the service.
ROUTES: list[tuple[str, str, object, Role | None]] = [
    ("GET", "/api/rig", None, Role.WATCH),
    ("GET", "/api/state", None, Role.WATCH),
    ("GET", "/api/events", None, Role.WATCH),
    ("GET", "/api/health", None, Role.WATCH),
    ("GET", "/api/metrics", None, Role.WATCH),
    ("GET", "/api/self", None, Role.WATCH),
    ("GET", "/api/runs", None, Role.WATCH),
    ("GET", f"/api/runs/{RUN}", None, Role.WATCH),
    ("GET", f"/api/runs/{RUN}/samples", None, Role.WATCH),
    ("POST", "/api/ease-off", {}, Role.WATCH),
    ("POST", "/api/helm/take", {}, Role.OPERATE),
    ("POST", "/api/helm/keep", {}, Role.OPERATE),
    ("POST", "/api/helm/release", {}, Role.OPERATE),
    ("POST", "/api/helm/ask", {}, Role.OPERATE),
    ("POST", "/api/helm/offer", {"to": "Ben"}, Role.OPERATE),
    ("POST", "/api/acknowledge", {}, Role.OPERATE),
    ("POST", "/api/zero", {}, Role.OPERATE),
    ("POST", "/api/ready", {}, Role.OPERATE),
    ("POST", "/api/park", {}, Role.OPERATE),
    ("POST", "/api/learn-ratio", {}, Role.OPERATE),
    ("POST", "/api/reset", {}, Role.OPERATE),
    ("POST", "/api/test/start", {"plan": PLAN}, Role.OPERATE),
    ("POST", "/api/test/adjust", {"set_point": 1.0}, Role.OPERATE),
    ("POST", f"/api/runs/{RUN}/notes", {"text": "x"}, Role.OPERATE),
    ("PUT", f"/api/runs/{RUN}/tags", {"tags": []}, Role.OPERATE),
    ("PUT", f"/api/runs/{RUN}/vehicle", {"vehicle": "x"}, Role.OPERATE),
    ("POST", f"/api/runs/{RUN}/delete", {"name": "Ada", "reason": "a test"}, Role.MAINTAIN),
    ("GET", f"/api/runs/{RUN}/result", None, Role.WATCH),
    ("GET", f"/api/runs/{RUN}/timeline", None, Role.WATCH),
    ("GET", f"/api/runs/{RUN}/evaluations", None, Role.WATCH),
    ("POST", f"/api/runs/{RUN}/evaluations", {}, Role.OPERATE),
    ("GET", f"/api/runs/{RUN}/report", None, Role.WATCH),
    ("GET", f"/api/runs/{RUN}/export", None, Role.WATCH),
    ("POST", "/api/compare", {"before": [RUN, RUN], "after": [RUN, RUN]}, Role.WATCH),
    ("GET", "/api/consistency?set=x", None, Role.WATCH),
    ("GET", "/api/vehicles", None, Role.WATCH),
    ("PUT", "/api/vehicles", {"name": "x"}, Role.OPERATE),
    ("DELETE", "/api/vehicles?name=x", None, Role.MAINTAIN),
    ("GET", "/api/sets", None, Role.WATCH),
    ("PUT", "/api/sets", {"name": "x", "runs": []}, Role.OPERATE),
    ("DELETE", "/api/sets?name=x", None, Role.OPERATE),
    ("GET", "/api/heat", None, Role.WATCH),
    ("GET", "/api/heat/endurance", None, Role.WATCH),
    ("POST", "/api/test/outlook", {"plan": PLAN}, Role.WATCH),
    ("POST", "/api/rehearse", {"plan": {"kind": "snap-smoke"}}, Role.WATCH),
    ("GET", "/api/proving", None, Role.WATCH),
    ("POST", "/api/proving/zero", {}, Role.MAINTAIN),
    ("POST", "/api/proving/coasts", {"runs": [RUN]}, Role.MAINTAIN),
    ("POST", "/api/proving/dead-weight", {}, Role.MAINTAIN),
    ("POST", "/api/proving/delay", {"run": RUN}, Role.MAINTAIN),
    ("POST", "/api/proving/apply", {}, Role.MAINTAIN),
    ("POST", "/api/proving/response", {"run": RUN}, Role.MAINTAIN),
    ("POST", "/api/proving/run-out", {"run": RUN}, Role.MAINTAIN),
    ("POST", "/api/proving/time-base", {"run": RUN}, Role.MAINTAIN),
    ("POST", "/api/proving/diameter", {}, Role.MAINTAIN),
    ("POST", "/api/proving/daily", {"run": RUN}, Role.MAINTAIN),
    ("POST", "/api/proving/shunt", {}, Role.MAINTAIN),
    ("POST", "/api/proving/wiring", {}, Role.MAINTAIN),
    ("GET", "/api/identification", None, Role.WATCH),
    ("POST", "/api/identification/tune-up/accept", {"run_id": RUN}, Role.MAINTAIN),
    ("POST", "/api/identification/tune-up/drop", {}, Role.MAINTAIN),
    ("POST", "/api/identification/drop", {}, Role.MAINTAIN),
    ("GET", "/api/weather", None, Role.WATCH),
    ("POST", "/api/compare/report", {"before": [RUN, RUN], "after": [RUN, RUN]}, Role.WATCH),
    ("POST", "/api/runs/import", {}, Role.OPERATE),
    ("POST", "/api/route", {}, Role.OPERATE),
    ("GET", "/api/campaigns", None, Role.WATCH),
    ("POST", "/api/campaigns", {}, Role.OPERATE),
    ("GET", f"/api/campaigns/{RUN}", None, Role.WATCH),
    ("GET", f"/api/campaigns/{RUN}/gain?before=a&after=b", None, Role.WATCH),
    ("POST", f"/api/campaigns/{RUN}/fitted", {"setup": "a"}, Role.OPERATE),
    ("POST", f"/api/campaigns/{RUN}/run", {"number": 1, "checked": True}, Role.OPERATE),
    ("POST", f"/api/campaigns/{RUN}/pause", {}, Role.OPERATE),
    ("POST", f"/api/campaigns/{RUN}/resume", {}, Role.OPERATE),
    ("POST", f"/api/campaigns/{RUN}/stop", {}, Role.OPERATE),
    ("POST", "/api/pairing-codes", {}, Role.MAINTAIN),
    ("GET", "/api/tokens", None, Role.MAINTAIN),
    ("POST", "/api/tokens", {"name": "new", "role": "watch"}, Role.MAINTAIN),
    ("DELETE", "/api/tokens/none", None, Role.MAINTAIN),
    ("GET", "/api/audit", None, Role.MAINTAIN),
    ("POST", "/api/sign-out", {}, None),
]


@pytest.fixture
def book(data: Path) -> TokenBook:
    return TokenBook(data)


@pytest.fixture
def secrets(book: TokenBook) -> dict[Role, str]:
    return {role: book.add(role.value, role)[1] for role in Role}


async def ask(
    service: Service, method: str, path: str, body: object, token: str = "", **options: str
) -> httpx.Response:
    async with service.browser(token=token, **options) as browser:
        return await browser.request(method, path, json=body if body is not None else None)


def test_the_table_above_lists_every_route(service: Service) -> None:
    listed = {
        (
            method,
            path.replace(f"campaigns/{RUN}", "campaigns/{campaign_id}")
            .replace(RUN, "{run_id}")
            .partition("?")[0],
        )
        for method, path, _, _ in ROUTES
    }
    listed |= {("POST", "/api/sign-in"), ("POST", "/api/pair")}
    listed = {(m, p.replace("/tokens/none", "/tokens/{token_id}")) for m, p in listed}
    described = {
        (method.upper(), path)
        for path, item in service.app.openapi()["paths"].items()
        for method in item
    }
    assert described == listed
    assert not any(
        isinstance(route, APIRoute) and route.path == "/" for route in service.app.routes
    )


@pytest.mark.parametrize(("method", "path", "body", "needed"), ROUTES)
async def test_each_route_opens_to_its_role_and_no_lesser(
    secrets: dict[Role, str],
    start_service: StartService,
    method: str,
    path: str,
    body: object,
    needed: Role | None,
) -> None:
    service = await start_service()
    response = await ask(service, method, path, body)
    if needed is None:
        assert response.status_code < 300
        return
    assert (response.status_code, response.json()["code"]) == (401, "token")
    assert response.headers["www-authenticate"].startswith("Bearer")
    for role in Role:
        response = await ask(service, method, path, body, secrets[role])
        if role.covers(needed):
            assert response.status_code not in (401, 403, 405, 429), response.text
        else:
            assert (response.status_code, response.json()["code"]) == (403, "role")
            assert needed.value in response.json()["remedy"]


async def test_a_refused_caller_never_reaches_the_loop(
    secrets: dict[Role, str], start_service: StartService
) -> None:
    service = await start_service()
    for method, path, body, needed in ROUTES:
        if needed is Role.OPERATE:
            await ask(service, method, path, body, secrets[Role.WATCH])
            await ask(service, method, path, body)
    assert service.loop.commands == []


async def test_without_tokens_only_this_computer_is_served(service: Service) -> None:
    for address in ("127.0.0.1", "::1"):
        assert (await ask(service, "GET", "/api/state", None, address=address)).status_code == 200
    for address in ("192.0.2.7", "10.0.0.9", ""):
        response = await ask(service, "GET", "/api/state", None, address=address)
        assert response.status_code == 401, address


async def test_once_a_token_exists_this_computer_needs_one_too(
    secrets: dict[Role, str], start_service: StartService
) -> None:
    service = await start_service()
    assert (await ask(service, "POST", "/api/park", {})).status_code == 401


async def test_revoking_takes_effect_at_once_and_the_last_one_does_not_open_the_door(
    book: TokenBook, secrets: dict[Role, str], start_service: StartService
) -> None:
    service = await start_service()
    for role in Role:
        assert (await ask(service, "GET", "/api/state", None, secrets[role])).status_code == 200
        book.revoke(role.value)  # by another process, as the command line does
        assert (await ask(service, "GET", "/api/state", None, secrets[role])).status_code == 401
    assert (await ask(service, "GET", "/api/state", None)).status_code == 401


async def test_the_holder_of_the_helm_is_the_token_and_the_page(
    secrets: dict[Role, str], start_service: StartService
) -> None:
    service = await start_service()
    response = await ask(service, "POST", "/api/helm/take", {}, secrets[Role.OPERATE])
    assert response.json()["holder"] == "operate:page-0001"


def test_tokens_are_kept_as_hashes_only(book: TokenBook, secrets: dict[Role, str]) -> None:
    text = book.path.read_text()
    for secret in secrets.values():
        assert len(secret) > 40
        assert secret not in text
        assert secret.removeprefix("drum_") not in text
    assert {len(token["sha256"]) for token in json.loads(text)["tokens"]} == {64}
    assert book.path.stat().st_mode & 0o077 == 0


def test_a_token_name_is_unique_while_valid_and_plain(book: TokenBook) -> None:
    book.add("tablet", Role.WATCH)
    with pytest.raises(TokenError, match="valid token named"):
        book.add("tablet", Role.WATCH)
    book.revoke("tablet")
    book.add("tablet", Role.OPERATE)
    for name in ("", "a:b", "x" * 41, "new\nline", "é", "tablet\n"):
        with pytest.raises(TokenError):
            book.add(name, Role.WATCH)
    with pytest.raises(TokenError):
        book.revoke("nobody")


def test_tokens_made_and_revoked_at_once_from_two_sides_all_count(book: TokenBook) -> None:
    """Service and command line each have the file open; a revocation lost would be a door open."""
    other = TokenBook(book.path.parent)
    for number in range(10):
        book.add(f"old {number}", Role.WATCH)

    def one_side(number: int) -> None:
        (book, other)[number % 2].add(f"new {number}", Role.WATCH)
        (other, book)[number % 2].revoke(f"old {number}")

    with ThreadPoolExecutor(4) as sides:
        list(sides.map(one_side, range(10)))
    found = TokenBook(book.path.parent).tokens()
    assert sorted(token.name for token in found if not token.revoked) == [
        f"new {number}" for number in range(10)
    ]
    assert len(found) == 20


async def test_a_token_file_that_was_lost_lets_nobody_in(
    start_service: StartService, data: Path
) -> None:
    """Not even this computer, which maintains while there are no tokens yet."""
    book = TokenBook(data)
    book.add("tablet", Role.MAINTAIN)
    book.path.unlink()
    with pytest.raises(TokenError, match="were in use here"):
        TokenBook(data)
    with pytest.raises(TokenError, match="were in use here"):
        await start_service()
    (data / LOCK_NAME).unlink()  # as the remedy says
    assert not TokenBook(data).in_use


def test_tokens_of_before_are_marked_as_in_use_when_they_are_read(data: Path) -> None:
    book = TokenBook(data)
    book.add("tablet", Role.MAINTAIN)
    (data / LOCK_NAME).write_bytes(b"")
    TokenBook(data)
    book.path.unlink()
    with pytest.raises(TokenError):
        TokenBook(data)


def test_a_damaged_token_file_lets_nobody_in(book: TokenBook, secrets: dict[Role, str]) -> None:
    book.path.write_text("{")
    with pytest.raises(TokenError, match=r"tokens\.json"):
        TokenBook(book.path.parent)


def test_tokens_known_before_the_file_was_damaged_go_on_working(
    book: TokenBook, secrets: dict[Role, str]
) -> None:
    book.path.write_text("{")
    assert book.find(secrets[Role.OPERATE]) is not None
    assert book.find("drum_wrong") is None
    with pytest.raises(TokenError):  # and nothing is written over it
        book.add("new", Role.MAINTAIN)


def test_a_token_file_that_vanished_does_not_open_the_door(
    book: TokenBook, secrets: dict[Role, str]
) -> None:
    book.path.unlink()
    assert book.in_use
    assert book.find(secrets[Role.WATCH]) is not None


async def test_wrong_tokens_lock_the_address_but_not_who_works_there(
    secrets: dict[Role, str], start_service: StartService
) -> None:
    service = await start_service()
    at_work = secrets[Role.OPERATE]
    assert (await ask(service, "GET", "/api/state", None, at_work)).status_code == 200
    for _ in range(FAILURES_ALLOWED):
        assert (await ask(service, "GET", "/api/state", None, "drum_wrong")).status_code == 401
    locked = await ask(service, "GET", "/api/state", None, "drum_wrong")
    assert (locked.status_code, locked.json()["code"]) == (429, "locked")
    assert 0 < int(locked.headers["retry-after"]) <= FAILURE_WINDOW_S
    # A right guess after the lock gains nothing, a token proven before goes on working.
    guess = secrets[Role.MAINTAIN]
    assert (await ask(service, "GET", "/api/state", None, guess)).status_code == 429
    assert (await ask(service, "POST", "/api/helm/keep", {}, at_work)).status_code == 200
    other = await ask(service, "GET", "/api/state", None, guess, address="192.0.2.9")
    assert other.status_code == 200


class Clock:
    now = 1000.0

    def __call__(self) -> float:
        return self.now


def test_the_lock_opens_when_the_window_has_passed(
    book: TokenBook, secrets: dict[Role, str]
) -> None:
    clock = Clock()
    access = Access(book, clock)
    for _ in range(FAILURES_ALLOWED):
        with pytest.raises(Problem, match="not known"):
            access.sign_in("drum_wrong", "192.0.2.7")
    with pytest.raises(Problem, match="Too many"):
        access.sign_in(secrets[Role.WATCH], "192.0.2.7")
    clock.now += FAILURE_WINDOW_S + 0.1
    assert access.sign_in(secrets[Role.WATCH], "192.0.2.7").role is Role.WATCH


async def test_a_tablet_pairs_by_a_code_once(
    secrets: dict[Role, str], start_service: StartService
) -> None:
    service = await start_service()
    made = await ask(
        service, "POST", "/api/pairing-codes", {"role": "operate"}, secrets[Role.MAINTAIN]
    )
    assert made.status_code == 201
    code = made.json()["code"]
    assert made.json()["expires_in_s"] == CODE_LIFE_S
    async with service.browser(address="192.0.2.20") as tablet:
        typed = f"{code[:4].lower()} {code[4:]}"
        paired = await tablet.post("/api/pair", json={"code": typed, "name": "Bay 2 tablet"})
        assert paired.status_code == 201, paired.text
        cookie = paired.headers["set-cookie"]
        assert "HttpOnly" in cookie
        assert "SameSite=strict" in cookie
        assert "Secure" not in cookie  # plain HTTP here
        me = (await tablet.get("/api/self")).json()
        assert (me["name"], me["role"]) == ("Bay 2 tablet", "operate")
        assert (await tablet.post("/api/park")).status_code == 200
    async with service.browser(address="192.0.2.21") as thief:
        again = await thief.post("/api/pair", json={"code": code, "name": "other"})
        assert (again.status_code, again.json()["code"]) == (401, "pairing-code")


async def test_over_tls_the_cookie_is_secure(
    secrets: dict[Role, str], start_service: StartService
) -> None:
    service = await start_service()
    async with service.browser(scheme="https") as browser:
        response = await browser.post("/api/sign-in", json={"token": secrets[Role.WATCH]})
    assert response.status_code == 200
    assert "Secure" in response.headers["set-cookie"]


async def test_signing_in_keeps_the_token_as_cookie_and_signing_out_forgets_it(
    secrets: dict[Role, str], start_service: StartService
) -> None:
    service = await start_service()
    async with service.browser() as browser:
        wrong = await browser.post("/api/sign-in", json={"token": "drum_wrong"})
        assert wrong.status_code == 401
        assert (await browser.get("/api/state")).status_code == 401
        await browser.post("/api/sign-in", json={"token": secrets[Role.WATCH]})
        assert (await browser.get("/api/state")).status_code == 200
        assert (await browser.post("/api/sign-out")).status_code == 204
        assert (await browser.get("/api/state")).status_code == 401


async def test_pairing_codes_expire_and_guessing_them_is_stopped(book: TokenBook) -> None:
    clock = Clock()
    access = Access(book, clock)
    caller = access_caller()

    async def make(role: Role) -> tuple[object, str]:
        return book.add("tablet", role)

    code, life_s = access.new_code(Role.WATCH, caller)
    clock.now += life_s + 0.1
    with pytest.raises(Problem, match="expired"):
        await access.pair(code, "192.0.2.7", make)  # type: ignore[arg-type]
    clock.now += FAILURE_WINDOW_S
    code, _ = access.new_code(Role.WATCH, caller)
    for number in range(PAIRING_FAILURES_ALLOWED):
        with pytest.raises(Problem, match="not known"):
            await access.pair("AAAAAAAA", f"192.0.2.{number}", make)  # type: ignore[arg-type]
    with pytest.raises(Problem, match="Too many"):  # even the right one, from a new address
        await access.pair(code, "192.0.2.99", make)  # type: ignore[arg-type]
    clock.now += FAILURE_WINDOW_S + 0.1
    token, _ = await access.pair(code, "192.0.2.99", make)  # type: ignore[arg-type]
    assert token.role is Role.WATCH


async def test_a_code_survives_a_name_that_is_taken(
    secrets: dict[Role, str], start_service: StartService
) -> None:
    service = await start_service()
    made = await ask(service, "POST", "/api/pairing-codes", {}, secrets[Role.MAINTAIN])
    code = made.json()["code"]
    taken = await ask(service, "POST", "/api/pair", {"code": code, "name": "watch"})
    assert (taken.status_code, taken.json()["code"]) == (409, "token-name")
    good = await ask(service, "POST", "/api/pair", {"code": code, "name": "tablet"})
    assert good.status_code == 201


def access_caller():  # type: ignore[no-untyped-def]
    from api.http.entry.access import Caller

    return Caller("boss", Role.MAINTAIN, "127.0.0.1", "", "")


async def test_the_first_token_must_maintain(service: Service) -> None:
    body = {"name": "tablet", "role": "operate"}
    response = await ask(service, "POST", "/api/tokens", body)
    assert (response.status_code, response.json()["code"]) == (409, "first-token")
    made = await ask(service, "POST", "/api/tokens", {"name": "boss", "role": "maintain"})
    assert made.status_code == 201
    boss = made.json()["token"]
    assert (await ask(service, "POST", "/api/tokens", body)).status_code == 401
    assert (await ask(service, "POST", "/api/tokens", body, boss)).status_code == 201
    listed = (await ask(service, "GET", "/api/tokens", None, boss)).json()["tokens"]
    assert [(each["name"], each["role"]) for each in listed] == [
        ("boss", "maintain"),
        ("tablet", "operate"),
    ]
    assert all("sha256" not in each and "token" not in each for each in listed)
    gone = await ask(service, "DELETE", f"/api/tokens/{listed[1]['id']}", None, boss)
    assert gone.status_code == 204
    again = await ask(service, "DELETE", f"/api/tokens/{listed[1]['id']}", None, boss)
    assert (again.status_code, again.json()["code"]) == (404, "no-token")


@pytest.mark.parametrize("host", ["127.0.0.1:8440", "localhost:8440", "[::1]:8440", "LOCALHOST"])
async def test_our_own_host_names_are_answered(service: Service, host: str) -> None:
    assert (await ask(service, "GET", "/api/rig", None, host=host)).status_code == 200


@pytest.mark.parametrize(
    "host", ["rig.attacker.example", "192.0.2.7:8440", "127.0.0.1.attacker.example", "localhost."]
)
async def test_a_foreign_host_name_is_refused(service: Service, host: str) -> None:
    for path in ("/api/rig", "/"):
        response = await ask(service, "GET", path, None, host=host)
        assert (response.status_code, response.json()["code"]) == (421, "host")


async def test_off_loopback_addresses_and_named_hosts_are_answered(
    secrets: dict[Role, str], start_service: StartService
) -> None:
    service = await start_service(service=ServiceSection(host="0.0.0.0", hosts=("rig.shop.lan",)))
    token = secrets[Role.WATCH]
    for host, status in (
        ("192.0.2.7:8440", 200),
        ("rig.shop.lan:8440", 200),
        ("attacker.example", 421),
    ):
        response = await ask(service, "GET", "/api/rig", None, token, host=host)
        assert response.status_code == status


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://attacker.example"},
        {"Origin": "https://127.0.0.1:8440"},
        {"Origin": "http://127.0.0.1:9999"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site"},
    ],
)
async def test_another_page_cannot_command_through_the_browser(
    service: Service, browser: httpx.AsyncClient, headers: dict[str, str]
) -> None:
    response = await browser.post("/api/ease-off", headers=headers)
    assert (response.status_code, response.json()["code"]) == (403, "origin")
    assert service.loop.commands == []


async def test_our_own_page_may_command_and_no_cors_is_offered(
    browser: httpx.AsyncClient,
) -> None:
    own = {"Origin": "http://127.0.0.1:8440", "Sec-Fetch-Site": "same-origin"}
    assert (await browser.post("/api/ease-off", headers=own)).status_code == 200
    for response in (
        await browser.get("/api/state", headers={"Origin": "http://attacker.example"}),
        await browser.options("/api/park", headers={"Origin": "http://attacker.example"}),
    ):
        assert not any(name.startswith("access-control") for name in response.headers)


async def test_a_page_named_in_the_settings_may_command(start_service: StartService) -> None:
    section = ServiceSection(origins=("https://wall.example",))
    service = await start_service(service=section)
    async with service.browser() as browser:
        response = await browser.post("/api/park", headers={"Origin": "https://wall.example"})
    assert response.status_code == 200


def test_nothing_but_loopback_is_served_without_tokens(data: Path) -> None:
    def settings(host: str) -> Settings:
        return Settings(RIG_FILE, data, ServiceSection(host=host))

    for host in ("127.0.0.1", "localhost", "::1", "127.8.8.8"):
        check_exposure(settings(host), has_tokens=False)
    for host in ("0.0.0.0", "::", "192.0.2.1", "rig.shop.lan"):
        with pytest.raises(SettingsError, match="without tokens"):
            check_exposure(settings(host), has_tokens=False)
        check_exposure(settings(host), has_tokens=True)
    half = Settings(RIG_FILE, data, ServiceSection(tls_certificate="x.pem"))
    with pytest.raises(SettingsError, match="both"):
        check_exposure(half, has_tokens=True)
