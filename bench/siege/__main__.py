"""Is the person at the helm ever starved? Floods from 20 addresses against a whole rig under TLS.

The bench runs in a network namespace of its own (unshare), with an address for the rig, one for
the operator and twenty for attackers. While each attack goes on, the operator keeps the helm and
eases off as the page does: by the helm process, and by the service when that does not answer within
a second. A heartbeat or easing off counts from being sent to being answered, also when a new
connection has to be made for it. `helm_lost`: attacks at whose end the helm was no longer the
operator's, or the rig had tripped. Memory and descriptors are the most of loop, service and helm
process. Beside the floods the service is frozen and killed.
"""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import shutil
import signal
import ssl
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any, cast

import msgspec
import numpy as np

from api.http.entry.tokens import Role, TokenBook
from bench.siege.attacks import ATTACKS, AttackTarget
from bench.support.common import Options, run_bench
from bench.support.shop import RIG, Shop, Stuck

HOST = "10.77.0.1"
OPERATOR = "10.77.0.2"
ATTACKERS = tuple(f"10.77.0.{number}" for number in range(10, 30))
INSIDE = "DRUMLIN_SIEGE_INSIDE"
ATTACK_S = 12.0
QUICK_S = 1.0
EVERY_S = 0.05  # between two things the operator says
FRESH_LINE_EVERY = 5  # of them, one on a new connection
WITHIN_S = 1.0  # then the page goes by the service
LAST_TRY_S = 3.0
ROLES = ("loop", "service", "helm")
OUTAGES = ("service-frozen", "service-killed")


class Siege(Shop):
    """The whole rig at an address of its own, with TLS and tokens."""

    def __init__(self) -> None:
        super().__init__()
        book = TokenBook(self.data)
        self.secrets = {role: book.add(role.value, role)[1] for role in Role}
        self.helm_port = self.port + 1
        self.trust = ssl.create_default_context()
        self.trust.check_hostname = False
        self.trust.verify_mode = ssl.CERT_NONE

    def _start_serve(self) -> None:
        certificate, key = self._root / "certificate.pem", self._root / "key.pem"
        words = (
            "req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 1 -subj "
            f"/CN=rig -keyout {key} -out {certificate}"
        )
        subprocess.run(["openssl", *words.split()], check=True, capture_output=True)
        settings = self._root / "drumlin.toml"
        settings.write_text(
            f'[service]\ntls_certificate = "{certificate}"\ntls_key = "{key}"\n'
            f"helm_port = {self.helm_port}\n"
        )
        self._spawn(
            "serve", sys.executable, "-m", "api.cli.main", "serve", "--rig", str(RIG),
            "--port", str(self.link), "--data", str(self.data),
            "--listen", f"{HOST}:{self.port}", "--settings", str(settings),
        )  # fmt: skip

    def line(self, helm: bool, within_s: float) -> http.client.HTTPSConnection:
        return http.client.HTTPSConnection(
            HOST, self.helm_port if helm else self.port, timeout=within_s,
            context=self.trust, source_address=(OPERATOR, 0),
        )  # fmt: skip

    def say(
        self, line: http.client.HTTPSConnection, path: str, body: dict[str, Any] | None = None
    ) -> bytes:
        """Raises OSError, also for a refusal."""
        line.request(
            "GET" if body is None else "POST", path,
            None if body is None else json.dumps(body),
            {
                "Authorization": f"Bearer {self.secrets[Role.OPERATE]}",
                "Drumlin-Client": "operator", "Content-Type": "application/json",
            },
        )  # fmt: skip
        answer = line.getresponse()
        told = answer.read()
        if answer.status >= 400:
            raise OSError(told.decode(errors="replace"))
        return told

    def text(self, path: str, body: dict[str, Any] | None = None) -> str:
        with contextlib.closing(self.line(True, LAST_TRY_S)) as line:
            try:
                return self.say(line, path, body).decode()
            except (OSError, http.client.HTTPException) as refused:
                self.refusal = str(refused)
        with contextlib.closing(self.line(False, LAST_TRY_S)) as line:
            return self.say(line, path, body).decode()


class Operator:
    """What the page of the person at the helm does, with the time each answer took."""

    def __init__(self, siege: Siege) -> None:
        self._siege = siege
        self._lines: dict[bool, http.client.HTTPSConnection] = {}
        self.took_ms: dict[str, list[float]] = {"/api/helm/keep": [], "/api/ease-off": []}
        self.unanswered = 0
        self.by_service = 0
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._go_on, name="operator")

    def __enter__(self) -> Operator:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._end.set()
        self._thread.join()
        for line in self._lines.values():
            line.close()

    def _go_on(self) -> None:
        number = 0
        while not self._end.wait(EVERY_S):
            number += 1
            path = "/api/helm/keep" if number % 2 else "/api/ease-off"
            if number % FRESH_LINE_EVERY == 0:
                self._drop(True)
            begun_s = time.monotonic()
            if not self._answered(True, path, WITHIN_S):
                self.by_service += 1
                if not self._answered(False, path, LAST_TRY_S):
                    self.unanswered += 1
            self.took_ms[path].append(1e3 * (time.monotonic() - begun_s))

    def _answered(self, helm: bool, path: str, within_s: float) -> bool:
        for _ in range(2):  # an idle line may have been closed by the other side
            fresh = helm not in self._lines
            line = self._lines.setdefault(helm, self._siege.line(helm, within_s))
            try:
                self._siege.say(line, path, {})
            except (OSError, http.client.HTTPException):
                self._drop(helm)
                if fresh:
                    return False
            else:
                return True
        return False

    def _drop(self, helm: bool) -> None:
        line = self._lines.pop(helm, None)
        if line is not None:
            line.close()


class Watch:
    """The most memory and descriptors of each process."""

    def __init__(self, siege: Siege) -> None:
        self._siege = siege
        self.rss_mb: dict[str, float] = {}
        self.files: dict[str, int] = {}

    def look(self) -> None:
        for role in ROLES:
            with contextlib.suppress(OSError, ValueError, IndexError):
                folder = Path(f"/proc/{self._siege.pid(role)}")
                pages = int((folder / "statm").read_text().split()[1])
                mb = pages * os.sysconf("SC_PAGE_SIZE") / 2**20
                self.rss_mb[role] = max(mb, self.rss_mb.get(role, 0.0))
                self.files[role] = max(len(os.listdir(folder / "fd")), self.files.get(role, 0))


def measure(options: Options) -> dict[str, Any]:
    seconds = QUICK_S if options.quick else ATTACK_S
    rows: list[dict[str, Any]] = []
    with Siege() as shop:
        siege = cast(Siege, shop)
        target = AttackTarget(
            HOST, siege.port, siege.helm_port, ATTACKERS, siege.secrets[Role.WATCH],
            siege.secrets[Role.OPERATE], seconds,
        )  # fmt: skip
        siege.until("the helm", lambda: siege.post("/helm/take", {"name": "Ada"}))
        watch = Watch(siege)
        for name in (*ATTACKS, *OUTAGES):
            siege.post("/helm/take", {"name": "Ada"})
            with Operator(siege) as operator:
                _carry_out(siege, watch, name, target)
            helm = siege.state()
            lost = not str((helm.get("helm") or {}).get("holder", "")).startswith("operate:")
            row = {
                "attack": name,
                "helm_lost": lost or helm.get("state") == "tripped",
                "unanswered": operator.unanswered,
                "by_service": operator.by_service,
                "ease_ms": operator.took_ms["/api/ease-off"],
                "beat_ms": operator.took_ms["/api/helm/keep"],
            }
            print(json.dumps(_short(row)), file=sys.stderr, flush=True)
            rows.append(row)
            if row["helm_lost"]:
                with contextlib.suppress(Stuck, OSError):
                    siege.post("/reset")
        logged = len((siege.data / "audit.jsonl").read_bytes().splitlines())
    return {
        "attacks": len(rows),
        "addresses": len(ATTACKERS),
        "helm_lost": sum(row["helm_lost"] for row in rows),
        "unanswered": sum(row["unanswered"] for row in rows),
        "by_service": sum(row["by_service"] for row in rows),
        "ease_p999_ms": _p999(rows, "ease_ms"),
        "beat_p999_ms": _p999(rows, "beat_ms"),
        "answers": sum(len(row["ease_ms"]) + len(row["beat_ms"]) for row in rows),
        "rss_mb_max": max(watch.rss_mb.values()),
        "rss_mb": watch.rss_mb,
        "fd_max": max(watch.files.values()),
        "audit_lines": logged,
        "each": [_short(row) for row in rows],
    }


def _carry_out(siege: Siege, watch: Watch, name: str, target: AttackTarget) -> None:
    if name in OUTAGES:
        siege.send("service", signal.SIGSTOP if name == "service-frozen" else signal.SIGKILL)
        until_s = time.monotonic() + target.seconds
        while time.monotonic() < until_s:
            watch.look()
            time.sleep(0.2)
        if name == "service-frozen":
            siege.send("service", signal.SIGCONT)
        return
    with subprocess.Popen(
        [sys.executable, "-m", "bench.siege.attacks", name], stdin=subprocess.PIPE
    ) as attacker:
        assert attacker.stdin is not None
        attacker.stdin.write(msgspec.json.encode(target))
        attacker.stdin.close()
        while attacker.poll() is None:
            watch.look()
            time.sleep(0.2)


def _p999(rows: list[dict[str, Any]], key: str) -> float:
    return float(np.quantile(np.concatenate([row[key] for row in rows]), 0.999))


def _short(row: dict[str, Any]) -> dict[str, Any]:
    """A row with the worst of its times, not all of them."""
    ease, beat = row["ease_ms"], row["beat_ms"]
    return {
        **{key: value for key, value in row.items() if key not in ("ease_ms", "beat_ms")},
        "answers": len(ease) + len(beat),
        "ease_max_ms": max(ease, default=float("nan")),
        "beat_max_ms": max(beat, default=float("nan")),
    }


def _inside() -> None:
    """Addresses of this namespace's own."""
    for words in (
        "link set lo up",
        *(f"address add {each}/32 dev lo" for each in (HOST, OPERATOR, *ATTACKERS)),
    ):
        subprocess.run(["ip", *words.split()], check=True)


if __name__ == "__main__":
    if os.environ.get(INSIDE):
        _inside()
        run_bench("siege", measure)
    else:
        unshare = shutil.which("unshare") or sys.exit("bench.siege needs unshare (util-linux).")
        user = () if os.geteuid() == 0 else ("--user", "--map-root-user")
        command = [unshare, *user, "--net", sys.executable, "-m", "bench.siege", *sys.argv[1:]]
        sys.exit(subprocess.call(command, env={**os.environ, INSIDE: "1"}))
