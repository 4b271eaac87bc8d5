"""MQTT 5: telemetry, state and events out, slow channels in; commands never.

Data flows out: ChannelClient -> `<prefix>/<rig>/status | state | telemetry | event/<kind>`;
in: the topics that the rig file gives its slow channels -> SlowValue to the loop.
Off until the settings have an [mqtt] section. The bridge owns one task tree; a broker that is
away costs one connection attempt per back-off and nothing else. docs/mqtt.md is the contract.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import math
import random
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import aiomqtt
import msgspec
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from api.mqtt.bounded import bounded_client
from api.runtime.channel import LoopGone
from api.runtime.channel_client import ChannelClient, EventStream
from api.services.telemetry_json import view
from api.settings import MqttSection
from control.core.commands import SlowValue
from control.telemetry import Telemetry
from daq import wall_clock
from daq.errors import RigError
from daq.plain_text import visible
from daq.rig.description import Rig, SlowChannel
from daq.rig.units import SCALES, from_si, to_si
from daq.texts.published import published_json

BACK_OFF_S = 0.5
KEEPALIVE_S = 15
STATUS_EVERY_S = 30.0
STATUS_EXPIRY_S = 90  # a retained "online" must not outlive a broker that missed our end
STATE_EVERY_S = 5.0
STATE_LEAST_S = 0.1  # between two states, however fast things change
STATE_EXPIRY_S = 15
TELEMETRY_EXPIRY_S = 5
FANS_EVERY_S = 2.0
FANS_LOOK_S = 0.2
FANS_EXPIRY_S = 10
EVENT_EXPIRY_S = 24 * 3600
MAX_PAYLOAD_BYTES = 512
STEADY_S = 60.0  # a connection that lasted so long was one: what ends it is said anew

log = logging.getLogger("drumlin.mqtt")


class SlowPayload(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The full form of a slow value; a bare JSON number in the rig file's unit will do too."""

    value: float
    unit: str = ""
    age_s: float = 0.0


class MqttCounters(msgspec.Struct):
    """What went through, for health and metrics."""

    connected: bool = False
    connections: int = 0
    failures: int = 0
    published: int = 0
    slow_taken: int = 0
    slow_dropped: int = 0  # malformed, wrong unit, retained or too old
    slow_too_fast: int = 0
    events_missed: int = 0


class MqttBridge:
    """One broker. `await run()` until cancelled; it never raises for what the broker does."""

    def __init__(
        self,
        section: MqttSection,
        rig: Rig,
        loop_client: ChannelClient,
        now: Callable[[], float],
    ) -> None:
        self._section = section
        self._rig = rig
        self._loop = loop_client
        self._now = now
        self._channels = {channel.topic: channel for channel in rig.slow if channel.topic}
        self._taken_at: dict[str, float] = {}
        self.base = f"{section.prefix}/{slug(rig.name)}"
        self.counters = MqttCounters()

    async def run(self) -> None:
        """Stay connected for as long as this runs; reconnect with capped back-off."""
        wait_s = BACK_OFF_S
        told = ""
        with self._loop.events() as events:
            while True:
                connections, begun_s = self.counters.connections, self._now()
                # Whatever ends a connection, the next attempt follows.
                try:
                    await self._session(events)
                except Exception as error:
                    self.counters.failures += 1
                    if self._now() - begun_s > STEADY_S:
                        told = ""
                    why = " ".join(visible(str(_first(error))).split())[:200]
                    if why != told:  # a broker that comes and goes does not fill the log
                        log.warning(
                            "The MQTT broker %s:%d is away: %s",
                            self._section.host,
                            self._section.port,
                            why,
                        )
                    told = why
                if self.counters.connections > connections:
                    wait_s = BACK_OFF_S
                # Jitter, so that many services do not return to the broker at the same moment.
                await asyncio.sleep(wait_s * random.uniform(0.8, 1.2))
                wait_s = min(wait_s * 2, self._section.back_off_cap_s)

    async def _session(self, events: EventStream) -> None:
        client = bounded_client(
            self._section.host,
            self._section.port,
            username=self._section.username or None,
            password=self._password(),
            identifier=self._section.client_id or None,
            clean_start=True,
            keepalive=KEEPALIVE_S,
            timeout=self._section.connect_timeout_s,
            will=aiomqtt.Will(f"{self.base}/status", self._status("offline"), 1, True),
            tls_params=aiomqtt.TLSParameters(ca_certs=self._section.ca_file)
            if self._section.ca_file
            else None,
        )
        async with client:
            self.counters.connections += 1
            self.counters.connected = True
            try:
                await self._serve(client, events)
            finally:
                self.counters.connected = False
                # A proper goodbye suppresses the will, so say it ourselves.
                with contextlib.suppress(aiomqtt.MqttError, TimeoutError):
                    async with asyncio.timeout(1.0):
                        await client.publish(
                            f"{self.base}/status", self._status("offline"), 1, True
                        )

    async def _serve(self, client: aiomqtt.Client, events: EventStream) -> None:
        async with asyncio.TaskGroup() as group:
            group.create_task(self._keep_status(client), name="mqtt status")
            group.create_task(self._send_state(client), name="mqtt state")
            group.create_task(self._send_telemetry(client), name="mqtt telemetry")
            group.create_task(self._send_fans(client), name="mqtt fans")
            group.create_task(self._send_events(client, events), name="mqtt events")
            group.create_task(self._take_slow(client), name="mqtt slow channels")

    async def _keep_status(self, client: aiomqtt.Client) -> None:
        while True:
            await self._publish(
                client, "status", self._status("online"), STATUS_EXPIRY_S, qos=1, retain=True
            )
            await asyncio.sleep(STATUS_EVERY_S)

    async def _send_state(self, client: aiomqtt.Client) -> None:
        seen = self._loop.count
        last: tuple[object, ...] = ()
        sent_at = -math.inf
        while True:
            telemetry = self._loop.latest
            fresh = self._loop.connected
            now_state = _state_key(telemetry, fresh)
            if now_state != last or self._now() - sent_at >= STATE_EVERY_S:
                last, sent_at = now_state, self._now()
                await self._publish(
                    client,
                    "state",
                    msgspec.json.encode(_state(telemetry, fresh)),
                    STATE_EXPIRY_S,
                    qos=1,
                    retain=True,
                )
            await asyncio.sleep(STATE_LEAST_S)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(1.0):
                    seen = await self._loop.changed(seen)

    async def _send_telemetry(self, client: aiomqtt.Client) -> None:
        seen = 0
        while True:
            seen = await self._loop.changed(seen)
            snapshot = view(self._loop.latest, self._loop.age_s, self._loop.connected)
            helm = self._loop.latest.helm if self._loop.latest is not None else None
            snapshot["helm"] = {"name": helm.name} if helm is not None else None
            snapshot["at"] = _utc()
            await self._publish(
                client, "telemetry", msgspec.json.encode(snapshot), TELEMETRY_EXPIRY_S, qos=0
            )
            await asyncio.sleep(1.0 / self._section.telemetry_hz)

    async def _send_fans(self, client: aiomqtt.Client) -> None:
        """What each fan should do, at each change and every two seconds; nothing when unknown."""
        names = tuple(dict.fromkeys(one.fan for one in self._rig.absorbers if one.fan))
        last: tuple[str, ...] | None = None
        sent_at = -math.inf
        while names:
            telemetry = self._loop.latest
            if self._loop.connected and telemetry is not None and telemetry.heat is not None:
                on = telemetry.heat.fans
                if on != last or self._now() - sent_at >= FANS_EVERY_S:
                    last, sent_at = on, self._now()
                    for name in names:
                        body = msgspec.json.encode({"on": name in on, "at": _utc()})
                        await self._publish(client, f"fan/{slug(name)}", body, FANS_EXPIRY_S, qos=1)
            await asyncio.sleep(FANS_LOOK_S)

    async def _send_events(self, client: aiomqtt.Client, events: EventStream) -> None:
        async for event in events:
            self.counters.events_missed = events.missed
            body = published_json({"at": _utc(), **msgspec.structs.asdict(event)})
            await self._publish(client, f"event/{slug(event.kind)}", body, EVENT_EXPIRY_S, qos=1)

    async def _take_slow(self, client: aiomqtt.Client) -> None:
        if self._channels:
            await client.subscribe([(topic, 0) for topic in self._channels])
        # Without channels too: waiting for messages is what notices a lost broker at once.
        async for message in client.messages:
            channel = self._channels.get(str(message.topic))
            if channel is not None:
                await self._take(channel, message)

    async def _take(self, channel: SlowChannel, message: aiomqtt.Message) -> None:
        now = self._now()
        if now - self._taken_at.get(channel.name, -math.inf) < 1.0 / self._section.slow_hz:
            self.counters.slow_too_fast += 1
            return
        # A retained value has an unknown age: better none than an old one taken for new.
        payload = None if message.retain else parse_slow(message.payload, channel)
        if payload is None or payload.age_s > channel.max_age_s:
            self.counters.slow_dropped += 1
            return
        self._taken_at[channel.name] = now
        try:
            answer = await self._loop.request(
                SlowValue(id=0, name=channel.name, value=payload.value, age_s=payload.age_s)
            )
        except LoopGone:
            self.counters.slow_dropped += 1
            return
        if answer.accepted:
            self.counters.slow_taken += 1
        else:
            self.counters.slow_dropped += 1

    async def _publish(
        self,
        client: aiomqtt.Client,
        topic: str,
        payload: bytes,
        expiry_s: int,
        *,
        qos: int,
        retain: bool = False,
    ) -> None:
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.MessageExpiryInterval = expiry_s
        properties.ContentType = "application/json"
        await client.publish(
            f"{self.base}/{topic}", payload, qos=qos, retain=retain, properties=properties
        )
        self.counters.published += 1
        # The client waits by asyncio.wait_for, which loses a cancellation that comes as it is done.
        task = asyncio.current_task()
        if task is not None and task.cancelling():
            raise asyncio.CancelledError

    def _status(self, status: str) -> bytes:
        return msgspec.json.encode({"status": status, "rig": self._rig.name, "at": _utc()})

    def _password(self) -> str | None:
        if not self._section.password_file:
            return None
        return Path(self._section.password_file).read_text(encoding="utf-8").split("\n")[0]


def slug(name: str) -> str:
    """A name as one topic level: lower case, digits and dashes."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "rig"


def parse_slow(payload: object, channel: SlowChannel) -> SlowPayload | None:
    """The value in the channel's unit, or None when it cannot be trusted."""
    if not isinstance(payload, bytes | bytearray) or len(payload) > MAX_PAYLOAD_BYTES:
        return None
    try:
        got = msgspec.json.decode(payload, type=float | SlowPayload)
    except (msgspec.DecodeError, UnicodeDecodeError):
        return None
    if isinstance(got, int | float):
        got = SlowPayload(float(got))
    if not math.isfinite(got.value) or not 0.0 <= got.age_s < math.inf:
        return None
    if got.unit and got.unit != channel.unit:
        ours, theirs = SCALES.get(channel.unit), SCALES.get(got.unit)
        if ours is None or theirs is None or ours.unit is not theirs.unit:
            return None
        try:
            value = from_si(to_si(got.value, got.unit), channel.unit)
        except RigError:
            return None
        return msgspec.structs.replace(got, value=value, unit=channel.unit)
    return got


def _state_key(telemetry: Telemetry | None, fresh: bool) -> tuple[object, ...]:
    if telemetry is None or not fresh:
        return (fresh, None)
    test = telemetry.test
    return (
        fresh,
        telemetry.state,
        telemetry.first_cause,
        telemetry.helm.name,
        test.run_id if test is not None else "",
        test.phase if test is not None else "",
        tuple(fault.code for fault in telemetry.faults if fault.active),
    )


def _state(telemetry: Telemetry | None, fresh: bool) -> dict[str, Any]:
    if telemetry is None or not fresh:
        nothing = dict.fromkeys(("state", "first_cause", "helm", "run_id", "phase"))
        return {"at": _utc(), "loop_up": False, **nothing, "faults": []}
    test = telemetry.test
    return {
        "at": _utc(),
        "state": telemetry.state,
        "loop_up": True,
        "first_cause": telemetry.first_cause,
        "helm": telemetry.helm.name,
        "run_id": test.run_id if test is not None else None,
        "phase": test.phase if test is not None else None,
        "faults": [fault.code for fault in telemetry.faults if fault.active],
    }


def _first(error: BaseException) -> BaseException:
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return error


def _utc() -> str:
    return wall_clock.utc_now().isoformat(timespec="milliseconds")
