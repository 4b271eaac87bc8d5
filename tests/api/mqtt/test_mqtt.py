"""MQTT against a real broker: what goes out, what comes in, and what a broker away costs."""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import socket
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import aiomqtt
import msgspec
import psutil
import pytest

from api.mqtt import bridge
from api.mqtt.bridge import parse_slow, slug
from api.settings import MqttSection
from control.core.commands import SlowValue
from control.telemetry import HeatView, State
from daq.rig.description import SlowChannel
from tests.api.fake_loop import RIG_FILE, telemetry, until
from tests.api.harness import Service, StartService

MOSQUITTO = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin")
pytestmark = [
    pytest.mark.live,
    pytest.mark.broker,
    pytest.mark.skipif(MOSQUITTO is None, reason="needs Debian's mosquitto"),
]
BASE = "drumlin/tarnhow-demo-rig"
TOPICS = """
[[slow]]
name = "shop-temperature"
unit = "degC"
topic = "shop/weather/temperature"
max_age_s = 10.0

[[slow]]
name = "engine-bus"
unit = "rev/min"
topic = "truck/engine/speed"
"""


class Broker:
    """A mosquitto of the test's own on a free loopback port."""

    def __init__(self, folder: Path) -> None:
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = int(free.getsockname()[1])
        self._config = folder / "mosquitto.conf"
        self._config.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence false\n"
            "log_type error\n"
        )
        self._process: asyncio.subprocess.Process | None = None

    async def start(self) -> None:
        assert MOSQUITTO is not None
        self._process = await asyncio.create_subprocess_exec(
            MOSQUITTO, "-c", str(self._config), stderr=asyncio.subprocess.DEVNULL
        )
        async with asyncio.timeout(90.0):
            while True:
                with contextlib.suppress(OSError):
                    _, writer = await asyncio.open_connection("127.0.0.1", self.port)
                    writer.close()
                    await writer.wait_closed()
                    return
                await asyncio.sleep(0.02)

    async def stop(self) -> None:
        if self._process is not None and self._process.returncode is None:
            self._process.kill()
            await self._process.wait()


@pytest.fixture
async def broker(data: Path) -> AsyncIterator[Broker]:
    broker = Broker(data)
    await broker.start()
    yield broker
    await broker.stop()


@pytest.fixture
def rig_with_topics(data: Path) -> Path:
    path = data / "rig.toml"
    path.write_text(RIG_FILE.read_text() + TOPICS)
    return path


@pytest.fixture
def quick_back_off(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bridge, "BACK_OFF_S", 0.05)


@pytest.fixture
def subscribed(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What the broker has confirmed: a value that is sent before that is lost."""
    topics: list[str] = []
    plain = aiomqtt.Client.subscribe

    async def subscribe(self: aiomqtt.Client, topic: Any, *more: Any, **named: Any) -> Any:
        answer = await plain(self, topic, *more, **named)
        topics.append(str(topic))
        return answer

    monkeypatch.setattr(aiomqtt.Client, "subscribe", subscribe)
    return topics


def section(broker: Broker, **more: float) -> MqttSection:
    return MqttSection(
        host="127.0.0.1", port=broker.port, telemetry_hz=10.0, back_off_cap_s=0.2, **more
    )  # type: ignore[arg-type]


class Listener:
    """Everything the broker forwards, in order."""

    def __init__(self) -> None:
        self.messages: list[aiomqtt.Message] = []

    def of(self, topic: str) -> list[aiomqtt.Message]:
        return [each for each in self.messages if str(each.topic) == f"{BASE}/{topic}"]

    def bodies(self, topic: str) -> list[dict[str, object]]:
        return [msgspec.json.decode(bytes(each.payload)) for each in self.of(topic)]  # type: ignore[arg-type]

    async def wait(self, topic: str, count: int = 1) -> list[dict[str, object]]:
        await until(lambda: len(self.of(topic)) >= count)
        return self.bodies(topic)


@contextlib.asynccontextmanager
async def client(broker: Broker) -> AsyncIterator[aiomqtt.Client]:
    async with aiomqtt.Client(
        "127.0.0.1", broker.port, protocol=aiomqtt.ProtocolVersion.V5
    ) as each:
        yield each


@contextlib.asynccontextmanager
async def listening(broker: Broker, topic: str = "#") -> AsyncIterator[Listener]:
    listener = Listener()
    async with client(broker) as each:
        await each.subscribe(topic)

        async def collect() -> None:
            async for message in each.messages:
                listener.messages.append(message)

        task = asyncio.create_task(collect())
        try:
            yield listener
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)


async def publish_until_taken(service: Service, snapshot_s: float, **more: object) -> None:
    before = service.context.loop.count
    service.loop.publish(telemetry(snapshot_s, **more))  # type: ignore[arg-type]
    await until(lambda: service.context.loop.count > before)


def counters(service: Service) -> bridge.MqttCounters:
    assert service.context.mqtt is not None
    return service.context.mqtt.counters


async def test_birth_state_telemetry_and_events_go_out(
    broker: Broker, start_service: StartService
) -> None:
    async with listening(broker) as heard:
        service = await start_service(mqtt=section(broker))
        assert (await heard.wait("status"))[0]["status"] == "online"
        await publish_until_taken(service, 30.0, state=State.LOADED, run_id="20260101-000000-abcd")
        await until(lambda: any(b["state"] == "loaded" for b in heard.bodies("state")))
        state = heard.bodies("state")[-1]
        assert state["run_id"] == "20260101-000000-abcd"
        body = (await heard.wait("telemetry"))[-1]
        assert body["measured"]["roll_sets"][0]["speed"]["unit"] == "m/s"  # type: ignore[index]
        service.loop.event("fault", "Fan stopped", code="fan")
        event = (await heard.wait("event/fault"))[0]
        assert event["data"] == {"code": "fan"}
        for message in heard.messages:
            assert bytes(message.payload).startswith(b"{"), "never a bare number"  # type: ignore[arg-type]
            if str(message.topic) != f"{BASE}/status":
                assert message.properties is not None
                assert message.properties.MessageExpiryInterval > 0


async def test_only_status_and_state_are_retained_and_they_expire(
    broker: Broker, start_service: StartService
) -> None:
    service = await start_service(mqtt=section(broker))
    async with listening(broker) as heard:
        await heard.wait("status")
        await heard.wait("state")
        await publish_until_taken(service, 30.0)
        service.loop.event("notice", "x")
        await heard.wait("event/notice")
        await heard.wait("telemetry")
    async with listening(broker) as later:
        await later.wait("status")
        await later.wait("state")
        kept = [message for message in later.messages if message.retain]
        assert {str(message.topic) for message in kept} == {f"{BASE}/status", f"{BASE}/state"}
        for message in kept:
            assert message.properties is not None
            assert 0 < message.properties.MessageExpiryInterval <= bridge.STATUS_EXPIRY_S


async def test_fans_are_told_when_to_run_and_nothing_of_it_is_retained(
    broker: Broker, start_service: StartService
) -> None:
    hot = HeatView("rear-left", "warm", 60.0, 300.0, 295.0, ("fan-rear",))
    async with listening(broker) as heard:
        service = await start_service(mqtt=section(broker))
        service.loop.publish(msgspec.structs.replace(telemetry(30.0), heat=hot))
        assert (await heard.wait("fan/fan-rear"))[-1]["on"] is True
        assert (await heard.wait("fan/fan-front"))[-1]["on"] is False
        told = heard.of("fan/fan-rear")[-1]
        assert not told.retain
        assert told.properties is not None
        assert told.properties.MessageExpiryInterval <= bridge.FANS_EXPIRY_S


async def test_nothing_of_who_holds_the_helm_but_the_name_goes_out(
    broker: Broker, start_service: StartService
) -> None:
    from control.telemetry import HelmView

    async with listening(broker) as heard:
        service = await start_service(mqtt=section(broker))
        helm = HelmView("tablet:page-secret", "Ann", 3.0)
        await publish_until_taken(service, 31.0, helm=helm)
        await until(lambda: any(b["helm"] == "Ann" for b in heard.bodies("state")))
        await until(lambda: any(b["helm"] == {"name": "Ann"} for b in heard.bodies("telemetry")))
        assert not any(b"page-secret" in bytes(m.payload) for m in heard.messages)  # type: ignore[arg-type]


async def test_telemetry_keeps_to_its_rate(broker: Broker, start_service: StartService) -> None:
    async with listening(broker) as heard:
        service = await start_service(mqtt=section(broker))
        await heard.wait("status")
        loop = asyncio.get_running_loop()
        begun = loop.time()
        for number in range(60):
            await publish_until_taken(service, 40.0 + number)
            await asyncio.sleep(0.01)
        most = (loop.time() - begun) * 10.0 + 2
        await heard.wait("telemetry", 2)
        assert len(heard.of("telemetry")) <= most


async def test_the_last_will_says_offline_when_the_service_dies(
    broker: Broker, start_service: StartService, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bridge, "BACK_OFF_S", 60.0)  # it does not come back to say online
    service = await start_service(mqtt=section(broker))
    await until(lambda: counters(service).connected)
    await asyncio.sleep(0.1)
    ours = sockets_to(broker.port)
    async with listening(broker) as heard:
        assert (await heard.wait("status"))[0]["status"] == "online"
        for number in ours:  # as kill -9 or a pulled cable: no goodbye
            with contextlib.suppress(OSError):
                each = socket.socket(fileno=socket.dup(number))
                each.shutdown(socket.SHUT_RDWR)
                each.close()
        await until(lambda: heard.bodies("status")[-1]["status"] == "offline")
    assert counters(service).failures == 1


def sockets_to(port: int) -> list[int]:
    return [
        connection.fd
        for connection in psutil.Process().net_connections(kind="tcp")
        if connection.raddr and connection.raddr.port == port
    ]


async def test_an_orderly_end_says_offline_too(
    broker: Broker, data: Path, fake_loop: object
) -> None:
    from api.runtime.channel import SOCKET_NAME
    from api.runtime.channel_client import ChannelClient
    from daq.rig.description import load_rig

    async with (
        listening(broker) as heard,
        ChannelClient(data / SOCKET_NAME) as loop_client,
    ):
        mqtt = bridge.MqttBridge(
            section(broker), load_rig(RIG_FILE), loop_client, asyncio.get_running_loop().time
        )
        task = asyncio.create_task(mqtt.run())
        await heard.wait("status")
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        await until(lambda: heard.bodies("status")[-1]["status"] == "offline")
        assert not mqtt.counters.connected
    await asyncio.get_running_loop().shutdown_default_executor()


async def test_slow_channels_come_in_by_topic(
    broker: Broker, rig_with_topics: Path, start_service: StartService, subscribed: list[str]
) -> None:
    service = await start_service(mqtt=section(broker, slow_hz=50.0), rig=rig_with_topics)
    await until(lambda: bool(subscribed))
    async with client(broker) as sensor:
        await sensor.publish("shop/weather/temperature", b"21.5")
        await until(lambda: counters(service).slow_taken == 1)
        await asyncio.sleep(0.03)
        body = b'{"value": 70.7, "unit": "degF", "age_s": 2.5}'
        await sensor.publish("shop/weather/temperature", body)
        await until(lambda: counters(service).slow_taken == 2)
        await sensor.publish("truck/engine/speed", b"1900")
        await until(lambda: counters(service).slow_taken == 3)
    values = [command for command in service.loop.commands if isinstance(command, SlowValue)]
    assert [(v.name, pytest.approx(v.value), v.age_s) for v in values] == [
        ("shop-temperature", 21.5, 0.0),
        ("shop-temperature", 21.5, 2.5),
        ("engine-bus", 1900.0, 0.0),
    ]


async def test_a_sensor_that_floods_or_talks_nonsense_is_counted_not_followed(
    broker: Broker, rig_with_topics: Path, start_service: StartService, subscribed: list[str]
) -> None:
    service = await start_service(mqtt=section(broker, slow_hz=0.2), rig=rig_with_topics)
    await until(lambda: bool(subscribed))
    async with client(broker) as sensor:
        for number in range(50):
            await sensor.publish("truck/engine/speed", str(1000 + number).encode())
        await until(lambda: counters(service).slow_taken + counters(service).slow_too_fast == 50)
        assert counters(service).slow_taken < 5
        await sensor.publish("shop/weather/temperature", b"warm")
        await until(lambda: counters(service).slow_dropped == 1)
    assert len(service.loop.commands) == counters(service).slow_taken


async def test_a_retained_value_of_unknown_age_is_not_taken(
    broker: Broker, rig_with_topics: Path, start_service: StartService
) -> None:
    async with client(broker) as sensor:
        await sensor.publish("shop/weather/temperature", b"35", qos=1, retain=True)
    service = await start_service(mqtt=section(broker), rig=rig_with_topics)
    await until(lambda: counters(service).slow_dropped == 1)
    assert service.loop.commands == []


async def test_commands_are_never_taken_from_the_broker(
    broker: Broker, rig_with_topics: Path, start_service: StartService, subscribed: list[str]
) -> None:
    service = await start_service(mqtt=section(broker), rig=rig_with_topics)
    await until(lambda: bool(subscribed))
    command = b'{"command":"ease-off","id":1,"holder":"x","name":"front","value":1}'
    async with client(broker) as stranger:
        for topic in ("command", "cmd", "set", "state", "telemetry", "status", "event/command"):
            await stranger.publish(f"{BASE}/{topic}", command, qos=1)
        await stranger.publish("shop/weather/temperature", command, qos=1)
        await until(lambda: counters(service).slow_dropped == 1)
    assert service.loop.commands == []


async def test_the_service_works_without_its_broker_and_returns_to_it(
    broker: Broker, start_service: StartService, quick_back_off: None
) -> None:
    await broker.stop()
    service = await start_service(mqtt=section(broker))
    async with service.browser() as browser:
        for _ in range(3):
            await until(lambda: counters(service).failures > 0)
            assert (await browser.post("/api/park")).status_code == 200
        health = (await browser.get("/api/health")).json()
        assert health["ok"] is True
        assert health["mqtt"]["connected"] is False
        for round_number in (1, 2):
            await broker.start()
            await until(lambda: counters(service).connected)
            assert counters(service).connections == round_number
            async with listening(broker) as heard:
                await heard.wait("status")
                service.loop.event("notice", f"round {round_number}")
                await heard.wait("event/notice")
            await broker.stop()
            await until(lambda: not counters(service).connected)
        for _ in range(5000):  # minutes of events while the broker is away: bounded, oldest go
            service.loop.event("notice", "missed")
        await asyncio.sleep(0.05)
        assert (await browser.post("/api/park")).status_code == 200


async def test_a_broker_that_accepts_and_says_nothing_blocks_nothing(
    data: Path, start_service: StartService, quick_back_off: None
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as mute:
        silent = MqttSection(
            host="127.0.0.1",
            port=int(mute.getsockname()[1]),
            connect_timeout_s=0.3,
            back_off_cap_s=0.1,
        )
        service = await start_service(mqtt=silent)
        async with service.browser() as browser:
            for _ in range(3):
                assert (await browser.post("/api/park")).status_code == 200
        await until(lambda: counters(service).failures >= 2)


CHANNEL = SlowChannel(name="oil", unit="degC", topic="oil")


@pytest.mark.parametrize(
    ("payload", "value"),
    [
        (b"90", 90.0),
        (b" 90.5 ", 90.5),
        (b'{"value": 363.15, "unit": "K"}', 90.0),
        (b'{"value": 90}', 90.0),
        (b"NaN", None),
        (b"1e999", None),
        (b'"90"', None),
        (b"", None),
        (b"\xff", None),
        (b"[90]", None),
        (b'{"value": 90, "unit": "kPa"}', None),
        (b'{"value": 90, "unit": "furlong"}', None),
        (b'{"value": 90, "age_s": -1}', None),
        (b'{"value": 90, "extra": 1}', None),
        (b"9" * 600, None),
        (None, None),
    ],
)
def test_a_slow_value_is_taken_whole_or_not_at_all(payload: bytes, value: float | None) -> None:
    got = parse_slow(payload, CHANNEL)
    assert (got.value if got else None) == (pytest.approx(value) if value else None)


def test_a_rig_name_becomes_one_topic_level() -> None:
    assert slug("Tarnhow demo rig") == "tarnhow-demo-rig"
    assert slug("a/b#+ c") == "a-b-c"
    assert slug("+++") == "rig"
