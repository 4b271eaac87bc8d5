"""The loop process's work without its port: recording, black box, memory, health, easing off."""

from __future__ import annotations

import asyncio
import collections
import json
import threading
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import msgspec
import pytest

from api.launch.serve import ServeSettings, check, children
from api.runtime.channel import CHANNEL_VERSION, LoopHello
from api.runtime.channel_server import ChannelServer
from api.runtime.engine import Engine
from api.runtime.memory_file import read_memory
from api.runtime.run_file import DECISION
from control.core.commands import (
    Acknowledge,
    Answer,
    AnyCommand,
    KeepHelm,
    MakeReady,
    StartTest,
    TakeHelm,
    ZeroCells,
)
from control.telemetry import Event, State
from control.test_kinds.plans import SteadyHold
from daq.clock import HostMap, TickClock
from daq.plain_text import COMMANDING
from daq.recording.reader import Recording
from daq.recording.recorder import RecordKind
from daq.rig.description import load_rig
from daq.texts.published import published_json
from daq.wire.codec import encode
from daq.wire.deframer import Deframer, Direction, WireCounters
from daq.wire.frames import Channel, FromFrontEnd, Notice, NoticeCode, SetPoint, ToFrontEnd
from simulator.plant import Plant
from tests.ports import free_port

RIG = Path(__file__).parents[3] / "rigs" / "tarnhow.toml"
HOLDER = "test:1"


class Stand:
    """Engine and simulated rig joined in memory; time is the rig's."""

    def __init__(self, data: Path, **more: Any) -> None:
        self.data = data
        self.plant = Plant(seed=3)
        self.events: list[Event] = []
        self.answers: list[Answer] = []
        self.server = ChannelServer(LoopHello(CHANNEL_VERSION, 1, "x", "y"))
        self.server.publish_event = self.events.append  # type: ignore[method-assign]
        self.server.answer = self.answers.append  # type: ignore[method-assign]
        self.commands: list[AnyCommand] = []
        self.server.take_commands = self._take  # type: ignore[method-assign]
        self.lag_s = 0.0
        self.count = 0
        self.wire = WireCounters()
        self.host_map: HostMap | None = None
        self._deframer = Deframer(Direction.FROM_FRONT_END, None, self.wire)
        text = RIG.read_text(encoding="utf-8")
        self.engine = Engine(
            load_rig(RIG),
            text,
            read_memory(data / "memory.json"),
            data,
            self.server,
            self.clock,
            **more,
        )
        self.engine.link = self

    def clock(self) -> float:
        return self.plant.now_s + self.lag_s

    def send(self, frame: ToFrontEnd) -> bool:
        raw = encode(frame)
        self.plant.receive(raw)
        self.engine.sent(raw, int(self.clock() * 1e9))
        return True

    def _take(self) -> tuple[AnyCommand, ...]:
        commands, self.commands = tuple(self.commands), []
        return commands

    async def run(self, seconds: float) -> None:
        """Let virtual time pass; other tasks get a turn now and then."""
        until = self.plant.now_s + seconds
        while self.plant.now_s < until:
            data = self.plant.advance()
            self.engine.received(self._deframer.feed_raw(data), int(self.clock() * 1e9))
            self.count += 1
            if self.count % 10 == 0:
                self.engine.publish()
            if self.count % 250 == 0:
                self.commands.append(KeepHelm(99, HOLDER))
                self.engine.keep_house()
                await asyncio.sleep(0)

    async def loaded(self, run_id: str = "20260101-000000-test") -> None:
        """Under load at 8 m/s."""
        self.engine.tick()
        await self.run(3.5)
        self.commands += [TakeHelm(1, HOLDER, "Ada"), ZeroCells(2, HOLDER)]
        await self.run(0.1)
        self.plant.driver.tell(gear=4, brake=0.0, pedal=0.5)
        while self.engine.core.measured.roll_sets[0].speed.value < 7.5:  # type: ignore[union-attr]
            await self.run(0.1)
        plan = SteadyHold(seconds=100.0, speed_mps=8.0)
        self.commands += [
            Acknowledge(3, HOLDER),
            MakeReady(4, HOLDER),
            StartTest(5, HOLDER, run_id, plan),
        ]
        await self.run(1.0)
        assert any(event.kind == "run-started" for event in self.events), self.answers

    async def unloaded(self) -> None:
        """Until the load is off; the disk's threads get more of real time than the rig."""
        while not self.engine.unloaded:
            await self.run(0.1)
            await asyncio.sleep(0.05)

    async def settle(self, run_id: str = "20260101-000000-test") -> None:
        """Wait in real time for the thread that opens files."""
        while self.engine._files._recorder is None:
            await asyncio.sleep(0.01)
        assert (self.data / "runs" / run_id / "raw.drm").exists()


@pytest.fixture
async def stand(tmp_path: Path) -> AsyncIterator[Stand]:
    stand = Stand(tmp_path)
    yield stand
    stand.engine.close()


async def test_a_run_is_recorded_from_its_greeting_to_its_end(stand: Stand) -> None:
    await stand.loaded()
    await stand.settle()
    stand.engine.ease_off()
    while not stand.engine.unloaded:
        await stand.run(0.1)
    while not any(event.kind == "run-ended" for event in stand.events):
        await asyncio.sleep(0.01)
    recording = Recording(stand.data / "runs" / "20260101-000000-test" / "raw.drm")
    records = list(recording)
    assert recording.health.ended
    assert recording.health.damaged_blocks == 0
    header = recording.header()
    assert header.rig_fingerprint == stand.engine.rig.fingerprint
    assert json.loads(bytes(header.plan))["kind"] == "steady-hold"
    assert set(header.zeros) == {absorber.name for absorber in stand.engine.rig.absorbers}
    kinds = [record.kind for record in records]
    assert kinds[:3] == [RecordKind.HEADER, RecordKind.RX, RecordKind.COMMAND], (
        "header, greeting, the command"
    )
    assert kinds.count(RecordKind.RX) > 400
    assert abs(kinds.count(RecordKind.TX) - kinds.count(RecordKind.RX)) < 60
    names = [
        msgspec.msgpack.decode(r.payload)["kind"] for r in records if r.kind == RecordKind.EVENT
    ]
    assert names[0] == "run-started"
    assert "run-ended" in names
    ended = next(event for event in stand.events if event.kind == "run-ended")
    assert str(ended.text) == "Eased off by Drumlin, which is being stopped."


async def test_the_end_of_a_run_is_told_when_its_file_is_whole(stand: Stand) -> None:
    await stand.loaded()
    await stand.settle()
    path = stand.data / "runs" / "20260101-000000-test" / "raw.drm"
    told: list[bool] = []

    def publish(event: Event) -> None:
        if event.kind == "run-ended":
            recording = Recording(path)
            list(recording)
            told.append(recording.health.ended)

    stand.server.publish_event = publish  # type: ignore[method-assign]
    stand.engine.ease_off()
    while not stand.engine.unloaded:
        await stand.run(0.1)
    while not told:
        await asyncio.sleep(0.01)
    assert told == [True]


async def test_a_run_that_ends_before_its_file_is_open_is_recorded_all_the_same(
    stand: Stand, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("api.runtime.run_file.OPEN_WITHIN_S", 1e9)
    disk = threading.Event()
    stand.engine._files._thread.submit(disk.wait)  # a disk that takes its time
    await stand.loaded()
    stand.engine.ease_off()
    while not stand.engine.unloaded:
        await stand.run(0.1)
    assert not any(event.kind == "run-ended" for event in stand.events), "not before it is whole"
    disk.set()
    while not any(event.kind == "run-ended" for event in stand.events):
        await asyncio.sleep(0.01)
    recording = Recording(stand.data / "runs" / "20260101-000000-test" / "raw.drm")
    kinds = [record.kind for record in recording]
    assert recording.health.ended
    assert kinds[:3] == [RecordKind.HEADER, RecordKind.RX, RecordKind.COMMAND]
    assert kinds.count(RecordKind.RX) > 400
    assert stand.engine.telemetry().health.recorder == "idle"


async def test_a_trip_writes_the_last_minute_as_a_black_box(stand: Stand) -> None:
    await stand.loaded()
    stand.plant.front_end.chain_closed = False
    await stand.run(0.5)
    assert stand.engine.core.state is State.TRIPPED
    stand.engine._box.close()
    boxes = list((stand.data / "blackbox").iterdir())
    assert len(boxes) == 1
    recording = Recording(boxes[0])
    records = list(recording)
    assert recording.health.ended
    kinds = {record.kind for record in records}
    assert {
        RecordKind.HEADER,
        RecordKind.RX,
        RecordKind.TX,
        RecordKind.COMMAND,
        RecordKind.EVENT,
        DECISION,
    } <= kinds
    frames = sum(1 for record in records if record.kind == RecordKind.RX)
    assert frames > 1000, "everything since the start, which is less than a minute ago"
    decisions = [msgspec.msgpack.decode(r.payload) for r in records if r.kind == DECISION]
    assert {each["state"] for each in decisions} >= {"parked", "loaded"}
    stand.engine.tick()


async def test_a_trip_is_in_the_memory_at_once_and_the_next_core_starts_tripped(
    stand: Stand, tmp_path: Path
) -> None:
    await stand.loaded()
    stand.plant.front_end.chain_closed = False
    await stand.run(0.2)
    cause = stand.engine.core.telemetry().first_cause
    stand.engine._memory.close()
    memory = read_memory(tmp_path / "memory.json")
    assert memory is not None
    assert memory.trip is not None
    assert memory.trip.code == cause
    again = Stand(tmp_path)
    assert again.engine.core.state is State.TRIPPED
    assert again.engine.core.telemetry().first_cause == cause
    again.engine.close()


async def test_load_in_the_memory_means_a_trip_after_a_crash(stand: Stand, tmp_path: Path) -> None:
    await stand.loaded()
    stand.engine._memory.close()  # as far as the disk got when the process died
    again = Stand(tmp_path)
    assert again.engine.core.state is State.TRIPPED
    assert again.engine.core.telemetry().first_cause == "host-restarted"
    again.engine.close()


async def test_a_recording_that_cannot_be_made_is_a_fault_the_driver_sees(stand: Stand) -> None:
    (stand.data / "runs").write_text("in the way")
    await stand.loaded()
    while not stand.engine.telemetry().health.recorder.startswith("failed"):
        await stand.run(0.1)
        await asyncio.sleep(0.01)
    await stand.run(2.0)
    codes = {fault.code for fault in stand.engine.telemetry().faults}
    assert "recorder-failed" in codes
    while not stand.engine.unloaded:  # without a recording the load comes off
        await stand.run(0.1)


async def test_a_file_that_does_not_open_in_time_is_a_fault(
    stand: Stand, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("api.runtime.run_file.OPEN_WITHIN_S", 0.0)
    disk = threading.Event()
    stand.engine._files._thread.submit(disk.wait)
    await stand.loaded()
    while not stand.engine.unloaded:
        await stand.run(0.1)
    ended = [event for event in stand.events if event.data.get("code") == "recorder-failed"]
    assert ended, "what is only in memory would be lost with the process"
    disk.set()
    while stand.engine.telemetry().health.recorder != "idle":
        await stand.run(0.1)
        await asyncio.sleep(0.01)


async def test_a_late_loop_says_how_late_and_what_it_did(stand: Stand) -> None:
    stand.engine.tick()
    await stand.run(1.0)
    stand.lag_s += 0.03
    await stand.run(0.2)
    late = [event for event in stand.events if "was late" in str(event.text)]
    assert len(late) == 1
    assert late[0].data["gap_ms"] == pytest.approx(32.0, abs=2.1)
    health = stand.engine.telemetry().health
    assert health.overruns == 1
    assert health.period_max_ms == pytest.approx(32.0, abs=2.1)


async def test_a_set_point_made_before_the_loop_stood_still_is_not_sent_after_it(
    stand: Stand, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Seen: stopped between making a set point and sending it, a loop that went on 1.4 s later put
    5.8 A back on coils whose fade had ended."""
    await stand.loaded()
    step = stand.engine.core.step
    made: list[int] = []
    sent: list[int] = []

    def stopped(*given: Any) -> Any:
        out = step(*given)
        if out.set_point is not None and not made:
            made.append(out.set_point.sequence)
            assert max(out.set_point.currents) > 100, "more than an ampere"
            stand.lag_s += 1.4
        return out

    def send(frame: ToFrontEnd) -> bool:
        if isinstance(frame, SetPoint):
            sent.append(frame.sequence)
        return Stand.send(stand, frame)

    monkeypatch.setattr(stand.engine.core, "step", stopped)
    monkeypatch.setattr(stand, "send", send)
    await stand.run(0.5)
    assert made
    assert made[0] not in sent


async def test_the_end_under_load_eases_off_along_the_ramp(stand: Stand) -> None:
    await stand.loaded()
    await stand.run(2.0)
    stand.engine.ease_off()
    await stand.run(0.01)
    before = [absorber.set_point_a for absorber in stand.engine.telemetry().absorbers]
    await stand.run(0.2)
    during = [absorber.set_point_a for absorber in stand.engine.telemetry().absorbers]
    assert stand.engine.core.state is State.EASING
    assert all(0.0 < later < earlier for later, earlier in zip(during, before, strict=True))
    while not stand.engine.unloaded:
        await stand.run(0.1)
    assert stand.engine.core.telemetry().first_cause == ""


async def test_no_test_starts_with_less_room_than_the_settings_ask_for(tmp_path: Path) -> None:
    stand = Stand(tmp_path, least_free_mb=10**12)
    while "disk-low" not in {fault.code for fault in stand.engine.telemetry().faults}:
        await stand.run(0.1)
        await asyncio.sleep(0.005)
    stand.engine.close()


def test_the_settings_reach_the_loop_process(tmp_path: Path) -> None:
    file = tmp_path / "drumlin.toml"
    file.write_text("[store]\nmin_free_mb = 1234\n")
    asked = ServeSettings(RIG, "/dev/null", tmp_path, "127.0.0.1", free_port(), file)
    loop, *_ = children(check(asked, device_later=True))
    place = loop.arguments.index("--min-free-mb")
    assert loop.arguments[place + 1] == "1234"


async def test_a_running_test_ends_in_order_before_the_disk_is_full(
    stand: Stand, monkeypatch: pytest.MonkeyPatch
) -> None:
    await stand.loaded()
    monkeypatch.setattr("api.runtime.run_file.LAST_FREE_BYTES", 10**18)
    await stand.unloaded()
    assert stand.engine.core.state is not State.TRIPPED  # in order, not a trip
    codes = {fault.code for fault in stand.engine.telemetry().faults}
    assert "disk-full" in codes
    ended = [event for event in stand.events if event.kind == "run-ended"]
    assert len(ended) == 1


@pytest.mark.parametrize("taken", ["the file", "all"])
async def test_a_test_whose_recording_is_taken_away_ends_in_order(
    tmp_path: Path, taken: str
) -> None:
    """It would go on into a file that nobody can find any more."""
    data = tmp_path / "data"
    data.mkdir()
    stand = Stand(data)
    await stand.loaded()
    if taken == "all":
        data.rename(tmp_path / "elsewhere")
    else:
        next(data.glob("runs/*/raw.drm")).unlink()
    await stand.unloaded()
    assert stand.engine.core.state is not State.TRIPPED
    told = {event.data.get("code") for event in stand.events if event.kind == "fault"}
    assert told & {"recorder-failed", "disk-full"}, [(e.kind, e.text) for e in stand.events]
    stand.engine.close()


EVIL = "<b>\x1b]0;x\x07\u202e=1+1"


async def test_what_a_lying_front_end_calls_itself_commands_nothing(stand: Stand) -> None:
    """Its names and units reach page, terminal, log and report by events and by faults."""
    await stand.run(3.5)
    told = stand.plant.front_end._hello()
    session = stand.engine.core.session
    channels = tuple(Channel(one.kind, EVIL, EVIL) for one in told.channels)
    said = ""
    for lie in (
        msgspec.structs.replace(told, firmware=EVIL),
        msgspec.structs.replace(told, channels=channels),
    ):
        session.reopen()
        lying = msgspec.structs.replace(lie, session=session.number)
        stand.engine.received([(lying, b"")], int(stand.clock() * 1e9))
        said += "".join(repr_text(each) for each in stand.engine.telemetry().faults)
    said += "".join(repr_text(each) for each in stand.events)
    assert COMMANDING.search(said) is None
    assert "=1+1" in said, "what it said is still told"
    assert "wire-mismatch" in said


def repr_text(told: object) -> str:
    """Every text that is sent of it."""

    def texts(value: object) -> list[str]:
        if isinstance(value, dict):
            value = [*value, *value.values()]
        if isinstance(value, list):
            return [text for each in value for text in texts(each)]
        return [str(value)]

    return " ".join(texts(json.loads(published_json(told))))


@pytest.mark.parametrize("kind", ["notices", "greetings", "tables"])
async def test_a_front_end_that_talks_without_end_is_heard_twenty_times_a_second(
    stand: Stand, kind: str
) -> None:
    await stand.run(3.5)
    hello = stand.plant.front_end._hello()
    other = msgspec.structs.replace(hello, channels=hello.channels[:-1], boot_id=9)
    session = stand.engine.core.session
    before = len(stand.events)
    for number in range(10_000 if kind == "notices" else 2_500):  # a greeting takes a while
        frame: FromFrontEnd = Notice(number, NoticeCode.FRAMES_DAMAGED, number)
        if kind != "notices":
            table = other if kind == "tables" and number % 2 else hello
            frame = msgspec.structs.replace(table, boot_id=number + 1, session=session.number)
        stand.engine.received([(frame, b"")], int(stand.clock() * 1e9))
    told = [event for event in stand.events[before:] if event.kind == "notice"]
    assert len(told) <= 20
    assert kind == "tables" or (told and stand.engine.core.notices_left_out > 1000)
    assert len(stand.events) - before < 100, collections.Counter(e.kind for e in stand.events)


def test_health_tells_how_the_clocks_agree(tmp_path: Path) -> None:
    stand = Stand(tmp_path)
    clocks = HostMap(TickClock(1_000_000))
    for second in range(1, 30):  # the host runs 50 ppm faster; 2 ms there and back
        asked_s = 1000.0 + second * (1.0 + 50e-6)
        clocks.asked(second, asked_s - 0.001)
        clocks.answered(second, second * 1_000_000, asked_s + 0.001)
    assert stand.engine.telemetry().health.clock_restarts == 0
    stand.host_map = clocks
    stand.engine.keep_house()
    health = stand.engine.telemetry().health
    assert health.clock_rate_ppm == pytest.approx(50.0, abs=0.1)
    assert health.round_trip_p50_ms == pytest.approx(2.0, abs=1e-3)
    assert health.clock_sigma_ms == pytest.approx(1.0 / 3.0**0.5, rel=0.01)
    stand.engine.close()


async def test_a_board_that_booted_while_the_line_was_away_is_greeted_anew(stand: Stand) -> None:
    stand.engine.tick()
    await stand.run(2.0)
    before = stand.engine.core.session.number
    assert stand.engine.core.session.live
    stand.engine.changed(False, "the cable was pulled")
    stand.lag_s = stand.clock() + 0.5
    stand.plant = Plant(seed=3)  # power was off, too: it counts from zero again
    stand.plant.advance()  # and its greeting goes into the void
    stand.engine.changed(True, "")
    await stand.run(2.0)
    core = stand.engine.core
    assert core.session.live
    assert core.session.number == before + 1
    assert core.state is State.PARKED
    assert not {view.code for view in core.telemetry().faults if view.active} & {
        "clock-jump", "frames-lost", "session-lost", "set-points-refused", "link-lost",
    }  # fmt: skip
