"""The recorder never holds the loop up, loses at most a second, and says what the disk does."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from daq.errors import RecordingError
from daq.recording.reader import Record, Recording
from daq.recording.recorder import WRITE_EVERY_S, RawRecorder, RecorderState, RecordKind

FRAME = bytes(range(1, 76))


def until(what: Callable[[], bool], patience_s: float = 60.0) -> None:
    deadline = time.monotonic() + patience_s
    while not what():
        assert time.monotonic() < deadline, "it never came"
        time.sleep(0.005)


def payloads(path: Path, kind: RecordKind = RecordKind.RX) -> list[bytes]:
    return [record.payload for record in Recording(path) if record.kind == kind]


def test_what_was_appended_reads_back_in_order_with_its_times(tmp_path: Path) -> None:
    recorder = RawRecorder(tmp_path / "runs" / "one" / "raw.drm")
    sent = [
        (RecordKind.HEADER, 0, b"{}"),
        (RecordKind.RX, 1_000, FRAME),
        (RecordKind.TX, 2**63, b"\x81"),
        (RecordKind.COMMAND, 3, b""),
        (RecordKind.EVENT, 4, b"x" * 100_000),
        (RecordKind.RX_DAMAGED, 5, b"\xff\xfe"),
    ]
    for kind, host_ns, payload in sent:
        assert recorder.append(kind, host_ns, payload)
    assert recorder.close()
    recording = Recording(recorder.path)
    read = list(recording)
    assert read[:-1] == [Record(*record) for record in sent]
    assert read[-1].kind == RecordKind.END
    assert recording.health.ended
    assert recording.health.records == len(sent) + 1
    assert not recording.health.torn_tail
    view = recorder.view
    assert (view.state, view.records, view.dropped) == (RecorderState.CLOSED, len(sent) + 1, 0)
    assert view.stored_bytes == recorder.path.stat().st_size
    assert view.queued_bytes == 0


def test_an_existing_recording_is_never_touched(tmp_path: Path) -> None:
    path = tmp_path / "raw.drm"
    path.write_bytes(b"a run of last year")
    with pytest.raises(RecordingError, match="exists already") as caught:
        RawRecorder(path)
    assert caught.value.remedy
    assert path.read_bytes() == b"a run of last year"


def test_a_directory_that_cannot_be_is_said_with_the_next_step(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(RecordingError, match="--data"):
        RawRecorder(tmp_path / "file" / "raw.drm")


def test_records_are_on_disk_while_the_run_goes_on(tmp_path: Path) -> None:
    recorder = RawRecorder(tmp_path / "raw.drm")
    recorder.append(RecordKind.RX, 1, FRAME)
    until(lambda: recorder.view.records == 1)
    assert payloads(recorder.path) == [FRAME]
    assert not Recording(recorder.path).health.ended
    assert recorder.close()


def test_the_header_goes_to_disk_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("daq.recording.recorder.WRITE_EVERY_S", 600.0)
    recorder = RawRecorder(tmp_path / "raw.drm")
    time.sleep(0.05)  # the file is there before its header comes
    recorder.append(RecordKind.HEADER, 1, b"{}")
    until(lambda: payloads(recorder.path, RecordKind.HEADER) == [b"{}"])
    assert recorder.close()


def test_an_append_after_the_end_is_dropped_and_counted_and_harms_nothing(tmp_path: Path) -> None:
    recorder = RawRecorder(tmp_path / "raw.drm")
    recorder.append(RecordKind.RX, 1, FRAME)
    recorder.close()
    assert not recorder.append(RecordKind.RX, 2, FRAME)
    assert recorder.view.dropped == 1
    assert payloads(recorder.path) == [FRAME]


def test_ending_twice_is_ending_once(tmp_path: Path) -> None:
    recorder = RawRecorder(tmp_path / "raw.drm")
    recorder.end()
    recorder.end()
    assert recorder.close()
    assert [record.kind for record in Recording(recorder.path)] == [RecordKind.END]


class SlowDisk:
    """Holds the recorder's thread in its sync until it is let go."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.stuck = True
        self.fail_with: OSError | None = None
        real = os.fdatasync

        def fdatasync(fd: int) -> None:
            while self.stuck:
                time.sleep(0.005)
            if self.fail_with is not None:
                raise self.fail_with
            real(fd)

        monkeypatch.setattr(os, "fdatasync", fdatasync)


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> Iterator[SlowDisk]:
    slow = SlowDisk(monkeypatch)
    yield slow
    slow.stuck = False


def test_a_stuck_disk_costs_bounded_memory_and_counted_records(
    tmp_path: Path, disk: SlowDisk
) -> None:
    limit = 100_000
    recorder = RawRecorder(tmp_path / "raw.drm", queue_bytes=limit)
    taken = [recorder.append(RecordKind.RX, number, FRAME) for number in range(10_000)]
    assert recorder.view.queued_bytes <= limit
    assert taken.count(False) == recorder.view.dropped > 8_000
    disk.stuck = True
    until(lambda: recorder.view.state is RecorderState.BEHIND)
    assert "dropped" in recorder.view.problem
    assert recorder.view.remedy
    disk.stuck = False
    assert recorder.close()
    assert len(payloads(recorder.path)) == taken.count(True)


def test_a_disk_error_is_a_state_and_the_record_is_written_when_it_is_over(
    tmp_path: Path, disk: SlowDisk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daq.recording.recorder.RETRY_S", 0.01)
    disk.fail_with = OSError(5, "Input/output error")
    disk.stuck = False
    recorder = RawRecorder(tmp_path / "raw.drm")
    assert recorder.append(RecordKind.RX, 1, FRAME)
    until(lambda: recorder.view.state is RecorderState.FAILED)
    assert "Input/output error" in recorder.view.problem
    assert recorder.view.remedy
    disk.fail_with = None
    until(lambda: recorder.view.records == 1)
    assert recorder.view.state is RecorderState.RECORDING
    assert recorder.view.problem == ""
    assert recorder.close()
    assert payloads(recorder.path) == [FRAME]


def test_a_disk_that_takes_nothing_to_the_end_lets_the_recorder_go_and_counts_the_loss(
    tmp_path: Path, disk: SlowDisk
) -> None:
    disk.fail_with = OSError(28, "No space left on device")
    disk.stuck = False
    recorder = RawRecorder(tmp_path / "raw.drm")
    recorder.append(RecordKind.RX, 1, FRAME)
    until(lambda: recorder.view.state is RecorderState.DISK_FULL)
    assert not recorder.close()
    assert recorder.view.dropped >= 1
    assert recorder.path.stat().st_size == recorder.view.stored_bytes, "no half block is left"


FULL_DISK = """
import resource, sys, time
from pathlib import Path
from daq.recording.recorder import RecordKind, RawRecorder, RecorderState
from daq.recording import recorder as module
module.RETRY_S = 0.05
_, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
resource.setrlimit(resource.RLIMIT_FSIZE, (40_000, hard))
recorder = RawRecorder(Path(sys.argv[1]))
import random
noise = random.Random(1).randbytes
def until(what):
    end = time.monotonic() + 250
    while not what():
        assert time.monotonic() < end, recorder.view
        time.sleep(0.01)
for number in range(100):
    assert recorder.append(RecordKind.RX, number, noise(1000))
    if number == 30:
        until(lambda: recorder.view.records > 0)
until(lambda: recorder.view.state is RecorderState.DISK_FULL)
print("full:", recorder.view.problem, flush=True)
resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
until(lambda: recorder.view.state is RecorderState.RECORDING)
assert recorder.close(), recorder.view
assert recorder.view.dropped == 0
"""


def test_a_file_that_may_not_grow_is_shown_as_full_and_goes_on_when_there_is_room(
    tmp_path: Path,
) -> None:
    """A real refusal of the system, part way through a block: a limit on the size of files."""
    path = tmp_path / "raw.drm"
    done = subprocess.run(
        [sys.executable, "-c", FULL_DISK, str(path)],
        check=False,
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert done.returncode == 0, done.stderr
    assert "no room" in done.stdout
    recording = Recording(path)
    assert [record.host_ns for record in recording if record.kind == RecordKind.RX] == list(
        range(100)
    )
    assert recording.health.damaged_blocks == recording.health.missing_blocks == 0


def test_what_is_appended_waits_no_longer_than_half_a_second_for_the_disk() -> None:
    assert WRITE_EVERY_S <= 0.5


KILLED = """
import sys, time
from pathlib import Path
from daq.recording.recorder import RecordKind, RawRecorder
recorder = RawRecorder(Path(sys.argv[1]))
began, number = time.monotonic(), 0
while True:
    number += 1
    time.sleep(max(0.0, began + number / 500 - time.monotonic()))
    recorder.append(RecordKind.RX, time.monotonic_ns(), bytes(range(1, 76)))
    if number % 50 == 0:
        print(number, recorder.view.records, flush=True)
"""


@pytest.mark.live
def test_kill_9_loses_at_most_a_second_and_the_file_reads_back(tmp_path: Path) -> None:
    path = tmp_path / "raw.drm"
    with subprocess.Popen(
        [sys.executable, "-c", KILLED, str(path)], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        appended = stored = 0
        for told in process.stdout:  # of frames, ten times a second
            appended, stored = map(int, told.split())
            # Two seconds, and longer where the disk has other work: then it is behind and says so.
            if appended >= 1_000 and stored >= appended - 500:
                break
        process.send_signal(signal.SIGKILL)
        process.wait()
    records = list(Recording(path))
    assert all(record.payload == FRAME for record in records)
    times = [record.host_ns for record in records]
    assert times == sorted(times)
    assert len(records) >= stored >= appended - 500, "what counts as stored outlives the process"
