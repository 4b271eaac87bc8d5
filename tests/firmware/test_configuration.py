"""A front end's configuration is taken whole or refused with a reason, by both sides alike."""

from __future__ import annotations

import random
from pathlib import Path
from zlib import crc32

import msgspec
import pytest

from bench.firmware.core import Reply, Script, configuration_of
from daq.errors import DrumlinError
from daq.front_end.configuration import (
    Configuration,
    SlowWiring,
    WheelWiring,
    config_hash,
    load_configuration,
    record,
)
from daq.wire.codec import encode
from daq.wire.deframer import Deframer, Direction
from daq.wire.frames import AskIdentity, ChannelKind, Hello, Sample, SetPoint
from simulator.front_end.board import channel_table
from simulator.rig_and_truck.setup import nominal

SOUND = configuration_of(nominal(), baud=2_000_000)
FAULT = {"version": 2, "damaged": 3, "board": 4, "channels": 5, "name": 6, "rate": 7, "line": 8,
         "ceiling": 9, "ramp": 10, "value": 11}  # fmt: skip


def booted(core: Path, *records: bytes) -> list[tuple[Reply, Hello]]:
    """How the core started with each record."""
    script = Script()
    for each in records:
        script.boot(each)
    found = []
    for reply in script.run(core):
        (hello,) = Deframer(Direction.FROM_FRONT_END).feed(reply.line)
        assert isinstance(hello, Hello)
        found.append((reply, hello))
    return found


def with_crc(data: bytes) -> bytes:
    return data[:-4] + crc32(data[:-4]).to_bytes(4, "little")


def test_hello_names_what_the_file_names_and_carries_its_hash(core: Path) -> None:
    data = record(SOUND)
    ((reply, hello),) = booted(core, data)
    assert reply.fault == 0
    assert hello.channels == channel_table(nominal())
    assert hello.frame_hz == 500
    assert hello.config_hash == config_hash(data)


def test_any_change_of_the_configuration_changes_its_hash() -> None:
    changed = [
        msgspec.structs.replace(SOUND, slow_hz=11),
        msgspec.structs.replace(SOUND, baud=3_000_000),
        msgspec.structs.replace(SOUND, digital_out=("fan-front", "fan-raer")),
        msgspec.structs.replace(
            SOUND, outputs=tuple(msgspec.structs.replace(o, ramp_s=3.001) for o in SOUND.outputs)
        ),
    ]
    assert len({config_hash(record(each)) for each in (SOUND, *changed)}) == 1 + len(changed)


def test_what_is_no_sound_record_leaves_a_board_that_names_no_channel_and_says_why(
    core: Path,
) -> None:
    data = record(SOUND)
    bent = bytearray(data)
    bent[60] ^= 1
    cases = [
        (b"", 1),
        (b"\xff" * 4096, 1),
        (with_crc(data[:4] + b"\x02\x00" + data[6:]), FAULT["version"]),
        (with_crc(data[:8] + b"\x09\x00" + data[10:]), FAULT["board"]),
        (bytes(bent), FAULT["damaged"]),
        (data[:-1], FAULT["damaged"]),
    ]
    for (_, fault), (reply, hello) in zip(
        cases, booted(core, *(each for each, _ in cases)), strict=True
    ):
        assert reply.fault == fault
        assert hello.channels == ()
        assert hello.firmware.startswith(("no configuration", "configuration: "))


def test_a_board_without_configuration_takes_no_set_point_that_asks_for_current(
    core: Path,
) -> None:
    script = Script()
    script.boot(b"")
    script.receive(encode(AskIdentity(7)) + encode(SetPoint(7, 1, 100, 3, (100,) * 4)), 0)
    script.permit(0, 0xFFFF)
    script.sample(0, 0xFFFF)
    *_, taken, permitted, sampled = script.run(core)
    assert taken.set_points == permitted.set_points == (0,) * 8
    (sample,) = Deframer(Direction.FROM_FRONT_END).feed(sampled.line)
    assert isinstance(sample, Sample)
    assert sample.currents == sample.counts == sample.edges == ()


def unchecked(monkeypatch: pytest.MonkeyPatch, configuration: Configuration) -> bytes:
    """The record of a file that the command would refuse, to see the board refuse it too."""
    with monkeypatch.context() as patch:
        patch.setattr("daq.front_end.configuration.check", lambda _: None)
        return record(configuration)


IMPOSSIBLE = {
    "too many wheels": (
        dict(wheels=tuple(WheelWiring(f"w{i}", 100) for i in range(5))), "channels"),
    "the same name twice": (dict(wheels=(WheelWiring("a", 100), WheelWiring("a", 100))), "name"),
    "no name": (dict(digital_out=("", "b")), "name"),
    "a long unit": (dict(slow=(SlowWiring("a", "u" * 25, 0, 1.0),)), "name"),
    "a rate not exact": (dict(frame_hz=333), "rate"),
    "a rate too low": (dict(frame_hz=50), "rate"),
    "a line too slow": (dict(baud=115_200), "line"),
    "too fast for a frame": (dict(wheels=(WheelWiring("a", 60_000),), baud=1_000_000), "line"),
    "a pulse too long": (dict(wheels=(WheelWiring("a", 100, "rising", 60.0),)), "value"),
    "slow values too often": (dict(slow_hz=21), "value"),
    "an input that is not there": (dict(slow=(SlowWiring("a", "u", 8, 1.0),)), "value"),
    "a ceiling beyond the output": (
        dict(outputs=(msgspec.structs.replace(SOUND.outputs[0], ceiling_a=60.01),)), "ceiling"),
    "no ceiling": (
        dict(outputs=(msgspec.structs.replace(SOUND.outputs[0], ceiling_a=0.0),)), "ceiling"),
    "a ramp of no time": (
        dict(outputs=(msgspec.structs.replace(SOUND.outputs[0], ramp_s=0.0),)), "ramp"),
    "a ramp of no current": (
        dict(outputs=(msgspec.structs.replace(SOUND.outputs[0], ramp_from_a=0.0),)), "ramp"),
}  # fmt: skip


@pytest.mark.parametrize("case", IMPOSSIBLE)
def test_what_cannot_be_is_refused_by_the_command_and_by_the_board(
    core: Path, case: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    changes, fault = IMPOSSIBLE[case]
    asked = msgspec.structs.replace(SOUND, **changes)
    with pytest.raises(DrumlinError) as refused:
        record(asked)
    assert refused.value.remedy
    ((reply, hello),) = booted(core, unchecked(monkeypatch, asked))
    assert reply.fault == FAULT[fault]
    assert hello.channels == ()


def test_a_record_bent_anywhere_is_refused_or_sound_and_never_half_taken(core: Path) -> None:
    data = record(SOUND)
    rnd = random.Random(4)
    records = []
    for _ in range(400):
        bent = bytearray(data)
        for _ in range(rnd.randint(1, 3)):
            bent[rnd.randrange(8, len(bent))] = rnd.choice([0, 1, 255, rnd.randrange(256)])
        records.append(with_crc(bytes(bent)))
    outcomes = booted(core, *records)
    refused = [hello for reply, hello in outcomes if reply.fault]
    assert len(refused) > 50
    assert all(hello.channels == () for hello in refused)
    for reply, hello in outcomes:
        if not reply.fault:
            assert len(hello.names(ChannelKind.OUTPUT)) == 4


def test_a_burst_never_takes_more_edges_than_the_line_carries_in_a_period(core: Path) -> None:
    ((fast, _), (slow, _)) = booted(
        core,
        record(configuration_of(nominal(), baud=10_000_000)),
        record(msgspec.structs.replace(SOUND, baud=1_000_000)),
    )
    assert fast.edge_limit == 64
    # 200 bytes a period, a tenth kept free: 180 - (19 + 4 + 4 + 3 x 3 + 4 x 4 + 4 x 2) over 3 x 4.
    assert slow.edge_limit == 10


def test_the_demo_rigs_front_end_file_is_sound_and_names_what_its_rig_names() -> None:
    demo = load_configuration(Path("api/examples/rigs/tarnhow-front-end.toml"))
    assert channel_names(demo) == channel_names(SOUND)


def channel_names(c: Configuration) -> tuple[list[str], ...]:
    return (
        [each.name for each in c.wheels],
        [each.name for each in c.converters],
        [each.name for each in c.outputs],
        [each.name for each in c.digital_in],
        list(c.digital_out),
    )
