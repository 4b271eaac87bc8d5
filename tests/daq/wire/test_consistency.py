"""Samples that docs/wire.md makes impossible are told from sound ones, one invariant at a time."""

from __future__ import annotations

import pytest

from daq.wire.consistency import SampleCheck
from daq.wire.frames import Channel, ChannelKind, ConverterFlag, Hello, ResetCause, Sample

HELLO = Hello(
    1, 0, ResetCause.POWER_ON, 1_000_000, 500, 1, 7, 1, 0, "board",
    (Channel(ChannelKind.WHEEL, "rear"), Channel(ChannelKind.OUTPUT, "rear-left")),
)  # fmt: skip
FIRST = Sample(10, 1000, 1, 97, 5, 1, (65535,), ((900,),), (100,), (0,), (1500,))
NEXT = Sample(11, 3000, 1, 97, 6, 1, (1,), ((1001, 3000),), (101,), (0,), (1501,))


def check() -> SampleCheck:
    one = SampleCheck(HELLO, [60.0])
    assert one.contradiction(FIRST) == ""
    return one


def test_sound_samples_pass_over_the_wraps_of_tick_sequence_and_total() -> None:
    assert check().contradiction(NEXT) == ""
    one = SampleCheck(HELLO, [60.0])
    last = FIRST.__replace__(sequence=2**32 - 1, tick=2**32 - 1000, edges=((2**32 - 1500,),))
    assert one.contradiction(last) == ""
    after = NEXT.__replace__(sequence=0, tick=1000, edges=((2**32 - 999, 5),))
    assert one.contradiction(after) == ""


@pytest.mark.parametrize(
    ("changes", "what"),
    [
        ({"edge_totals": (2,)}, "total"),
        ({"edge_totals": (0,)}, "total"),
        ({"edges": ((999, 3000),)}, "outside"),
        ({"edges": ((1001, 3001),)}, "outside"),
        ({"edges": ((2000, 1500),)}, "order"),
        ({"permission": 2}, "permission"),
        ({"currents": (7501,)}, "75 A"),
        ({"counts": (2**23 - 1,)}, "saturated"),
        ({"counts": (-(2**23),)}, "saturated"),
        ({"sequence": 10}, "sequence"),
        ({"sequence": 9}, "sequence"),
    ],
)
def test_each_impossible_value_is_named_and_the_next_sound_frame_passes(
    changes: dict[str, object], what: str
) -> None:
    one = check()
    assert what in one.contradiction(NEXT.__replace__(**changes))
    later = NEXT.__replace__(sequence=12, tick=5000, edges=((3500, 4000),), edge_totals=(3,))
    one.contradiction(later)
    last = NEXT.__replace__(sequence=13, tick=7000, edges=((5500, 6000),), edge_totals=(5,))
    assert one.contradiction(last) == "", "one bad frame costs itself and at most the next"


def test_a_total_that_runs_on_in_every_frame_gets_none_through() -> None:
    one = check()
    for number in range(1, 20):
        frame = NEXT.__replace__(sequence=10 + number, tick=1000 + 2000 * number,
            edges=((1001 + 2000 * number - 2000,),), edge_totals=((65535 + 2 * number) & 0xFFFF,),
        )  # fmt: skip
        assert "total" in one.contradiction(frame)


def test_what_is_allowed_at_the_edge_is_not_refused() -> None:
    flagged = NEXT.__replace__(
        counts=(2**23 - 1,), flags=(int(ConverterFlag.SATURATED),), currents=(7500,)
    )
    assert check().contradiction(flagged) == ""
    gap = NEXT.__replace__(sequence=15, edge_totals=(40,))
    assert check().contradiction(gap) == ""
    full = NEXT.__replace__(edges=(tuple(range(1001, 1065)),), edge_totals=(69,))
    assert check().contradiction(full) == "", "of more than 64 edges the newest 64 are sent"
