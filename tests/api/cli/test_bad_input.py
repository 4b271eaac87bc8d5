"""Bad input gives one clear message with the next step and a non-zero exit, never a traceback.

Most cases call the command's `main` in the process of the tests; that a process of its own says the
same is tested for one refusal of each way to end. What starts other processes is always a process.
"""

from __future__ import annotations

import asyncio
import os
import socket
import subprocess
import sys
import threading
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import serial

from api.cli.main import main
from api.runtime.loop import LoopSettings, run_loop
from daq.errors import DrumlinError
from daq.wire.codec import encode
from daq.wire.deframer import Deframer, Direction
from daq.wire.frames import AskIdentity, Hello, ResetCause
from tests.api.launch.running import run
from tests.ports import free_port

pytestmark = pytest.mark.timeout(300)  # whole processes: seconds, but not on a busy computer
RIG = Path(__file__).parents[3] / "rigs" / "tarnhow.toml"


@pytest.fixture
def terminal() -> Iterator[tuple[int, str]]:
    """A pseudo-terminal with nobody behind it: our end, and the name of the other."""
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    name = os.ttyname(theirs)
    yield ours, name
    os.close(ours)
    os.close(theirs)


MAY_COME = 75  # the exit code after which starting again makes sense


Refused = Callable[..., str]


@pytest.fixture
def said(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., tuple[int, str, str]]:
    """Exit code, output and complaint of the command, called in this process."""

    def call(*arguments: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["drumlin", *arguments])
        capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main()
        assert isinstance(ended.value.code, int)
        return (ended.value.code, *capsys.readouterr())

    return call


@pytest.fixture
def refused(said: Callable[..., tuple[int, str, str]]) -> Refused:
    """The message of a command that must end with that exit code, and say nothing else."""

    def call(*arguments: str, exit_code: int = 2) -> str:
        code, output, complaint = said(*arguments)
        assert (code, output) == (exit_code, ""), complaint
        return complaint

    return call


def refused_alone(*arguments: str, exit_code: int = 2) -> str:
    """The same of a process of its own, without a traceback."""
    done = run(*arguments)
    assert done.returncode == exit_code, (done.returncode, done.stdout, done.stderr)
    assert "Traceback" not in done.stderr
    assert done.stdout == ""
    return done.stderr


def serve(data: Path, port: str, *more: str, rig: Path = RIG) -> tuple[str, ...]:
    listen = () if "--listen" in more else ("--listen", f":{free_port()}")
    return ("serve", "--rig", str(rig), "--data", str(data), "--port", port, *listen, *more)


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("name = ", "not valid TOML"),
        ('name = "x"', "roll_sets"),
        (RIG.read_text().replace("arm_m = 0.60", "arm_m = -1.0", 1), "arm_m"),
        (RIG.read_text().replace("teeth = 60", "teeht = 60", 1), "teeht"),
        (RIG.read_text().replace('roll_set = "front"', 'roll_set = "middle"', 1), "middle"),
    ],
    ids=["no TOML", "empty", "impossible arm", "misspelt key", "unknown roll set"],
)
def test_a_malformed_rig_file_is_named_with_the_key(
    refused: Refused, tmp_path: Path, text: str, complaint: str
) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(text)
    assert complaint in refused(*serve(tmp_path / "data", "/dev/null", rig=rig))


def test_a_missing_rig_file_is_said(refused: Refused, tmp_path: Path) -> None:
    message = refused(*serve(tmp_path, "/dev/null", rig=tmp_path / "none.toml"))
    assert "There is no rig file" in message
    assert "--rig" in message


def test_a_missing_port_is_said_with_where_to_look(refused: Refused, tmp_path: Path) -> None:
    message = refused(*serve(tmp_path, str(tmp_path / "ttyACM9")), exit_code=MAY_COME)
    assert "There is no serial port" in message
    assert "/dev/serial/by-id" in message


def test_the_documented_unit_starts_again_when_the_port_was_late() -> None:
    page = (RIG.parents[1] / "docs" / "operating.md").read_text(encoding="utf-8")
    text = page.split("    [Unit]\n")[1].split("\n\n## ")[0]
    unit = dict(line.strip().split("=", 1) for line in text.splitlines() if "=" in line)
    assert unit["Restart"] == "on-failure"
    assert str(MAY_COME) not in unit["RestartPreventExitStatus"].split()
    assert unit["StartLimitIntervalSec"] == "0"  # however late it is
    assert float(unit["RestartSec"]) <= 10.0
    assert "--port /dev/serial/by-id/" in unit["ExecStart"]


def test_no_port_at_all_is_said(refused: Refused, tmp_path: Path) -> None:
    assert "--port" in refused(*serve(tmp_path, ""))


@pytest.mark.parametrize("command", ["heat", "absorbers", "prove status"])
def test_a_data_directory_that_is_not_there_is_said(
    refused: Refused, command: str, tmp_path: Path
) -> None:
    assert "no data directory" in refused(*command.split(), "--data", str(tmp_path / "mistyped"))


def test_a_file_is_no_serial_port(refused: Refused, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    assert "not a serial port" in refused(
        *serve(tmp_path, str(tmp_path / "file")), exit_code=MAY_COME
    )


def test_a_busy_port_is_said(tmp_path: Path, terminal: tuple[int, str]) -> None:
    with serial.Serial(terminal[1], exclusive=True):
        message = refused_alone(*serve(tmp_path, terminal[1]), exit_code=MAY_COME)
    assert "is busy: another program holds it" in message


def test_a_taken_address_is_said(
    refused: Refused, tmp_path: Path, terminal: tuple[int, str]
) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        number = other.getsockname()[1]
        message = refused(*serve(tmp_path, terminal[1], "--listen", f"127.0.0.1:{number}"))
    assert f"Port {number} on 127.0.0.1 is already in use" in message
    assert "--listen" in message


@pytest.mark.parametrize("listen", ["nonsense:x", "127.0.0.1:99999", ":0"])
def test_an_impossible_address_is_said(refused: Refused, tmp_path: Path, listen: str) -> None:
    assert "no address to listen on" in refused(*serve(tmp_path, "/dev/null", "--listen", listen))


def test_nothing_is_served_beyond_this_computer_without_tokens(
    refused: Refused, tmp_path: Path, terminal: tuple[int, str]
) -> None:
    message = refused(*serve(tmp_path, terminal[1], "--listen", f"0.0.0.0:{free_port()}"))
    assert "without tokens" in message
    assert "drumlin token add" in message


def test_a_missing_settings_file_is_said(
    refused: Refused, tmp_path: Path, terminal: tuple[int, str]
) -> None:
    message = refused(*serve(tmp_path, terminal[1], "--settings", str(tmp_path / "none.toml")))
    assert "There is no settings file" in message


async def test_a_damaged_memory_stops_the_start(tmp_path: Path, terminal: tuple[int, str]) -> None:
    """What the loop process runs; how `serve` hands on why that ended is tested below."""
    (tmp_path / "memory.json").write_text("{")
    with pytest.raises(DrumlinError) as refused:
        await run_loop(LoopSettings(RIG, terminal[1], tmp_path), asyncio.Event())
    assert "is damaged" in str(refused.value.problem)
    assert "may hold a latched trip" in str(refused.value.remedy)
    assert not hasattr(refused.value, "exit_code")  # starting again is no use


def test_a_front_end_of_another_protocol_is_refused(
    tmp_path: Path, terminal: tuple[int, str]
) -> None:
    ours, name = terminal
    ending = threading.Event()

    def front_end_of_the_future() -> None:
        deframer = Deframer(Direction.TO_FRONT_END)
        os.set_blocking(ours, False)
        while not ending.wait(0.01):
            try:
                data = os.read(ours, 4096)
            except OSError:
                continue
            for frame in deframer.feed(data):
                if isinstance(frame, AskIdentity):
                    hello = Hello(
                        9, 4, ResetCause.POWER_ON, 1_000_000, 500, 1, frame.session, 0, 0, "x", ()
                    )
                    os.write(ours, encode(hello))

    thread = threading.Thread(target=front_end_of_the_future)
    thread.start()
    try:
        message = refused_alone(*serve(tmp_path, name))
    finally:
        ending.set()
        thread.join()
    assert "speaks protocol 9.4" in message
    assert "update the older side" in message


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (("--rpm", "-5"), "rpm"),
        (("--rpm", "0"), "rpm"),
        (("--rpm", "1900", "--minutes", "0"), "seconds"),
        (("--rpm", "1900", "--minutes", "1e9"), "seconds"),
        (("--speed", "900"), "speed_mps"),
        (("--speed", "fast"), "is not a speed"),
        (("--speed", "50lb"), "is no unit of that"),
        (("--power", "200mph"), "Use one of: PS, W, hp, kW"),
        ((), "set point"),
        (("--rpm", "1900", "--speed", "60"), "set point"),
        (("--rpm", "1900", "--pedal", "-3"), "pedal"),
        (("--rpm", "1900", "--rig", "/nowhere.toml"), "There is no rig file"),
    ],
)
def test_an_impossible_rehearsal_is_refused(
    refused: Refused, arguments: tuple[str, ...], complaint: str
) -> None:
    assert complaint in refused("rehearse", "steady-hold", *arguments)


def test_an_unknown_test_kind_is_refused_with_the_known_ones(refused: Refused) -> None:
    assert "steady-hold" in refused("rehearse", "moon-landing", "--rpm", "1900")


def test_a_driver_without_a_demo_is_told_so(refused: Refused, tmp_path: Path) -> None:
    assert "No demo runs" in refused("driver", "pedal", "10", "--data", str(tmp_path))


def test_a_wrong_role_is_refused_with_the_roles(refused: Refused, tmp_path: Path) -> None:
    message = refused("token", "add", "Ada", "--role", "king", "--data", str(tmp_path))
    assert "watch, operate or maintain" in message


@pytest.mark.parametrize(
    ("arguments", "exit_code"),
    [
        (("serve", "--rgi", "x"), 2),  # usage
        (("token", "add", "Ada", "--role", "king"), 2),
        (("serve", "--rig", str(RIG), "--port", "/nowhere/ttyACM9"), MAY_COME),
    ],
    ids=["usage", "role", "port"],
)
def test_a_process_of_its_own_says_the_same(
    said: Callable[..., tuple[int, str, str]],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    arguments: tuple[str, ...],
    exit_code: int,
) -> None:
    for name in ("FORCE_COLOR", "GITHUB_ACTIONS", "PY_COLORS"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("COLUMNS", "80")
    data = () if "--rgi" in arguments or arguments[0] != "serve" else ("--data", str(tmp_path))
    code, output, complaint = said(*arguments, *data)
    assert (code, output) == (exit_code, "")
    alone = refused_alone(*arguments, *data, exit_code=exit_code)
    # a usage error names the program, which is a module here
    assert alone.replace("python -m api.cli.main", "drumlin") == complaint


def test_the_loop_process_alone_says_the_same(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "api.runtime.loop", "--rig", str(RIG), "--data", str(tmp_path),
         "--port", str(tmp_path / "none")],
        check=False, capture_output=True, text=True, timeout=180,
    )  # fmt: skip
    assert done.returncode == MAY_COME
    assert "There is no port" in done.stderr
    assert "Traceback" not in done.stderr
