"""A whole rig as `drumlin serve` runs it, for benches that mistreat its processes from outside.

The simulated rig is a process of its own here, as a board would be: it can be killed and started
again without the supervisor's help. On request the port goes through a cable that can be pulled,
the data lie on a small disk, a broker runs, and the wall clock can be stepped.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any

RIG = Path(__file__).parents[2] / "rigs" / "tarnhow.toml"
PATIENCE_S = 90.0
START_S = 300.0  # the first start after a change compiles the kernels
SPEED_MPS = 11.0
DISK_MB = 800  # of the small disk; tests start with 500 MB free
LOADED = ("loaded", "easing")
MODULES = {
    "loop": "api.runtime.loop",
    "service": "api.launch.service",
    "helm": "api.launch.helm",
}
PRELOAD = "/usr/lib/*/faketime/libfaketime.so.1"


class Stuck(Exception):
    """Something that should happen did not."""


class Counts(dict[str, int]):
    """Descriptors, threads and tasks by process."""


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def stepping_library() -> str:
    """libfaketime, where it is installed (Debian: libfaketime); "" elsewhere."""
    root, _, pattern = PRELOAD.partition("*")
    return next((str(each) for each in Path(root).glob("*" + pattern)), "")


class Shop:
    """`with Shop(...) as shop:` - simulator, loop, service and what else is asked for."""

    def __init__(
        self, *, cable: bool = False, disk: bool = False, broker: bool = False, clock: bool = False
    ) -> None:
        self._root = Path(tempfile.mkdtemp(prefix="drumlin-shop-"))
        self.data = self._root / "data"
        self.data.mkdir()
        self.port = free_port()
        self.broker_port = free_port()
        self.small_disk = False
        self.clock_file = self._root / "clock"
        self._cable, self._disk, self._broker, self._clock = cable, disk, broker, clock
        self._children: dict[str, subprocess.Popen[bytes]] = {}
        self.keeping = threading.Event()
        self._ending = threading.Event()
        self._keeper = threading.Thread(target=self._keep, name="keeper", daemon=True)
        self.board_link = self.data / "board"
        self.link = self.data / "front-end" if cable else self.board_link

    # ---- beginning and end

    def __enter__(self) -> Shop:
        try:
            if self._disk:
                self.small_disk = (
                    subprocess.run(
                        ["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m", "tmpfs", str(self.data)],
                        check=False, capture_output=True,
                    ).returncode
                    == 0
                )  # fmt: skip
            if self._broker:
                self.start_broker()
            self.start_board()
            if self._cable:
                self.start_cable()
            self._start_serve()
            self._keeper.start()
            self.until("frames", lambda: self.state().get("measured"), START_S)
        except BaseException:
            self.__exit__(None, None, None)
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._ending.set()
        for name in ("serve", "cable", "board", "broker"):
            child = self._children.get(name)
            if child is None:
                continue
            if child.poll() is None:
                child.send_signal(signal.SIGCONT)
                child.send_signal(signal.SIGINT if name == "serve" else signal.SIGTERM)
            try:
                child.wait(30.0)
            except subprocess.TimeoutExpired:
                child.kill()
                child.wait()
            if child.stdin is not None:
                child.stdin.close()
        if self._keeper.ident is not None:
            self._keeper.join()
        if self.small_disk:
            subprocess.run(["umount", str(self.data)], check=False, capture_output=True)
        shutil.rmtree(self._root, ignore_errors=True)

    def _spawn(self, name: str, *words: str, environment: dict[str, str] | None = None) -> None:
        with (self._root / f"{name}.log").open("ab") as said:
            self._children[name] = subprocess.Popen(
                words, stdin=subprocess.PIPE, stdout=said, stderr=said, start_new_session=True,
                env=environment,
            )  # fmt: skip

    def start_board(self) -> None:
        """Power for the simulated board."""
        about = self.data / "simulator.json"
        about.unlink(missing_ok=True)
        self._spawn(
            "board", sys.executable, "-m", "simulator", "--until-input-ends",
            "--link", str(self.board_link), "--data", str(self.data),
        )  # fmt: skip
        self.until("the board", lambda: about.exists() and self.board_link.exists())

    def start_cable(self) -> None:
        self._spawn(
            "cable", sys.executable, "-m", "bench.support.relay",
            "--port", str(self.board_link), "--link", str(self.link),
        )  # fmt: skip
        self.until("the cable", self.link.exists)

    def start_broker(self) -> None:
        config = self._root / "mosquitto.conf"
        config.write_text(
            f"listener {self.broker_port} 127.0.0.1\nallow_anonymous true\npersistence false\n"
        )
        found = shutil.which("mosquitto", path=os.environ["PATH"] + ":/usr/sbin")
        if not found:
            raise Stuck("There is no mosquitto.")
        self._spawn("broker", found, "-c", str(config))

    def _start_serve(self) -> None:
        more: tuple[str, ...] = ()
        environment = dict(os.environ)
        if self._broker:
            settings = self._root / "drumlin.toml"
            settings.write_text(f'[mqtt]\nhost = "127.0.0.1"\nport = {self.broker_port}\n')
            more = ("--settings", str(settings))
        if self._clock:
            self.step_clock(0)
            environment |= {
                "LD_PRELOAD": stepping_library(),
                "FAKETIME_TIMESTAMP_FILE": str(self.clock_file),
                "FAKETIME_NO_CACHE": "1",
                "FAKETIME_DONT_FAKE_MONOTONIC": "1",
            }
        self._spawn(
            "serve", sys.executable, "-m", "api.cli.main", "serve", "--rig", str(RIG),
            "--port", str(self.link), "--data", str(self.data), "--listen", f":{self.port}", *more,
            environment=environment,
        )  # fmt: skip

    def step_clock(self, seconds: int) -> None:
        """The wall clock of loop and service is now off by so much."""
        fresh = self.clock_file.with_suffix(".new")
        fresh.write_text(f"{seconds:+d}")
        fresh.replace(self.clock_file)

    def tail(self, lines: int = 5) -> list[str]:
        """What the supervisor said last."""
        return (self._root / "serve.log").read_text(errors="replace").splitlines()[-lines:]

    # ---- processes

    def pid(self, role: str) -> int:
        """Process id; 0 when there is none now."""
        if role in self._children:
            return 0 if self._children[role].poll() is not None else self._children[role].pid
        parent = self._children["serve"].pid
        for child in _children_of(parent):
            with contextlib.suppress(OSError):
                words = Path(f"/proc/{child}/cmdline").read_bytes().split(b"\0")
                if MODULES[role].encode() in words:
                    return child
        return 0

    def send(self, role: str, number: int) -> int:
        found = self.pid(role)
        if not found:
            raise Stuck(f"There is no {role}.")
        os.kill(found, number)
        if role in self._children and number == signal.SIGKILL:
            self._children[role].wait()
        return found

    def counts(self) -> Counts:
        """Descriptors and threads of each process, tasks of loop and service."""
        found = Counts()
        for role in ("serve", "loop", "service"):
            number = self.pid(role)
            with contextlib.suppress(OSError):
                found[f"{role} descriptors"] = len(os.listdir(f"/proc/{number}/fd"))
                found[f"{role} threads"] = len(os.listdir(f"/proc/{number}/task"))
        found["serve children"] = len(_children_of(self.pid("serve")))
        with contextlib.suppress(OSError, ValueError, IndexError):
            found["loop tasks"] = int((self.state().get("health") or {})["tasks"])
            text = self.text("/api/metrics")
            found["service tasks"] = int(float(text.split("\ndrumlin_tasks ")[1].split()[0]))
        return found

    # ---- asking

    def text(self, path: str, body: dict[str, Any] | None = None) -> str:
        """GET, or POST when there is a body. Raises OSError."""
        request = urllib.request.Request(
            f"http://127.0.0.1:{self.port}{path}",
            data=None if body is None else json.dumps(body).encode(),
            headers={"Content-Type": "application/json", "Drumlin-Client": "bench"},
        )
        with urllib.request.urlopen(request, timeout=5.0) as answer:
            return str(answer.read().decode())

    def ask(self, path: str, body: dict[str, Any] | None = None) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.text(path, body) or "{}")
        return found

    def post(self, path: str, body: dict[str, Any] | None = None) -> dict[str, Any] | None:
        """The answer, None when it was refused or nobody answered."""
        try:
            return self.ask(f"/api{path}", body or {})
        except urllib.error.HTTPError as error:
            with error:
                self.refusal = error.read().decode(errors="replace")
        except (OSError, ValueError):
            pass
        return None

    refusal = ""

    def state(self) -> dict[str, Any]:
        with contextlib.suppress(OSError, ValueError):
            return self.ask("/api/state")
        return {}

    def fresh(self) -> dict[str, Any]:
        """The newest telemetry if it comes from a loop that hears the front end now, else {}."""
        state = self.state()
        health = state.get("health") or {}
        heard = state.get("measured") and health.get("link_up") and not state.get("stale")
        return state if heard else {}

    def truth(self) -> dict[str, float]:
        """What the simulated rig really does."""
        found: dict[str, float] = json.loads(self._seat())["truth"]
        return found

    def tell(self, **words: Any) -> None:
        """Tell the driver."""
        self._seat(words)

    def _seat(self, words: dict[str, Any] | None = None) -> bytes:
        port = json.loads((self.data / "simulator.json").read_text())["seat"]
        request = urllib.request.Request(
            f"http://127.0.0.1:{port}/{'state' if words is None else 'tell'}",
            data=None if words is None else json.dumps(words).encode(),
            headers={"Content-Type": "application/json"},
        )
        with urllib.request.urlopen(request, timeout=5.0) as answer:
            return bytes(answer.read())

    def current_a(self) -> float:
        """Of the coil that carries most, in truth."""
        return max(value for name, value in self.truth().items() if name.endswith("_current_a"))

    def until(self, what: str, reached: Callable[[], Any], within_s: float = PATIENCE_S) -> float:
        """Wait for something; seconds it took. Raises Stuck."""
        began_s = time.monotonic()
        while True:
            with contextlib.suppress(OSError, ValueError, KeyError):
                if reached():
                    return time.monotonic() - began_s
            serve = self._children.get("serve")
            if serve is not None and serve.poll() is not None:
                raise Stuck(f"The supervisor ended while waiting for {what}: {self.tail()}")
            if time.monotonic() - began_s > within_s:
                raise Stuck(f"Waited {within_s:g} s for {what} in vain. {self.refusal}")
            time.sleep(0.05)

    # ---- ways people go

    def _keep(self) -> None:
        while not self._ending.wait(0.7):
            if self.keeping.is_set():
                self.post("/helm/keep")

    def zero(self) -> None:
        """Zeros, once, while the rolls stand."""
        self.until("zeros", lambda: self.post("/helm/take", {"name": "Ada"}) and self.post("/zero"))

    def roll(self) -> None:
        """Bring the rolls to speed without load."""
        self.tell(gear=4, brake=0)
        self.tell(drive_at_mps=SPEED_MPS)
        self.until("speed", lambda: abs(self.truth()["rear_speed_mps"] - SPEED_MPS) < 2.5)

    def begin_load(self) -> str:
        """Start a hold; the run's id."""
        started: list[dict[str, Any]] = []
        plan = {"kind": "steady-hold", "speed_mps": SPEED_MPS, "seconds": 600.0, "settle_s": 1.0}

        def begun() -> bool:
            if self.state().get("state") == "tripped":
                self.post("/reset")
            for path, body in (
                ("/helm/take", {"name": "Ada"}), ("/acknowledge", {}), ("/ready", {}),
                ("/test/start", {"plan": plan}),
            ):  # fmt: skip
                answer = self.post(path, body)
                if answer is None:
                    return False
            assert answer is not None
            started.append(answer)
            return True

        self.keeping.set()
        self.until("the start", begun)
        self.tell(pedal=70)
        return str(started[0]["run_id"])

    def unload(self) -> None:
        """Take load off, reset a trip, give the helm back: ready for the next moment."""
        self.until("telemetry", self.fresh)
        if self.state().get("state") == "loaded":
            self.post("/ease-off")
        self.tell(pedal=0)

        def calm() -> bool:
            state = self.fresh().get("state")
            if state == "tripped":
                self.post("/helm/take", {"name": "Ada"})
                self.post("/reset")
            return state in ("parked", "ready")

        self.until("a parked rig", calm)
        self.keeping.clear()


def _children_of(parent: int) -> list[int]:
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            with contextlib.suppress(OSError, IndexError):
                stat = (entry / "stat").read_text().rsplit(")", 1)[1].split()
                if int(stat[1]) == parent and stat[0] != "Z":
                    found.append(int(entry.name))
    return found
