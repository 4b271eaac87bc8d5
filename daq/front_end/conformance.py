"""Questions to any front end, over its serial line, and what docs/wire.md says of the answers.

Data flows: `check_port` opens the port -> each question sends bytes and collects frames -> Finding.
`run_questions` asks the same over any line, a simulated one too. Currents are only ever asked for
once, for 10 mA, and the caller must have made the rig safe.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from itertools import pairwise
from typing import Protocol, TypeVar

import msgspec

from daq.errors import LinkError
from daq.wire.codec import encode
from daq.wire.deframer import Deframer, Direction
from daq.wire.frames import (
    AskIdentity,
    AskTime,
    ChannelKind,
    Frame,
    Hello,
    Notice,
    NoticeCode,
    Permission,
    Sample,
    SetPoint,
    Time,
)

CAUTION = (
    "This check plays damaged frames to the board and asks its supplies for current. It is for a "
    "rig with the rolls at rest, the supplies disconnected from mains and coils, and nobody near."
)
_WRAP = 1 << 32
_LEAST_STEPS = 1  # 10 mA: the least that can be asked for
_KIND = TypeVar("_KIND")


class FrontEndLine(Protocol):
    """A line to a front end: bytes go out at once, bytes of a while come in."""

    def send(self, data: bytes) -> None:
        """Send these bytes."""

    def receive(self, seconds: float) -> bytes:
        """What comes in that time."""


class ConformanceFinding(msgspec.Struct, frozen=True):
    """One question and what was seen."""

    question: str
    passed: bool
    seen: str


class _Talk:
    """A line with the frames it brought."""

    def __init__(self, line: FrontEndLine, session: int) -> None:
        self._line = line
        self.session = session
        self.sequence = 0
        self.deframer = Deframer(Direction.FROM_FRONT_END)

    def ask(self, *data: bytes, seconds: float = 0.1) -> list[Frame]:
        """Send, then collect for a while."""
        for each in data:
            self._line.send(each)
        return list(self.deframer.feed(self._line.receive(seconds)))

    def point(self, *currents: int, validity_ms: int = 100, newer: int = 1) -> bytes:
        self.sequence = (self.sequence + newer) & 0xFFFF
        return encode(SetPoint(self.session, self.sequence, validity_ms, 0, currents))


def _of(frames: list[Frame], kind: type[_KIND]) -> list[_KIND]:
    return [frame for frame in frames if isinstance(frame, kind)]


def _notices(frames: list[Frame]) -> list[tuple[int, int]]:
    return [(notice.code, notice.detail) for notice in _of(frames, Notice)]


def run_questions(line: FrontEndLine, session: int) -> list[ConformanceFinding]:
    """All questions in order; a front end that does not introduce itself is asked no other."""
    talk = _Talk(line, session)
    talk.ask(b"\0", seconds=0.2)  # ends whatever half frame there was
    hellos = _of(talk.ask(encode(AskIdentity(0)), seconds=0.3), Hello)
    if not hellos:
        return [
            ConformanceFinding("answers ASK_IDENTITY with HELLO", False, "nothing came in 0.3 s")
        ]
    hello = hellos[0]
    outputs = len(hello.names(ChannelKind.OUTPUT))
    findings = [ConformanceFinding("answers ASK_IDENTITY with HELLO", True, hello.firmware)]

    def note(question: str, passed: bool, seen: object) -> None:
        findings.append(ConformanceFinding(question, passed, str(seen)))

    note("speaks major version 1", hello.major == 1, f"{hello.major}.{hello.minor}")
    rate = hello.tick_hz % hello.frame_hz == 0 and hello.tick_hz % 1000 == 0
    note("its tick divides into frames and milliseconds", rate, hello.tick_hz)
    for question in (_samples, _time_of, _damage, _sessions, _refusals, _expiry, _repeats):
        question(talk, hello, outputs, note)
    counters = talk.deframer.counters
    note("sends no damaged frame", counters.damaged <= 1, counters.damaged)
    return findings


Note = Callable[[str, bool, object], None]


def _samples(talk: _Talk, hello: Hello, outputs: int, note: Note) -> None:
    samples = _of(talk.ask(seconds=1.0), Sample)
    steps = {(b.tick - a.tick) % _WRAP for a, b in pairwise(samples)}
    expected = hello.tick_hz // hello.frame_hz
    note("samples are exactly one period apart", steps == {expected}, sorted(steps)[:3])
    gaps = [b.sequence - a.sequence for a, b in pairwise(samples)]
    note("no sample is missing", set(gaps) == {1}, f"{len(samples)} samples")
    shapes = {(len(s.edges), len(s.counts), len(s.currents)) for s in samples}
    table = (
        len(hello.names(ChannelKind.WHEEL)),
        len(hello.names(ChannelKind.CONVERTER)),
        outputs,
    )
    note("samples carry the channels of the table", shapes == {table}, sorted(shapes)[:3])
    late = [
        edge
        for a, b in pairwise(samples)
        for wheel in b.edges
        for edge in wheel
        if not 0 < (edge - a.tick) % _WRAP <= expected
    ]
    note("each edge lies in its frame's interval", not late, f"{len(late)} outside")


def _time_of(talk: _Talk, hello: Hello, outputs: int, note: Note) -> None:
    frames = talk.ask(encode(AskTime(0xDEADBEEF)), seconds=0.1)
    times, samples = _of(frames, Time), _of(frames, Sample)
    note("answers ASK_TIME with its token", [t.token for t in times] == [0xDEADBEEF], times)
    if times and samples:
        apart = (times[0].tick - samples[0].tick + _WRAP // 2) % _WRAP - _WRAP // 2
        near = abs(apart) < hello.tick_hz * 0.05
        note("and with a tick of then", near, f"{1e3 * apart / hello.tick_hz:.2f} ms off a sample")


def _damage(talk: _Talk, hello: Hello, outputs: int, note: Note) -> None:
    good = encode(AskTime(1))
    spoiled = bytearray(good)
    spoiled[3] ^= 0x10
    cases = {
        "a flipped bit": bytes(spoiled),
        "a frame cut short": good[:4] + b"\0",
        "1,400 bytes without an end": b"\x55" * 1400 + b"\0",
        "an unknown type": _with_crc(b"\x7f\x01\x02"),
        "a byte too many": _with_crc(b"\x83\x01\x00\x00\x00\x00"),
        "a frame of its own direction": encode(Time(5, 6)),
    }
    frames: list[Frame] = []
    for name, bad in cases.items():
        answer = talk.ask(bad + encode(AskTime(77)), seconds=0.1)
        frames += answer
        tokens = [each.token for each in _of(answer, Time)]
        note(f"drops {name} and takes the next frame", tokens == [77], tokens)
    frames += talk.ask(seconds=1.3)
    told = [detail for code, detail in _notices(frames) if code == NoticeCode.FRAMES_DAMAGED]
    note("tells of damaged frames by a notice", bool(told), told)


def _with_crc(content: bytes) -> bytes:
    from zlib import crc32  # noqa: PLC0415 - only here

    from daq.wire.cobs import stuff  # noqa: PLC0415

    return stuff(content + crc32(content).to_bytes(4, "little")) + b"\0"


def _sessions(talk: _Talk, hello: Hello, outputs: int, note: Note) -> None:
    frames = talk.ask(encode(AskIdentity(talk.session)), seconds=0.2)
    hellos = _of(frames, Hello)
    opened = bool(hellos) and hellos[-1].session == talk.session
    note("opens a session", opened, [h.session for h in hellos])
    samples = _of(talk.ask(talk.point(*[0] * outputs), seconds=0.05), Sample)
    held = bool(samples) and samples[-1].permission == Permission.HELD
    note("takes a set point of zero and holds permission", held, samples[-1:])


def _refusals(talk: _Talk, hello: Hello, outputs: int, note: Note) -> None:
    zero = [0] * outputs
    other = msgspec.structs.replace(
        SetPoint(talk.session ^ 1, talk.sequence + 1, 100, 0, tuple(zero)), digital_out=0
    )
    asked = {
        1: ("another session", encode(other)),
        2: ("a repeated sequence", talk.point(*zero, newer=0)),
        3: ("another number of outputs", talk.point(*zero, 0)),
        4: ("a validity of 0", talk.point(*zero, validity_ms=0)),
    }
    for detail, (name, data) in asked.items():
        frames = talk.ask(data, seconds=0.25)
        told = (int(NoticeCode.SET_POINT_REFUSED), detail) in _notices(frames)
        note(f"refuses {name} with detail {detail}", told, _notices(frames))
    frames = talk.ask(talk.point(*[0xFFFF] * outputs), seconds=0.25)
    told = (int(NoticeCode.SET_POINT_REFUSED), 4) in _notices(frames)
    note("refuses a current beyond the ceiling", told, _notices(frames))


def _expiry(talk: _Talk, hello: Hello, outputs: int, note: Note) -> None:
    frames = talk.ask(talk.point(*[_LEAST_STEPS] * outputs, validity_ms=200), seconds=0.5)
    samples = _of(frames, Sample)
    held = [sample for sample in samples if sample.permission == Permission.HELD]
    lasted_s = ((held[-1].tick - held[0].tick) % _WRAP) / hello.tick_hz if held else 0.0
    period_s = 1.0 / hello.frame_hz
    right = abs(lasted_s - 0.2) <= 2.0 * period_s + 0.004
    note("permission lasts as long as it is valid", right, f"{1e3 * lasted_s:.1f} of 200 ms")
    left = [sample.permission_left_ms for sample in held]
    note("the time left falls", left == sorted(left, reverse=True), left[:1] + left[-1:])
    ended = bool(samples) and samples[-1].permission in (Permission.NONE, Permission.EASING)
    note("then it ends", ended, samples[-1].permission if samples else None)
    told = [detail for code, detail in _notices(frames) if code == NoticeCode.EASING_BEGAN]
    note("and a notice tells its age", bool(told) and 200 <= told[0] <= 205, told)


def _repeats(talk: _Talk, hello: Hello, outputs: int, note: Note) -> None:
    stale = talk.point(*[0] * outputs)
    talk.ask(stale, seconds=0.01)
    samples: list[Sample] = []
    for _ in range(20):  # twice its validity
        samples += _of(talk.ask(stale, seconds=0.01), Sample)
    over = bool(samples) and samples[-1].permission != Permission.HELD
    note("a repeated set point adds no time", over, samples[-1].permission if samples else None)


class _Port:
    """A serial port as a line."""

    def __init__(self, path: str, baud: int) -> None:
        import serial  # noqa: PLC0415 - the only user of the port here

        try:
            self._port = serial.Serial(path, baud, timeout=0.01, exclusive=True)
        except (serial.SerialException, OSError, ValueError) as error:
            raise LinkError(
                f"{path} cannot be opened: {error}.",
                "Stop the service that uses it, check its name and your right to it.",
            ) from None

    def send(self, data: bytes) -> None:
        self._port.write(data)

    def receive(self, seconds: float) -> bytes:
        until, data = time.monotonic() + seconds, bytearray()
        while time.monotonic() < until:
            data += self._port.read(4096)
        return bytes(data)

    def close(self) -> None:
        self._port.close()


def check_port(path: str, baud: int) -> list[ConformanceFinding]:
    """Ask the front end at that port. Raises LinkError when it cannot be opened."""
    port = _Port(path, baud)
    try:
        return run_questions(port, random.SystemRandom().randrange(1, _WRAP))
    finally:
        port.close()
