"""kill -9 at random moments: how much of a running recording is lost, and whether the catalogue is.

A process of its own records 500 frames a second in real time through the real recorder, and changes
the run catalogue all the while (starts, notes, tags, evaluations), telling what was appended and
what was reported done. It is killed at a random moment. Then the recording is read back and set
against what had been appended, the catalogue is checked by the database itself, and every change
that was reported done must be there. A killed process loses what it held; what the kernel had is
kept, so this is no test of a power cut.
"""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import sqlalchemy as sa

from api.store.catalogue import Catalogue
from bench.support.common import Options, run_bench
from daq.recording.reader import Recording

FRAMES_A_SECOND = 500
LONGEST_S = 4.0


def one_kill(folder: Path, after_s: float) -> dict[str, float]:
    """Record, change and be killed after `after_s`; what was lost."""
    folder.mkdir()
    with subprocess.Popen(
        [sys.executable, "-m", "bench.crash.writer", str(folder)], stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline().strip() == "ready"
        time.sleep(after_s)
        child.send_signal(signal.SIGKILL)
        lines = [line.split() for line in child.stdout.read().splitlines()]
    appended = [(int(line[1]), int(line[2])) for line in lines if line[0] == "at" and len(line) > 2]
    last_ns, last_number = appended[-1] if appended else (0, 0)
    recording = Recording(folder / "raw.drm")
    kept = [(one.host_ns, int.from_bytes(one.payload[:4], "little")) for one in recording]
    numbers = [number for _, number in kept]
    kept_ns, kept_number = kept[-1] if kept else (last_ns, 0)
    done = [line[1] for line in lines if line[0] == "done" and len(line) == 2]
    return {
        "lost_s": max(0.0, (last_ns - kept_ns) / 1e9) if kept else last_number / FRAMES_A_SECOND,
        "lost_frames": float(max(0, last_number - kept_number)),
        "holes": float(numbers != list(range(1, len(numbers) + 1))),
        "dropped": float(sum(line[0] == "dropped" for line in lines)),
        "unreadable": float(recording.health.damaged_blocks),
        **_catalogue(folder, done),
        "frames": float(len(kept)),
    }


def _catalogue(folder: Path, done: list[str]) -> dict[str, float]:
    """Whether the catalogue is whole and has every change that was reported done."""
    catalogue = Catalogue.open(folder)
    try:
        with catalogue.engine.connect() as connection:
            sound = connection.execute(sa.text("PRAGMA integrity_check")).scalar() == "ok"
        missing = 0
        for run_id in done:
            run = catalogue.run(run_id)
            whole = run is not None and run.tags == ("one", "two") and len(run.notes) == 1
            missing += not (whole and run is not None and run.result == {"answer": "a"})
    finally:
        catalogue.close()
    return {"damaged": float(not sound), "missing": float(missing), "changes": float(len(done))}


def measure(options: Options) -> dict[str, Any]:
    """Kill after kill, each at a moment drawn at random."""
    kills = 6 if options.quick else 30
    draw = random.Random(options.seed)
    with tempfile.TemporaryDirectory(prefix="drumlin-") as scratch:
        found = [
            one_kill(Path(scratch) / str(number), draw.uniform(0.3, LONGEST_S))
            for number in range(kills)
        ]
    of = {name: [one[name] for one in found] for name in found[0]}
    return {
        "kills": kills,
        "worst_lost_s": max(of["lost_s"]),
        "median_lost_s": float(np.median(of["lost_s"])),
        "worst_lost_frames": max(of["lost_frames"]),
        "recordings_with_holes": sum(of["holes"]),
        "damaged_blocks": sum(of["unreadable"]),
        "dropped_while_alive": sum(of["dropped"]),
        "damaged_catalogues": sum(of["damaged"]),
        "changes_lost": sum(of["missing"]),
        "changes": sum(of["changes"]),
        "frames": sum(of["frames"]),
    }


if __name__ == "__main__":
    run_bench("crash", measure)
