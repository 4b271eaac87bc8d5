"""One form of the service, timed from outside before a crowd: in two processes or in one."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any, NamedTuple

import psutil

RIG = Path(__file__).parents[2] / "rigs" / "tarnhow.toml"
VIEWERS = 10
VIEWER_HZ = 50
PATIENCE_S = 60.0


class Crowd(NamedTuple):
    """Who looks on while frames are timed."""

    viewers: int = VIEWERS
    hz: float = VIEWER_HZ
    silent: int = 0  # of the viewers, never read
    requests_hz: float = 0.0
    reports: bool = True  # the service draws reports all the while


class _Process:
    """A child that ends when its standard input does."""

    def __init__(self, *arguments: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            process_group=0,
        )

    def line(self) -> dict[str, Any]:
        """The next line it prints, as JSON."""
        assert self.process.stdout is not None
        found: dict[str, Any] = json.loads(self.process.stdout.readline() or b"{}")
        return found

    def end(self) -> None:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        with contextlib.suppress(OSError):
            self.process.stdin.close()
        try:
            self.process.wait(15.0)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()


def form(core: str, seconds: float, seed: int, crowd: Crowd = Crowd()) -> dict[str, Any]:  # noqa: B008
    """Time frames in one form (`outside` or `inside` the service) before a crowd."""
    with tempfile.TemporaryDirectory(prefix="drumlin-bench-") as folder:
        data = Path(folder)
        device = str(data / "front-end")
        port = _free_port()
        children: list[_Process] = []
        try:
            feeder = _Process(
                "bench.loop.feeder",
                "--link",
                device,
                "--seconds",
                str(seconds),
                "--seed",
                str(seed),
            )
            children.append(feeder)
            _until("the device", lambda: os.path.exists(device))
            common = ("--rig", str(RIG), "--data", folder, "--port", device)
            if core == "outside":
                children.append(_Process("api.runtime.loop", "--supervised", *common))
            service = _Process(
                "bench.loop.loaded_service", *common, "--listen-port", str(port), "--core", core
            )
            children.append(service)
            if core == "outside":
                os.setpriority(os.PRIO_PROCESS, service.process.pid, 5)  # as drumlin serve does
            rig = _Rig(port)
            _until("frames", lambda: rig.state().get("measured"))
            rig.load(feeder)
            # The load on the service begins only now: the one-process form could not even be
            # made ready under it.
            if crowd.reports:
                os.kill(service.process.pid, signal.SIGUSR1)
            viewers = _Process(
                "bench.loop.viewers", "--address", f"127.0.0.1:{port}",
                "--count", str(crowd.viewers),
                "--hz", str(crowd.hz), "--silent", str(crowd.silent),
                "--requests-hz", str(crowd.requests_hz),
            )  # fmt: skip
            children.append(viewers)
            # Real viewers are other computers; ours should cost the rig's computer little.
            os.setpriority(os.PRIO_PROCESS, viewers.process.pid, 10)
            time.sleep(2.0)  # until all viewers are there
            os.kill(feeder.process.pid, signal.SIGUSR1)
            held_mb = psutil.Process(service.process.pid).memory_info().rss / 1e6
            figures = rig.keep_helm_until(feeder, seconds + PATIENCE_S)
            after = rig.state()
            grown_mb = psutil.Process(service.process.pid).memory_info().rss / 1e6 - held_mb
            for child in (viewers, service):
                assert child.process.stdin is not None
                child.process.stdin.close()
            seen = viewers.line()
            drawn = service.line()
        finally:
            for child in reversed(children):
                child.end()
    health = after.get("health") or {}
    lost = int(health.get("frames_lost") or 0) + int(figures.get("unanswered", 0))
    counts = seen.get("messages", [])
    return {
        **figures,
        "lost_frames": lost,
        "state_after": after.get("state"),
        "first_cause": after.get("first_cause"),
        "loop_period_max_ms": health.get("period_max_ms"),
        "viewer_messages_per_s": sum(counts)
        / max(seen.get("seconds", 0.0), 1e-9)
        / max(crowd.viewers - crowd.silent, 1),
        "requests_per_s": seen.get("requests", 0) / max(seen.get("seconds", 0.0), 1e-9),
        "viewers_failed": seen.get("failed", []),
        "service_rss_growth_mb": grown_mb,
        "reports_drawn": drawn.get("reports"),
    }


class _Rig:
    """The service's interface, as far as the bench needs it. Slow answers are waited for."""

    def __init__(self, port: int) -> None:
        self._address = f"http://127.0.0.1:{port}"

    def state(self) -> dict[str, Any]:
        try:
            return self._ask("/api/state", None)
        except (OSError, ValueError):
            return {}

    def load(self, feeder: _Process) -> None:
        """Helm, zeros, ready, drive, hold a roll speed; returns when the load is on."""
        _until("zeros", lambda: self._accepted("helm/take", "zero"), 0.3)
        os.kill(feeder.process.pid, signal.SIGUSR2)
        _until("5 m/s", lambda: self._speed() > 4.5, 0.2)
        plan = {"kind": "steady-hold", "speed_mps": 5.0, "seconds": 600.0, "settle_s": 1.0}
        # A busy computer may park the rig between two of these; then all are sent again.
        _until(
            "the start",
            lambda: (
                self._accepted("helm/take", "acknowledge", "ready")
                and self._accepted("test/start", body={"plan": plan})
            ),
            0.3,
        )
        began_s = time.monotonic()
        self._until_kept("load", lambda: time.monotonic() - began_s > 2.0)

    def keep_helm_until(self, feeder: _Process, within_s: float) -> dict[str, Any]:
        """Keep the helm until the feeder tells its figures."""
        assert feeder.process.stdout is not None
        os.set_blocking(feeder.process.stdout.fileno(), False)
        until_s = time.monotonic() + within_s
        while time.monotonic() < until_s:
            line = feeder.process.stdout.readline()
            if line:
                found: dict[str, Any] = json.loads(line)
                return found
            with contextlib.suppress(OSError, ValueError):
                self._ask("/api/helm/keep", {})
            time.sleep(0.7)
        raise TimeoutError(f"waited {within_s:g} s for the feeder's figures")

    def _until_kept(self, what: str, reached: Any) -> None:
        def step() -> Any:
            self._ask("/api/helm/keep", {})
            return reached()

        _until(what, step, 0.3)

    def _accepted(self, *steps: str, body: dict[str, Any] | None = None) -> bool:
        try:
            for step in steps:
                self._ask(f"/api/{step}", body or {})
        except OSError:
            return False
        return True

    def _speed(self) -> float:
        measured = self.state().get("measured")
        return float(measured["roll_sets"][0]["speed"]["value"] or 0.0) if measured else 0.0

    def _ask(self, path: str, body: dict[str, Any] | None) -> dict[str, Any]:
        request = urllib.request.Request(
            self._address + path,
            data=None if body is None else json.dumps(body).encode(),
            headers={"Content-Type": "application/json", "Drumlin-Client": "bench"},
        )
        try:
            with urllib.request.urlopen(request, timeout=10.0) as answer:
                found: dict[str, Any] = json.loads(answer.read() or b"{}")
                return found
        except urllib.error.HTTPError as error:
            with error:
                raise OSError(f"{path}: {error.code} {error.read()[:300]!r}") from None


def _until(what: str, reached: Any, pause_s: float = 0.1) -> None:
    until_s = time.monotonic() + PATIENCE_S
    while not reached():
        if time.monotonic() > until_s:
            raise TimeoutError(f"waited {PATIENCE_S:g} s for {what}")
        time.sleep(pause_s)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
