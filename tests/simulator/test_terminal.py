"""The simulated rig behind a pseudo-terminal: real bytes, hosts that come and go, orderly ends."""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import termios
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from daq.wire.codec import encode
from daq.wire.deframer import Deframer, Direction
from daq.wire.frames import AskIdentity, AskTime, Frame, Hello, Sample, SetPoint, Time
from simulator import terminal
from simulator.plant import Plant
from simulator.rig_and_truck.setup import tarnhow
from simulator.terminal import LinkTaken, PseudoTerminal, RealTime
from simulator.truth_log import TruthLog, read_truth

pytestmark = pytest.mark.live

PATIENCE_S = 90.0


@contextmanager
def rig_behind(link: Path, truth: Path | None = None) -> Iterator[RealTime]:
    plant = Plant(tarnhow(1), seed=1)
    plant.warm_up()
    real_time = RealTime(plant, PseudoTerminal(link))
    log = TruthLog(truth, plant) if truth is not None else None
    thread = threading.Thread(target=real_time.run, args=(log.frame if log is not None else None,))
    thread.start()
    try:
        yield real_time
    finally:
        real_time.stop = True
        thread.join(timeout=PATIENCE_S)
        real_time.terminal.close()
        if log is not None:
            log.close()


class Line:
    """A host's end of the line: opened raw, read with patience."""

    def __init__(self, link: Path) -> None:
        self.port = os.open(link, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        termios.tcflush(self.port, termios.TCIOFLUSH)
        self.deframer = Deframer(Direction.FROM_FRONT_END)
        self.frames: list[Frame] = []

    def send(self, frame: Frame) -> None:
        os.write(self.port, encode(frame))

    def until(self, enough: Callable[[list[Frame]], bool]) -> list[Frame]:
        deadline = time.monotonic() + PATIENCE_S
        while not enough(self.frames):
            assert time.monotonic() < deadline, f"waited {PATIENCE_S} s in vain"
            try:
                self.frames += self.deframer.feed(os.read(self.port, 4096))
            except BlockingIOError:
                time.sleep(0.001)
        return self.frames

    def close(self) -> None:
        os.close(self.port)


def samples(frames: list[Frame]) -> list[Sample]:
    return [frame for frame in frames if isinstance(frame, Sample)]


def test_a_host_reads_whole_frames_and_no_loss_is_silent(tmp_path: Path) -> None:
    with rig_behind(tmp_path / "port") as rig:
        line = Line(tmp_path / "port")
        frames = samples(line.until(lambda frames: len(samples(frames)) > 100))
        line.close()
        lost = rig.terminal.bursts_lost
    first, last = frames[0], frames[-1]
    missing = last.sequence - first.sequence + 1 - len(frames)
    assert 0 <= missing <= lost  # none at all unless this reader was too slow
    for frame in frames:
        assert (frame.tick - first.tick) & 0xFFFFFFFF == 2000 * (frame.sequence - first.sequence)


def test_a_host_may_leave_and_another_come(tmp_path: Path) -> None:
    with rig_behind(tmp_path / "port"):
        last = -1
        for session in (5, 6, 7):
            line = Line(tmp_path / "port")
            line.send(AskIdentity(session))
            frames = line.until(
                lambda frames: (
                    any(isinstance(each, Hello) and each.session for each in frames)
                    and len(samples(frames)) > 5
                )
            )
            hellos = [each for each in frames if isinstance(each, Hello)]
            line.close()
            assert hellos[-1].session == session
            assert samples(frames)[0].sequence > last
            last = samples(frames)[-1].sequence


def test_bytes_that_mean_something_to_a_terminal_pass_unharmed(tmp_path: Path) -> None:
    tokens = [0x03030303, 0x0A0D0A0D, 0x11131113, 0x1A1C7F04, 0x0D0D0D0D]
    with rig_behind(tmp_path / "port"):
        line = Line(tmp_path / "port")
        for token in tokens:
            line.send(AskTime(token))
        frames = line.until(
            lambda frames: sum(isinstance(each, Time) for each in frames) == len(tokens)
        )
        line.close()
    assert [each.token for each in frames if isinstance(each, Time)] == tokens


def test_nobody_listening_stops_nothing(tmp_path: Path) -> None:
    with rig_behind(tmp_path / "port") as rig:
        deadline = time.monotonic() + PATIENCE_S
        while rig.terminal.bursts_lost < 20 and time.monotonic() < deadline:
            time.sleep(0.01)
        assert rig.terminal.bursts_lost >= 20
        line = Line(tmp_path / "port")
        frames = samples(line.until(lambda frames: len(samples(frames)) > 20))
        line.close()
    assert frames[-1].sequence - frames[0].sequence >= 20


def test_a_stopped_process_makes_no_byte_later_than_its_frame(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A set point that lay in the line meanwhile was valid for 100 ms, not for the whole stop."""
    stopped_s = [0.0]

    class Clock:
        monotonic = staticmethod(lambda: time.monotonic() + stopped_s[0])

    class Waiting:
        @staticmethod
        def select(*what: Any) -> Any:
            ready = select.select(*what)
            if ready[0] and set_points:
                stopped_s[0] = 100.0  # between the byte and its reading
            return ready

    set_points: list[SetPoint] = []
    monkeypatch.setattr(terminal, "time", Clock)
    monkeypatch.setattr(terminal, "select", Waiting)
    with rig_behind(tmp_path / "port") as rig:
        line = Line(tmp_path / "port")
        line.send(AskIdentity(5))
        line.until(lambda frames: any(isinstance(each, Hello) and each.session for each in frames))
        currents = tuple(0 for _ in rig.plant.setup.absorbers)

        def stopped(_: list[Frame]) -> bool:
            """A rig that runs late reads without waiting: then the next one is to be met."""
            if not stopped_s[0]:
                set_points.append(SetPoint(5, len(set_points) + 1, 100, 0, currents))
                line.send(set_points[-1])
            return bool(stopped_s[0])

        line.until(stopped)
        after = len(line.frames)
        frames = samples(line.until(lambda frames: len(samples(frames[after:])) > 20)[after:])
        line.close()
    assert max(each.permission_left_ms for each in frames) <= 100


def test_the_link_goes_with_the_rig(tmp_path: Path) -> None:
    with rig_behind(tmp_path / "port"):
        assert (tmp_path / "port").is_symlink()
    assert not (tmp_path / "port").is_symlink()


def test_a_stale_link_is_replaced_and_a_file_is_not(tmp_path: Path) -> None:
    link = tmp_path / "port"
    link.symlink_to("/nowhere/at/all")
    terminal = PseudoTerminal(link)
    assert os.path.realpath(link) == terminal.name
    terminal.close()
    link.write_text("mine")
    with pytest.raises(LinkTaken, match="--link"):
        PseudoTerminal(link)
    assert link.read_text() == "mine"


def test_a_job_runs_between_frames_and_hands_back_its_error(tmp_path: Path) -> None:
    with rig_behind(tmp_path / "port") as rig:
        assert rig.ask(lambda: rig.plant.driver.gear, PATIENCE_S) == 4

        def wrong() -> None:
            rig.plant.driver.tell(pedal=3.0)

        with pytest.raises(ValueError, match="pedal"):
            rig.ask(wrong, PATIENCE_S)


def test_the_truth_log_names_its_columns_and_counts_frames(tmp_path: Path) -> None:
    truth = tmp_path / "truth.bin"
    plant = Plant(tarnhow(1), seed=1)
    plant.spin(10.0, 10.0)
    with TruthLog(truth, plant, every=4) as log:
        for _ in range(100):
            plant.advance()
            log.frame()
    with truth.open("ab") as file:
        file.write(b"torn")
    names, rows = read_truth(truth)
    assert rows.shape == (25, len(names))
    assert rows[:, names.index("sequence")].tolist() == list(range(0, 100, 4))
    assert rows[-1, names.index("front_speed_mps")] == pytest.approx(10.0, abs=0.5)
    assert rows[1, names.index("tick")] - rows[0, names.index("tick")] == 8000.0


@pytest.fixture(scope="module")
def started(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, int]]:
    """`python -m simulator` as a process of its own: its directory and the port of its seat."""
    home = tmp_path_factory.mktemp("rig")
    process = subprocess.Popen(
        [sys.executable, "-m", "simulator", "--link", home / "port", "--data", home / "data",
         "--truth", home / "truth.bin"],
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stdout is not None
    try:
        line = process.stdout.readline()
        assert "seat http://127.0.0.1:" in line
        yield home, int(line.rsplit(":", 1)[1].strip().strip("/"))
    finally:
        process.send_signal(signal.SIGTERM)
        code = process.wait(timeout=PATIENCE_S)
        process.stdout.close()
    assert code == 0
    assert not (home / "port").is_symlink()


def fetch(port: int, path: str, body: bytes | None = None, **headers: str) -> tuple[int, bytes]:
    request = urllib.request.Request(f"http://127.0.0.1:{port}{path}", data=body, headers=headers)
    try:
        with urllib.request.urlopen(request, timeout=PATIENCE_S) as answer:
            return answer.status, answer.read()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.read()


def state(port: int) -> dict[str, object]:
    answer: dict[str, object] = json.loads(fetch(port, "/state")[1])
    return answer


def tell(port: int, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "simulator", "tell", *words, "--driver-port", str(port)],
        capture_output=True, text=True, check=False, timeout=180,
    )  # fmt: skip


@pytest.fixture
def seat(started: tuple[Path, int]) -> int:
    return started[1]


def test_the_started_rig_says_where_it_is(started: tuple[Path, int]) -> None:
    home, port = started
    about = json.loads((home / "data" / "simulator.json").read_text())
    assert about["seat"] == port
    assert about["port"] == os.path.realpath(home / "port")


def test_the_driver_does_as_told_from_the_command_line(seat: int) -> None:
    assert tell(seat, "pedal", "35").returncode == 0
    assert state(seat)["pedal"] == 35.0
    assert tell(seat, "transfer-case", "open").returncode == 0
    assert state(seat)["transfer-case"] == "open"
    assert tell(seat, "lift").returncode == 0
    assert state(seat)["pedal"] == 0.0


def test_faults_are_made_and_mended_from_the_command_line(seat: int) -> None:
    assert tell(seat, "fault", "wheel", "missing", "front", "0.1").returncode == 0
    assert state(seat)["faults"] == ["wheel missing front"]
    assert tell(seat, "mend").returncode == 0
    assert state(seat)["faults"] == []


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("pedal", "800"), "0 to 100"),
        (("pedal", "hard"), "what to tell"),
        (("fault", "wheel", "odd", "front"), "one of"),
        (("gear", "9"), "1 to 6"),
    ],
)
def test_what_is_not_understood_is_answered_with_what_is(
    seat: int, words: tuple[str, ...], says: str
) -> None:
    done = tell(seat, *words)
    assert done.returncode != 0
    assert says in done.stderr
    assert "Traceback" not in done.stderr


def test_telling_an_empty_seat_says_how_to_start_one() -> None:
    done = tell(1, "pedal", "10")
    assert done.returncode == 1
    assert "python -m simulator --link" in done.stderr


def test_the_seat_has_a_page_and_a_menu(seat: int) -> None:
    status, page = fetch(seat, "/")
    assert status == 200
    assert b"http" not in page.replace(b"http-equiv", b"")  # nothing from elsewhere
    assert json.loads(fetch(seat, "/menu")[1])["board"]["reboot"]


@pytest.mark.parametrize(
    ("path", "body", "headers", "status"),
    [
        ("/tell", b'{"pedal": 10}', {"Content-Type": "text/plain"}, 400),
        ("/tell", b"[1]", {"Content-Type": "application/json"}, 400),
        ("/tell", b"{", {"Content-Type": "application/json"}, 400),
        ("/tell", b'{"pedal": true}', {"Content-Type": "application/json"}, 400),
        ("/tell", b'{"pedal": NaN}', {"Content-Type": "application/json"}, 400),
        ("/tell", b'{"horn": 1}', {"Content-Type": "application/json"}, 400),
        ("/tell", b"1" * 5000, {"Content-Type": "application/json"}, 400),
        ("/state", None, {"Host": "elsewhere.example"}, 403),
        ("/other", None, {}, 404),
    ],
)
def test_the_seat_refuses_nonsense_and_strangers(
    seat: int, path: str, body: bytes | None, headers: dict[str, str], status: int
) -> None:
    before = state(seat)["pedal"]
    code, answer = fetch(seat, path, body, **headers)
    assert code == status
    assert json.loads(answer)["problem"]
    assert state(seat)["pedal"] == before


def test_a_seat_that_is_taken_is_named(started: tuple[Path, int]) -> None:
    home, port = started
    done = subprocess.run(
        [sys.executable, "-m", "simulator", "--link", home / "second", "--driver-port", str(port)],
        capture_output=True, text=True, check=False, timeout=180,
    )  # fmt: skip
    assert done.returncode == 1
    assert "--driver-port" in done.stderr
    assert not (home / "second").is_symlink()
