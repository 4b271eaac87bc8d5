"""Tooth edges: glitches leave no trace, edges keep their stamps, frames hold what is theirs."""

from __future__ import annotations

import random
from pathlib import Path

import msgspec
import pytest

from bench.firmware.core import Script, configuration_of
from daq.front_end.configuration import record
from daq.wire.deframer import Deframer, Direction
from daq.wire.frames import Notice, NoticeCode, Sample
from simulator.rig_and_truck.setup import nominal

BASE = configuration_of(nominal(), baud=2_000_000)
FRAME = 2000  # ticks of 1 us
LEAST = 20


def record_with(flank: str = "rising") -> bytes:
    wheels = tuple(
        msgspec.structs.replace(each, flank=flank, least_pulse_us=float(LEAST))
        for each in BASE.wheels
    )
    return record(msgspec.structs.replace(BASE, wheels=wheels))


def edges_of(core: Path, changes: list[int], frames: int, flank: str = "rising") -> list[Sample]:
    """Samples of a wheel whose pin changed at these ticks, from low on."""
    script = Script()
    script.boot(record_with(flank))
    for frame in range(1, frames + 1):
        end = frame * FRAME
        script.change(0, *(each for each in changes if end - FRAME < each <= end))
        later = [each for each in changes if each > end]
        script.close(0, min(later[0], end + 60) if later else end + 60)
        script.sample(end, 3)
    deframer = Deframer(Direction.FROM_FRONT_END)
    frames_out = deframer.feed(b"".join(reply.line for reply in script.run(core)))
    return [each for each in frames_out if isinstance(each, Sample)]


@pytest.mark.parametrize("flank", ["rising", "falling"])
def test_the_flank_that_counts_keeps_the_stamp_of_its_change(core: Path, flank: str) -> None:
    changes = [100, 500, 1100, 1500, 2100, 2500]
    samples = edges_of(core, changes, 2, flank)
    expected = (100, 1100) if flank == "rising" else (500, 1500)
    assert samples[0].edges[0] == expected
    assert samples[1].edges[0] == ((2100,) if flank == "rising" else (2500,))
    assert samples[1].edge_totals[0] == 3


def test_a_pulse_one_tick_too_short_is_no_tooth_and_one_long_enough_is(core: Path) -> None:
    changes = [100, 100 + LEAST - 1, 500, 500 + LEAST]
    (sample,) = edges_of(core, changes, 1)
    assert sample.edges[0] == (500,)


def test_a_short_gap_in_a_tooth_does_not_make_two_of_it(core: Path) -> None:
    (sample,) = edges_of(core, [100, 300, 300 + LEAST - 1, 500], 1)
    assert sample.edges[0] == (100,)


def test_a_bouncing_contact_counts_once_from_where_it_rests(core: Path) -> None:
    (sample,) = edges_of(core, [100, 103, 105, 109, 112, 600], 1)
    assert sample.edges[0] == (112,)


@pytest.mark.parametrize("late", [0, 1, LEAST - 1, LEAST, 60])
def test_an_edge_at_the_end_of_a_frame_belongs_to_it(core: Path, late: int) -> None:
    rise = FRAME - late
    first, second = edges_of(core, [rise, rise + 400], 2)
    assert first.edges[0] == (rise,)
    assert second.edges[0] == ()


def test_a_glitch_across_the_end_of_a_frame_is_in_neither(core: Path) -> None:
    first, second = edges_of(core, [FRAME - 5, FRAME + 5, FRAME + 300, FRAME + 900], 2)
    assert first.edges[0] == ()
    assert second.edges[0] == (FRAME + 300,)


def test_random_teeth_among_glitches_are_all_found_and_nothing_else(core: Path) -> None:
    rnd = random.Random(8)
    at, changes, teeth = 200, [], []
    while at < 60 * FRAME - 1000:
        width, gap = rnd.randint(LEAST, 300), rnd.randint(3 * LEAST, 500)
        teeth.append(at)
        changes += [at, at + width]
        if rnd.random() < 0.4:  # a spike in the gap, apart from both teeth
            spike = at + width + LEAST + rnd.randint(0, gap - 3 * LEAST)
            changes += [spike, spike + rnd.randint(0, LEAST - 1)]
        at += width + gap
    samples = edges_of(core, changes, 60)
    assert [tick for sample in samples for tick in sample.edges[0]] == teeth
    assert samples[-1].edge_totals[0] == len(teeth)


def test_of_a_burst_the_newest_are_sent_and_a_notice_says_how_many_were_not(core: Path) -> None:
    script = Script()
    script.boot(record_with())
    rises = list(range(40, 1960, 48))
    script.change(1, *(tick for rise in rises for tick in (rise, rise + 24)))
    script.close(1, FRAME)
    script.sample(FRAME, 3)
    *_, last = script.run(core)
    sample, notice = Deframer(Direction.FROM_FRONT_END).feed(last.line)
    assert isinstance(sample, Sample)
    assert isinstance(notice, Notice)
    sent = len(sample.edges[1])
    assert sample.edges[1] == tuple(rises[-sent:])
    assert sample.edge_totals[1] == len(rises)
    assert notice.code == NoticeCode.EDGES_DROPPED
    assert notice.detail == 1 << 16 | (len(rises) - sent)


def test_a_change_that_was_lost_is_made_good_when_the_pin_rests(core: Path) -> None:
    script = Script()
    script.boot(record_with())
    script.change(0, 100)  # and the fall after it was never seen
    script.close(0, FRAME)
    script.settle(0, False)
    script.settle(0, False)  # not at the first sight: a change may be on its way
    script.close(0, FRAME)
    script.change(0, FRAME + 100, FRAME + 300)
    script.close(0, 2 * FRAME)
    script.sample(2 * FRAME, 3)
    replies = script.run(core)
    (sample,) = Deframer(Direction.FROM_FRONT_END).feed(replies[-1].line)
    assert isinstance(sample, Sample)
    assert sample.edges[0] == (100, FRAME + 100)
    assert replies[-2].resyncs == 1
