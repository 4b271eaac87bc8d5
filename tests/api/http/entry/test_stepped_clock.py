"""The computer's date is stepped, by somebody or by the network: nobody at the helm is shut out."""

from __future__ import annotations

from pathlib import Path

import pytest

from api.http.entry.tokens import TRUSTED_ON_S, Role, Token, TokenBook
from tests.api.harness import StartService
from tests.api.stepped import YEAR_S, WallClock

DAY_S = 86_400.0


class Uptime:
    now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def wall(monkeypatch: pytest.MonkeyPatch) -> WallClock:
    return WallClock(monkeypatch)


@pytest.fixture
def uptime() -> Uptime:
    return Uptime()


@pytest.fixture
def book(tmp_path: Path, uptime: Uptime) -> TokenBook:
    return TokenBook(tmp_path, uptime)


def known(book: TokenBook, token: Token, secret: str) -> bool:
    assert (book.find(secret) is not None) == book.is_valid(token.id)
    return book.is_valid(token.id)


def test_a_token_that_was_let_in_stays_when_the_date_is_a_year_ahead(
    book: TokenBook, wall: WallClock, uptime: Uptime
) -> None:
    token, secret = book.add("tablet", Role.OPERATE, days=30)
    assert known(book, token, secret)
    wall.off_s = YEAR_S
    assert known(book, token, secret)
    uptime.now_s += TRUSTED_ON_S - 1.0
    assert known(book, token, secret)
    uptime.now_s += 2.0  # by then somebody has seen to the date, or it was right
    assert not known(book, token, secret)
    wall.off_s = 0.0
    assert known(book, token, secret)


def test_a_date_a_year_back_prolongs_nothing(
    book: TokenBook, wall: WallClock, uptime: Uptime
) -> None:
    token, secret = book.add("guest", Role.WATCH, days=2)
    assert known(book, token, secret)
    wall.off_s = -YEAR_S
    uptime.now_s += DAY_S
    assert known(book, token, secret)
    uptime.now_s += DAY_S + 1.0
    assert not known(book, token, secret)


def test_a_start_believes_the_date(book: TokenBook, tmp_path: Path, wall: WallClock) -> None:
    token, secret = book.add("tablet", Role.OPERATE, days=30)
    wall.off_s = YEAR_S
    assert not known(TokenBook(tmp_path), token, secret)


def test_what_is_revoked_is_revoked_on_any_date(book: TokenBook, wall: WallClock) -> None:
    token, secret = book.add("tablet", Role.OPERATE, days=30)
    assert known(book, token, secret)
    book.revoke("tablet")
    for wall.off_s in (0.0, YEAR_S, -YEAR_S):
        assert not known(book, token, secret)


async def test_heartbeats_and_easing_off_are_heard_a_year_ahead_and_back(
    data: Path, start_service: StartService, wall: WallClock
) -> None:
    secret = TokenBook(data).add("Ada", Role.OPERATE, days=30)[1]
    service = await start_service()
    async with service.browser(token=secret) as browser:
        assert (await browser.post("/api/helm/take", json={})).status_code == 200
        for wall.off_s in (YEAR_S, -YEAR_S, 0.0):
            for path in ("/api/helm/keep", "/api/ease-off"):
                assert (await browser.post(path, json={})).status_code == 200, wall.off_s
            assert (await browser.get("/api/state")).status_code == 200
