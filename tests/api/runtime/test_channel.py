"""The channel between loop and service: answered commands, newest-wins telemetry, no blocking."""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import stat
from pathlib import Path

import msgspec
import pytest

from api.runtime import channel
from api.runtime.channel import LoopGone, LoopHello
from api.runtime.channel_client import ChannelClient
from api.runtime.channel_server import ChannelServer
from control.core.commands import Answer, StartTest, TakeHelm
from control.telemetry import Event, HelmView, State, Telemetry
from control.test_kinds.plans import SteadyHold
from daq.errors import DrumlinError, LinkError

HELLO = LoopHello(channel.CHANNEL_VERSION, 42, "Tarnhow demo rig", "f" * 64)


def telemetry(time_s: float) -> Telemetry:
    return Telemetry(time_s, State.PARKED, "", HelmView("", "", 0.0), False, None, None, (), ())


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "loop.sock"


async def settle(condition: object) -> None:
    """Give the event loop turns until the condition holds (the suite's timeout is the limit)."""
    while not condition():  # type: ignore[operator]
        await asyncio.sleep(0.001)


async def test_each_command_gets_its_own_answer_even_when_two_services_use_the_same_id(
    path: Path,
) -> None:
    server = ChannelServer(HELLO)
    await server.start(path)
    async with ChannelClient(path) as one, ChannelClient(path) as two:
        await one.wait_connected(30)
        await two.wait_connected(30)
        asks = [
            asyncio.create_task(one.request(TakeHelm(0, "a:1", "Ada"))),
            asyncio.create_task(two.request(TakeHelm(0, "b:2", "Ben"))),
        ]
        seen: list[TakeHelm] = []
        while len(seen) < 2:
            await asyncio.sleep(0.001)
            seen += [c for c in server.take_commands() if isinstance(c, TakeHelm)]
        assert len({command.id for command in seen}) == 2
        for command in reversed(seen):
            server.answer(Answer(command.id, command.name == "Ada", reason=command.name))
        first, second = await asyncio.gather(*asks)
    assert (first.accepted, first.reason) == (True, "Ada")
    assert (second.accepted, second.reason) == (False, "Ben")
    await server.stop()


async def test_telemetry_and_events_reach_the_service_unchanged(path: Path) -> None:
    server = ChannelServer(HELLO)
    await server.start(path)
    async with ChannelClient(path) as client:
        await client.wait_connected(30)
        assert client.hello == HELLO
        with client.events() as stream:
            server.publish_event(Event(1.0, "notice", "hello", {"n": 1}))
            server.publish_telemetry(telemetry(1.5))
            await client.changed(0)
            assert client.latest is not None
            packed = msgspec.msgpack.encode(client.latest)
            assert packed == msgspec.msgpack.encode(telemetry(1.5))
            assert (await stream.get()).data == {"n": 1}
    await server.stop()


async def test_a_reader_that_never_reads_does_not_hold_the_loop_and_gets_the_newest_in_the_end(
    path: Path,
) -> None:
    server = ChannelServer(HELLO)
    await server.start(path)
    reader, writer = await asyncio.open_unix_connection(str(path), limit=1024)
    await settle(lambda: server.clients == 1)
    for number in range(20_000):
        server.publish_telemetry(telemetry(float(number)))
    for number in range(channel.EVENTS_KEPT + 500):
        server.publish_event(Event(float(number), "notice", "x" * 200, {}))
    server.publish_telemetry(telemetry(123456.0))
    splitter = channel.Splitter(channel.MAX_MESSAGE_BYTES)
    decoder = msgspec.msgpack.Decoder(channel.FromLoop)
    snapshots: list[float] = []
    missed = 0
    events = 0
    while not snapshots or snapshots[-1] != 123456.0:
        for body in splitter.feed(await reader.read(1 << 16)):
            message = decoder.decode(body)
            if isinstance(message, channel.TelemetryMessage):
                snapshots.append(message.telemetry.time_s)
            elif isinstance(message, channel.EventMessage):
                events += 1
                missed += message.missed_before
    assert len(snapshots) < 20_000, "old snapshots must have been replaced, not queued"
    assert events + missed == channel.EVENTS_KEPT + 500
    assert missed > 0
    writer.close()
    await server.stop()


async def test_a_command_with_an_impossible_plan_is_refused_with_its_reason(path: Path) -> None:
    server = ChannelServer(HELLO)
    await server.start(path)
    async with ChannelClient(path) as client:
        await client.wait_connected(30)
        answer = await client.request(StartTest(0, "a:1", "r1", SteadyHold(seconds=-5, rpm=1900)))
    assert not answer.accepted
    assert answer.code == "malformed"
    assert "seconds" in answer.reason
    assert server.take_commands() == ()
    await server.stop()


@pytest.mark.parametrize(
    "garbage", [b"\xff" * 64, b"\x04\x00\x00\x00\xc1\xc1\xc1\xc1", b"\x01\x00\x00\x00\x80"]
)
async def test_garbage_closes_that_client_and_the_loop_goes_on(path: Path, garbage: bytes) -> None:
    server = ChannelServer(HELLO)
    await server.start(path)
    reader, writer = await asyncio.open_unix_connection(str(path))
    writer.write(garbage)
    with contextlib.suppress(ConnectionError):  # closed with bytes of ours unread
        await reader.read(-1)  # up to the end the server makes
    writer.close()
    async with ChannelClient(path) as client:
        await client.wait_connected(30)
    assert server.take_commands() == ()
    await server.stop()


async def test_a_flood_of_commands_is_held_back_and_all_are_answered(path: Path) -> None:
    server = ChannelServer(HELLO)
    await server.start(path)
    async with ChannelClient(path) as client:
        await client.wait_connected(30)
        asks = [
            asyncio.create_task(client.request(TakeHelm(0, "a:1", str(n)), 60)) for n in range(2000)
        ]
        served = 0
        while served < 2000:
            await asyncio.sleep(0.001)
            for command in server.take_commands():
                served += 1
                server.answer(Answer(command.id, True))
        assert all(answer.accepted for answer in await asyncio.gather(*asks))
    await server.stop()


async def test_the_service_comes_back_by_itself_after_the_loop_was_restarted(path: Path) -> None:
    server = ChannelServer(HELLO)
    await server.start(path)
    async with ChannelClient(path, back_off_s=0.01) as client:
        await client.wait_connected(30)
        ask = asyncio.create_task(client.request(TakeHelm(0, "a:1", "Ada"), 60))
        while not server.take_commands():
            await asyncio.sleep(0.001)
        await server.stop()
        with pytest.raises(LoopGone, match="went away"):
            await ask
        await settle(lambda: not client.connected)
        with pytest.raises(LoopGone, match="not connected"):
            await client.request(TakeHelm(0, "a:1", "Ada"))
        again = ChannelServer(HELLO)
        await again.start(path)
        await client.wait_connected(30)
        assert client.connections == 2
        await again.stop()


async def test_a_silent_loop_is_reported_with_what_was_awaited_and_for_how_long(path: Path) -> None:
    server = ChannelServer(HELLO)
    await server.start(path)
    async with ChannelClient(path) as client:
        await client.wait_connected(30)
        with pytest.raises(LoopGone, match=r"did not answer a command for 0\.05 s"):
            await client.request(TakeHelm(0, "a:1", "Ada"), timeout_s=0.05)
    await server.stop()


async def test_a_second_loop_on_the_same_data_directory_is_refused(path: Path) -> None:
    server = ChannelServer(HELLO)
    await server.start(path)
    with pytest.raises(LinkError, match="already serves"):
        await ChannelServer(HELLO).start(path)
    await server.stop()


async def test_a_socket_left_by_a_killed_loop_is_replaced(path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as stale:
        stale.bind(str(path))
    server = ChannelServer(HELLO)
    await server.start(path)
    assert stat.S_IMODE(os.stat(path).st_mode) == 0o600
    await server.stop()
    assert not path.exists()


def test_a_path_too_long_for_a_socket_is_said_before_anything_starts(tmp_path: Path) -> None:
    with pytest.raises(DrumlinError, match="longer than a local socket allows"):
        ChannelClient(tmp_path / ("x" * 120) / "loop.sock")
