"""The link over a real pseudo-terminal: it keeps itself up, waits for nothing and hides nothing."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import os
import threading
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from daq.errors import LinkError
from daq.link import port as link_module
from daq.link.errors import explained
from daq.link.port import Link, Port, Received, open_port
from daq.link.status import LinkState
from daq.link.tx_queue import MAX_QUESTIONS, TxQueue
from daq.wire.codec import encode
from daq.wire.deframer import Deframer
from daq.wire.frames import (
    AskIdentity,
    AskTime,
    Frame,
    Hello,
    ResetCause,
    Sample,
    SetPoint,
    Time,
)


class Board:
    """The other end of a pseudo-terminal: says and hears frames when told to."""

    def __init__(self) -> None:
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        os.set_blocking(self.master, False)
        self.path = os.ttyname(self.slave)
        self.sequence = 0
        self._deframer = Deframer()

    def say(self, *frames: Frame) -> None:
        os.write(self.master, b"".join(map(encode, frames)))

    def sample(self, step: int = 1) -> Sample:
        self.sequence += step
        return Sample(self.sequence, 20_000 * self.sequence, 0, 0, 0, 1, (), (), (), (), ())

    def heard(self) -> list[Frame]:
        with contextlib.suppress(BlockingIOError):
            return self._deframer.feed(os.read(self.master, 65_536))
        return []

    def unplug(self) -> None:
        for fd in (self.slave, self.master):
            with contextlib.suppress(OSError):
                os.close(fd)


@pytest.fixture
def board() -> Iterator[Board]:
    one = Board()
    yield one
    one.unplug()


async def until(what: Callable[[], bool], patience_s: float = 60.0) -> None:
    """Let the event loop run until something holds; fails when it never does."""
    async with asyncio.timeout(patience_s):
        while not what():
            await asyncio.sleep(0.002)


HELLO = Hello(1, 0, ResetCause.POWER_ON, 10_000_000, 500, 77, 0, 0, 0, "board", ())
SET_POINT = SetPoint(1, 0, 100, 0, (100, 200))


NEVER_S = 600.0  # a busy computer may stand still for longer than a line is silent


class Ear:
    """Collects what a link reports."""

    def __init__(self) -> None:
        self.received: Received = []
        self.sent: list[bytes] = []
        self.damaged: list[bytes] = []
        self.changes: list[tuple[bool, str]] = []

    def link(self, path: str, **options: object) -> Link:
        options.setdefault("silence_s", NEVER_S)
        return Link(
            path,
            2_000_000,
            lambda received, host_ns: self.received.extend(received),
            on_sent=lambda raw, host_ns: self.sent.append(raw),
            on_damage=lambda raw, host_ns: self.damaged.append(raw),
            on_change=lambda up, problem: self.changes.append((up, problem)),
            **options,  # type: ignore[arg-type]
        )


async def test_frames_go_both_ways_with_their_bytes(board: Board) -> None:
    ear = Ear()
    link = ear.link(board.path)
    await link.start()
    assert link.state is LinkState.QUIET
    sample = board.sample()
    board.say(sample)
    await until(lambda: bool(ear.received))
    assert ear.received == [(sample, encode(sample)[:-1])]
    assert link.state is LinkState.UP
    assert ear.changes == [(True, "")]
    assert link.send(AskIdentity(5))
    assert link.send(SET_POINT)
    heard: list[Frame] = []
    await until(lambda: _collect(heard, board, 2))
    assert heard == [AskIdentity(5), SET_POINT]
    assert ear.sent == [encode(AskIdentity(5)), encode(SET_POINT)]
    await link.close()
    assert link.state is LinkState.CLOSED


def _collect(heard: list[Frame], board: Board, count: int) -> bool:
    heard += board.heard()
    return len(heard) >= count


async def test_a_missing_port_is_said_with_the_next_step(tmp_path: Path) -> None:
    link = Ear().link(str(tmp_path / "nowhere"))
    with pytest.raises(LinkError, match="no port") as caught:
        await link.start()
    assert "--port" in caught.value.remedy
    assert link.state is LinkState.CLOSED
    await link.close()


async def test_no_port_named_is_said_with_the_next_step() -> None:
    with pytest.raises(LinkError, match="rig file"):
        await Ear().link("").start()


async def test_a_file_that_is_no_port_is_said_so(tmp_path: Path) -> None:
    plain = tmp_path / "plain"
    plain.write_text("not a port")
    with pytest.raises(LinkError, match="serial port"):
        await Ear().link(str(plain)).start()


async def test_a_busy_port_is_refused_to_the_second_and_free_after_the_first(board: Board) -> None:
    first, second = Ear().link(board.path), Ear().link(board.path)
    await first.start()
    with pytest.raises(LinkError, match="busy") as caught:
        await second.start()
    assert "second Drumlin" in caught.value.remedy
    await first.close()
    await second.start()
    await second.close()


@pytest.mark.parametrize(
    ("code", "said"),
    [
        (errno.ENOENT, "no port"),
        (errno.EBUSY, "busy"),
        (errno.EWOULDBLOCK, "busy"),
        (errno.EACCES, "may not open"),
        (errno.ENODEV, "no device answers"),
        (errno.ENOTTY, "serial port"),
    ],
)
def test_each_refusal_of_the_system_has_its_own_words_and_remedy(code: int, said: str) -> None:
    error = explained("/dev/ttyACM0", 9600, OSError(code, os.strerror(code)))
    assert said in error.problem
    assert error.remedy


def test_a_rate_the_port_cannot_run_at_is_said_so() -> None:
    assert "12345 baud" in explained("/dev/ttyS0", 12345, ValueError("rate")).problem


async def test_a_patient_link_waits_for_a_port_that_appears_later(
    tmp_path: Path, board: Board
) -> None:
    ear = Ear()
    path = tmp_path / "port"
    link = ear.link(str(path))
    await link.start(patient=True)
    await until(lambda: link.counters.failures >= 2)
    view = link.view()
    assert "no port" in view.problem
    assert view.remedy
    path.symlink_to(board.path)
    await until(lambda: link.state is LinkState.QUIET)
    board.say(board.sample())
    await until(lambda: link.state is LinkState.UP)
    assert link.view().problem == ""
    await link.close()


async def test_an_unplugged_board_is_noticed_and_taken_up_again_on_a_new_port(
    tmp_path: Path,
) -> None:
    ear = Ear()
    path = tmp_path / "port"
    one, other = Board(), Board()
    path.symlink_to(one.path)
    link = ear.link(str(path))
    await link.start()
    one.say(one.sample())
    await until(lambda: link.state is LinkState.UP)
    path.unlink()
    path.symlink_to(other.path)
    one.unplug()
    await until(lambda: link.counters.opens >= 2)
    other.say(other.sample(500))
    await until(lambda: link.state is LinkState.UP)
    assert [up for up, _ in ear.changes] == [True, False, True]
    assert ear.changes[1][1], "going down names the cause"
    assert link.counters.failures >= 1
    await link.close()
    other.unplug()


async def test_a_silent_line_is_closed_and_opened_again(board: Board) -> None:
    link = Ear().link(board.path, silence_s=0.05)
    await link.start()
    await until(lambda: link.counters.opens >= 2)
    assert link.counters.silences >= 1
    assert "No sound frame came" in link.view().problem
    await link.close()


class Watched(Port):
    """A port that notes when it is opened and closed, and whether what waits is thrown away."""

    notes: list[str]

    def close(self, discard: bool) -> None:
        super().close(discard)
        self.notes.append("discarded" if discard else "closed")


def watched(notes: list[str], monkeypatch: pytest.MonkeyPatch) -> Callable[[str, int], Port]:
    monkeypatch.setattr(Watched, "notes", notes, raising=False)

    def opener(path: str, baud: int) -> Port:
        port = open_port(path, baud)
        port.__class__ = Watched
        notes.append("opened")
        return port

    return opener


async def test_the_old_port_is_closed_before_the_new_one_is_opened(
    board: Board, monkeypatch: pytest.MonkeyPatch
) -> None:
    notes: list[str] = []
    link = Ear().link(board.path, silence_s=0.05, opener=watched(notes, monkeypatch))
    await link.start()
    await until(lambda: len(notes) >= 5)
    await link.close()
    assert notes[:5] == ["opened", "discarded", "opened", "discarded", "opened"]
    assert notes.count("opened") == len(notes) - notes.count("opened")


@pytest.mark.parametrize("after_s", [0.0, 0.02])  # at once, and when the link is under way
async def test_only_a_port_that_failed_throws_away_what_waits_to_go_out(
    board: Board, monkeypatch: pytest.MonkeyPatch, after_s: float
) -> None:
    notes: list[str] = []
    link = Ear().link(board.path, opener=watched(notes, monkeypatch))
    await link.start()
    if after_s:
        await asyncio.sleep(after_s)
    await link.close()
    assert notes == ["opened", "closed"]


async def test_an_empty_frame_goes_first_and_ends_whatever_the_board_half_heard(
    board: Board,
) -> None:
    link = Ear().link(board.path)
    await link.start()
    link.send(AskIdentity(5))
    expected = b"\0" + encode(AskIdentity(5))
    heard = b""

    def all_heard() -> bool:  # the terminal may pass it on in pieces
        nonlocal heard
        with contextlib.suppress(BlockingIOError):
            heard += os.read(board.master, 100)
        return len(heard) >= len(expected)

    await until(all_heard)
    assert heard == expected
    await link.close()


@pytest.mark.parametrize("error", [RuntimeError("boom"), OSError(5, "input"), ValueError("odd")])
async def test_whatever_an_attempt_raises_the_next_one_follows(
    board: Board, error: Exception, monkeypatch: pytest.MonkeyPatch
) -> None:
    attempts = 0

    def opener(path: str, baud: int) -> Port:
        nonlocal attempts
        attempts += 1
        if attempts <= 3:
            raise error
        return open_port(path, baud)

    link = Ear().link(board.path, opener=opener)
    await link.start(patient=True)
    await until(lambda: link.state is LinkState.QUIET)
    assert link.counters.failures == 3
    await link.close()


async def test_a_handler_that_fails_costs_the_connection_and_not_the_link(board: Board) -> None:
    calls = 0

    def handler(received: Received, host_ns: int) -> None:
        nonlocal calls
        calls += 1
        if calls == 1:
            raise RuntimeError("a mistake of ours")

    link = Link(board.path, 2_000_000, handler, silence_s=NEVER_S)
    await link.start()
    board.say(board.sample())
    await until(lambda: link.counters.opens >= 2)
    assert "a mistake of ours" in link.view().problem
    board.say(board.sample())
    await until(lambda: calls == 2)
    await link.close()


async def test_the_pause_between_attempts_grows_to_its_cap(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pauses: list[float] = []
    real_sleep = asyncio.sleep

    async def sleep(seconds: float) -> None:
        pauses.append(seconds)
        await real_sleep(0)

    monkeypatch.setattr(link_module.asyncio, "sleep", sleep)
    link = Ear().link(str(tmp_path / "nowhere"))
    await link.start(patient=True)
    async with asyncio.timeout(60):
        while len(pauses) < 9:
            await real_sleep(0.001)
    await link.close()
    assert pauses[:9] == [0.05, 0.1, 0.2, 0.4, 0.8, 1.6, 2.0, 2.0, 2.0]


async def test_opening_that_takes_long_blocks_nothing_and_its_port_is_closed_when_unwanted(
    board: Board, monkeypatch: pytest.MonkeyPatch
) -> None:
    go_on, notes = threading.Event(), list[str]()
    open_at_last = watched(notes, monkeypatch)

    def opener(path: str, baud: int) -> Port:
        go_on.wait(120.0)
        return open_at_last(path, baud)

    link = Ear().link(board.path, opener=opener)
    await link.start(patient=True)
    await until(lambda: link.state is LinkState.OPENING)
    for _ in range(20):  # the event loop goes on meanwhile
        await asyncio.sleep(0.001)
    assert notes == []
    await link.close()
    go_on.set()
    await until(lambda: len(notes) == 2)
    assert notes == ["opened", "discarded"]


async def test_damage_is_counted_across_connections_and_its_bytes_are_kept(board: Board) -> None:
    ear = Ear()
    link = ear.link(board.path, silence_s=0.3)
    await link.start()
    os.write(board.master, b"\x05\x01\x02\x03\x04\x05\x06\x07\0")
    await until(lambda: len(ear.damaged) == 1)
    assert ear.damaged == [b"\x05\x01\x02\x03\x04\x05\x06\x07"]
    await until(lambda: link.counters.opens >= 2)

    def damaged_again() -> bool:  # what lies in the line as it is opened anew is thrown away
        if len(ear.damaged) < 2:
            os.write(board.master, b"\x05\x01\x02\x03\x04\x05\x06\x07\0")
        return len(ear.damaged) >= 2

    await until(damaged_again)
    assert link.view().wire.cobs_failures == len(ear.damaged)
    await link.close()


async def test_the_time_is_asked_and_the_way_there_and_back_is_shown(
    board: Board, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(link_module, "ASK_TIME_S", 0.0)
    link = Ear().link(board.path)
    await link.start()
    board.say(HELLO)
    answers = 0

    def answer() -> bool:
        nonlocal answers
        for frame in board.heard():
            if isinstance(frame, AskTime):
                board.say(Time(frame.token, 20_000 * answers))
                answers += 1
        return link.host_map is not None and link.host_map.accepted >= 1

    await until(answer)
    view = link.view()
    assert view.round_trip_p50_ms > 0.0
    assert view.round_trip_p99_ms >= view.round_trip_p50_ms
    assert view.low_latency is None, "a pseudo-terminal offers no such flag"
    assert view.latency_timer_ms is None
    await link.close()


async def test_a_port_that_takes_nothing_holds_nobody_up_and_gets_the_newest_set_point(
    board: Board,
) -> None:
    ear = Ear()
    link = ear.link(board.path, silence_s=60.0)
    await link.start()
    for number in range(5_000):  # nobody reads: the port is full long before the end
        assert link.send(SetPoint(1, number, 100, 0, (number,)))
    assert link.view().counters.set_points_superseded > 1_000
    assert link.counters.short_writes > 0
    heard: list[Frame] = []
    await until(lambda: _collect(heard, board, 1) and heard[-1].sequence == 4_999)  # type: ignore[union-attr]
    sequences = [frame.sequence for frame in heard if isinstance(frame, SetPoint)]
    assert sequences == sorted(set(sequences))
    assert [encode(frame) for frame in heard] == ear.sent
    assert link.wire.damaged == 0
    await link.close()


async def test_sending_without_a_port_says_no_and_is_counted(tmp_path: Path) -> None:
    link = Ear().link(str(tmp_path / "nowhere"))
    assert not link.send(SET_POINT)
    assert link.counters.sends_without_port == 1


async def test_what_was_sent_last_still_goes_out_when_the_link_is_closed(board: Board) -> None:
    link = Ear().link(board.path)
    await link.start()
    link.send(SetPoint(1, 9, 100, 0, (0, 0)))
    await link.close()
    heard: list[Frame] = []
    await until(lambda: _collect(heard, board, 1))  # the terminal passes it on in its own time
    assert heard == [SetPoint(1, 9, 100, 0, (0, 0))]


# --- the queue by itself --------------------------------------------------------------------------


def test_questions_go_before_the_set_point_and_each_frame_goes_out_whole() -> None:
    out = TxQueue()
    out.put_set_point(b"set")
    out.put(b"ask")
    assert out.ahead == b"ask"
    assert out.took(2) == b""
    out.put(b"more")
    assert out.ahead == b"k"
    assert out.took(1) == b"ask"
    assert out.ahead == b"more"
    assert out.took(4) == b"more"
    assert out.ahead == b"set"


def test_a_set_point_already_begun_is_finished_before_the_newer() -> None:
    out = TxQueue()
    out.put_set_point(b"old")
    assert out.ahead == b"old"
    assert out.took(1) == b""
    out.put_set_point(b"new")
    assert out.ahead == b"ld"
    assert out.took(2) == b"old"
    assert out.ahead == b"new"
    assert out.superseded == 0


def test_a_set_point_not_begun_gives_way_to_the_newer() -> None:
    out = TxQueue()
    out.put_set_point(b"old")
    assert out.ahead == b"old"
    out.put_set_point(b"new")
    assert out.took(0) == b""
    assert out.ahead == b"new"
    assert out.superseded == 1


def test_the_queue_is_bounded_and_drops_the_oldest_question() -> None:
    out = TxQueue()
    for number in range(MAX_QUESTIONS + 3):
        out.put(bytes((number + 1,)))
    assert out.dropped == 3
    assert out.ahead == b"\x04"
    assert len(out._questions) == MAX_QUESTIONS - 1


def test_opening_a_session_takes_the_old_sessions_set_point_back() -> None:
    out = TxQueue()
    out.put_set_point(b"old session")
    out.forget_set_point()
    assert out.ahead == b""


def test_a_new_connection_starts_with_nothing_of_the_old() -> None:
    out = TxQueue()
    out.put(b"ask")
    assert out.ahead == b"ask"
    out.took(1)
    out.put_set_point(b"set")
    out.clear()
    assert out.ahead == b""
    assert not out._questions
