"""Made-up tooth wheels and motions for the measuring tests: exact edge times, then disturbances.

Independent of the simulator: closed-form motion, seeded noise, whole microsecond ticks.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from daq.measure.speed.estimator import WheelBank, WheelConfig
from daq.rig.description import Rig, load_rig
from daq.wire.frames import Channel, ChannelKind, Hello, ResetCause, Sample

TICK_HZ = 1_000_000
FRAME_TICKS = 2000
TEETH = 60
PITCH_M = math.pi / TEETH  # roll radius 0.5 m
RIG_FILE = Path(__file__).parents[2] / "rigs" / "tarnhow.toml"


def wheel_offsets(seed: int, pitch_error: float = 1e-3, run_out: float = 0.0) -> np.ndarray:
    """True tooth offsets in pitches: random pitches plus once-per-turn run-out, mean zero."""
    rng = np.random.default_rng(seed)
    pitches = rng.normal(0.0, pitch_error, TEETH)
    offsets = np.cumsum(pitches - pitches.mean())
    offsets += run_out * np.sin(2 * math.pi * np.arange(TEETH) / TEETH + 1.0)
    return offsets - offsets.mean()


def accelerated(speed: float, accel: float) -> Callable[[np.ndarray], np.ndarray]:
    """Time at which a uniformly accelerated roll has travelled x metres."""
    if accel == 0.0:
        return lambda x: x / speed
    return lambda x: (np.sqrt(speed**2 + 2 * accel * x) - speed) / accel


def edge_ticks(
    when: Callable[[np.ndarray], np.ndarray],
    count: int,
    seed: int = 0,
    jitter_s: float = 3e-6,
    offsets: np.ndarray | None = None,
    first_tooth: int = 0,
    start_s: float = 0.0,
) -> np.ndarray:
    """Ticks of edges 1..count of a wheel that starts with tooth `first_tooth` just passed."""
    rng = np.random.default_rng(seed)
    index = np.arange(1, count + 1)
    place = index.astype(float)
    if offsets is not None:
        place = place + offsets[(first_tooth + index) % len(offsets)]
    times = start_s + when(place * PITCH_M) + rng.normal(0.0, jitter_s, count)
    return np.sort(np.floor(times * TICK_HZ).astype(np.int64))


class Bench:
    """Feeds a wheel bank frame by frame, as the front end would."""

    def __init__(self, teeth: int = TEETH, start_tick: int = 0, total: int = 0) -> None:
        self.bank = WheelBank((WheelConfig(teeth, PITCH_M),), TICK_HZ)
        self.now = start_tick
        self.total = total
        self.rows: list[tuple[float, ...]] = []

    def run(
        self, ticks: np.ndarray, frames: int, lose: Callable[[int], bool] = lambda _frame: False
    ) -> np.ndarray:
        """Run frames; `ticks` are 64-bit. Returns rows (time in s, outputs...) of this run."""
        rows = []
        passed = int(np.searchsorted(ticks, self.now, side="right"))
        for frame in range(frames):
            self.now += FRAME_TICKS
            upto = int(np.searchsorted(ticks, self.now, side="right"))
            arrived = tuple(int(tick) & 0xFFFFFFFF for tick in ticks[passed:upto])
            self.total += upto - passed
            passed = upto
            if lose(frame):
                continue
            out = self.bank.update(self.now, (self.total & 0xFFFF,), (arrived,), (0,))
            rows.append((self.now / TICK_HZ, *out[0].tolist()))
        self.rows = rows
        return np.array(rows)


def tarnhow() -> Rig:
    return load_rig(RIG_FILE)


def hello_for(rig: Rig, without: Sequence[str] = (), tick: int = 0) -> Hello:
    """A front end with every channel the rig names, less those left out."""
    kind = ChannelKind
    channels = [Channel(kind.WHEEL, roll_set.wheel) for roll_set in rig.roll_sets]
    if rig.engine.wheel:
        channels.append(Channel(kind.WHEEL, rig.engine.wheel))
    channels += [Channel(kind.CONVERTER, a.cell.converter) for a in rig.absorbers]
    channels += [Channel(kind.OUTPUT, a.output) for a in rig.absorbers]
    inputs = ("stop-chain", "tie-downs", "fan-front-turns", "fan-rear-turns")
    channels += [Channel(kind.DIGITAL_IN, name) for name in inputs]
    channels += [Channel(kind.SLOW, c.name, c.unit) for c in rig.slow if not c.topic]
    kept = tuple(channel for channel in channels if channel.name not in without)
    return Hello(
        1, 0, ResetCause.POWER_ON, TICK_HZ, rig.frame_hz, 11, 7, 0, tick, "test board", kept
    )


class FrontEnd:
    """Makes sample frames of the demo rig from edge ticks per wheel and cell forces."""

    def __init__(self, rig: Rig, seed: int = 5) -> None:
        self.rig = rig
        self.rng = np.random.default_rng(seed)
        self.now = 0
        self.sequence = 0
        wheels = len(rig.roll_sets) + (1 if rig.engine.wheel else 0)
        self.ticks: list[np.ndarray] = [np.zeros(0, np.int64)] * wheels
        self.passed = [0] * wheels
        self.forces_n = [0.0] * len(rig.absorbers)  # braking positive
        self.zero_counts = [0.0] * len(rig.absorbers)
        self.noise_n = 0.25
        self.flags = [0] * len(rig.absorbers)
        self.currents = [0] * len(rig.absorbers)
        self.digital = 3
        self.frozen: dict[int, int] = {}

    def counts(self) -> tuple[int, ...]:
        made = []
        for place, absorber in enumerate(self.rig.absorbers):
            cell = absorber.cell
            per_n = 2**23 / cell.full_scale_mv_per_v / cell.newton_per_mv_per_v
            force = self.forces_n[place] + self.noise_n * self.rng.standard_normal()
            count = round(absorber.arm_sign * force * per_n + self.zero_counts[place])
            made.append(max(min(self.frozen.get(place, count), 2**23 - 1), -(2**23)))
        return tuple(made)

    def sample(self) -> Sample:
        self.now += FRAME_TICKS
        edges = []
        for wheel, ticks in enumerate(self.ticks):
            upto = int(np.searchsorted(ticks, self.now, side="right"))
            edges.append(tuple(int(t) & 0xFFFFFFFF for t in ticks[self.passed[wheel] : upto]))
            self.passed[wheel] = upto
        self.sequence += 1
        return Sample(
            self.sequence - 1,
            self.now & 0xFFFFFFFF,
            1,
            100,
            0,
            self.digital,
            tuple(passed & 0xFFFF for passed in self.passed),
            tuple(edges),
            self.counts(),
            tuple(self.flags),
            tuple(self.currents),
        )
