"""The tablet page in a real browser on live data from the simulated rig under load.

`kb_compressed`: every file of the page, compressed. `interactive_ms`: from navigation until every
control is in place, median of cold loads. `paint_p95_ms`: from a message's arrival in the page to
just after the frame that shows it. `long_tasks`: over 50 ms, in the time watched. `strips_...`: the
same with eight live strips in sight; `strips_draw_p95_ms` is the page's own work per frame, of the
16.7 ms that 60 frames a second leave. All on one computer: browser, rig, loop and service share its
cores, and everything is drawn without a graphics processor, which no tablet has to.

`--part memory`: the page's heap over `--moments` minutes (20) of a held truck, once a minute after
collecting garbage, with its slope.
"""

from __future__ import annotations

import contextlib
import gzip
import json
import os
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from bench.support.common import Options, run_bench

ROOT = Path(__file__).resolve().parents[1]
PAGE = ROOT / "api" / "page"
CHROMIUM = os.environ.get("DRUMLIN_CHROMIUM", "/usr/bin/chromium")
ARGUMENTS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--enable-precise-memory-info", "--js-flags=--expose-gc",
]  # fmt: skip
LOADS = 5
PATIENCE_S = 180.0
HOLD_RPM = 1900.0
RADPS_PER_RPM = 0.10471975511965977

WATCH = """
window.bench = { long: [], frames: 0 };
new PerformanceObserver((list) => bench.long.push(...list.getEntries().map((e) => e.duration)))
  .observe({ type: 'longtask', buffered: true });
requestAnimationFrame(function count() { bench.frames += 1; requestAnimationFrame(count); });
"""


def measure(options: Options) -> dict[str, Any]:
    """Weigh the page, load it some times, then watch it while a truck is held."""
    if options.part == "memory":
        return _memory(options.moments or (1 if options.quick else 20))
    seconds = 6.0 if options.quick else 60.0
    # The truck drives up while the page is loaded: both take their time.
    with _scene() as (browser, address, hold, held):
        loads = [_load(browser, address) for _ in range(2 if options.quick else LOADS)]
        hold()
        watched = _watch(browser, f"{address}/#/rolls", seconds)
        strips = _watch(browser, f"{address}/#/strips", seconds / 2)
    return {
        "kb_compressed": _weight() / 1000.0,
        "kb_first_load": statistics.median(load["kb"] for load in loads),
        "interactive_ms": statistics.median(load["interactive_ms"] for load in loads),
        "live_ms": statistics.median(load["live_ms"] for load in loads),
        **watched,
        "strips": strips["strips"],
        **{
            f"strips_{key}": strips[key]
            for key in ("frames_per_s", "draw_p95_ms", "paint_p95_ms", "long_tasks")
        },
        "seconds": seconds,
        "under_load": held().startswith("loaded"),
        "rig_at_the_end": held().strip(),
    }


def _weight() -> int:
    total = 0
    for path in PAGE.rglob("*"):
        if path.is_file() and path.name != "LICENSE":
            raw = path.read_bytes()
            total += len(raw) if path.suffix == ".woff2" else len(gzip.compress(raw, 9))
    return total


def _load(browser: Any, address: str) -> dict[str, float]:
    """One cold load in a fresh profile."""
    context = browser.new_context(viewport={"width": 1180, "height": 820}, service_workers="block")
    page = context.new_page()
    page.goto(address)
    page.wait_for_selector('.link[data-kind="live"]')
    told: dict[str, float] = page.evaluate(
        """() => ({
          interactive_ms: performance.getEntriesByName('interactive')[0].startTime,
          live_ms: performance.now(),
          kb: [...performance.getEntriesByType('resource'),
               ...performance.getEntriesByType('navigation')]
            .reduce((sum, entry) => sum + entry.transferSize, 0) / 1000,
        })"""
    )
    context.close()
    return told


def _memory(minutes: int) -> dict[str, Any]:
    """The heap of the page at the rolls, minute by minute, while a truck is held."""
    heap_mb: list[float] = []
    with _scene() as (browser, address, hold, held):
        hold(60.0)  # no heat limit in twenty minutes
        page = browser.new_page(viewport={"width": 1180, "height": 820})
        page.goto(address)
        page.wait_for_selector('.link[data-kind="live"]', timeout=60_000)
        session = page.context.new_cdp_session(page)
        for minute in range(minutes + 1):
            page.wait_for_timeout(5000 if minute == 0 else 60_000)
            session.send("HeapProfiler.collectGarbage")
            used = session.send("Runtime.getHeapUsage")["usedSize"]
            heap_mb.append(float(used) / 1e6)
        messages = page.evaluate("drumlin.store.version")
    return {
        "minutes": minutes,
        "messages": messages,
        "heap_mb": heap_mb,
        "slope_mb_per_h": _slope(heap_mb[len(heap_mb) // 4 :]) * 60.0,
        "rig_at_the_end": held().strip(),
    }


def _slope(values: list[float]) -> float:
    """Least-squares change from one value to the next."""
    if len(values) < 2:
        return float("nan")
    middle = (len(values) - 1) / 2.0
    weights = [at - middle for at in range(len(values))]
    return sum(w * v for w, v in zip(weights, values, strict=True)) / sum(w * w for w in weights)


def _watch(browser: Any, address: str, seconds: float) -> dict[str, Any]:
    context = browser.new_context(viewport={"width": 1180, "height": 820})
    page = context.new_page()
    page.add_init_script(WATCH)
    page.goto(address)
    page.wait_for_selector('.link[data-kind="live"]')
    page.wait_for_timeout(1500)
    heap = "gc(); performance.memory.usedJSHeapSize / 1e6"
    before_mb = page.evaluate(heap)
    page.evaluate("drumlin.store.measuring = true; bench.long = []; bench.frames = 0")
    strips = page.locator("canvas.strip").count()
    began = page.evaluate("performance.now()")
    page.wait_for_timeout(seconds * 1000)
    told = page.evaluate(
        "({ now: performance.now(), long: bench.long, frames: bench.frames,"
        " painted: drumlin.store.painted, drawn: drumlin.store.drawn })"
    )
    after_mb = page.evaluate(heap)
    context.close()
    span_s = (told["now"] - began) / 1000.0
    painted = sorted(told["painted"])
    return {
        "strips": strips,
        "draw_p95_ms": _quantile(sorted(told["drawn"]), 0.95),
        "paint_p50_ms": _quantile(painted, 0.5),
        "paint_p95_ms": _quantile(painted, 0.95),
        "paints_per_s": len(painted) / span_s,
        "frames_per_s": told["frames"] / span_s,
        "long_tasks": len(told["long"]),
        "longest_task_ms": max(told["long"], default=0.0),
        "heap_mb": after_mb,
        "heap_growth_mb": after_mb - before_mb,
    }


def _quantile(ordered: list[float], share: float) -> float:
    if not ordered:
        return float("nan")
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


@contextlib.contextmanager
def _demo(data: Path) -> Iterator[str]:
    """The real processes behind the page; the address they answer at."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    address = f"http://127.0.0.1:{port}"
    process = subprocess.Popen(
        [sys.executable, "-m", "api.cli.main", "demo", "--data", str(data), "--listen",
         f"127.0.0.1:{port}"],
        cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    with contextlib.suppress(PermissionError):  # the browser beside it is no part of a rig
        os.setpriority(os.PRIO_PROCESS, process.pid, -10)
    try:
        _until("the service", lambda: _ask(f"{address}/api/state").get("measured"))
        yield address
    finally:
        process.send_signal(signal.SIGINT)
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(30)
        process.kill()
        process.wait()


@contextlib.contextmanager
def _scene() -> Iterator[tuple[Any, str, Callable[..., None], Callable[[], str]]]:
    """The demo, a browser and a truck on its way: browser, address, and what `_held` yields."""
    # Imported late: playwright is a development dependency, and its absence needs a clear word.
    from playwright.sync_api import sync_playwright  # noqa: PLC0415

    with (
        tempfile.TemporaryDirectory() as data,
        _demo(Path(data)) as address,
        sync_playwright() as driver,
    ):
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        try:
            with _held(Path(data), address) as (hold, held):
                yield browser, address, hold, held
        finally:
            browser.close()


@contextlib.contextmanager
def _held(data: Path, address: str) -> Iterator[Any]:
    """A truck on its way to be held; yields two functions: hold it now, and how did it end?"""
    seat = f"http://127.0.0.1:{json.loads((data / 'simulator.json').read_text())['seat']}/tell"
    done = threading.Event()

    def keep() -> None:
        while not done.wait(0.7):
            with contextlib.suppress(OSError):
                _ask(f"{address}/api/helm/keep", {})

    _ask(f"{address}/api/helm/take", {})
    keeper = threading.Thread(target=keep)
    keeper.start()
    try:
        for step in ("zero", "acknowledge", "ready"):
            _until(step, lambda step=step: _ask(f"{address}/api/{step}", {}).get("accepted"))
        _ask(seat, {"gear": 4, "brake": 0.0, "pedal": 40.0})
        states: list[str] = []

        def hold(pedal: float = 100.0) -> None:
            _until("engine speed", lambda: _rpm(address) > HOLD_RPM - 100.0)
            plan = {"kind": "steady-hold", "rpm": HOLD_RPM, "seconds": 3600, "settle_s": 2}
            _ask(f"{address}/api/test/start", {"plan": plan})
            _ask(seat, {"pedal": pedal})

        yield hold, lambda: " ".join(states)
        state = _ask(f"{address}/api/state")
        states += [state["state"], state["first_cause"]]
    finally:
        with contextlib.suppress(OSError):
            _ask(f"{address}/api/ease-off", {})
            _ask(seat, {"pedal": 0.0})
        with contextlib.suppress(SystemExit):
            busy = ("loaded", "easing")
            _until("the load to be off", lambda: _ask(f"{address}/api/state")["state"] not in busy)
        done.set()
        keeper.join()


def _rpm(address: str) -> float:
    value = _ask(f"{address}/api/state")["measured"]["engine_speed"]["value"]
    return float(value or 0.0) / RADPS_PER_RPM


def _ask(url: str, body: dict[str, Any] | None = None) -> dict[str, Any]:
    request = urllib.request.Request(
        url,
        None if body is None else json.dumps(body).encode(),
        {"Content-Type": "application/json", "Drumlin-Client": "bench-page"},
    )
    with urllib.request.urlopen(request, timeout=10.0) as answer:
        found: dict[str, Any] = json.loads(answer.read() or b"{}")
    return found


def _until(what: str, reached: Any) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline:
        with contextlib.suppress(urllib.error.URLError, OSError, TypeError):
            if reached():
                return
        time.sleep(0.2)
    raise SystemExit(f"Waited {PATIENCE_S:g} s for {what}, in vain.")


if __name__ == "__main__":
    run_bench("page", measure, parts=("memory",))
