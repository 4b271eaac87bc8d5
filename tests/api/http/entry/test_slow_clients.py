"""Clients that are slow on purpose hold nothing for ever, and nobody else up."""

from __future__ import annotations

import asyncio
import contextlib
import os
import resource
import socket
import ssl
from collections.abc import AsyncIterator, Iterator, Sized
from pathlib import Path

import httpx
import msgspec
import pytest
import websockets

from api.http import app, server
from api.http.entry import admission, door
from api.http.entry.tokens import Role, TokenBook
from api.http.server import Server
from api.settings import ServiceSection, Settings, StoreSection
from tests.api.fake_loop import RIG_FILE, FakeLoop, telemetry, until
from tests.api.harness import listening

pytestmark = pytest.mark.live


@pytest.fixture
def settings(data: Path, fake_loop: FakeLoop, monkeypatch: pytest.MonkeyPatch) -> Settings:
    monkeypatch.setattr(server, "HEAD_TIME_S", 600.0)  # nothing ends of itself meanwhile
    return Settings(RIG_FILE, data, ServiceSection(), None, StoreSection(min_free_mb=0))


@pytest.fixture
def little_patience(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "HEAD_TIME_S", 1.0)


@pytest.fixture
async def started(settings: Settings) -> AsyncIterator[tuple[Server, int]]:
    async with listening(settings) as found:
        yield found


@pytest.fixture
def running(started: tuple[Server, int]) -> Server:
    return started[0]


@pytest.fixture
def port(started: tuple[Server, int]) -> int:
    return started[1]


async def ended(reader: asyncio.StreamReader) -> bool:
    """True once the other side has closed, in whichever way."""
    try:
        async with asyncio.timeout(90.0):
            while await reader.read(4096):
                pass
    except ConnectionError:
        return True
    return True


async def opened(
    port: int, count: int, known: Sized
) -> list[tuple[asyncio.StreamReader, asyncio.StreamWriter]]:
    """So many connections, one after the other as `known` grows."""
    lines = []
    for number in range(1, count + 1):
        lines.append(await asyncio.open_connection("127.0.0.1", port))
        await until(lambda number=number: len(known) == number)
    return lines


@pytest.mark.parametrize("said", [b"", b"GET /api/health HTTP/1.1\r\nHost: 127.0.0.1\r\nX-A: "])
async def test_a_head_that_does_not_come_to_its_end_is_not_waited_for(
    port: int, said: bytes, little_patience: None
) -> None:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(said)
    trickle = asyncio.create_task(_trickle(writer, b"a" if said else b""))
    assert await ended(reader)
    trickle.cancel()
    writer.close()


async def _trickle(writer: asyncio.StreamWriter, piece: bytes) -> None:
    while not writer.is_closing():
        writer.write(piece)
        await asyncio.sleep(0.02)


async def test_neither_is_the_head_of_a_second_request(
    port: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    whole = b"GET /api/openapi.json HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
    writer.write(whole)
    await reader.readuntil(b"\r\n\r\n")
    monkeypatch.setattr(server, "HEAD_TIME_S", 1.0)
    writer.write(whole[:-1])
    trickle = asyncio.create_task(_trickle(writer, b""))
    assert await ended(reader)
    trickle.cancel()
    writer.close()


async def test_with_too_many_heads_awaited_the_oldest_connection_goes(
    port: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "HEADS_AWAITED", 3)
    waiting = server.PatientProtocol._waiting
    lines = await opened(port, 3, waiting)
    async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{port}") as client:
        assert (await client.get("/api/self")).status_code == 200, "the others are served"
    assert await ended(lines[0][0])
    for _, writer in lines:
        writer.close()


async def test_those_who_ask_in_time_are_left_alone(
    port: int, fake_loop: FakeLoop, little_patience: None
) -> None:
    async with (
        httpx.AsyncClient(base_url=f"http://127.0.0.1:{port}") as client,
        websockets.connect(f"ws://127.0.0.1:{port}/api/live") as viewer,
    ):
        first = await client.get("/api/self")
        for _ in range(20):  # twice as long as a head may take
            fake_loop.publish(telemetry())
            await viewer.recv()
            await asyncio.sleep(0.1)
        assert (await client.get("/api/self")).status_code == first.status_code == 200
    assert not server.PatientProtocol._waiting


async def test_an_answer_of_which_nothing_is_read_is_given_up(
    running: Server, port: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "UNREAD_TIME_S", 0.5)
    counts = running.config.door.admission
    with socket.socket() as deaf:
        deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        deaf.setblocking(False)
        await asyncio.get_running_loop().sock_connect(deaf, ("127.0.0.1", port))
        await until(lambda: counts.lines == 1)
        ask = b"GET /api/openapi.json HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
        await asyncio.get_running_loop().sock_sendall(deaf, ask * 200)
        await until(lambda: counts.lines == 0)


async def test_one_that_reads_slowly_gets_all_of_it(
    port: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "UNREAD_TIME_S", 2.0)
    reader, writer = await asyncio.open_connection("127.0.0.1", port, limit=1024)
    ask = b"GET /api/openapi.json HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
    writer.write(ask * 19 + ask.replace(b"\r\n\r\n", b"\r\nConnection: close\r\n\r\n"))
    got = 0
    pauses = 30
    while piece := await reader.read(1 << 16):
        got += piece.count(b"HTTP/1.1 200 OK")
        if pauses:
            pauses -= 1
            await asyncio.sleep(0.1)
    assert got == 20
    writer.close()


async def test_a_silent_tls_connection_is_counted_from_accept_and_not_waited_for(
    data: Path, fake_loop: FakeLoop, certificate: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(admission, "is_loopback", lambda _: False)  # as if from elsewhere
    monkeypatch.setattr(door, "HANDSHAKE_S", 600.0)
    TokenBook(data).add("tablet", Role.OPERATE)
    section = ServiceSection(tls_certificate=str(certificate), tls_key=str(data / "key.pem"))
    settings = Settings(RIG_FILE, data, section, None, StoreSection(min_free_mb=0))
    trust = ssl.create_default_context(cafile=str(certificate))
    few = admission.SERVICE.arriving_each[admission.Standing.STRANGER]
    async with listening(settings) as (running, port):
        counts = running.config.door.admission
        silent = [await asyncio.open_connection("127.0.0.1", port) for _ in range(few)]
        await until(lambda: counts.arriving == few)
        async with httpx.AsyncClient(base_url=f"https://127.0.0.1:{port}", verify=trust) as other:
            assert (await other.get("/api/self")).status_code == 401, "the oldest gave way"
        assert counts.gave_way == 1
        assert await ended(silent[0][0])
        for _, writer in silent:
            writer.close()
        await until(lambda: counts.arriving == 0)
        monkeypatch.setattr(door, "HANDSHAKE_S", 1.0)
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        assert await ended(reader)
        await until(lambda: counts.arriving == 0)
        writer.close()


async def test_lines_are_bounded_and_a_closed_one_makes_room(
    settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(admission, "is_loopback", lambda _: False)
    few = msgspec.structs.replace(admission.SERVICE, lines_each=(3, 3, 3))
    monkeypatch.setattr(app, "SERVICE", few)
    async with listening(settings) as (running, port):
        counts = running.config.door.admission
        lines = [await asyncio.open_connection("127.0.0.1", port) for _ in range(3)]
        await until(lambda: counts.lines == 3)
        with contextlib.suppress(ConnectionError):
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            assert await ended(reader)
            writer.close()
        await until(lambda: counts.refused == 1)
        lines.pop()[1].close()
        await until(lambda: counts.lines == 2)
        for _, each in lines:
            each.close()
        await until(lambda: counts.lines == 0)


async def test_a_viewers_line_counts_until_it_is_closed(running: Server, port: int) -> None:
    counts = running.config.door.admission
    async with websockets.connect(f"ws://127.0.0.1:{port}/api/live") as viewer:
        await viewer.recv()
        assert counts.lines == 1
        assert counts.arriving == 0
    await until(lambda: counts.lines == 0)


async def test_without_descriptors_the_least_proven_gives_way_and_listening_goes_on(
    running: Server, port: int
) -> None:
    counts = running.config.door.admission
    held = await asyncio.open_connection("127.0.0.1", port)
    await until(lambda: counts.lines == 1)
    with socket.socket() as other, no_descriptor_free():
        other.setblocking(False)
        loop = asyncio.get_running_loop()
        await loop.sock_connect(other, ("127.0.0.1", port))
        await loop.sock_sendall(other, b"GET /api/self HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        async with asyncio.timeout(90.0):
            assert (await loop.sock_recv(other, 4096)).startswith(b"HTTP/1.1 200")
        assert counts.gave_way == 1, "and not the one that was just let in"
    held[1].close()


@contextlib.contextmanager
def no_descriptor_free() -> Iterator[None]:
    """This process may open nothing more: the gaps below its highest descriptor are filled."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    with contextlib.ExitStack() as fill:
        resource.setrlimit(
            resource.RLIMIT_NOFILE, (max(map(int, os.listdir("/proc/self/fd"))) + 2, hard)
        )
        fill.callback(resource.setrlimit, resource.RLIMIT_NOFILE, (soft, hard))
        with contextlib.suppress(OSError):
            while True:
                fill.callback(os.close, os.dup(0))
        yield


def test_the_service_may_have_many_files_open() -> None:
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(soft, 256), hard))
    try:
        door.let_open_files()
        assert resource.getrlimit(resource.RLIMIT_NOFILE)[0] >= min(
            hard, admission.SERVICE.lines[-1]
        )
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


async def test_what_is_no_http_is_answered_and_fills_no_log(
    port: int, caplog: pytest.LogCaptureFixture
) -> None:
    for said in (
        b"\x16\x03\x01\x02\x00\x01\x00\r\n\r\n",
        b"GET / HTTP/9.9 x\r\n\r\n",
        b"\0" * 64 + b"\r\n",
    ):
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(said)
        assert (await reader.read(4096)).startswith(b"HTTP/1.1 400")
        writer.close()
    assert caplog.records == []
