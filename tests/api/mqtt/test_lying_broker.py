"""A broker that lies or is broken: nothing of it grows here, and nothing waits for it."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import math
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path

import pytest

from api.mqtt import bounded, bridge
from api.settings import MqttSection
from tests.api.fake_loop import RIG_FILE, until
from tests.api.harness import Service, StartService

GREETED = b"\x20\x03\x00\x00\x00"  # CONNACK, MQTT 5.0
TOPIC = b"\x00\x03oil"
SLOW = '\n[[slow]]\nname = "oil"\nunit = "degC"\ntopic = "oil"\n'
Lie = Callable[[asyncio.StreamWriter], Awaitable[None]]


def publish(payload: bytes, quality: int = 0, number: int = 0) -> bytes:
    """A PUBLISH of MQTT 5.0, shorter than 128 bytes."""
    body = TOPIC + (number.to_bytes(2, "big") if quality else b"") + b"\x00" + payload
    return bytes([0x30 | quality << 1, len(body)]) + body


async def packet(reader: asyncio.StreamReader) -> tuple[int, bytes]:
    """The next packet: its first byte and its body."""
    kind, size, shift = (await reader.readexactly(1))[0], 0, 0
    while True:
        digit = (await reader.readexactly(1))[0]
        size |= (digit & 127) << shift
        shift += 7
        if digit < 128:
            return kind, await reader.readexactly(size)


async def _answer(
    reader: asyncio.StreamReader, writer: asyncio.StreamWriter, subscribed: asyncio.Event
) -> None:
    """SUBACK and PUBACK, as any broker gives them."""
    try:
        while True:
            kind, body = await packet(reader)
            if kind == 0x82:
                writer.write(b"\x90\x04" + body[:2] + b"\x00\x00")
                subscribed.set()
            elif kind & 0xF6 == 0x32:
                at = 2 + int.from_bytes(body[:2], "big")
                writer.write(b"\x40\x02" + body[at : at + 2])
    finally:
        subscribed.set()  # gone before it asked for anything


class LyingBroker:
    """Greets as a broker does, then does what it was made for. `sent` counts its bytes."""

    def __init__(self, lie: Lie) -> None:
        self._lie = lie
        self.sent = 0
        self.greeted = 0
        self._lines: set[asyncio.StreamWriter] = set()

    async def __aenter__(self) -> LyingBroker:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = int(self._server.sockets[0].getsockname()[1])
        return self

    async def __aexit__(self, *_: object) -> None:
        self._server.close()
        for line in list(self._lines):
            line.transport.abort()
        while self._lines:
            await asyncio.sleep(0.01)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._lines.add(writer)
        answering: asyncio.Task[None] | None = None
        try:
            await packet(reader)
            writer.write(GREETED)
            self.greeted += 1
            subscribed = asyncio.Event()
            answering = asyncio.create_task(_answer(reader, writer, subscribed))
            await subscribed.wait()
            if writer.is_closing():
                return
            await self._lie(writer)
        except (OSError, EOFError):
            pass
        finally:
            writer.transport.abort()
            if answering is not None:
                answering.cancel()
                await asyncio.gather(answering, return_exceptions=True)
            self._lines.discard(writer)

    async def pour(self, writer: asyncio.StreamWriter, packets: Callable[[int], bytes]) -> None:
        """Until the other side is gone."""
        number = 0
        while True:
            number += 1
            data = packets(number)
            writer.write(data)
            await writer.drain()
            self.sent += len(data)


@pytest.fixture
def rig_with_topic(data: Path) -> Path:
    path = data / "rig.toml"
    path.write_text(RIG_FILE.read_text() + SLOW)
    return path


@contextlib.asynccontextmanager
async def lied_to(
    lie: Lie, start_service: StartService, rig: Path
) -> AsyncIterator[tuple[LyingBroker, Service]]:
    async with LyingBroker(lie) as broker:
        section = MqttSection(
            host="127.0.0.1", port=broker.port, connect_timeout_s=60.0, back_off_cap_s=0.2
        )
        yield broker, await start_service(mqtt=section, rig=rig)


@pytest.fixture(autouse=True)
def quick_back_off(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bridge, "BACK_OFF_S", 0.05)


async def let_go(service: Service) -> None:
    """The bridge has ended the connection; people are served all the while."""
    mqtt = service.context.mqtt
    assert mqtt is not None
    async with service.browser() as browser:
        while not mqtt.counters.failures:
            assert (await browser.post("/api/park")).status_code == 200


async def test_a_packet_of_200_mb_is_not_taken_in(
    start_service: StartService, rig_with_topic: Path
) -> None:
    async def huge(writer: asyncio.StreamWriter) -> None:
        length = 200_000_000
        head = bytes(
            [0x30, *(length >> shift & 127 | (shift < 21) << 7 for shift in (0, 7, 14, 21))]
        )
        writer.write(head)
        await broker.pour(writer, lambda _: bytes(65536))

    async with lied_to(huge, start_service, rig_with_topic) as (broker, service):
        await let_go(service)
        assert broker.sent < broker.greeted * 20e6, "what the kernel holds, no more"
        assert service.context.mqtt.counters.slow_taken == 0


async def test_messages_that_it_never_releases_do_not_pile_up(
    start_service: StartService, rig_with_topic: Path
) -> None:
    async def pile(writer: asyncio.StreamWriter) -> None:
        await broker.pour(
            writer, lambda n: b"".join(publish(b"9", 2, 100 * (n % 600) + k) for k in range(1, 100))
        )

    async with lied_to(pile, start_service, rig_with_topic) as (broker, service):
        await let_go(service)


async def test_more_than_it_was_told_to_send_at_once_is_counted_and_dropped(
    start_service: StartService, rig_with_topic: Path
) -> None:
    """And the acknowledgements of which it reads none do not pile up."""

    async def flood(writer: asyncio.StreamWriter) -> None:
        await broker.pour(
            writer,
            lambda n: b"".join(publish(b"90", 1, 100 * (n % 600) + k) for k in range(1, 100)),
        )

    async with lied_to(flood, start_service, rig_with_topic) as (broker, service):
        mqtt = service.context.mqtt
        assert mqtt is not None
        async with service.browser() as browser:
            while not mqtt.counters.failures and mqtt.counters.slow_too_fast < 500:
                assert (await browser.post("/api/park")).status_code == 200
        assert mqtt.counters.slow_taken <= 20


async def test_values_of_no_sense_and_bytes_of_none(
    start_service: StartService, rig_with_topic: Path
) -> None:
    senseless = (b"1e308", b"-1e308", b"NaN", b"\x1b[2J", b"{}", b'{"value": 1e308, "unit": "K"}')

    async def babble(writer: asyncio.StreamWriter) -> None:
        for payload in senseless * 100:
            writer.write(publish(payload))
        writer.write(b"\x90\x04\x00\x07\x00\x00" * 100)  # SUBACKs that nobody asked for
        writer.write(b"\xff\x00\xf0\xff\xff\xff\xff\xff" * 500)
        await writer.drain()
        await asyncio.sleep(0.2)

    async with lied_to(babble, start_service, rig_with_topic) as (_, service):
        await let_go(service)
        for command in service.loop.commands:
            value = getattr(command, "value", 0.0)
            assert math.isfinite(value)


async def test_one_that_comes_and_goes_does_not_fill_the_log(
    start_service: StartService, rig_with_topic: Path, caplog: pytest.LogCaptureFixture
) -> None:
    async def leave(writer: asyncio.StreamWriter) -> None:
        writer.write(b"\x90\x04\x00\x07\x00\x00" * 50)
        await writer.drain()

    with caplog.at_level(logging.WARNING):
        async with lied_to(leave, start_service, rig_with_topic) as (broker, service):
            mqtt = service.context.mqtt
            assert mqtt is not None
            await until(lambda: mqtt.counters.failures >= 6)
    assert broker.greeted >= 5
    lines = [record.getMessage() for record in caplog.records]
    assert len(lines) <= 3, lines
    assert bounded.PACKET_BYTES < 100_000
