"""A whole demo as a person starts it, for tests that treat it roughly."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Any

import msgspec

from daq.recording.reader import Recording
from daq.recording.recorder import RecordKind
from tests import evidence
from tests.meanwhile import meanwhile
from tests.ports import free_port

COMMAND = (sys.executable, "-m", "api.cli.main")
PATIENCE_S = 300.0  # a computer with other work; what is waited for comes in seconds
# What a rig says when its computer stands still for a tenth of a second: a test that speaks of
# something else begins its hold again.
LATE = frozenset({"loop-late", "link-lost", "permission-lapsed", "frames-lost", "recorder-failed"})
TRIES = 8


def run(*arguments: str, timeout_s: float = 600.0) -> subprocess.CompletedProcess[str]:
    """A command that should end by itself."""
    return subprocess.run(
        [*COMMAND, *arguments], check=False, capture_output=True, text=True, timeout=timeout_s
    )


def events_of(raw: Path) -> list[dict[str, Any]]:
    """Events of a recording, in order."""
    return [
        msgspec.msgpack.decode(record.payload)
        for record in Recording(raw)
        if record.kind == RecordKind.EVENT
    ]


def reasons(raw: Path) -> list[str]:
    """Why the run of this recording ended; once, if all is well."""
    return [event["data"]["reason"] for event in events_of(raw) if event["kind"] == "run-ended"]


def unattended(
    folder: Path,
    start: Callable[[Path], subprocess.CompletedProcess[str]],
    runs: Callable[[Path], Path],
) -> tuple[dict[str, Any], Path]:
    """What an unattended hold told, and its recording; `start` starts one in an empty folder.

    `runs` says where below that folder it keeps its runs.
    """
    late: list[str] = []
    while True:
        home = folder / str(len(late))  # short: a socket lies in it
        home.mkdir()
        done = start(home)
        ended = re.findall(r"The rig tripped: ([a-z-]+)", done.stderr)
        for raw in runs(home).glob("*/raw.drm"):
            ended += reasons(raw)
        if done.returncode == 0 and ended == ["completed"]:
            told: dict[str, Any] = json.loads(done.stdout)
            return told, runs(home) / told["run_id"] / "raw.drm"
        assert set(ended) & LATE, (done.returncode, ended, done.stdout, done.stderr[-3000:])
        late += ended
        assert len(late) < TRIES, f"this computer stands still too often for a rig: {late}"


class Demo:
    """`with Demo(folder) as demo:` - up when entered, ended by one Ctrl-C when left."""

    def __init__(self, data: Path, *more: str) -> None:
        self.data = data
        self.port = free_port()
        self.said: list[str] = []
        self.exit_code: int | None = None
        self._more = more
        self._looked_at = evidence.looked_at(str(data), self.seen)

    def __enter__(self) -> Demo:
        self._process = subprocess.Popen(
            [*COMMAND, "demo", "--data", str(self.data), "--listen", f":{self.port}", *self._more],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )
        self._reader = threading.Thread(target=self._read)
        self._reader.start()
        try:
            self.until("the address", lambda: any(f":{self.port}" in line for line in self.said))
        except BaseException:
            evidence.note(str(self.data), self.seen())
            self.end()
            raise
        self._looked_at.__enter__()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            self._looked_at.__exit__(kind, error, trace)
        finally:
            self.end()

    def seen(self) -> str:
        """The rig's state and the last of what was said, for a failed test's report."""
        said = "\n".join(self.said[-evidence.LOG_LINES :])
        return f"{evidence.state_of(self.state())}\nended: {self.exit_code}\n{said}"

    def end(self, number: int = signal.SIGINT) -> None:
        """One Ctrl-C; waits for the end."""
        if self.exit_code is not None:
            return
        if self._process.poll() is None:
            self._process.send_signal(number)
        try:
            self.exit_code = self._process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self.exit_code = self._process.wait()
        self._reader.join()
        for stream in (self._process.stdout, self._process.stderr):
            assert stream is not None
            stream.close()

    def _read(self) -> None:
        assert self._process.stderr is not None
        for line in self._process.stderr:
            self.said.append(line.rstrip())

    def until(self, what: str, reached: Callable[[], Any]) -> Any:
        """Wait for something; a wait in vain is the test's failure, told with the output."""
        deadline = time.monotonic() + PATIENCE_S
        while True:
            found = None
            with suppress(OSError):  # a process that is just being started, or has other work
                found = reached()
            if found:
                return found
            assert self._process.poll() is None, f"ended while waiting for {what}: {self.said}"
            assert time.monotonic() < deadline, f"waited for {what} in vain: {self.said}"
            time.sleep(0.05)

    def ask(
        self, path: str, body: dict[str, Any] | None = None, client: str = "test-client-1"
    ) -> Any:
        """GET, or POST when there is a body."""
        request = urllib.request.Request(
            f"http://127.0.0.1:{self.port}{path}",
            data=None if body is None else json.dumps(body).encode(),
            headers={"Content-Type": "application/json", "Drumlin-Client": client},
        )
        with urllib.request.urlopen(request, timeout=60.0) as answer:
            return json.loads(answer.read() or b"{}")

    def problem(self, path: str, body: dict[str, Any]) -> tuple[int, dict[str, Any]]:
        """A POST that must be refused: status and problem details."""
        try:
            self.ask(path, body)
        except urllib.error.HTTPError as error:
            with error:
                return error.code, json.loads(error.read())
        raise AssertionError(f"{path} was accepted")

    def state(self) -> dict[str, Any]:
        """The newest telemetry, {} while there is none."""
        try:
            found = self.ask("/api/state")
        except (urllib.error.URLError, OSError):
            return {}
        return found if isinstance(found, dict) else {}

    def until_state(self, *wanted: str) -> dict[str, Any]:
        """Wait until the rig is in one of these states."""

        def reached() -> dict[str, Any] | None:
            state = self.state()
            return state if state.get("state") in wanted and state.get("measured") else None

        found: dict[str, Any] = self.until(" or ".join(wanted), reached)
        return found

    def seat(self, **words: Any) -> None:
        """Tell the driver."""
        port = json.loads((self.data / "simulator.json").read_text())["seat"]
        request = urllib.request.Request(
            f"http://127.0.0.1:{port}/tell",
            data=json.dumps(words).encode(),
            headers={"Content-Type": "application/json"},
        )
        with urllib.request.urlopen(request, timeout=60.0) as answer:
            answer.read()

    @contextmanager
    def at_helm(self) -> Iterator[None]:
        """The helm is kept by a thread, and taken again where this computer let it expire."""
        with meanwhile(lambda: self.accepted(("/helm/take", {"name": "Ada"})), 0.5):
            yield

    def hold(self, seconds: float = 3600.0) -> str:
        """Bring the standing rig under load at 40 km/h; the run's id. Keep the helm (`at_helm`)."""
        self.seat(pedal=0, brake=60)
        self.until("zeros", lambda: self.accepted(*self._taken(), ("/park", {}), ("/zero", {})))
        self.seat(gear=3, brake=0, pedal=60)
        self.until("10 m/s", lambda: self.speed() > 10.0)
        late: list[str] = []
        while len(late) < TRIES:
            run_id = self._start_hold(seconds)
            state = self.until("load or an end", lambda run_id=run_id: self._loaded(run_id))
            if not state.get("ended"):
                return run_id
            assert state["ended"] in LATE, state
            late.append(state["ended"])
        raise AssertionError(f"this computer stands still too often for a rig: {late}")

    def _start_hold(self, seconds: float) -> str:
        plan = {"kind": "steady-hold", "speed_mps": 11.0, "seconds": seconds, "settle_s": 1.0}

        def start() -> dict[str, Any] | None:
            return self.accepted(
                *self._taken(),
                ("/acknowledge", {}),
                ("/ready", {}),
                ("/test/start", {"plan": plan}),
            )

        return str(self.until("the start", start)["run_id"])

    def _taken(self) -> list[tuple[str, dict[str, Any]]]:
        """The helm, and the reset of a trip that this computer's standing still has made."""
        tripped = self.state().get("state") == "tripped"
        return [("/helm/take", {"name": "Ada"}), *([("/reset", {})] if tripped else [])]

    def _loaded(self, run_id: str) -> dict[str, Any] | None:
        """Under load, or how the run `ended` before it was; None while neither is so."""
        end = self.state().get("last_end") or {}
        if end.get("run_id") == run_id:
            return {"ended": end["code"]}
        return {"ended": ""} if self.braking_n() > 500.0 else None

    def accepted(self, *posts: tuple[str, dict[str, Any]]) -> dict[str, Any] | None:
        """The last answer when all were accepted; None when one was refused.

        A busy computer may park the rig between two of them; then all are sent again.
        """
        answer: dict[str, Any] = {}
        for path, body in posts:
            try:
                answer = self.ask(f"/api{path}", body)
            except urllib.error.HTTPError as error:
                with error:
                    self.said.append(f"{path}: {error.code} {error.read()[:200]!r}")
                return None
        return answer

    def speed(self) -> float:
        """Roll speed in m/s, 0 while unknown."""
        measured = self.state().get("measured") or {"roll_sets": [{"speed": {"value": 0.0}}]}
        return float(measured["roll_sets"][-1]["speed"]["value"] or 0.0)

    def braking_n(self) -> float:
        """Absorber force of all roll sets, as measured."""
        measured = self.state().get("measured") or {"roll_sets": []}
        return sum(float(each["absorber_force"]["value"] or 0.0) for each in measured["roll_sets"])

    def truth(self) -> dict[str, float]:
        """What the simulated rig really does."""
        port = json.loads((self.data / "simulator.json").read_text())["seat"]
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/state", timeout=60.0) as answer:
            found: dict[str, float] = json.loads(answer.read())["truth"]
        return found

    def child(self, module: str) -> int:
        """Process id of a child by the module it runs."""
        for entry in Path("/proc").iterdir():
            if not entry.name.isdigit():
                continue
            try:
                words = (entry / "cmdline").read_bytes().split(b"\0")
                parent = int((entry / "stat").read_text().rsplit(")", 1)[1].split()[1])
            except OSError:
                continue
            if parent == self._process.pid and module.encode() in words:
                return int(entry.name)
        return 0

    def kill(self, module: str, number: int = signal.SIGKILL) -> int:
        """Send a signal to a child; its process id."""
        found = self.child(module)
        assert found, f"no child runs {module}"
        os.kill(found, number)
        return found
