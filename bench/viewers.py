"""Fifty viewers and two hundred requests a second: does the loop notice?

The two processes as `drumlin serve` runs them, a truck held under load, and the feeder of bench.loop
timing every frame from outside. Once without viewers, once with 50 WebSockets at 20 Hz, ten of which
never read, and 200 HTTP requests a second. `ratio_p999` is the second's 99.9th percentile from frame
to set point over the first's; `rss_growth_mb` is the service's growth under the viewers, from the
moment all are there.
"""

from __future__ import annotations

import os
import signal
import statistics
import tempfile
import time
from pathlib import Path
from typing import Any

from bench._common import Options, run_bench
from bench.loop import RIG, _free_port, _Process, _Rig, _until

VIEWERS, SILENT, HZ, REQUESTS_HZ = 50, 10, 20, 200
ROUNDS = 2  # of both, turn by turn: the computer's own moods cancel


def _rss_mb(process: int) -> float:
    pages = int(Path(f"/proc/{process}/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def _run(viewers: bool, seconds: float, seed: int) -> dict[str, Any]:
    with tempfile.TemporaryDirectory(prefix="drumlin-bench-") as folder:
        device = str(Path(folder) / "front-end")
        port = _free_port()
        children: list[_Process] = []
        growth_mb = 0.0
        try:
            feeder = _Process(
                "bench._feeder", "--link", device, "--seconds", str(seconds), "--seed", str(seed)
            )
            children.append(feeder)
            _until("the device", lambda: os.path.exists(device))
            common = ("--rig", str(RIG), "--data", folder, "--port", device)
            children.append(_Process("api.processes.loop", "--supervised", *common))
            service = _Process(
                "bench._loaded_service", *common, "--listen-port", str(port), "--core", "outside"
            )
            children.append(service)
            os.setpriority(os.PRIO_PROCESS, service.process.pid, 5)  # as drumlin serve does
            rig = _Rig(port)
            _until("frames", lambda: rig.state().get("measured"))
            rig.load(feeder)
            crowd: _Process | None = None
            if viewers:
                crowd = _Process(
                    "bench._crowd", "--port", str(port), "--viewers", str(VIEWERS),
                    "--silent", str(SILENT), "--hz", str(HZ), "--requests-hz", str(REQUESTS_HZ),
                )  # fmt: skip
                children.append(crowd)
                # Real viewers are other computers; ours should cost the rig's computer little.
                os.setpriority(os.PRIO_PROCESS, crowd.process.pid, 10)
            rig._ask("/api/helm/keep", {})
            time.sleep(2.5)
            rig._ask("/api/helm/keep", {})
            before_mb = _rss_mb(service.process.pid)
            os.kill(feeder.process.pid, signal.SIGUSR1)
            figures = rig.keep_helm_until(feeder, seconds + 60.0)
            growth_mb = _rss_mb(service.process.pid) - before_mb
            state = rig.state()
            told: dict[str, Any] = {}
            if crowd is not None:
                assert crowd.process.stdin is not None
                crowd.process.stdin.close()
                told = crowd.line()
        finally:
            for child in reversed(children):
                child.end()
    return {**figures, "rss_growth_mb": growth_mb, "state": state.get("state"), **told}


def measure(options: Options) -> dict[str, Any]:
    """Without and with, turn by turn."""
    seconds = 4.0 if options.quick else 30.0
    rounds = 1 if options.quick else ROUNDS
    without: list[dict[str, Any]] = []
    crowded: list[dict[str, Any]] = []
    for number in range(rounds):
        without.append(_run(False, seconds, options.seed + number))
        crowded.append(_run(True, seconds, options.seed + number))
    before = statistics.median(one["p999_ms"] for one in without)
    after = statistics.median(one["p999_ms"] for one in crowded)
    return {
        "ratio_p999": after / before,
        "rss_growth_mb": max(one["rss_growth_mb"] for one in crowded),
        "without_p999_ms": before,
        "with_p999_ms": after,
        "without": without,
        "with": crowded,
        "viewers": VIEWERS,
        "silent": SILENT,
        "viewer_hz": HZ,
        "requests_hz": REQUESTS_HZ,
        "seconds": seconds,
    }


if __name__ == "__main__":
    run_bench("viewers", measure)
