"""Whatever happens to the bytes on the way, no wrong frame comes out and the next good one does.

Seeded streams for the cases the rig will see, and searched ones for those nobody thought of.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daq.wire.cobs import stuff
from daq.wire.codec import decode, encode
from daq.wire.deframer import MAX_STUFFED_BYTES, Deframer, Direction
from daq.wire.frames import (
    AskIdentity,
    AskTime,
    Channel,
    ChannelKind,
    Frame,
    Hello,
    Notice,
    ResetCause,
    Sample,
    SetPoint,
    Slow,
    Time,
)

from .wire_reference import stuff_plainly
from .wire_typed import unstuff

# Other work on the machine may slow an example down; that is no failure.
calm = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])

U8 = st.integers(0, 2**8 - 1)
U16 = st.integers(0, 2**16 - 1)
U32 = st.integers(0, 2**32 - 1)
U64 = st.integers(0, 2**64 - 1)
I24 = st.integers(-(2**23), 2**23 - 1)
TEXT = st.text(max_size=6)
FLOAT32 = st.floats(width=32, allow_nan=False, allow_infinity=False)


def tuples(of: st.SearchStrategy[object], most: int) -> st.SearchStrategy[tuple[object, ...]]:
    return st.lists(of, max_size=most).map(tuple)


@st.composite
def samples(draw: st.DrawFn) -> Sample:
    edges = draw(st.lists(st.lists(U32, max_size=8).map(tuple), max_size=4))
    counts = draw(st.lists(I24, max_size=5))
    return Sample(
        draw(U32),
        draw(U32),
        draw(st.integers(0, 3)),
        draw(U16),
        draw(U16),
        draw(U16),
        tuple(draw(U16) for _ in edges),
        tuple(edges),
        tuple(counts),
        tuple(draw(U8) for _ in counts),
        draw(tuples(U16, 5)),
    )


CHANNELS = st.builds(Channel, st.sampled_from(ChannelKind), TEXT, TEXT)
FRAMES = st.one_of(
    samples(),
    st.builds(
        Hello, U8, U8, st.sampled_from(ResetCause), st.integers(1, 2**32 - 1),
        st.integers(1, 2**16 - 1), U32, U32, U64, U32, TEXT, tuples(CHANNELS, 6),
    ),
    st.builds(Slow, U32, tuples(st.tuples(U8, FLOAT32), 5)),
    st.builds(Time, U32, U32),
    st.builds(Notice, U32, U8, U32),
    st.builds(SetPoint, U32, U16, U16, U8, tuples(U16, 8)),
    st.builds(AskIdentity, U32),
    st.builds(AskTime, U32),
)  # fmt: skip


@given(FRAMES)
@calm
def test_any_frame_comes_back_as_it_was_sent(frame: Frame) -> None:
    raw = encode(frame)
    assert raw.index(0) == len(raw) - 1
    assert decode(raw[:-1]) == frame


@given(st.binary(max_size=1024))
@calm
def test_stuffing_agrees_with_its_plain_form_and_comes_undone(data: bytes) -> None:
    assert stuff(data) == stuff_plainly(data)
    assert unstuff(stuff(data)) == data
    assert len(stuff(data)) <= len(data) + 1 + len(data) // 254


@given(
    st.lists(st.tuples(st.integers(1, 600), st.booleans()), max_size=4),
)
@calm
def test_stuffing_of_long_runs_comes_undone(runs: list[tuple[int, bool]]) -> None:
    data = b"".join(b"\x55" * size + b"\0" * zero for size, zero in runs)
    assert stuff(data) == stuff_plainly(data)
    assert unstuff(stuff(data)) == data


@given(st.binary(max_size=600))
@calm
def test_unstuffing_any_bytes_gives_bytes_or_nothing(raw: bytes) -> None:
    data = unstuff(raw)
    assert data is None or len(data) < len(raw)


@given(st.lists(FRAMES, max_size=6), st.data())
@calm
def test_frames_arrive_whole_however_the_stream_is_cut(
    sent: list[Frame], data: st.DataObject
) -> None:
    stream = b"".join(map(encode, sent))
    deframer = Deframer()
    got: list[Frame] = []
    at = 0
    while at < len(stream):
        size = data.draw(st.integers(1, 40))
        got += deframer.feed(stream[at : at + size])
        at += size
    assert got == sent
    assert deframer.counters.damaged == 0
    assert deframer.counters.bytes_discarded == 0


@given(st.lists(st.binary(max_size=400), max_size=12))
@calm
def test_any_bytes_at_all_raise_nothing_and_fill_nothing(pieces: list[bytes]) -> None:
    deframer = Deframer()
    for piece in pieces:
        deframer.feed(piece)
        assert len(deframer._held) <= MAX_STUFFED_BYTES


@given(st.lists(FRAMES, min_size=1, max_size=5), FRAMES, st.data())
@settings(calm, max_examples=300)
def test_a_searched_damage_passes_no_wrong_frame_and_the_next_one_arrives(
    sent: list[Frame], after: Frame, data: st.DataObject
) -> None:
    stream = bytearray(b"".join(map(encode, sent)))
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, max(len(stream) - 1, 0)))
        match data.draw(st.sampled_from(["flip", "drop", "insert", "cut"])):
            case "flip" if stream:
                stream[at] ^= data.draw(st.integers(1, 255))
            case "drop":
                del stream[at : at + data.draw(st.integers(1, 30))]
            case "insert":
                stream[at:at] = data.draw(st.binary(min_size=1, max_size=30))
            case "cut":
                del stream[at:]
    deframer = Deframer()
    got = deframer.feed(bytes(stream))
    assert all(frame in sent for frame in got)
    # One delimiter ends whatever the damage left open; then the next good frame is whole again.
    got = deframer.feed(b"\0" + encode(after))
    assert got[-1] == after


# --- seeded streams of a running rig --------------------------------------------------------------


def running_rig(rng: random.Random, frames: int) -> list[Frame]:
    """Samples of a truck on the rolls with the rarer frames between."""
    sent: list[Frame] = []
    for sequence in range(frames):
        tick = sequence * 20_000 % 2**32
        sent.append(
            Sample(
                sequence,
                tick,
                1,
                rng.randrange(101),
                sequence % 65_536,
                3,
                tuple(rng.randrange(65_536) for _ in range(3)),
                tuple(tuple(sorted(rng.choices(range(2**32), k=rng.randrange(4)))) for _ in "abc"),
                tuple(rng.randrange(-(2**23), 2**23) for _ in range(4)),
                tuple(rng.choice((0, 0, 0, 4)) for _ in range(4)),
                tuple(rng.randrange(3_000) for _ in range(4)),
            )
        )
        if sequence % 50 == 0:
            sent.append(Slow(tick, tuple((index, float(rng.randrange(500))) for index in range(8))))
            sent.append(Time(sequence, tick))
    return sent


def flipped(rng: random.Random, raw: bytes) -> bytes:
    at = rng.randrange(len(raw))
    return raw[:at] + bytes((raw[at] ^ (1 << rng.randrange(8)),)) + raw[at + 1 :]


def garbled(rng: random.Random, raw: bytes) -> bytes:
    start = rng.randrange(len(raw))
    end = min(len(raw), start + rng.randrange(1, 40))
    return raw[:start] + rng.randbytes(end - start) + raw[end:]


def truncated(rng: random.Random, raw: bytes) -> bytes:
    return raw[: rng.randrange(len(raw))]


def overlong(rng: random.Random, raw: bytes) -> bytes:
    return raw[:-1] + bytes(rng.randrange(1, 256) for _ in range(1_200)) + raw[-1:]


def noisy(rng: random.Random, raw: bytes) -> bytes:
    return rng.randbytes(rng.randrange(1, 60)) + raw


def lost(rng: random.Random, raw: bytes) -> bytes:
    return b""


def lossy(rng: random.Random, raw: bytes) -> bytes:
    return bytes(byte for byte in raw if rng.random() >= 0.2)


DAMAGES: list[Callable[[random.Random, bytes], bytes]] = [
    flipped, garbled, truncated, overlong, noisy, lost, lossy,
]  # fmt: skip


@pytest.mark.parametrize("damage", DAMAGES, ids=lambda damage: damage.__name__)
@pytest.mark.parametrize("seed", range(4))
def test_a_stream_with_a_fifth_of_its_frames_hit_delivers_only_what_was_sent(
    damage: Callable[[random.Random, bytes], bytes], seed: int
) -> None:
    rng = random.Random(seed)
    sent = running_rig(rng, 500)
    deframer = Deframer(Direction.FROM_FRONT_END)
    got: list[Frame] = []
    hit_before = False
    must_arrive: list[Frame] = []
    for frame in sent:
        raw = encode(frame)
        hit = rng.random() < 0.2
        if not hit and not hit_before:
            must_arrive.append(frame)  # good, after a good one that ended with its 0x00
        hit_before = hit
        raw = damage(rng, raw) if hit else raw
        while raw:  # in the pieces a serial driver gives
            size = rng.randrange(1, 64)
            got += deframer.feed(raw[:size])
            raw = raw[size:]
            assert len(deframer._held) <= MAX_STUFFED_BYTES
    allowed = Counter(map(repr, sent))
    seen = Counter(map(repr, got))
    assert not seen - allowed, "a frame came out that was not sent"
    assert not Counter(map(repr, must_arrive)) - seen, "a good frame after a good one was lost"
    order = [frame.sequence for frame in got if isinstance(frame, Sample)]
    assert order == sorted(order)
    assert deframer.counters.frames == len(got)
    if damage is not lost:
        assert deframer.counters.damaged > 0
        assert deframer.counters.bytes_discarded > 0


@pytest.mark.parametrize("seed", range(4))
def test_a_stream_that_loses_a_fifth_of_its_bytes_passes_nothing_wrong(seed: int) -> None:
    rng = random.Random(seed)
    sent = running_rig(rng, 300)
    stream = lossy(rng, b"".join(map(encode, sent)))
    deframer = Deframer(Direction.FROM_FRONT_END)
    got = deframer.feed(stream)
    assert not Counter(map(repr, got)) - Counter(map(repr, sent))
    good = encode(sent[0])
    assert deframer.feed(b"\0" + good) == [sent[0]]


def test_a_line_that_lost_every_delimiter_is_dropped_and_the_next_frame_read() -> None:
    good = Time(1, 2)
    deframer = Deframer()
    for _ in range(1_000):
        assert deframer.feed(b"\x07" * 997) == []
        assert len(deframer._held) <= MAX_STUFFED_BYTES
    assert deframer.counters.oversized == 1
    assert deframer.feed(b"\0" + encode(good)) == [good]
    assert deframer.counters.oversized == 1
    assert deframer.counters.bytes_discarded == 997_000


def test_an_overlong_piece_counts_as_oversized_whatever_is_in_it() -> None:
    deframer = Deframer()
    assert deframer.feed(b"\xfe" * 2_000 + b"\0" + encode(Time(1, 2))) == [Time(1, 2)]
    assert (deframer.counters.oversized, deframer.counters.cobs_failures) == (1, 0)
    assert deframer.counters.bytes_discarded == 2_000


def test_every_single_bit_flip_in_a_sample_is_caught() -> None:
    sample = running_rig(random.Random(5), 1)[0]
    raw = encode(sample)
    for at in range(len(raw)):
        for bit in range(8):
            hurt = raw[:at] + bytes((raw[at] ^ (1 << bit),)) + raw[at + 1 :]
            deframer = Deframer()
            assert deframer.feed(hurt) == []
            assert deframer.feed(b"\0" + raw) == [sample]


def test_delimiters_in_a_row_are_no_loss() -> None:
    deframer = Deframer()
    good = encode(Time(1, 2))
    assert deframer.feed(b"\0\0\0" + good + b"\0\0" + good) == [Time(1, 2), Time(1, 2)]
    assert deframer.counters.damaged == 0


def test_counters_are_plain_values_to_show() -> None:
    deframer = Deframer()
    deframer.feed(encode(Time(1, 2)))
    assert msgspec.to_builtins(deframer.counters)["frames"] == 1
