"""Compiles every numerical kernel before anything needs it: once after an installation or a change.

Data flows: sources of the kernels -> digest -> is it noted that this state is compiled? If not, two
processes run everything that compiles (core, forecast and evaluation; the simulated rig) on made-up
numbers, and the compiler keeps the results on disk. `drumlin compile`, `serve`, `demo` and
`rehearse` come through here, so that neither a rig nor a person meets the compiler later.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib
import math
import os
import platform
import subprocess
import sys
import threading
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path

from daq.errors import DrumlinError

ROOT = Path(__file__).parents[2]
PACKAGES = ("daq", "control", "simulator")
WORKERS = ("api.launch.kernels",), ("simulator", "compile")  # side by side
MARK = "@jit\n"
NOTE = "kernels-compiled"


def sources() -> list[Path]:
    """The modules that hold kernels, in order."""
    found = (path for package in PACKAGES for path in (ROOT / package).rglob("*.py"))
    return sorted(path for path in found if MARK in path.read_text(encoding="utf-8"))


def digest() -> str:
    """Names the state of sources, compiler and processor."""
    state = hashlib.sha256(f"{version('numba')} {sys.version} {platform.machine()}".encode())
    with contextlib.suppress(OSError):
        about = Path("/proc/cpuinfo").read_text(encoding="utf-8").split("\n\n")[0]
        state.update("".join(line for line in about.splitlines() if "MHz" not in line).encode())
    for path in sources():
        state.update(path.read_bytes())
    return state.hexdigest()


def note_path() -> Path:
    """Where it is noted that the kernels are compiled; the compiler keeps them near it."""
    given = os.environ.get("NUMBA_CACHE_DIR")
    if given:
        return Path(given) / NOTE
    beside = ROOT / "control" / "__pycache__"
    if os.access(beside if beside.exists() else beside.parent, os.W_OK):
        return beside / NOTE
    home = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(home) / "drumlin" / NOTE


def are_compiled() -> bool:
    """True when the kernels of today's sources are on disk."""
    try:
        return note_path().read_text(encoding="ascii") == digest()
    except OSError:
        return False


def compile_kernels(on_share: Callable[[float], None]) -> None:
    """Compile what is missing; `on_share` hears the share that is done. Raises DrumlinError."""
    wanted = digest()
    total = sum(path.read_text(encoding="utf-8").count(MARK) for path in _ours())
    done: set[str] = set()
    workers = [_worker(*words) for words in WORKERS]
    readers = [
        threading.Thread(target=_follow, args=(worker, done, total, on_share)) for worker in workers
    ]
    try:
        for reader in readers:
            reader.start()
        for worker in workers:
            worker.wait()
    finally:
        for worker in workers:
            worker.kill()
        for reader in readers:
            reader.join()
        complaints = [worker.communicate()[1].strip().splitlines() for worker in workers]
    for worker, complaint in zip(workers, complaints, strict=True):
        if worker.returncode != 0:
            raise DrumlinError(
                "The numerical kernels could not be compiled: "
                + (complaint[-1] if complaint else f"exit code {worker.returncode}"),
                "Install from requirements.lock again, and see that the disk has room.",
            )
    on_share(1.0)
    with contextlib.suppress(OSError):  # then it is looked at again next time
        note_path().parent.mkdir(parents=True, exist_ok=True)
        note_path().write_text(wanted, encoding="ascii")


def _ours() -> list[Path]:
    """Those without the simulator's, whose cache has a directory for each state of them."""
    return [path for path in sources() if not path.is_relative_to(ROOT / "simulator")]


def _worker(*words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", *words],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def _follow(
    worker: subprocess.Popen[str], done: set[str], total: int, on_share: Callable[[float], None]
) -> None:
    assert worker.stdout is not None  # noqa: S101 - it is a pipe
    for line in worker.stdout:
        done.add(line.strip())
        on_share(min(len(done) / total, 1.0))


def run_core() -> None:
    """Run once what measures, steers, forecasts and evaluates."""
    import numpy as np  # noqa: PLC0415 - only the worker needs all this

    from api.examples import DEMO_RIG  # noqa: PLC0415
    from api.runtime.warm_up import warm_up  # noqa: PLC0415
    from control.forecast.endurance import endurance_map  # noqa: PLC0415
    from control.forecast.rig_heat import RigHeat  # noqa: PLC0415
    from daq.measure.speed.smoother import EdgeTrack, smooth  # noqa: PLC0415
    from daq.proving.coast_fit import Coast, fit_coasts  # noqa: PLC0415
    from daq.rig.description import load_rig  # noqa: PLC0415

    rig = load_rig(DEMO_RIG)
    warm_up(rig)
    endurance_map(RigHeat(rig, {}, 293.15), (10.0,), (50e3,))
    time_s = np.arange(0.0, 2.0, 0.01)
    track = EdgeTrack(time_s, np.arange(len(time_s)), np.zeros(60), 0.0, 60, 2.0 * math.pi / 60)
    smooth(track, time_s)
    coast = Coast(0.01, np.zeros(len(time_s)), time_s, 20.0 * time_s - 0.05 * time_s**2)
    fit_coasts([coast], 1000.0, inertia_kg=1000.0)


def _forget_old_ones() -> None:
    """Drop kernels of older sources from a cache away from them, where no module looks after it.

    The compiler stamps a kernel with its own file only, not with those that it compiles in.
    """
    from numba.core.dispatcher import Dispatcher  # noqa: PLC0415

    for path in _ours():
        module = importlib.import_module(".".join(path.relative_to(ROOT).with_suffix("").parts))
        for value in vars(module).values():
            if isinstance(value, Dispatcher):
                kept = Path(value.stats.cache_path or ROOT)
                if not kept.is_relative_to(ROOT):
                    for index in kept.glob("*.nbi"):
                        index.unlink(missing_ok=True)


def main() -> None:
    """Entry of the worker for all but the simulator; says each kernel that it compiled."""
    from numba.core import event  # noqa: PLC0415

    class Told(event.Listener):
        def on_start(self, event: event.Event) -> None:
            pass

        def on_end(self, event: event.Event) -> None:
            function = event.data["dispatcher"].py_func
            if function.__module__.partition(".")[0] in PACKAGES:
                print(function.__module__, function.__name__, flush=True)

    event.register("numba:compile", Told())  # type: ignore[no-untyped-call]
    _forget_old_ones()
    run_core()


if __name__ == "__main__":
    main()
