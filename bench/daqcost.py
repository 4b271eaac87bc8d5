"""What the measuring chain costs per frame, and whether its memory stays flat.

A recorded-like stream of the demo rig (two roll sets, engine pickup, four load cells, eight slow
channels ten times a second) at 500 frames/s and about 25 m/s, speeding up and slowing down. Timed:
decoding each sample frame from its bytes, and `Chain.update`; the frames are made beforehand.
`rss_growth_mb_per_h` is the growth of resident memory over a simulated hour after warming up.
"""

from __future__ import annotations

import math
import time
from pathlib import Path
from typing import Any

import numpy as np

from bench.support.common import Options, rss_mb, run_bench
from daq.measure.chain import Chain
from daq.rig.description import Rig, load_rig
from daq.wire.codec import decode, encode
from daq.wire.frames import Channel, ChannelKind, Hello, ResetCause, Sample, Slow

RIG_FILE = Path(__file__).parents[1] / "rigs" / "tarnhow.toml"
TICK_HZ = 1_000_000
FRAME_TICKS = 2000
LOOP_FRAMES = 20_000  # of traffic made beforehand and run through again and again
SLOW_EVERY = 50


def _hello(rig: Rig) -> Hello:
    kind = ChannelKind
    channels = [Channel(kind.WHEEL, roll_set.wheel) for roll_set in rig.roll_sets]
    channels.append(Channel(kind.WHEEL, rig.engine.wheel))
    channels += [Channel(kind.CONVERTER, a.cell.converter) for a in rig.absorbers]
    channels += [Channel(kind.OUTPUT, a.output) for a in rig.absorbers]
    inputs = ("stop-chain", "tie-downs", "fan-front-turns", "fan-rear-turns")
    channels += [Channel(kind.DIGITAL_IN, name) for name in inputs]
    channels += [Channel(kind.SLOW, channel.name, channel.unit) for channel in rig.slow]
    return Hello(
        1, 0, ResetCause.POWER_ON, TICK_HZ, 500, 1, 1, 0, 0, "bench board", tuple(channels)
    )


def _traffic(rig: Rig, frames: int, seed: int) -> tuple[list[Sample], float]:
    """Frames whose edges go on smoothly when the list starts again, and edges per frame."""
    rng = np.random.default_rng(seed)
    seconds = frames * FRAME_TICKS / TICK_HZ
    t = np.arange(0, seconds, 1e-4)
    speed = 25.0 + 10.0 * np.sin(2 * math.pi * t / seconds)
    pitch = 2 * math.pi * rig.roll_sets[0].roll_radius_m / rig.roll_sets[0].teeth
    wheels = []
    for per_second in (speed / pitch, speed / pitch, 8.0 * speed / (2 * math.pi) * 2.0):
        passed = np.concatenate([[0.0], np.cumsum(per_second)[:-1] * 1e-4])
        edges = np.interp(np.arange(1, int(passed[-1])), passed, t)
        edges += rng.normal(0.0, 3e-6, len(edges))
        wheels.append(np.sort(np.floor(edges * TICK_HZ).astype(np.int64)))
    per_n = [
        a.arm_sign * 2**23 / a.cell.full_scale_mv_per_v / a.cell.newton_per_mv_per_v
        for a in rig.absorbers
    ]
    made = []
    places = [0, 0, 0]
    for frame in range(frames):
        now = (frame + 1) * FRAME_TICKS
        edges_now = []
        for w, ticks in enumerate(wheels):
            upto = int(np.searchsorted(ticks, now, side="right"))
            edges_now.append(tuple(int(tick) for tick in ticks[places[w] : upto]))
            places[w] = upto
        counts = tuple(round((800.0 + rng.normal(0.0, 0.3)) * n) for n in per_n)
        made.append(
            Sample(
                frame, now, 1, 100, 0, 3, tuple(place & 0xFFFF for place in places),
                tuple(edges_now), counts, (0, 0, 0, 0), (1000, 1001, 999, 1000),
            )
        )  # fmt: skip
    return made, sum(places) / frames


def _shifted(sample: Sample, turn: int, frames: int, totals: tuple[int, ...]) -> Sample:
    """The same frame in a later round of the loop."""
    ahead = turn * frames * FRAME_TICKS
    return Sample(
        (sample.sequence + turn * frames) & 0xFFFFFFFF,
        (sample.tick + ahead) & 0xFFFFFFFF,
        sample.permission,
        sample.permission_left_ms,
        sample.last_set_point,
        sample.digital,
        tuple(
            (total + turn * per_turn) & 0xFFFF
            for total, per_turn in zip(sample.edge_totals, totals, strict=True)
        ),
        tuple(tuple((tick + ahead) & 0xFFFFFFFF for tick in wheel) for wheel in sample.edges),
        sample.counts,
        sample.flags,
        sample.currents,
    )


def measure(options: Options) -> dict[str, Any]:
    """Cost per frame (median of rounds) and memory growth."""
    rig = load_rig(RIG_FILE)
    chain = Chain(rig, _hello(rig))
    frames = LOOP_FRAMES
    made, edges_per_frame = _traffic(rig, frames, options.seed)
    totals = tuple(
        sum(len(sample.edges[wheel]) for sample in made) for wheel in range(len(made[0].edges))
    )
    slow = tuple((place, 20.0 + place) for place in range(len(rig.slow)))
    clock = time.perf_counter
    rounds = 5 if options.quick else 12
    costs: list[float] = []
    decoding: list[float] = []
    spent: list[float] = []
    turn = 0
    for turn in range(rounds):
        bodies = [
            encode(_shifted(sample, turn, frames, totals))[:-1] for sample in made
        ]  # without the delimiter, as the deframer hands them on
        start = clock()
        for body in bodies:
            decode(body)
        middle = clock()
        cpu = time.thread_time()
        for number, body in enumerate(bodies):
            frame = decode(body)
            if isinstance(frame, Sample):
                measured = chain.update(frame)
                if number % SLOW_EVERY == 0:
                    chain.slow(Slow(frame.tick, slow))
        end = clock()
        cpu_end = time.thread_time()
        if turn > 0:
            decoding.append((middle - start) / frames * 1e6)
            costs.append((end - middle) / frames * 1e6)
            spent.append((cpu_end - cpu) / frames * 1e6)
        del bodies
    # memory: go on without timing until a simulated hour (quick: ten minutes) has passed
    hours = 1.0 if not options.quick else 1.0 / 6.0
    turns = math.ceil(hours * 3600.0 * 500.0 / frames)
    before = rss_mb()
    for extra in range(turns):
        for number, sample in enumerate(made):
            later = _shifted(sample, turn + 1 + extra, frames, totals)
            measured = chain.update(later)
            if number % SLOW_EVERY == 0:
                chain.slow(Slow(later.tick, slow))
    growth = rss_mb() - before
    simulated_h = turns * frames / 500.0 / 3600.0
    return {
        "us_per_frame": float(np.median(costs)),
        "us_per_frame_best": min(costs),
        "cpu_us_per_frame": float(np.median(spent)),  # without waiting for a busy machine
        "us_decode": float(np.median(decoding)),
        "rss_growth_mb_per_h": growth / simulated_h,
        "simulated_h": simulated_h,
        "edges_per_frame": edges_per_frame,
        "roll_sets": len(rig.roll_sets),
        "load_cells": len(rig.absorbers),
        "slow_channels": len(rig.slow),
        "last_speed_mps": measured.roll_sets[0].speed.value,
        "last_quality": measured.roll_sets[0].power.quality.value,
    }


if __name__ == "__main__":
    run_bench("daqcost", measure)
