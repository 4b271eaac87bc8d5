"""The compiled way of a sample and the one through its fields lead to the same numbers."""

from __future__ import annotations

import numpy as np
import pytest

from daq.measure.chain import Chain
from daq.measure.sensor_kernel import read_sample
from daq.measure.speed.estimator import DELAY_S
from daq.wire.deframer import Deframer, Direction
from daq.wire.frames import CURRENT_STEP_A, MAX_EDGES_PER_FRAME, Hello, Sample
from tests.replay.recorded_runs import Frames, load_frames, rig_of

RUNS = load_frames()


def received(run: Frames) -> tuple[Hello, list[Sample]]:
    """The greeting in force and the samples of a recorded run."""
    frames = Deframer(Direction.FROM_FRONT_END).feed(run.received)
    greetings = [frame for frame in frames if isinstance(frame, Hello)]
    return greetings[-1], [frame for frame in frames if isinstance(frame, Sample)]


@pytest.mark.parametrize("run", RUNS, ids=[run.name for run in RUNS])
def test_the_kernel_reads_from_every_recorded_sample_what_its_fields_say(run: Frames) -> None:
    _, samples = received(run)
    count = len(samples[0].counts)
    wheels, cells = np.array([2, 0], np.int64), np.arange(count)[::-1].copy()
    arrivals = np.zeros(2 * (2 + MAX_EDGES_PER_FRAME), np.int64)
    counts, coils_a = np.zeros(2 * count, np.int64), np.zeros(count)
    for sample in samples:
        flows = read_sample(sample.body, wheels, cells, cells, arrivals, counts, coils_a)
        told: list[int] = []
        for wheel in wheels:
            ticks = sample.edges[wheel]
            told += (sample.edge_totals[wheel], len(ticks), *ticks)
        assert arrivals[: len(told)].tolist() == told
        assert counts[0::2].tolist() == list(sample.counts)[::-1]
        assert counts[1::2].tolist() == list(sample.flags)[::-1]
        assert coils_a.tolist() == [CURRENT_STEP_A * steps for steps in sample.currents[::-1]]
        assert flows == (max(sample.currents) > 50)


def test_cells_and_wheels_in_one_call_are_as_one_by_one() -> None:
    run = next(run for run in RUNS if run.name == "hold of roll speed")
    hello, samples = received(run)
    rig = rig_of(run.frame_hz)
    together, apart = Chain(rig, hello), Chain(rig, hello)
    cells, wheels = apart.cells, apart.wheels
    for sample in samples:
        together.update(sample)
        now_s = together.now_s
        channels = tuple(range(len(sample.counts)))
        cells.update(now_s, now_s - DELAY_S, sample.counts, sample.flags, channels)
        wheels.push_row = cells.rows
        tick = round(now_s * hello.tick_hz)
        wheels.update(tick, sample.edge_totals, sample.edges, tuple(range(len(sample.edges))))
        assert np.array_equal(together.cells.out, cells.out)
        assert np.array_equal(together.wheels.out[:, :4], wheels.out[:, :4])
