"""A hurt recording gives back everything that is not hurt, and says what is missing."""

from __future__ import annotations

import random
from pathlib import Path

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daq.errors import RecordingError
from daq.recording import recorder as record_module
from daq.recording.reader import Header, Record, Recording
from daq.recording.recorder import BLOCK_MARK, HEAD_BYTES, MAGIC, RawRecorder, RecordKind

MARK = BLOCK_MARK.to_bytes(4, "little")


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """About 40 blocks of 50 numbered records with noise in them."""
    patch = pytest.MonkeyPatch()
    patch.setattr(record_module, "BLOCK_BYTES", 4_000)
    path = tmp_path_factory.mktemp("recording") / "raw.drm"
    noise = random.Random(1)
    recorder = RawRecorder(path)
    for number in range(2_000):
        recorder.append(RecordKind.RX, number, noise.randbytes(70))
    assert recorder.close()
    patch.undo()
    return path


def numbers(recording: Recording) -> list[int]:
    return [record.host_ns for record in recording if record.kind == RecordKind.RX]


def starts(path: Path) -> list[int]:
    """Where each block begins."""
    data = path.read_bytes()
    found, at = [], data.find(MARK)
    while at >= 0:
        found.append(at)
        stored = int.from_bytes(data[at + 8 : at + 12], "little")
        at = data.find(MARK, at + HEAD_BYTES + stored)
    return found


def changed(path: Path, to: Path, edit: bytes, at: int) -> Recording:
    data = bytearray(path.read_bytes())
    data[at : at + len(edit)] = edit
    to.write_bytes(data)
    return Recording(to)


def test_a_whole_recording_is_found_whole(whole: Path) -> None:
    recording = Recording(whole)
    assert numbers(recording) == list(range(2_000))
    health = recording.health
    assert health.ended
    assert not health.torn_tail
    assert health.blocks == len(starts(whole)) > 30
    assert health.damaged_blocks == health.missing_blocks == health.skipped_bytes == 0


def test_a_torn_tail_is_tolerated_wherever_it_was_torn(whole: Path, tmp_path: Path) -> None:
    data = whole.read_bytes()
    places = starts(whole)
    torn = tmp_path / "torn.drm"
    for cut in [*range(places[3] + 1, places[4], 97), places[5] + 3, places[6] + HEAD_BYTES]:
        torn.write_bytes(data[:cut])
        recording = Recording(torn)
        got = numbers(recording)
        assert got == list(range(len(got)))
        assert len(got) >= 100
        assert recording.health.torn_tail
        assert not recording.health.ended


def test_a_cut_between_two_blocks_is_not_torn_but_not_ended(whole: Path, tmp_path: Path) -> None:
    cut = tmp_path / "cut.drm"
    cut.write_bytes(whole.read_bytes()[: starts(whole)[4]])
    recording = Recording(cut)
    assert numbers(recording)
    assert not recording.health.torn_tail
    assert not recording.health.ended


def test_zeros_behind_the_last_block_as_after_a_power_cut_are_a_torn_tail(
    whole: Path, tmp_path: Path
) -> None:
    hurt = tmp_path / "zeros.drm"
    hurt.write_bytes(whole.read_bytes()[: starts(whole)[4]] + bytes(10_000))
    recording = Recording(hurt)
    assert len(numbers(recording)) > 0
    assert recording.health.torn_tail
    assert recording.health.skipped_bytes == 10_000


@pytest.mark.parametrize("where", [0, 4, 8, 12, 16, 20, HEAD_BYTES, HEAD_BYTES + 500])
def test_a_damaged_block_is_skipped_and_counted_and_the_rest_is_read(
    whole: Path, tmp_path: Path, where: int
) -> None:
    places = starts(whole)
    at = places[5] + where
    flipped = bytes((whole.read_bytes()[at] ^ 0x40,))
    recording = changed(whole, tmp_path / "hurt.drm", flipped, at)
    got = numbers(recording)
    lost = sorted(set(range(2_000)) - set(got))
    assert got == sorted(got)
    assert 0 < len(lost) < 100
    assert lost == list(range(lost[0], lost[-1] + 1)), "one block's worth in one piece"
    assert recording.health.damaged_blocks == 1
    assert recording.health.missing_blocks == 1
    assert recording.health.skipped_bytes == places[6] - places[5]
    assert recording.health.ended


def test_a_block_cut_out_altogether_is_missed_by_its_number(whole: Path, tmp_path: Path) -> None:
    data, places = whole.read_bytes(), starts(whole)
    out = tmp_path / "out.drm"
    out.write_bytes(data[: places[7]] + data[places[9] :])
    recording = Recording(out)
    assert numbers(recording)
    assert recording.health.missing_blocks == 2
    assert recording.health.damaged_blocks == 0


@given(st.lists(st.tuples(st.floats(0, 1), st.binary(min_size=1, max_size=300)), max_size=6))
@settings(deadline=None, max_examples=60, suppress_health_check=list(HealthCheck))
def test_whatever_is_overwritten_only_true_records_come_back(
    whole: Path, tmp_path: Path, edits: list[tuple[float, bytes]]
) -> None:
    true = {record.host_ns: record.payload for record in Recording(whole)}
    data = bytearray(whole.read_bytes())
    for place, edit in edits:
        at = len(MAGIC) + int(place * (len(data) - len(MAGIC) - len(edit)))
        data[at : at + len(edit)] = edit
    hurt = tmp_path / "any.drm"
    hurt.write_bytes(data)
    for record in Recording(hurt):
        assert true[record.host_ns] == record.payload


def test_a_head_that_claims_gigabytes_is_not_believed(whole: Path, tmp_path: Path) -> None:
    at = starts(whole)[2]
    recording = changed(whole, tmp_path / "huge.drm", b"\xff\xff\xff\x7f\xff\xff\xff\x7f", at + 8)
    assert len(numbers(recording)) > 1_900
    assert recording.health.damaged_blocks == 1


def test_an_empty_file_is_a_recording_cut_off_at_its_start(tmp_path: Path) -> None:
    empty = tmp_path / "raw.drm"
    empty.write_bytes(b"")
    assert list(Recording(empty)) == []
    with pytest.raises(RecordingError, match="no header"):
        Recording(empty).header()


def test_a_file_of_another_kind_is_refused_with_the_next_step(tmp_path: Path) -> None:
    other = tmp_path / "other.drm"
    other.write_bytes(b"something else altogether")
    with pytest.raises(RecordingError, match=r"raw\.drm"):
        Recording(other)
    with pytest.raises(RecordingError, match="cannot be read"):
        Recording(tmp_path / "nowhere")


def test_the_header_says_what_a_replay_needs(tmp_path: Path) -> None:
    header = Header(
        rig_text="name = 'x'",
        rig_fingerprint="ab",
        version="0.1.0",
        plan=msgspec.Raw(b'{"kind":"steady-hold"}'),
        zeros={"front-left": 1234.5},
        learned_ratio=3.25,
    )
    recorder = RawRecorder(tmp_path / "raw.drm")
    recorder.append(RecordKind.HEADER, 0, msgspec.json.encode(header))
    recorder.close()
    read = Recording(recorder.path).header()
    assert read == header
    assert msgspec.json.decode(read.plan) == {"kind": "steady-hold"}


def test_a_header_of_another_form_is_refused_with_the_next_step(tmp_path: Path) -> None:
    recorder = RawRecorder(tmp_path / "raw.drm")
    recorder.append(RecordKind.HEADER, 0, b'{"rig_text": 5}')
    recorder.close()
    with pytest.raises(RecordingError, match="newer Drumlin"):
        Recording(recorder.path).header()


def test_records_compare_as_plain_values() -> None:
    assert Record(1, 2, b"x") == (1, 2, b"x")
