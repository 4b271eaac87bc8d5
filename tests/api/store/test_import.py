"""A recording made elsewhere, sent over HTTP: taken in once, bounded, and named by nobody else."""

from __future__ import annotations

import zlib
from collections.abc import AsyncIterator
from pathlib import Path

import httpx
import msgspec
import pytest

from api.http.entry.tokens import Role, TokenBook
from api.services.jobs import LookJob
from api.settings import StoreSection
from api.store.closing.close_run import close as close_here
from api.store.closing.closed import Closed
from api.store.schema import RunState
from daq.recording.reader import Header
from daq.recording.recorder import (
    BLOCK_CRC,
    BLOCK_HEAD,
    BLOCK_MARK,
    MAGIC,
    RECORD_HEAD,
    RawRecorder,
    RecordKind,
)
from tests.api.fake_loop import RIG_FILE, until
from tests.api.harness import StartService
from tests.api.recorded import RUN_ID

RAW = {"Content-Type": "application/octet-stream"}
ADDRESS = "/api/runs/import"


@pytest.fixture
def raw(recorded_hold: Path) -> bytes:
    """A recorded hold, as its file."""
    return (recorded_hold / "raw.drm").read_bytes()


def headed(
    folder: Path,
    run_id: str,
    rig_text: str = "",
    started_utc: str = "2026-02-03T04:05:06+00:00",
) -> bytes:
    """A short recording whose header names itself as it likes."""
    path = folder / "headed.drm"
    path.unlink(missing_ok=True)
    recorder = RawRecorder(path)
    header = Header(
        rig_text=rig_text or RIG_FILE.read_text(encoding="utf-8"),
        rig_fingerprint="f",
        version="1",
        run_id=run_id,
        started_utc=started_utc,
    )
    recorder.append(RecordKind.HEADER, 0, msgspec.json.encode(header))
    assert recorder.close()
    return path.read_bytes()


def left(data: Path) -> list[str]:
    """Runs and scratch folders in the data directory."""
    runs = data / "runs"
    return sorted([each.name for each in runs.iterdir()] if runs.is_dir() else []) + sorted(
        each.name for each in data.glob("import-*")
    )


async def _close(folder: Path) -> Closed:
    return close_here(folder)


async def test_a_recording_sent_becomes_a_run_with_its_answer(
    start_service: StartService, raw: bytes, data: Path
) -> None:
    service = await start_service(close=_close)
    async with service.browser() as browser:
        taken = await browser.post(ADDRESS, params={"vehicle": "Visitor"}, content=raw, headers=RAW)
        assert (taken.status_code, taken.json()) == (202, {"run_id": RUN_ID, "bytes": len(raw)})
        catalogue = service.context.keeper.catalogue
        await until(lambda: catalogue.run(RUN_ID).state is RunState.CLOSED)  # type: ignore[union-attr]
        run = (await browser.get(f"/api/runs/{RUN_ID}")).json()
        assert (run["vehicle"], run["kind"]) == ("Visitor", "steady-hold")
        assert run["tags"] == ["imported"]
        assert "kW" in run["result"]["answer"]
        assert run["plan"]["rpm"] == 1900.0
        assert (data / "runs" / RUN_ID / "raw.drm").read_bytes() == raw
        again = await browser.post(ADDRESS, content=raw, headers=RAW)
        assert (again.status_code, again.json()["code"]) == (409, "run-exists")
    assert left(data) == [RUN_ID]


async def test_a_recording_without_an_end_is_taken_in_as_interrupted(
    start_service: StartService, raw: bytes
) -> None:
    service = await start_service(close=_close)
    async with service.browser() as browser:
        answer = await browser.post(ADDRESS, content=raw[:-40], headers=RAW)
        assert answer.status_code == 202, answer.text
        catalogue = service.context.keeper.catalogue
        await until(
            lambda: (
                (found := catalogue.run(RUN_ID)) is not None and found.state is RunState.INTERRUPTED
            )
        )


@pytest.mark.parametrize("sent", ["../../../outside", "x/../y", "", "20260101-000000-AB\n"])
async def test_a_name_that_was_sent_is_never_a_file_name(
    start_service: StartService, data: Path, tmp_path: Path, sent: str
) -> None:
    service = await start_service(close=_close)
    async with service.browser() as browser:
        answer = await browser.post(ADDRESS, content=headed(tmp_path, sent), headers=RAW)
    assert answer.status_code == 202
    run_id = answer.json()["run_id"]
    assert run_id.startswith("20260203-040506-")
    assert left(data) == [run_id]


@pytest.mark.parametrize(
    "body",
    [b"", b"not a recording", b"\0" * 4096, b"DRM"],
    ids=["empty", "text", "zeros", "short"],
)
async def test_what_is_no_recording_is_refused_and_leaves_nothing(
    browser: httpx.AsyncClient, data: Path, body: bytes
) -> None:
    answer = await browser.post(ADDRESS, content=body, headers=RAW)
    assert (answer.status_code, answer.json()["code"]) == (422, "not-a-recording")
    assert str(data) not in answer.text
    assert left(data) == []


def crafted(payload: bytes, records: int = 1, size: int | None = None, gap: bytes = b"") -> bytes:
    """A file that is sound to the byte, with what no recorder of ours would put into it."""
    plain = RECORD_HEAD.pack(RecordKind.HEADER, 0, len(payload) if size is None else size) + payload
    stored = zlib.compress(plain)
    head = BLOCK_HEAD.pack(BLOCK_MARK, 0, len(stored), len(plain), records)
    return MAGIC + gap + head + BLOCK_CRC.pack(zlib.crc32(stored, zlib.crc32(head))) + stored


DEEP = b"[" * 100_000 + b"]" * 100_000
HEAD = b'{"rig_text":"","rig_fingerprint":"f","version":"1","plan":'


@pytest.mark.parametrize(
    "body",
    [
        crafted(b"", records=5),
        crafted(b"", records=0xFFFFFFFF),
        crafted(b"{}", size=1 << 31),
        crafted(b'{"rig_text":"\xff\xfe"}'),
        crafted(HEAD + DEEP + b"}"),
        crafted(b'{"rig_text":"a=' + b"[" * 50_000 + b'","rig_fingerprint":"","version":""}'),
        crafted(HEAD + b"null}", gap=b"DBLK" * 1000),
    ],
    ids=["records", "many", "size", "letters", "deep", "deep-rig", "header-later"],
)
async def test_what_was_made_to_break_the_reader_is_refused_like_any_other(
    browser: httpx.AsyncClient, data: Path, body: bytes
) -> None:
    answer = await browser.post(ADDRESS, content=body, headers=RAW)
    assert (answer.status_code, answer.json()["code"]) == (422, "not-a-recording"), answer.text
    assert any(word in answer.json()["detail"] for word in ("header", "rig file"))
    assert left(data) == []


async def test_what_takes_long_to_look_at_is_let_go(
    browser: httpx.AsyncClient, data: Path, raw: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(LookJob, "time_limit_s", 0.001)
    answer = await browser.post(ADDRESS, content=raw, headers=RAW)
    assert (answer.status_code, answer.json()["code"]) == (422, "not-a-recording")
    assert "longer than" in answer.json()["detail"]
    assert left(data) == []


async def test_a_start_in_no_century_of_ours_still_gives_the_run_an_id(
    start_service: StartService, data: Path, tmp_path: Path
) -> None:
    service = await start_service(close=_close)
    body = headed(tmp_path, "", started_utc="0001-01-01T00:00:00+00:00")
    async with service.browser() as browser:
        answer = await browser.post(ADDRESS, content=body, headers=RAW)
        assert answer.status_code == 202
        run_id = answer.json()["run_id"]
        assert (await browser.get(f"/api/runs/{run_id}")).status_code == 200


async def test_a_recording_with_an_impossible_rig_is_refused(
    browser: httpx.AsyncClient, data: Path, tmp_path: Path
) -> None:
    answer = await browser.post(ADDRESS, content=headed(tmp_path, RUN_ID, "x = 1"), headers=RAW)
    assert (answer.status_code, answer.json()["code"]) == (422, "not-a-recording")
    assert left(data) == []


async def test_a_recording_that_is_too_large_or_of_unknown_size_is_refused_unread(
    start_service: StartService, data: Path, raw: bytes
) -> None:
    service = await start_service(store=StoreSection(min_free_mb=0, import_mb=1))
    read = 0

    async def body() -> AsyncIterator[bytes]:
        nonlocal read
        for _ in range(3):
            read += 1
            yield b"\0" * 600_000

    async with service.browser() as browser:
        large = {**RAW, "Content-Length": "1800000"}
        answer = await browser.post(ADDRESS, content=body(), headers=large)
        assert (answer.status_code, answer.json()["code"]) == (413, "too-large")
        answer = await browser.post(ADDRESS, content=body(), headers=RAW)
        assert (answer.status_code, answer.json()["code"]) == (411, "length")
        odd = httpx.Headers([(b"Content-Type", RAW["Content-Type"].encode()),
                             (b"Content-Length", b"\xb2")])  # fmt: skip
        answer = await browser.post(ADDRESS, content=body(), headers=odd)
        assert (answer.status_code, answer.json()["code"]) == (411, "length")
        assert read == 0
        lying = {**RAW, "Content-Length": "700000"}
        answer = await browser.post(ADDRESS, content=body(), headers=lying)
        assert (answer.status_code, answer.json()["code"]) == (413, "too-large")
        assert read == 2
        answer = await browser.post(ADDRESS, content=raw, headers={"Content-Type": "text/plain"})
        assert (answer.status_code, answer.json()["code"]) == (415, "media-type")
    assert left(data) == []


async def test_a_full_disk_refuses_before_anything_is_written(
    start_service: StartService, data: Path, raw: bytes
) -> None:
    service = await start_service(store=StoreSection(min_free_mb=10**9))
    async with service.browser() as browser:
        answer = await browser.post(ADDRESS, content=raw, headers=RAW)
        assert (answer.status_code, answer.json()["code"]) == (507, "disk-low")
    assert left(data) == []


async def test_only_who_may_operate_sends_recordings(
    start_service: StartService, data: Path, raw: bytes
) -> None:
    _, token = TokenBook(data).add("viewer", Role.WATCH)
    service = await start_service()
    async with service.browser("192.0.2.7", token) as browser:
        answer = await browser.post(ADDRESS, content=raw, headers=RAW)
        assert answer.status_code == 403
    assert left(data) == []


@pytest.mark.parametrize("told", ["99991231-235959-abcd", "20269931-000000-abcd"])
async def test_an_id_of_no_time_of_ours_is_not_taken_over(
    start_service: StartService, data: Path, tmp_path: Path, told: str
) -> None:
    """Runs stand in the order of their ids: that one would be the last run for ever."""
    service = await start_service(close=_close)
    async with service.browser() as browser:
        answer = await browser.post(ADDRESS, content=headed(tmp_path, told), headers=RAW)
        assert answer.status_code == 202
    (run_id,) = left(data)
    assert "2020" < run_id < "2199"


@pytest.mark.parametrize("name", ["version", "vehicle", "started_utc", "rig_fingerprint", "run_id"])
async def test_a_header_with_a_label_as_long_as_a_book_is_refused(
    browser: httpx.AsyncClient, data: Path, name: str
) -> None:
    labels = {"rig_text": "", "rig_fingerprint": "f", "version": "1", name: 900_000 * "x"}
    answer = await browser.post(ADDRESS, content=crafted(msgspec.json.encode(labels)), headers=RAW)
    assert (answer.status_code, answer.json()["code"]) == (422, "not-a-recording")
    assert len(answer.text) < 1000
    assert left(data) == []
