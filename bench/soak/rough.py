"""A demo in a folder of its own, for benches that watch or mistreat its processes from outside."""

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
from types import TracebackType
from typing import Any

PATIENCE_S = 60.0


class RunningDemo:
    """`with Rig() as rig:` - a demo; ended by one Ctrl-C."""

    def __init__(self) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = int(probe.getsockname()[1])
        self._folder = tempfile.TemporaryDirectory(prefix="drumlin-bench-")
        self.data = Path(self._folder.name)

    def __enter__(self) -> RunningDemo:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "api.cli.main", "demo", "--data", str(self.data),
             "--listen", f":{self.port}"],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True,
        )  # fmt: skip
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
        try:
            self.process.wait(30.0)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self._folder.cleanup()

    def ask(self, path: str, body: dict[str, Any] | None = None) -> dict[str, Any]:
        """GET, or POST when there is a body. Raises OSError when it is refused or unanswered."""
        request = urllib.request.Request(
            f"http://127.0.0.1:{self.port}{path}",
            data=None if body is None else json.dumps(body).encode(),
            headers={"Content-Type": "application/json", "Drumlin-Client": "bench"},
        )
        with urllib.request.urlopen(request, timeout=10.0) as answer:
            found: dict[str, Any] = json.loads(answer.read() or b"{}")
            return found

    def state(self) -> dict[str, Any]:
        """The newest telemetry, {} while there is none."""
        with contextlib.suppress(OSError, ValueError):
            return self.ask("/api/state")
        return {}

    def until_up(self) -> None:
        """Wait until frames arrive."""
        self.until(lambda: self.state().get("measured"))

    def until(self, reached: Any, within_s: float = PATIENCE_S) -> float:
        """Wait for something; seconds it took. Raises TimeoutError."""
        began_s = time.monotonic()
        while not reached():
            if time.monotonic() - began_s > within_s:
                raise TimeoutError(f"waited {within_s:g} s in vain")
            time.sleep(0.1)
        return time.monotonic() - began_s

    def child(self, module: str) -> int:
        """Process id of a child by the module it runs; 0 when there is none."""
        for entry in Path("/proc").iterdir():
            if not entry.name.isdigit():
                continue
            try:
                words = (entry / "cmdline").read_bytes().split(b"\0")
                parent = int((entry / "stat").read_text().rsplit(")", 1)[1].split()[1])
            except (OSError, IndexError):
                continue
            if parent == self.process.pid and module.encode() in words:
                return int(entry.name)
        return 0

    @staticmethod
    def rss_mb(process: int) -> float:
        """Resident memory of a process, MiB."""
        pages = int(Path(f"/proc/{process}/statm").read_text(encoding="ascii").split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE") / 2**20
