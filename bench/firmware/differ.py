"""The C core against the simulator's front end: the same bytes and inputs in, the same frames out?

Random hosts and rigs: sessions that come and go, sets of currents in and out of range, silence,
repeated and stale sequences, damage, a chain that opens, bursts of edges, noisy cells. Each
difference is named; one that the wire allows is explained here or it is a defect.
"""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import replace
from pathlib import Path

import msgspec

from bench.firmware.core import Reply, Script, record_of
from daq.wire.codec import encode
from daq.wire.deframer import Deframer, Direction, WireCounters
from daq.wire.frames import (
    AskIdentity,
    AskTime,
    Frame,
    Hello,
    Notice,
    Sample,
    SetPoint,
)
from simulator.front_end.board import FrontEnd
from simulator.rig_and_truck.setup import Setup, tarnhow

FRAMES_A_TRIAL = 900
COIL_SHARE = 0.02  # of the way to its set point that a coil goes in a frame
STEP_A = 0.01


class FrameComparison(msgspec.Struct):
    """What came of it."""

    frames: int = 0
    differences: Counter[str] = msgspec.field(default_factory=Counter)
    first: dict[str, str] = msgspec.field(default_factory=dict)

    def differ(self, what: str, example: str) -> None:
        self.differences[what] += 1
        self.first.setdefault(what, example)


class _Frame(msgspec.Struct):
    """What the simulator's front end did in one frame."""

    sent: list[Frame]
    set_points_a: list[float]
    digital_out: int


def compare(program: Path, frames: int, seed: int) -> FrameComparison:
    """At least so many frames, in trials of FRAMES_A_TRIAL."""
    result = FrameComparison()
    trial = 0
    while result.frames < frames:
        script, done, counters = play(seed, trial)
        _judge(done, script.run(program), counters, result, trial)
        result.frames += FRAMES_A_TRIAL
        trial += 1
    return result


def _setup(rnd: random.Random) -> Setup:
    base = tarnhow(rnd.randrange(1000))
    board = replace(
        base.front_end,
        frame_hz=rnd.choice([500, 1000]),  # below, a board's ramp goes in finer steps than frames
        tick_start=rnd.choice([0, 2**32 - 400_000, 2**31 - 300_000]),
        ease_off_s=rnd.choice([0.5, 2.0, 3.0, 7.3]),
    )
    return replace(base, front_end=board)


def _host_bytes(rnd: random.Random, state: dict[str, int], chain: bool, frame: int) -> bytes:
    """What a host, good or bad, sends in one frame."""
    data = b""
    if frame == 3 or rnd.random() < 0.003:
        state["session"] = rnd.getrandbits(32) | 1
        data += encode(AskIdentity(state["session"]))
    if rnd.random() < 0.002:
        data += encode(AskIdentity(0))
    quiet = (frame // 120) % 3 == 2
    if state["session"] and not quiet and rnd.random() < 0.95:
        state["sequence"] = (
            state["sequence"] + rnd.choice([1, 1, 1, 1, 1, 0, 2, 32767, 32768])
        ) & 0xFFFF
        top = rnd.choice([500, 3000, 6000])
        currents = tuple(rnd.choice([0, 1, top // 3, top]) for _ in range(4))
        if rnd.random() < 0.05:
            currents = rnd.choice([(6001, 0, 0, 0), (100,) * 3, (100,) * 5, ()])
        if rnd.random() < (0.5 if not chain else 0.02):
            currents = (0, 0, 0, 0)
        session = state["session"] if rnd.random() < 0.97 else rnd.choice([0, 5])
        validity_ms = rnd.choice([100, 100, 100, 20, 1, 2000, 2001, 0])
        point = SetPoint(session, state["sequence"], validity_ms, rnd.getrandbits(8), currents)
        data += encode(point) * (2 if rnd.random() < 0.02 else 1)
    if rnd.random() < 0.05:
        data += encode(AskTime(rnd.getrandbits(32)))
    if rnd.random() < 0.02:
        data += encode(Notice(1, 2, 3))  # an echo
    if data and rnd.random() < 0.03:
        spoiled = bytearray(data)
        spoiled[rnd.randrange(len(spoiled))] ^= 1 << rnd.randrange(8)
        data = bytes(spoiled[: rnd.randrange(len(spoiled)) + 1])
    return data


def play(seed: int, trial: int) -> tuple[Script, list[_Frame], WireCounters]:
    """One trial on the simulator's front end: what it was given, what it did, its counters."""
    rnd = random.Random(f"{seed}/{trial}")
    setup = _setup(rnd)
    theirs = FrontEnd(setup, trial)
    script = Script()
    script.boot(record_of(setup), theirs.boot_id, int(theirs.cause), theirs.ticks)
    deframer = Deframer(Direction.FROM_FRONT_END)
    done: list[_Frame] = [_Frame(list(deframer.feed(theirs.flush())), [0.0] * 4, 0)]
    state = {"session": 0, "sequence": 0}
    chain, coils = True, [0.0] * 4
    for frame in range(FRAMES_A_TRIAL):
        data = _host_bytes(rnd, state, chain, frame)
        theirs.receive(data)
        script.receive(data, theirs.ticks)
        if rnd.random() < 0.004:
            chain = not chain
        theirs.chain_closed = chain
        digital = int(chain) | 2
        set_points = list(theirs.supplies(1.0 / setup.front_end.frame_hz))
        script.permit(theirs.ticks, digital)
        coils = [
            round(flows + (asked - flows) * COIL_SHARE, 2)
            for flows, asked in zip(coils, set_points, strict=True)
        ]
        measured = [round(each / STEP_A) for each in coils]
        sample = _sample(rnd, theirs, script, digital, measured)
        sent = list(deframer.feed(theirs.flush() + encode(sample)))
        done.append(_Frame(sent, set_points, theirs.digital_out))
    script.count()
    return script, done, theirs._deframer.counters


def _sample(
    rnd: random.Random, theirs: FrontEnd, script: Script, digital: int, measured: list[int]
) -> Sample:
    start = theirs.ticks
    step = theirs.board.tick_hz // theirs.board.frame_hz
    edges = []
    for wheel in range(3):
        n = rnd.choice([0, 3, 10, 64, 70, 90]) if rnd.random() < 0.05 else rnd.randrange(4)
        ticks = sorted(rnd.sample(range(start + 1, start + step + 1), n))
        edges.append(ticks)
        if ticks:
            script.change(wheel, *(tick for each in ticks for tick in (each, each)))
        script.close(wheel, start + step)
    counts = [rnd.choice([rnd.randint(-(1 << 23), (1 << 23) - 1), 0, -1]) for _ in range(4)]
    flags = [rnd.choice([0, 0, 1, 2, 4]) for _ in range(4)]
    sample = theirs.sample(edges, counts, flags, measured)
    script.measured(measured)
    script.sample(theirs.ticks, digital, counts, flags)
    return sample


def _judge(
    done: list[_Frame],
    replies: list[Reply],
    counters: WireCounters,
    result: FrameComparison,
    trial: int,
) -> None:
    deframer = Deframer(Direction.FROM_FRONT_END)
    ours: list[_Frame] = []
    sent: list[Frame] = []
    points: tuple[int, ...] = ()
    out = 0
    for reply in replies:
        sent += deframer.feed(reply.line)
        if reply.what == "C":
            ours.append(_Frame(sent, [0.0] * 4, 0))
            sent = []
        elif reply.what == "P":
            points, out = reply.set_points, reply.digital_out
        elif reply.what == "S":
            ours.append(_Frame(sent, [step * STEP_A for step in points[:4]], out))
            sent = []
    if deframer.counters.damaged:
        result.differ("damage in our own frames", f"{trial}: {deframer.counters}")
    if replies[-1].counters != counters:
        result.differ("counters", f"{trial}: {replies[-1].counters} {counters}")
    for at, (mine, other) in enumerate(zip(ours, done, strict=True)):
        where = f"trial {trial} frame {at}: "
        for kind in ("SetPoint", "Hello", "Sample", "Time", "Notice"):
            a = [_plain(each) for each in mine.sent if type(each).__name__ == kind]
            b = [_plain(each) for each in other.sent if type(each).__name__ == kind]
            if kind == "Notice":
                a, b = sorted(a), sorted(b)
            if a != b:
                result.differ(kind.lower(), f"{where}{a} | {b}")
        steps = zip(mine.set_points_a, other.set_points_a, strict=True)
        if any(abs(a - b) > STEP_A for a, b in steps):
            result.differ("set points", f"{where}{mine.set_points_a} | {other.set_points_a}")
        if mine.digital_out != other.digital_out:
            result.differ("digital out", f"{where}{mine.digital_out} | {other.digital_out}")


def _plain(frame: Frame) -> str:
    """A frame without what is the board's own: its name, its hash, the tick of a notice."""
    if isinstance(frame, Hello):
        frame = msgspec.structs.replace(frame, firmware="", config_hash=0, tick=0)
    if isinstance(frame, Notice):
        frame = msgspec.structs.replace(frame, tick=0)
    return repr(frame)
