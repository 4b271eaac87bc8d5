"""Roll speed from tooth edges, against the bound of physics and against two simple yardsticks.

Edges of a 60-tooth wheel (0.1 % pitch error, 3 us edge jitter, 1 us timer) at 3, 20 and 50 m/s,
steady and at 3 m/s2. Compared, in the same run and on the same edges:

- causal: the chain's estimator at its declared delay, against true speed at frame time minus delay,
  once the tooth offsets are learned (learning run at 20 m/s before each case);
- bound: Cramer-Rao bound of speed at that same instant from the same edges, motion uniformly
  accelerated with unknown speed and acceleration, true edge noise, true tooth positions known;
- gate: edges counted in the last 0.1 s, against true speed in the middle of that gate;
- single: pitch over the newest single period, against true speed in the middle of that period;
- smoother: the acausal estimate of daq.measure.speed.smoother, against true speed, no delay.

Every figure is the root mean square error (bias included) in m/s; bias is given beside it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt

from bench.support.common import Options, run_bench
from daq.measure.speed.edges import HELD, KNOWN
from daq.measure.speed.estimator import DELAY_S, MIN_EDGES, SPEED, WINDOW_S, WheelBank, WheelConfig
from daq.measure.speed.smoother import EdgeTrack, smooth

Array = npt.NDArray[np.float64]

TEETH = 60
ROLL_RADIUS_M = 0.5
PITCH_M = 2.0 * math.pi * ROLL_RADIUS_M / TEETH
TICK_HZ = 1_000_000
JITTER_S = 3e-6
PITCH_ERROR = 1e-3  # standard deviation of one pitch, relative
FRAME_TICKS = 2000
GATE_S = 0.1
LEARN_MPS = 20.0


class Wheel:
    """A wheel with its true tooth offsets (pitches), and the edges of a motion."""

    def __init__(self, rng: np.random.Generator) -> None:
        pitches = rng.normal(0.0, PITCH_ERROR, TEETH)
        offsets = np.cumsum(pitches - pitches.mean())
        self.offsets: Array = offsets - offsets.mean()
        self.rng = rng

    def edges(self, start_tooth: int, speed: float, accel: float, seconds: float) -> Array:
        """True edge times from t = 0, position 0, without noise."""
        travel = speed * seconds + 0.5 * accel * seconds**2
        index = np.arange(1, int(travel / PITCH_M))
        x = (index + self.offsets[(start_tooth + index) % TEETH]) * PITCH_M
        if accel == 0.0:
            return np.asarray(x / speed)
        return np.asarray((np.sqrt(speed**2 + 2.0 * accel * x) - speed) / accel)


def _bound(times: Array, at: float, speed: float, accel: float) -> float:
    """Cramer-Rao bound of speed at `at` from edges at `times`, quadratic motion, m/s."""
    tau = times - at
    sigma = (speed + accel * times) * math.sqrt(JITTER_S**2 + (1.0 / TICK_HZ) ** 2 / 12.0)
    design = np.stack([np.ones_like(tau), tau, 0.5 * tau**2], axis=1) / sigma[:, None]
    return float(math.sqrt(np.linalg.inv(design.T @ design)[1, 1]))


def _feed(
    bank: WheelBank, ticks: npt.NDArray[np.int64], start: int, total: int, frames: int
) -> Iterator[tuple[int, Array, int]]:
    """Yield (frame tick, row of outputs, edges passed) frame by frame."""
    passed = 0
    for frame in range(1, frames + 1):
        now = start + frame * FRAME_TICKS
        upto = int(np.searchsorted(ticks, now, side="right"))
        arrived = tuple(int(tick) & 0xFFFFFFFF for tick in ticks[passed:upto])
        passed = upto
        rows = bank.update(now, ((total + upto) & 0xFFFF,), (arrived,), (0,))
        yield now, rows[0], upto


def _case(
    wheel: Wheel, speed: float, accel: float, seconds: float, learn_s: float
) -> dict[str, float]:
    rng = wheel.rng
    bank = WheelBank((WheelConfig(TEETH, PITCH_M),), TICK_HZ)
    # learn the wheel at a steady middle speed
    clean = wheel.edges(0, LEARN_MPS, 0.0, learn_s)
    ticks = np.sort(np.floor((clean + rng.normal(0.0, JITTER_S, len(clean))) * TICK_HZ))
    frames = int((clean[-1] - 0.01) * TICK_HZ / FRAME_TICKS)
    *_, (start, _, first) = _feed(bank, ticks.astype(np.int64), 0, 0, frames)
    learned = bank.learners[0]
    # the case: the motion begins afresh at this tick, the wheel keeps its phase
    bank.state[0, HELD] = 0
    bank.motion[0, KNOWN] = 0.0
    offset_error = float(np.std(learned.used - wheel.offsets))
    clean = wheel.edges(first, speed, accel, seconds)
    seen = np.sort(np.floor((clean + rng.normal(0.0, JITTER_S, len(clean))) * TICK_HZ))
    ticks = seen.astype(np.int64) + start
    bank_total = first
    causal: list[float] = []
    bound: list[float] = []
    gate: list[float] = []
    single: list[float] = []
    settle = max(0.3, 6.5 * PITCH_M / speed)
    frames = int((clean[-1] - 0.05) * TICK_HZ / FRAME_TICKS)
    for now, row, upto in _feed(bank, ticks, start, bank_total, frames):
        t = (now - start) / TICK_HZ
        if t < settle:
            continue
        at = t - DELAY_S
        causal.append(float(row[SPEED]) - (speed + accel * at))
        window = int(np.searchsorted(ticks[:upto], now - WINDOW_S * TICK_HZ))
        window = min(window, upto - MIN_EDGES)
        bound.append(_bound(clean[window:upto], at, speed, accel))
        lower = int(np.searchsorted(ticks[:upto], now - GATE_S * TICK_HZ))
        middle = speed + accel * (t - 0.5 * GATE_S)
        gate.append((upto - lower) * PITCH_M / GATE_S - middle)
        period = (ticks[upto - 1] - ticks[upto - 2]) / TICK_HZ
        middle = (ticks[upto - 1] + ticks[upto - 2] - 2 * start) / 2 / TICK_HZ
        single.append(PITCH_M / period - (speed + accel * middle))
    track = EdgeTrack(
        (ticks - start) / TICK_HZ,
        np.arange(1, len(ticks) + 1) + first,
        learned.used.copy(),
        learned.sigma,
        TEETH,
        PITCH_M,
    )
    query = np.arange(settle, clean[-1] - 0.3, FRAME_TICKS / TICK_HZ)
    smoothed = smooth(track, query, JITTER_S)
    late = smoothed.speed - (speed + accel * query)

    def rms(errors: Any) -> float:
        return float(np.sqrt(np.mean(np.square(errors))))

    return {
        "speed_mps": speed,
        "accel_mps2": accel,
        "causal_rms_mps": rms(causal),
        "causal_bias_mps": float(np.mean(causal)),
        "bound_mps": rms(bound),
        "gate_rms_mps": rms(gate),
        "single_rms_mps": rms(single),
        "smoother_rms_mps": rms(late),
        "smoother_bias_mps": float(np.mean(late)),
        "smoother_said_mps": float(np.mean(smoothed.speed_sigma)),
        "causal_over_bound": rms(causal) / rms(bound),
        "gate_over_causal": rms(gate) / rms(causal),
        "single_over_causal": rms(single) / rms(causal),
        "offset_error_pitches": offset_error,
        "learned_turns": float(learned.blocks * learned.turns),
    }


def measure(options: Options) -> dict[str, Any]:
    """All six cases; several wheels each unless quick."""
    rng = np.random.default_rng(options.seed)
    wheels = 1 if options.quick else 5
    seconds = 6.0 if options.quick else 12.0
    cases: list[dict[str, float]] = []
    for speed in (3.0, 20.0, 50.0):
        for accel in (0.0, 3.0):
            runs = [_case(Wheel(rng), speed, accel, seconds, learn_s=16.0) for _ in range(wheels)]
            merged = {
                key: float(np.sqrt(np.mean([run[key] ** 2 for run in runs])))
                if key.endswith("_rms_mps") or key == "bound_mps"
                else float(np.mean([run[key] for run in runs]))
                for key in runs[0]
            }
            for over, under, key in (
                ("causal_rms_mps", "bound_mps", "causal_over_bound"),
                ("gate_rms_mps", "causal_rms_mps", "gate_over_causal"),
                ("single_rms_mps", "causal_rms_mps", "single_over_causal"),
            ):
                merged[key] = merged[over] / merged[under]
            cases.append(merged)
    return {
        "causal_over_bound": max(case["causal_over_bound"] for case in cases),
        "gate_over_causal": min(case["gate_over_causal"] for case in cases),
        "single_over_causal": min(case["single_over_causal"] for case in cases),
        "delay_ms": DELAY_S * 1e3,
        "window_ms": WINDOW_S * 1e3,
        "wheels_per_case": wheels,
        "cases": cases,
    }


if __name__ == "__main__":
    run_bench("speed", measure)
