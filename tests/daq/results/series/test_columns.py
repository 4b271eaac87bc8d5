"""A recording replayed says the same numbers again, in columns that know their units."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from daq.errors import RecordingError
from daq.measure.speed.estimator import DELAY_S
from daq.recording.reader import Recording
from daq.recording.recorder import RecordKind
from daq.results.series.columns import Chunk, Column, columns_of, slug
from daq.results.series.replay import Replay, gather
from daq.rig.description import load_rig
from tests.daq.synthetic_run import FRAME_HZ, RIG_PATH, RunWriter, Truck, hello_for, record_run

SPEED, RPM, CELL = 20.0, 1900.0, 800.0


def steady(seconds: float) -> object:
    def play(run: RunWriter) -> None:
        truck = Truck(run.rig, SPEED, RPM, CELL)
        run.received(hello_for(run.rig))
        for _ in range(round(seconds * FRAME_HZ)):
            run.received(truck.sample())

    return play


def replayed(path: Path, rows: int = 1_000) -> tuple[Replay, Chunk]:
    replay = Replay(Recording(path))
    return replay, gather(replay.chunks(rows))


@pytest.fixture(scope="module")
def hold(tmp_path_factory: pytest.TempPathFactory) -> tuple[Replay, Chunk]:
    """Four seconds at 20 m/s, 1900 rpm and 800 N at each load cell."""
    path = tmp_path_factory.mktemp("hold") / "raw.drm"
    record_run(path, steady(4.0))  # type: ignore[arg-type]
    return replayed(path)


def settled(columns: Chunk, name: str) -> np.ndarray:
    return np.asarray(columns[name][1_000:], dtype=float)


def test_one_row_per_frame_in_device_time(hold: tuple[Replay, Chunk]) -> None:
    replay, columns = hold
    assert replay.frames == 2_000
    assert {values.size for values in columns.values()} == {2_000}
    frames_s = np.arange(1, 2_001) / FRAME_HZ
    np.testing.assert_allclose(columns["time_s"], frames_s - DELAY_S, atol=1e-9)
    assert columns["sequence"].tolist() == list(range(1, 2_001))


def test_speed_engine_speed_and_force_come_out_as_they_went_in(hold: tuple[Replay, Chunk]) -> None:
    rig = load_rig(RIG_PATH)
    _, columns = hold
    np.testing.assert_allclose(settled(columns, "speed_mps"), SPEED, rtol=2e-4)
    np.testing.assert_allclose(
        settled(columns, "engine_speed_radps"), RPM * 2.0 * math.pi / 60.0, rtol=2e-4
    )
    for absorber in rig.absorbers:
        name = f"absorber_{slug(absorber.name)}"
        roll_set = next(one for one in rig.roll_sets if one.name == absorber.roll_set)
        torque = CELL * absorber.arm_m
        force = torque * absorber.gear_ratio / roll_set.roll_radius_m
        np.testing.assert_allclose(settled(columns, f"{name}_torque_nm"), torque, rtol=1e-4)
        np.testing.assert_allclose(settled(columns, f"{name}_force_n"), force, rtol=1e-4)


def test_the_columns_balance_force_power_and_torque(hold: tuple[Replay, Chunk]) -> None:
    """tractive = absorber + loss + inertia; power = tractive x speed; torque = power / speed."""
    rig = load_rig(RIG_PATH)
    _, columns = hold
    power = np.zeros(1_000)
    for roll_set in rig.roll_sets:
        name = f"rolls_{slug(roll_set.name)}"
        parts = [
            settled(columns, f"{name}_{part}_force_n") for part in ("absorber", "loss", "inertia")
        ]
        tractive = settled(columns, f"{name}_tractive_force_n")
        np.testing.assert_allclose(sum(parts), tractive, rtol=1e-5)
        one = settled(columns, f"{name}_power_w")
        np.testing.assert_allclose(one, tractive * settled(columns, f"{name}_speed_mps"), rtol=1e-3)
        power += one
        a, b, c = roll_set.loss_n
        expected = a + b * SPEED + c * SPEED**2
        np.testing.assert_allclose(settled(columns, f"{name}_loss_force_n"), expected, rtol=1e-3)
    np.testing.assert_allclose(settled(columns, "power_w"), power, rtol=1e-5)
    engine = settled(columns, "engine_speed_radps")
    np.testing.assert_allclose(settled(columns, "torque_nm") * engine, power, rtol=1e-5)


def test_settled_readings_are_good_and_what_is_not_known_yet_is_missing(
    hold: tuple[Replay, Chunk],
) -> None:
    _, columns = hold
    for name in ("rolls_front_quality", "absorber_rear_left_quality", "engine_speed_quality"):
        assert not settled(columns, name).any()
    unknown = ~np.isfinite(columns["engine_speed_radps"])
    assert unknown.any()
    assert (columns["engine_speed_quality"][unknown] == 3).all()


def test_every_column_has_a_type_a_meaning_and_an_si_unit() -> None:
    columns = columns_of(load_rig(RIG_PATH))
    names = [column.name for column in columns]
    assert len(names) == len(set(names))
    for column in columns:
        assert column.meaning
        assert column.type in ("f8", "f4", "u1", "u2", "u4", "i1", "?")
    suffixes = {
        "mps": "m/s", "mps2": "m/s2", "n": "N", "w": "W", "nm": "N.m", "a": "A", "radps": "rad/s",
        "s": "s",
    }  # fmt: skip
    for column in columns:
        suffix = column.name.rsplit("_", 1)[-1]
        if suffix in suffixes and column.type.startswith("f"):
            assert column.unit == suffixes[suffix], column.name


def test_columns_have_their_declared_types(hold: tuple[Replay, Chunk]) -> None:
    replay, columns = hold
    assert list(columns) == [column.name for column in replay.columns]
    for column in replay.columns:
        assert columns[column.name].dtype == np.dtype(column.type)


def test_the_chunks_are_of_one_size_and_say_the_same_together(tmp_path: Path) -> None:
    path = tmp_path / "raw.drm"
    record_run(path, steady(1.0))  # type: ignore[arg-type]
    sizes = [chunk["time_s"].size for chunk in Replay(Recording(path)).chunks(120)]
    assert sizes == [120, 120, 120, 120, 20]
    _, small = replayed(path, 120)
    _, large = replayed(path, 100_000)
    for name, values in large.items():
        np.testing.assert_array_equal(values, small[name])


def test_the_decisions_of_each_moment_stand_beside_the_readings(tmp_path: Path) -> None:
    def play(run: RunWriter) -> None:
        truck = Truck(run.rig, SPEED, RPM, CELL)
        run.received(hello_for(run.rig))
        run.received(truck.sample())
        for currents in ((1, 2, 3, 4), (500, 600, 700, 800)):
            run.sent(*currents)
            for _ in range(20):
                run.received(truck.sample())

    path = tmp_path / "raw.drm"
    rig = record_run(path, play)
    _, columns = replayed(path)
    names = [f"absorber_{slug(absorber.name)}_set_point_a" for absorber in rig.absorbers]
    table = [[float(columns[name][row]) for name in names] for row in range(41)]
    # a row holds 12.5 frames before its own: what frame 2 told stands in the row of frame 15
    assert all(math.isnan(value) for row in table[:14] for value in row)
    # outputs of this front end are in the reverse of the rig's order
    assert table[14] == pytest.approx([0.04, 0.03, 0.02, 0.01])
    assert table[33] == pytest.approx([0.04, 0.03, 0.02, 0.01])
    assert table[34] == pytest.approx([8.0, 7.0, 6.0, 5.0])
    measured = [float(columns[name.replace("set_point", "current")][0]) for name in names]
    assert measured == pytest.approx([13.0, 12.0, 11.0, 10.0])


def adjusted(run: RunWriter, number: int, accepted: bool, **words: object) -> None:
    """A set point asked for by hand, and the answer."""
    run.told(RecordKind.COMMAND, {"command": "adjust", "id": number, "holder": "x", **words})
    run.told(RecordKind.ANSWER, {"id": number, "accepted": accepted})


def test_the_set_point_follows_an_accepted_change_and_no_refused_one(tmp_path: Path) -> None:
    def play(run: RunWriter) -> None:
        truck = Truck(run.rig, SPEED, RPM, CELL)
        run.received(hello_for(run.rig))
        run.received(truck.sample())
        adjusted(run, 4, False, set_point=210.0)
        run.received(truck.sample())
        adjusted(run, 5, True, set_point=205.0)
        for _ in range(20):
            run.received(truck.sample())
        adjusted(run, 6, True, set_point=120_000.0, quantity="power")
        for _ in range(20):
            run.received(truck.sample())

    path = tmp_path / "raw.drm"
    record_run(path, play)
    _, columns = replayed(path)
    told = list(
        dict.fromkeys(zip(columns["set_point"], columns["set_point_quantity"], strict=True))
    )
    start = 1900.0 * 2.0 * math.pi / 60.0
    assert told == [(pytest.approx(start), 1), (pytest.approx(205.0), 1), (120_000.0, 4)]


def test_the_times_of_events_count_as_the_rows_do(tmp_path: Path) -> None:
    """The session has counted two turns of the tick, 429.4967296 s each; a replay begins anew."""
    turns_s = 2 * 2**32 / 1e7

    def play(run: RunWriter) -> None:
        truck = Truck(run.rig, SPEED, RPM, CELL)
        run.received(hello_for(run.rig))
        began = {"kind": "run-started", "time_s": turns_s + 0.002, "text": "", "data": {}}
        run.told(RecordKind.EVENT, began)
        for _ in range(100):
            run.received(truck.sample())
        event = {"kind": "phase", "time_s": turns_s + 0.2, "text": "", "data": {"phase": "hold"}}
        run.told(RecordKind.EVENT, event)

    path = tmp_path / "raw.drm"
    record_run(path, play)
    replay, columns = replayed(path)
    first, last = (event["time_s"] for event in replay.events)
    assert first == pytest.approx(float(columns["time_s"][0]), abs=1e-6)
    assert last == pytest.approx(float(columns["time_s"][-1]), abs=1e-6)


def test_rows_have_utc_with_what_the_computers_clock_leaves_open(tmp_path: Path) -> None:
    path = tmp_path / "raw.drm"
    utc_ns = 1_773_500_966_000_000_000
    record_run(path, steady(2.0), utc_ns=utc_ns, utc_sigma_s=0.01)  # type: ignore[arg-type]
    _, columns = replayed(path)
    # each frame is received 2 ms after the one before it, the first one 4 ms after the header
    true = 1_773_500_966.0 + 0.004 + np.arange(1_000) * 0.002 - DELAY_S
    np.testing.assert_allclose(columns["utc_s"], true, atol=2e-3)
    assert 0.01 <= float(columns["utc_sigma_s"][0]) < 0.012


def test_a_label_in_whole_seconds_is_known_to_a_second(tmp_path: Path) -> None:
    path = tmp_path / "raw.drm"
    record_run(path, steady(0.2), started_utc="2026-03-14T15:09:26+00:00")  # type: ignore[arg-type]
    _, columns = replayed(path)
    assert float(columns["utc_s"][0]) == pytest.approx(1_773_500_966.5, abs=0.1)
    assert float(columns["utc_sigma_s"][0]) == pytest.approx(1.0 / math.sqrt(12.0), rel=0.01)


def test_slow_values_of_the_front_end_and_from_outside_are_in_si(tmp_path: Path) -> None:
    def play(run: RunWriter) -> None:
        truck = Truck(run.rig, SPEED, RPM, CELL)
        run.received(hello_for(run.rig))
        run.slow(10_000, (0, 21.5))
        run.told(
            RecordKind.COMMAND,
            {"command": "slow-value", "id": 1, "name": "barometer", "value": 98.5, "age_s": 0.0},
        )
        run.received(truck.sample())

    path = tmp_path / "raw.drm"
    record_run(path, play)
    replay, columns = replayed(path)
    assert columns["slow_ambient_temperature"][0] == pytest.approx(294.65)
    assert columns["slow_barometer"][0] == pytest.approx(98_500.0)
    assert columns["slow_ambient_temperature_quality"][0] == 0
    assert columns["slow_humidity_quality"][0] == 3
    units = {column.name: column.unit for column in replay.columns}
    assert (units["slow_ambient_temperature"], units["slow_barometer"]) == ("K", "Pa")


def test_the_zeros_of_the_header_are_used(tmp_path: Path) -> None:
    path = tmp_path / "raw.drm"
    rig = record_run(path, steady(1.0), zeros={"front-left": 50_000.0, "gone": 1.0})  # type: ignore[arg-type]
    _, columns = replayed(path)
    cell = rig.absorbers[0].cell
    shift = 50_000.0 * cell.full_scale_mv_per_v / 2**23 * cell.newton_per_mv_per_v
    torque = float(columns["absorber_front_left_torque_nm"][-1])
    assert torque == pytest.approx((CELL - shift) * rig.absorbers[0].arm_m, rel=1e-4)


def test_the_learned_ratio_of_the_header_gives_engine_speed_without_a_pickup(
    tmp_path: Path,
) -> None:
    import msgspec

    path = tmp_path / "raw.drm"
    rig = record_run(path, steady(3.0), learned_ratio=9.5)  # type: ignore[arg-type]
    without = msgspec.structs.replace(rig, engine=msgspec.structs.replace(rig.engine, wheel=""))
    replay = Replay(Recording(path), without)
    columns = gather(replay.chunks())
    np.testing.assert_allclose(settled(columns, "engine_speed_radps"), SPEED * 9.5, rtol=2e-4)


def test_lost_frames_and_damage_are_counted_and_cost_no_row(tmp_path: Path) -> None:
    def play(run: RunWriter) -> None:
        truck = Truck(run.rig, SPEED, RPM, CELL)
        run.received(hello_for(run.rig))
        run.received(truck.sample())
        run.note(RecordKind.RX_DAMAGED, b"\x07\x01\x02")
        run.received(truck.sample(sequence_ahead=4))
        run.note(RecordKind.RX, b"\x09not a frame")

    path = tmp_path / "raw.drm"
    record_run(path, play)
    replay, columns = replayed(path)
    assert (replay.frames, replay.frames_lost, replay.damaged, replay.unusable) == (2, 4, 1, 1)
    assert columns["frames_lost"].tolist() == [0, 4]


def test_events_come_out_as_they_were_told(tmp_path: Path) -> None:
    told = {"time_s": 1.5, "kind": "run-ended", "text": "complete", "data": {"reason": "completed"}}

    def play(run: RunWriter) -> None:
        run.received(hello_for(run.rig))
        run.told(RecordKind.EVENT, told)
        run.note(RecordKind.EVENT, b"\xc1")

    path = tmp_path / "raw.drm"
    record_run(path, play)
    replay, columns = replayed(path)
    assert columns == {}
    assert replay.events == [told]
    assert replay.unusable == 1


def test_a_front_end_that_does_not_fit_the_rig_gives_no_rows_and_says_why(tmp_path: Path) -> None:
    import msgspec

    def play(run: RunWriter) -> None:
        hello = hello_for(run.rig)
        run.received(msgspec.structs.replace(hello, channels=hello.channels[1:]))
        run.received(Truck(run.rig, SPEED, RPM, CELL).sample())

    path = tmp_path / "raw.drm"
    record_run(path, play)
    replay, columns = replayed(path)
    assert columns == {}
    assert "no wheel channel 'front'" in replay.misfits[0]


def test_a_new_session_of_the_same_front_end_goes_on_and_a_restart_begins_anew(
    tmp_path: Path,
) -> None:
    def play(run: RunWriter) -> None:
        truck = Truck(run.rig, SPEED, RPM, CELL)
        run.received(hello_for(run.rig))
        for _ in range(1_000):
            run.received(truck.sample())
        run.received(hello_for(run.rig, session=4))
        run.received(truck.sample())
        run.received(hello_for(run.rig, boot_id=8))
        run.received(truck.sample())

    path = tmp_path / "raw.drm"
    record_run(path, play)
    _, columns = replayed(path)
    assert columns["rolls_front_speed_mps"][1_000] == pytest.approx(SPEED, rel=1e-3)
    assert columns["rolls_front_speed_mps"][1_001] != pytest.approx(SPEED, rel=1e-3)


def test_a_torn_recording_replays_up_to_the_tear(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daq.recording.recorder.BLOCK_BYTES", 8_000)
    path = tmp_path / "raw.drm"
    record_run(path, steady(1.0))  # type: ignore[arg-type]
    whole, columns = replayed(path)
    torn = tmp_path / "torn.drm"
    torn.write_bytes(path.read_bytes()[:-2_000])
    replay, part = replayed(torn)
    assert replay.recording.health.torn_tail
    assert not replay.recording.health.ended
    assert 250 < replay.frames < whole.frames
    for name, values in part.items():
        # the pull of a row is read from 25 ms later, which the last rows do not have
        np.testing.assert_array_equal(values[:-20], columns[name][: values.size - 20])


def test_a_recording_without_a_header_cannot_be_replayed(tmp_path: Path) -> None:
    path = tmp_path / "raw.drm"
    path.write_bytes(b"DRUMRAW1")
    with pytest.raises(RecordingError, match="no header"):
        Replay(Recording(path))


def test_a_column_is_a_plain_value() -> None:
    assert Column("a", "m", "f8", "x") == Column("a", "m", "f8", "x")
