"""The page's files: policy, revalidation, compression, and nothing but the page."""

from __future__ import annotations

import gzip
from pathlib import Path

import httpx
import msgspec
import pytest

from api.http.answers import static
from api.http.answers.static import Shelf
from api.http.entry.guard import CONTENT_SECURITY_POLICY
from api.settings import ServiceSection
from daq.texts.catalogue import FOLDER
from tests.api.harness import Service, StartService


@pytest.fixture
async def page(data: Path, start_service: StartService) -> Service:
    folder = data / "page"
    (folder / "js").mkdir(parents=True)
    (folder / "index.html").write_text("<!doctype html><title>Drumlin</title>" + " " * 600)
    (folder / "js" / "main.js").write_text("export const one = 1;\n" * 100)
    (folder / "tiny.css").write_text("a{}")
    (folder / ".secret").write_text("x")
    (data / "outside.txt").write_text("x")
    (folder / "link.txt").symlink_to(data / "outside.txt")
    return await start_service(service=ServiceSection(page=str(folder)))


async def test_the_shell_is_served_with_a_strict_policy(page: Service) -> None:
    async with page.browser() as browser:
        response = await browser.get("/")
    assert response.status_code == 200
    assert response.headers["content-type"] == "text/html; charset=utf-8"
    assert response.headers["cache-control"] == "no-cache"
    policy = response.headers["content-security-policy"]
    assert policy == CONTENT_SECURITY_POLICY
    assert "unsafe" not in policy
    assert "*" not in policy
    assert policy.startswith("default-src 'none'")
    assert response.headers["x-content-type-options"] == "nosniff"
    assert response.headers["referrer-policy"] == "no-referrer"


async def test_an_unchanged_file_is_not_sent_again(page: Service, data: Path) -> None:
    async with page.browser() as browser:
        first = await browser.get("/js/main.js")
        tag = first.headers["etag"]
        again = await browser.get("/js/main.js", headers={"If-None-Match": f'"x", W/{tag}'})
        assert (again.status_code, again.content) == (304, b"")
        assert again.headers["etag"] == tag
        (data / "page" / "js" / "main.js").write_text("changed")
        changed = await browser.get("/js/main.js", headers={"If-None-Match": tag})
        assert (changed.status_code, changed.text) == (200, "changed")


async def test_files_are_compressed_for_who_takes_it(page: Service, data: Path) -> None:
    plain = (data / "page" / "js" / "main.js").read_bytes()
    async with page.browser() as browser:
        async with browser.stream(
            "GET", "/js/main.js", headers={"Accept-Encoding": "br, gzip"}
        ) as response:
            raw = b"".join([part async for part in response.aiter_raw()])
            assert response.headers["content-encoding"] == "gzip"
            assert response.headers["vary"] == "Accept-Encoding"
            assert int(response.headers["content-length"]) == len(raw) < len(plain)
            assert gzip.decompress(raw) == plain
        for refused in ("identity", "gzip;q=0"):
            response = await browser.get("/js/main.js", headers={"Accept-Encoding": refused})
            assert "content-encoding" not in response.headers
            assert response.content == plain
        tiny = await browser.get("/tiny.css")
        assert "content-encoding" not in tiny.headers


async def test_head_tells_the_length_and_sends_nothing(page: Service) -> None:
    async with page.browser() as browser:
        response = await browser.head("/tiny.css")
    assert response.headers["content-length"] == "3"
    assert response.content == b""


@pytest.mark.parametrize(
    "path", ["/.secret", "/link.txt", "/js/", "/js", "/js/../../outside.txt", "//etc/passwd"]
)
async def test_nothing_but_the_page_is_served(page: Service, path: str) -> None:
    async with page.browser() as browser:
        response = await browser.get(
            httpx.URL("http://127.0.0.1:8440").copy_with(raw_path=path.encode())
        )
    assert response.status_code == 404
    assert response.headers["content-type"] == "application/problem+json"


async def test_a_file_added_later_is_found(page: Service, data: Path) -> None:
    (data / "page" / "new.txt").write_text("new")
    async with page.browser() as browser:
        assert (await browser.get("/new.txt")).text == "new"


async def test_many_addresses_of_nothing_make_the_disk_be_searched_once(
    page: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    searched: list[Shelf] = []
    monkeypatch.setattr(Shelf, "scan", searched.append)
    monkeypatch.setattr(static, "SCAN_EVERY_S", 1e9)
    async with page.browser() as browser:
        for number in range(20):
            assert (await browser.get(f"/nothing-{number}")).status_code == 404
    assert len(searched) <= 1


async def test_api_answers_are_never_kept_by_the_browser(page: Service) -> None:
    async with page.browser() as browser:
        assert (await browser.get("/api/state")).headers["cache-control"] == "no-store"


async def test_a_language_is_one_file_that_the_page_finds_by_itself(
    page: Service, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with page.browser() as browser:
        listed = (await browser.get("/texts/languages.json")).json()
        assert {"en": "English", "de": "Deutsch"}.items() <= listed.items()
        for language in listed:
            catalogue = (await browser.get(f"/texts/{language}.json")).json()
            assert catalogue["page"]["settings.language"]
    third = msgspec.json.decode((FOLDER / "en.json").read_bytes()) | {"language": "Norsk"}
    (tmp_path / "no.json").write_bytes(msgspec.json.encode(third))
    monkeypatch.setattr("daq.texts.catalogue.FOLDER", tmp_path)
    monkeypatch.setattr(static, "FOLDER", tmp_path)
    static.named_languages.cache_clear()
    shelf = Shelf(tmp_path)
    names = shelf.item("texts/languages.json")
    static.named_languages.cache_clear()
    assert names is not None
    assert msgspec.json.decode(names.body) == {"no": "Norsk"}
    assert shelf.item("texts/no.json") is not None
