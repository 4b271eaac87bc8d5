"""Seeded mutational fuzzing of the wire: both directions, never an exception, never a stall.

Starts from the frames of a running simulated rig and from the golden vectors, and damages them:
bits flipped, bytes cut, doubled, moved, spliced, lengths lied about, and sound frames with wild
contents. No coverage guides this part: it is a plain seeded fuzzer and says so. Whatever survives
the deframer goes through a core, as it would at the rig. Memory is looked at all the way: growth
over the second half tells a leak from what settles. The part `guided` lets coverage guide it
(bench.fuzz.guided), where the package atheris is installed. `--quick` takes 20 s and half of it
guided; otherwise ten minutes each.
"""

from __future__ import annotations

import importlib.util
import random
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any, cast

from bench.fuzz.corpus import corpus
from bench.support.common import Options, rss_mb, run_bench
from control.core.core import Core
from daq.errors import WireError
from daq.rig.description import load_rig
from daq.wire.codec import decode, encode
from daq.wire.deframer import Deframer, Direction, WireCounters
from daq.wire.frames import AskIdentity, FromFrontEnd, Hello, Sample
from simulator.plant import Plant

ROOT = Path(__file__).parents[2]
RIG = ROOT / "rigs" / "tarnhow.toml"
SECONDS, QUICK_S = 600.0, 20.0
SLOW_S = 1.0  # one step may not take longer


def damaged(chance: random.Random, frames: list[bytes]) -> bytes:
    """One frame, hurt in one to four ways."""
    data = bytearray(chance.choice(frames))
    for _ in range(chance.randint(1, 4)):
        if not data:
            data = bytearray(chance.choice(frames))
        at = chance.randrange(len(data))
        kind = chance.randrange(8)
        if kind == 0:
            data[at] ^= 1 << chance.randrange(8)
        elif kind == 1:
            data[at] = chance.choice((0, 1, 0x7F, 0x80, 0xFF))
        elif kind == 2:
            del data[at : at + chance.randint(1, 40)]
        elif kind == 3:
            data[at:at] = chance.randbytes(chance.randint(1, 60))
        elif kind == 4:
            other = chance.choice(frames)
            data[at:] = other[chance.randrange(len(other)) :]
        elif kind == 5:
            data[at:at] = data[at : at + chance.randint(1, 30)]
        elif kind == 6:
            data = bytearray(chance.randbytes(chance.randint(0, 3000)))
        else:
            data[at:at] = b"\0" * chance.randint(1, 5)
    return bytes(data)


def wild(chance: random.Random, last: Sample) -> bytes:
    """A sample with a sound frame around senseless contents: what a defective board would send."""

    def word(top: int) -> int:
        return chance.choice((0, 1, top, top // 2, chance.randint(0, top)))

    edges = tuple(tuple(word(0xFFFFFFFF) for _ in range(chance.randint(0, 5))) for _ in last.edges)
    return encode(
        Sample(
            word(0xFFFFFFFF), word(0xFFFFFFFF), word(3), word(0xFFFF), word(0xFFFF), word(0xFFFF),
            tuple(word(0xFFFF) for _ in last.edge_totals), edges,
            tuple(word(0x7FFFFF) - word(0x7FFFFF) for _ in last.counts),
            tuple(word(7) for _ in last.flags), tuple(word(0xFFFF) for _ in last.currents),
        )
    )  # fmt: skip


def guided(seconds: int, seed: int) -> dict[str, Any]:
    """What coverage finds in `seconds`; None everywhere when atheris is not installed."""
    found: dict[str, Any] = dict.fromkeys(
        ("guided_inputs", "guided_coverage", "guided_crashes", "guided_rss_mb"), None
    )
    if importlib.util.find_spec("atheris") is None:
        return found
    with tempfile.TemporaryDirectory(prefix="drumlin-fuzz-") as folder:
        done = subprocess.run(
            [sys.executable, "-m", "bench.fuzz.guided", "--seconds", str(seconds),
             "--seed", str(seed), folder],
            check=False, capture_output=True, text=True, errors="replace",
        )  # fmt: skip
    said = done.stderr
    for name, pattern in (
        ("guided_inputs", r"stat::number_of_executed_units: (\d+)"),
        ("guided_rss_mb", r"stat::peak_rss_mb: +(\d+)"),
        ("guided_coverage", r"DONE +cov: (\d+)"),
    ):
        match = re.search(pattern, said)
        found[name] = int(match.group(1)) if match else None
    found["guided_crashes"] = int(done.returncode != 0)
    if done.returncode:
        found["guided_told"] = said[-2000:]
    return found


def measure(options: Options) -> dict[str, Any]:
    """Both parts, or the one asked for."""
    told: dict[str, Any] = {"part": options.part}
    if options.part in ("", "plain"):
        told |= plain(QUICK_S if options.quick else SECONDS, options.seed)
    if options.part in ("", "guided"):
        told |= guided(round(QUICK_S / 2 if options.quick else SECONDS), options.seed)
    return told


def plain(seconds: float, seed: int) -> dict[str, Any]:
    """Feed until the time is over; every exception is a crash, every slow step a stall."""
    chance = random.Random(seed)
    frames = corpus(seed)
    rig = load_rig(RIG)
    counters = WireCounters()
    ours = Deframer(Direction.FROM_FRONT_END, None, counters)
    theirs = Deframer(Direction.TO_FRONT_END)
    plant = Plant(seed=seed)
    core = Core(rig)
    core.step(None, (), 0.0)
    plant.receive(encode(AskIdentity(core.session.number)))
    began_s = time.perf_counter()
    until_s = began_s + seconds
    memory: list[tuple[float, float]] = []
    inputs = steps = crashes = stalls = 0
    told: list[str] = []
    before_mb = rss_mb()
    now_s = 0.0
    last: Sample | None = None
    while time.perf_counter() < until_s:
        inputs += 1
        if inputs % 2000 == 0:
            memory.append(((time.perf_counter() - began_s) / 3600.0, rss_mb()))
        sound = plant.advance() if chance.random() < 0.5 else b""
        hurt = wild(chance, last) if last and chance.random() < 0.2 else damaged(chance, frames)
        step_began_s = time.perf_counter()
        try:
            theirs.feed(hurt)
            plant.receive(hurt)
            for raw in hurt.split(b"\0"):
                try:
                    decode(raw)
                except WireError:
                    continue
            for frame in ours.feed(sound + hurt):
                now_s += 0.002
                steps += 1
                if isinstance(frame, Sample):
                    last = frame
                step = core.step(cast(FromFrontEnd, frame), (), now_s)
                for question in step.send:
                    plant.receive(encode(question))
                if step.set_point is not None:
                    plant.receive(encode(step.set_point))
                if isinstance(frame, Hello):
                    core.telemetry()
        except Exception as error:  # that is what is looked for
            crashes += 1
            if len(told) < 10:
                told.append(f"{error!r}: {hurt.hex()[:400]}")
            core = Core(rig)
        if time.perf_counter() - step_began_s > SLOW_S:
            stalls += 1
    late = memory[len(memory) // 2 :]
    settled_mb = late[0][1] if late else float("nan")
    return {
        "inputs": inputs,
        "core_steps": steps,
        "damaged_frames": counters.damaged,
        "crashes": crashes,
        "stalls": stalls,
        "rss_growth_mb": rss_mb() - before_mb,
        "rss_growth_second_half_mb": rss_mb() - settled_mb,
        "rss_mb_by_minute": [round(mb, 2) for _, mb in memory[:: max(1, len(memory) // 20)]],
        "told": told,
    }


if __name__ == "__main__":
    run_bench("fuzz", measure, parts=("plain", "guided"))
