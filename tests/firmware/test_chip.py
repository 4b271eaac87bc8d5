"""The image on an emulated chip: what its pins and its line do. Never yet run on a board."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, TypeVar

import msgspec
import pytest

from bench.firmware.emulated import BAUD, SLOW_SCALES, built, configuration
from daq.front_end.configuration import config_hash, record
from daq.wire.codec import encode
from daq.wire.deframer import Deframer, Direction
from daq.wire.frames import (
    AskIdentity,
    AskTime,
    ConverterFlag,
    Frame,
    Hello,
    Notice,
    NoticeCode,
    Permission,
    ResetCause,
    Sample,
    SetPoint,
    Slow,
    Time,
)
from simulator.front_end.emulated_board import TICK_HZ, EmulatedBoard, Firmware
from simulator.rig_and_truck.setup import nominal
from tests.once import once

TOLD = configuration(nominal())
FRAME = TICK_HZ // 500
SESSION = 7
OneKind = TypeVar("OneKind")


@pytest.fixture(scope="session")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The image: the same bytes each time, so built once."""
    return once(tmp_path_factory, "chip-image", built)


class Bench:
    """A board on the table: its pins driven frame by frame, its frames collected."""

    def __init__(self, out: Path, data: bytes, frame_hz: int = 500, baud: int = BAUD) -> None:
        ram = msgspec.json.decode((out / "front-end.json").read_bytes())["ram_bytes"]
        firmware = Firmware(out / "front-end.bin", ram, data, baud, 60.0, 75.0, SLOW_SCALES)
        self.board = EmulatedBoard(firmware, frame_hz, seed=1)
        self.deframer = Deframer(Direction.FROM_FRONT_END)
        self.frames: list[Frame] = []
        self.period = TICK_HZ // frame_hz
        self.tick = self.period
        self.sequence = 0
        self.values: dict[str, Any] = {
            "counts": [0, 0, 0, 0],
            "fresh": True,
            "currents": [0.0, 0.0, 0.0, 0.0],
            "digital": 3,
            "slow": [None] * 8,
        }

    def frame(self, received: bytes = b"", edges: Sequence[Sequence[int]] = ((), (), ())) -> None:
        """Over the next tick and to just before the one after it."""
        sent = self.board.tick([list(each) for each in edges])
        sent += self.board.rest(received, self.values)
        self.frames += self.deframer.feed(sent)
        self.tick += self.period

    def run(self, frames: int, received: bytes = b"") -> None:
        for _ in range(frames):
            self.frame(received)

    def hold(self, frames: int, *currents: int) -> None:
        """A set point a frame."""
        for _ in range(frames):
            self.sequence += 1
            self.frame(encode(SetPoint(SESSION, self.sequence, 100, 3, currents)))

    def of(self, kind: type[OneKind]) -> list[OneKind]:
        return [frame for frame in self.frames if isinstance(frame, kind)]

    @property
    def asked(self) -> list[float]:
        """A, at the supplies' inputs."""
        asked: list[float] = self.board.answer["asked"]
        return asked


@pytest.fixture
def bench(out: Path) -> Iterator[Bench]:
    bench = Bench(out, record(TOLD))
    yield bench
    bench.board.close()


@pytest.fixture
def loaded(bench: Bench) -> Bench:
    bench.frame(encode(AskIdentity(SESSION)))
    bench.values["currents"] = [15.0, 20.0, 5.0, 30.0]
    bench.hold(5, 1500, 2000, 500, 6000)
    assert bench.asked == pytest.approx([15.0, 20.0, 5.0, 60.0], abs=0.006)
    return bench


def test_the_image_is_the_same_bytes_each_time(out: Path, tmp_path: Path) -> None:
    built(tmp_path)
    for name in ("front-end.bin", "front-end.uf2", "front-end.json"):
        assert (out / name).read_bytes() == (tmp_path / name).read_bytes()


def test_it_introduces_itself_before_its_first_sample_with_the_configuration_in_flash(
    bench: Bench,
) -> None:
    bench.run(3)
    hello = bench.frames[0]
    assert isinstance(hello, Hello)
    assert hello.config_hash == config_hash(record(TOLD))
    assert (hello.reset_cause, hello.session) == (ResetCause.POWER_ON, 0)
    assert [sample.sequence for sample in bench.of(Sample)] == [0, 1, 2]
    assert [sample.tick for sample in bench.of(Sample)] == [FRAME, 2 * FRAME, 3 * FRAME]
    assert bench.deframer.counters.damaged == 0


@pytest.mark.parametrize("frame_hz", [100, 250, 1000])
def test_it_keeps_any_rate_exactly(out: Path, frame_hz: int) -> None:
    told = msgspec.structs.replace(TOLD, frame_hz=frame_hz)
    bench = Bench(out, record(told), frame_hz)
    bench.run(6)
    bench.board.close()
    step = TICK_HZ // frame_hz
    assert [sample.tick for sample in bench.of(Sample)] == [step * k for k in range(1, 7)]


def test_each_edge_has_the_tick_at_which_it_came(bench: Bench) -> None:
    """Three wheels and an engine's rates together, up to 5 kHz each, at any moment."""
    rnd = random.Random(3)
    given: list[list[int]] = [[], [], []]
    bench.frame()
    at = [bench.tick + rnd.randrange(1, 3000) for _ in range(3)]
    for _ in range(60):
        edges: list[list[int]] = [[], [], []]
        for wheel in range(3):
            while at[wheel] <= bench.tick + FRAME:
                edges[wheel].append(at[wheel])
                at[wheel] += rnd.randrange(2000, 6000)
            given[wheel] += edges[wheel]
        bench.frame(edges=tuple(edges))
    bench.frame()
    for wheel in range(3):
        stamped = [tick for sample in bench.of(Sample) for tick in sample.edges[wheel]]
        assert len(stamped) == len(given[wheel]) > 200
        assert max(abs(a - b) for a, b in zip(stamped, given[wheel], strict=True)) <= 1


def test_counts_currents_and_contacts_are_those_at_the_pins(bench: Bench) -> None:
    bench.values |= {"counts": [1, -1, 8_388_606, -8_388_607], "digital": 0b1011}
    bench.values["currents"] = [15.0, 22.5, 0.0, 60.0]
    bench.run(4)
    sample = bench.of(Sample)[-1]
    assert sample.counts == (1, -1, 8_388_606, -8_388_607)
    assert sample.flags == (0, 0, 0, 0)
    assert sample.digital == 0b1011
    assert sample.currents == pytest.approx((1500, 2250, 0, 6000), abs=1)


def test_a_converter_that_stops_saturates_or_loses_its_excitation_says_so(bench: Bench) -> None:
    bench.values["counts"] = [5, (1 << 23) - 1, -(1 << 23), 7]
    bench.run(2)
    saturated = int(ConverterFlag.SATURATED)
    assert bench.of(Sample)[-1].flags == (0, saturated, saturated, 0)
    bench.values |= {"counts": [6, 6, 6, 6], "fresh": False}
    bench.run(2)
    assert bench.of(Sample)[-1].counts[0] == 5
    assert all(flag & ConverterFlag.NOT_FRESH for flag in bench.of(Sample)[-1].flags)
    bench.values |= {"fresh": True, "excitation": 100}
    bench.run(2)
    assert all(flag & ConverterFlag.BRIDGE_FAULT for flag in bench.of(Sample)[-1].flags)


def test_an_answer_of_the_converter_with_a_wrong_crc_is_not_believed(bench: Bench) -> None:
    bench.values["counts"] = [5, 5, 5, 5]
    bench.run(3)
    bench.board.do("spoil")
    bench.values["counts"] = [9, 9, 9, 9]
    bench.run(2)
    spoiled, sound = bench.of(Sample)[-2:]
    assert (spoiled.counts[0], spoiled.flags[0]) in ((5, int(ConverterFlag.NOT_FRESH)), (9, 0))
    assert {s.flags[0] for s in bench.of(Sample)[-3:]} >= {int(ConverterFlag.NOT_FRESH)}
    assert sound.counts[0] == 9


def test_slow_values_come_in_their_units_and_a_silent_chip_gives_none(bench: Bench) -> None:
    bench.values["slow"] = [1.0, 2.0, 0.5, 0.0, None, None, None, None]
    bench.run(110)
    values = dict(bench.of(Slow)[-1].values)
    assert values[0] == pytest.approx(25.0 * 1.0 - 20.0, abs=0.01)
    assert values[1] == pytest.approx(40.0 * 2.0 + 10.0, abs=0.01)
    assert math.isnan(values[4])


def test_time_is_that_of_the_last_byte_of_the_question(bench: Bench) -> None:
    bench.frame(encode(AskTime(99)))
    bench.frame()
    (answer,) = bench.of(Time)
    assert answer.token == 99
    assert FRAME < answer.tick < 2 * FRAME


def test_a_set_point_is_in_force_soon_after_its_last_byte(loaded: Bench) -> None:
    figures = loaded.board.do("figures")
    assert figures["outputNs"] < 1e6  # docs/wire.md section 12
    assert figures["firstByteNs"] < 0.5e6


def test_when_the_host_dies_the_pins_fade_from_what_flowed(loaded: Bench) -> None:
    """Whatever was asked last: 60 A of a coil in which 30 A flow, 15 A where 15 A flow."""
    loaded.run(48)
    assert loaded.of(Sample)[-1].permission == Permission.HELD
    loaded.run(4)
    begun = next(s for s in loaded.of(Sample) if s.permission == Permission.EASING)
    for _ in range(20):
        loaded.run(10)
        sample = loaded.of(Sample)[-1]
        fallen = 10.0 * (sample.tick - begun.tick) / TICK_HZ  # 30 A in 3 s
        expected = [max(flowed - fallen, 0.0) for flowed in (15.0, 20.0, 5.0, 30.0)]
        assert loaded.asked == pytest.approx(expected, abs=0.04)
    (told,) = [n for n in loaded.of(Notice) if n.code == NoticeCode.EASING_BEGAN]
    assert 100 <= told.detail <= 102  # ms; acted on within 2 ms


def test_another_session_ends_the_permission_of_the_old_one(loaded: Bench) -> None:
    loaded.frame(encode(AskIdentity(SESSION + 1)))
    loaded.hold(5, 6000, 6000, 6000, 6000)
    assert loaded.of(Sample)[-1].permission == Permission.EASING
    assert loaded.asked[3] == pytest.approx(30.0, abs=0.2)


@pytest.mark.parametrize("kind", ["garbage", "repeated", "stale"])
def test_nothing_but_a_fresh_set_point_keeps_permission(loaded: Bench, kind: str) -> None:
    rnd = random.Random(2)
    point = SetPoint(SESSION, loaded.sequence, 100, 3, (6000,) * 4)
    if kind == "stale":
        point = msgspec.structs.replace(point, sequence=loaded.sequence - 2)
    for _ in range(60):
        loaded.frame(rnd.randbytes(60) if kind == "garbage" else encode(point))
    assert loaded.of(Sample)[-1].permission == Permission.EASING
    assert max(loaded.asked) < 30.0


def test_an_open_chain_takes_the_set_points_away_and_closed_brings_nothing_back(
    loaded: Bench,
) -> None:
    loaded.values["digital"] = 2
    loaded.hold(3, 1500, 2000, 500, 6000)
    assert loaded.of(Sample)[-1].permission == Permission.CHAIN_OPEN
    assert loaded.asked == [0.0] * 4
    loaded.values["digital"] = 3
    loaded.hold(3, 1500, 2000, 500, 6000)
    assert loaded.asked == [0.0] * 4
    assert (NoticeCode.SET_POINT_REFUSED, 5) in [(n.code, n.detail) for n in loaded.of(Notice)]


@pytest.mark.parametrize(
    ("what", "cause"),
    [
        ("watchdog", ResetCause.WATCHDOG),
        ("brown-out", ResetCause.BROWN_OUT),
        ("power-cut", ResetCause.POWER_ON),
    ],
)
def test_a_reset_under_load_leaves_the_supplies_unasked_and_says_its_cause(
    loaded: Bench, what: str, cause: ResetCause
) -> None:
    before = loaded.of(Hello)[-1]
    loaded.board.do(what)
    assert loaded.asked == [0.0] * 4
    loaded.hold(10, 1500, 2000, 500, 6000)
    assert loaded.asked == [0.0] * 4
    hello = loaded.of(Hello)[-1]
    assert hello.reset_cause == cause
    assert hello.boot_id != before.boot_id
    assert hello.session == 0
    assert loaded.of(Sample)[-1].permission == Permission.NONE


def test_a_processor_that_hangs_is_let_go_by_the_supplies_and_bitten_by_its_watchdog(
    loaded: Bench,
) -> None:
    loaded.board.do("hang")
    loaded.run(8)  # 16 ms: the bite comes 10 ms after the last step
    assert loaded.asked == [0.0] * 4
    loaded.run(6)
    assert loaded.of(Hello)[-1].reset_cause == ResetCause.WATCHDOG
    assert loaded.asked == [0.0] * 4


def test_without_a_configuration_it_says_so_and_never_enables_the_supplies(out: Path) -> None:
    bench = Bench(out, b"\xff" * 4096, frame_hz=100)
    bench.run(5, encode(AskIdentity(SESSION)))
    bench.run(3, encode(SetPoint(SESSION, 1, 100, 3, (100,) * 4)))
    bench.board.close()
    hello = bench.of(Hello)[-1]
    assert hello.channels == ()
    assert "no configuration" in hello.firmware
    assert not bench.board.answer["enabled"]
    assert bench.asked == [0.0] * 4


def test_it_keeps_its_margins(loaded: Bench) -> None:
    loaded.run(10)
    figures = loaded.board.do("figures")
    assert figures["cycles"] < 0.15 * 120e6 / 500
    assert figures["worstCycles"] < 120e6 / 500 / 2
    assert figures["stackBytes"] < 4096
