"""Every view in every size, look and language, from one demo session, for judging by eye.

`python -m tests.browser.gallery FOLDER [PART...]` drives the demo from parked to a pulled cable
and writes FOLDER/VIEW--SIZE-LOOK-LANGUAGE.png, FOLDER/VIEW--whole-... where a page scrolls, and
FOLDER/sheets/VIEW-LOOK-LANGUAGE.png with the three sizes side by side. Parts: parked,
route, hold, stored, trace, climb, faults; all of them when none is named.
"""

from __future__ import annotations

import contextlib
import json
import math
import signal
import sys
import tempfile
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Literal

from PIL import Image
from playwright.sync_api import Browser, sync_playwright

from tests.browser.conftest import (
    ARGUMENTS,
    CLIENT,
    SIZES,
    Demo,
    Tablet,
    ask,
    child_of,
    until,
)
from tests.meanwhile import meanwhile

QUIET = Path(__file__).with_name("quiet-chromium")
LOOKS: tuple[tuple[Literal["light", "dark"], str], ...] = (
    ("light", "en"), ("dark", "de"), ("dark", "en"), ("light", "de"),
)  # fmt: skip
TALLEST = 4000
SHEET = 0.62  # of the size on the tablet
RADPS_PER_RPM = 0.10471975511965977
TRUCK, OTHER = "Invented truck, as delivered", "Invented truck, other exhaust"
TRACE = [[0, 0], [25, 0], [50, 10], [200, 10], [260, 18], [400, 18]]
PASS = "distance_m,grade_percent\n" + "\n".join(
    f"{200 * n},{4.5 + 3.5 * math.sin(n / 3) - 0.05 * n:.2f}" for n in range(100)
)
CLIFF = "distance_m,grade_percent\n0,2\n400,80\n"
PARTS = ("parked", "route", "hold", "stored", "trace", "climb", "faults")
LOAD = {"a_n": 226.0, "b_n_per_mps": 1.6, "c_n_per_mps2": 0.95, "mass_kg": 3600.0}


class Camera:
    """One tablet that is turned, relit and translated for each picture."""

    def __init__(self, tablet: Tablet, folder: Path) -> None:
        self.tablet = tablet
        self.folder = folder
        (folder / "sheets").mkdir(parents=True, exist_ok=True)

    def views(self, *names: str, whole: bool = True) -> None:
        for name in names:
            self.take(name, name.replace("/", "-"), whole=whole)

    def take(
        self,
        view: str,
        label: str,
        prepare: Callable[[Tablet], None] | None = None,
        *,
        whole: bool = False,
    ) -> None:
        """Pictures of one view in all looks and sizes; `prepare` brings it to where it is shown."""
        tablet, page = self.tablet, self.tablet.page
        for look, language in LOOKS:
            page.emulate_media(color_scheme=look)
            units = "us" if (look, language) == ("dark", "en") else "metric"
            page.evaluate(
                "([language, units]) => import('./js/settings.js').then(({ settings }) => {"
                " settings.set('language', language); settings.set('units', units); })",
                [language, units],
            )
            page.set_viewport_size({"width": 1180, "height": 820})
            page.goto(f"{tablet.address}/#/{view}")
            settled(tablet)
            if prepare is not None:
                prepare(tablet)
            shots: list[Path] = []
            for size, (width, height) in SIZES.items():
                page.set_viewport_size({"width": width, "height": height})
                settled(tablet)
                file = self.folder / f"{label}--{size}-{look}-{language}.png"
                page.screenshot(path=file)
                full = whole and self.whole(label, f"{size}-{look}-{language}", (width, height))
                shots.append(full or file)
            self.sheet(shots, f"{label}-{look}-{language}")
            if prepare is not None:
                page.keyboard.press("Escape")
        print(label, flush=True)

    def whole(self, label: str, name: str, size: tuple[int, int]) -> Path | None:
        """All of a page that scrolls, in one picture."""
        page = self.tablet.page
        hidden = page.evaluate(
            "(main => main.scrollHeight - main.clientHeight)(document.getElementById('main'))"
        )
        if hidden < 8:
            return None
        page.set_viewport_size({"width": size[0], "height": min(TALLEST, size[1] + hidden)})
        settled(self.tablet)
        file = self.folder / f"{label}--whole-{name}.png"
        page.screenshot(path=file)
        return file

    def sheet(self, shots: list[Path], name: str) -> None:
        with contextlib.ExitStack() as opened:
            images = [opened.enter_context(Image.open(shot)) for shot in shots]
            gap = 24
            width = sum(one.width for one in images) + gap * (len(images) + 1)
            height = max(one.height for one in images) + 2 * gap
            sheet = Image.new("RGB", (width, height), "#7a7a7a")
            left = gap
            for one in images:
                sheet.paste(one, (left, gap))
                left += one.width + gap
            small = sheet.resize(
                (int(width * SHEET), int(height * SHEET)), Image.Resampling.LANCZOS
            )
            small.save(self.folder / "sheets" / f"{name}.png")


def settled(tablet: Tablet) -> None:
    """Until fonts, charts and figures stand: nothing more moves but live data."""
    tablet.wait("document.fonts.status === 'loaded'")
    tablet.wait("!document.querySelector('#main:empty') && !document.body.dataset.busy")
    tablet.page.evaluate(
        "new Promise((done) => setTimeout(() => requestAnimationFrame(() =>"
        " requestAnimationFrame(done)), 240))"
    )


def rpm(demo: Demo) -> float:
    value = demo.state()["measured"]["engine_speed"]["value"]
    return float(value or 0.0) / RADPS_PER_RPM


def speed(demo: Demo) -> float:
    value = demo.state()["measured"]["roll_sets"][0]["speed"]["value"]
    return float(value or 0.0)


def begin(demo: Demo, plan: dict[str, Any], vehicle: str = TRUCK) -> None:
    """Start a test, from ready again when a busy computer tripped the rig meanwhile."""
    if demo.state()["state"] == "tripped":
        until("the trip to be reset", lambda: demo.order("reset"), 30)
    if demo.state()["state"] == "parked":
        demo.make_ready()
    demo.order("test/start", {"plan": plan, "vehicle": vehicle})


def ended(demo: Demo) -> None:
    demo.order("ease-off")
    demo.seat(pedal=0.0)
    until("the load to be off", lambda: demo.state()["state"] not in ("loaded", "easing"), 60)


def hold(demo: Demo, seconds: int, vehicle: str) -> None:
    demo.seat(gear=4, brake=0.0, pedal=40.0)
    until("1800 rev/min", lambda: rpm(demo) > 1800, 60)
    begin(demo, {"kind": "steady-hold", "rpm": 1900, "seconds": seconds, "settle_s": 2}, vehicle)
    demo.seat(pedal=100.0)
    until("the hold", lambda: (demo.state()["test"] or {}).get("phase") == "hold", 60)


def repeated(demo: Demo) -> list[str]:
    """Four short holds, two of each set-up; ids of closed runs, newest first."""
    for vehicle in (TRUCK, OTHER, TRUCK, OTHER):
        hold(demo, 12, vehicle)
        until("the end of the hold", lambda: demo.state()["state"] == "ready", 60)
    demo.seat(pedal=0.0, brake=30.0)

    def closed() -> list[str] | None:
        runs = ask(f"{demo.address}/api/runs")["runs"]
        ready = [one["id"] for one in runs if one["state"] == "closed"]
        return ready if len(ready) >= 5 else None

    found: list[str] = until("five evaluated runs", closed, 120)
    return found


def draw(demo: Demo, browser: Browser, folder: Path, parts: tuple[str, ...] = ()) -> None:
    tablet = Tablet(browser, demo.address, client=CLIENT).open()
    camera = Camera(tablet, folder)
    wanted = parts or PARTS
    if "parked" in wanted:
        camera.views("rolls", "tests", "tests/speed-trace", "campaign", "proving", "people")
        camera.take("rolls", "settings", lambda it: it.page.locator("header .bare").click())
    if "route" in wanted:
        camera.take("tests/grade-climb", "route", lambda it: routed(it, PASS), whole=True)
        camera.take("tests/grade-climb", "route-refused", lambda it: routed(it, CLIFF), whole=True)
    with demo.helm():
        if "parked" in wanted:
            camera.take(
                "rolls", "cautions", lambda it: it.page.locator(".dock-next .lead").first.click()
            )
        demo.make_ready()
        if "parked" in wanted:
            camera.take("rolls", "ready")
            camera.take("tests/power-sweep", "rehearsed", rehearsed, whole=True)
        if "hold" in wanted:
            hold(demo, 3000, TRUCK)
            for view in ("rolls", "driver", "rig", "heat", "strips"):
                camera.take(view, f"loaded-{view}", whole=view in ("rig", "heat"))
            ended(demo)
        if "stored" in wanted:
            stored(demo, camera)
        if "trace" in wanted:
            traced(demo, camera)
        if "climb" in wanted:
            climbed(demo, camera)
    if "faults" in wanted:
        tripped(demo, camera)
    tablet.close()


def stored(demo: Demo, camera: Camera) -> None:
    """Runs, one of them, some over each other, and a campaign."""
    runs = repeated(demo)
    ask_put(demo, "sets", {"name": "Weekly check", "runs": runs})
    camera.views("runs", "vehicles", "consistency")
    camera.take(f"runs/{runs[0]}", "run", run_drawn, whole=True)
    order = [run for run in reversed(runs[:4])]
    camera.take(f"overlay/{order[0]},{order[2]},{order[1]},{order[3]}", "overlay", whole=True)
    plan = {"kind": "steady-hold", "rpm": 1900, "seconds": 12, "settle_s": 2}
    campaign = {"kind": "campaign", "plan": plan, "setups": ["A", "B", "A"], "repeats": 2}
    demo.order("campaigns", {"campaign": campaign, "name": "Exhaust", "vehicle": TRUCK})
    camera.take("campaign", "campaign-ask", whole=True)


def traced(demo: Demo, camera: Camera) -> None:
    """A speed trace on its way."""
    demo.seat(pedal=0.0, brake=40.0)
    until("the rolls to stand", lambda: speed(demo) < 0.05, 60)
    demo.seat(brake=40.0, gear=3)
    begin(demo, {"kind": "speed-trace", "points": TRACE, "vehicle": LOAD})
    with following(demo):
        until("the trace", lambda: (demo.state()["test"] or {}).get("phase") == "trace", 60)
        until("some speed", lambda: speed(demo) > 5.0, 90)
        for view in ("driver", "rolls"):
            camera.take(view, f"trace-{view}")
    ended(demo)


@contextlib.contextmanager
def following(demo: Demo) -> Iterator[None]:
    """Somebody at the wheel who drives what the trace asks for a moment later."""

    def drive() -> None:
        ahead = (demo.state()["test"] or {}).get("ahead") or []
        soon = [target for away, target in ahead if away >= 0.5]
        if soon and soon[0] > 0.3:
            demo.seat(drive_at_mps=min(60.0, soon[0]))
        else:  # in gear it creeps
            demo.seat(brake=40.0)

    with meanwhile(drive, 0.15):
        yield


def climbed(demo: Demo, camera: Camera) -> None:
    """A climb at one grade, and one along a route."""
    roads: dict[str, dict[str, Any]] = {
        "climb": {"grade": {"percent": 6.0}, "distance_m": 20_000.0},
        "route": {
            "grade": {
                "by_distance": [[float(x) for x in line.split(",")] for line in PASS.split()[1:]]
            }
        },
    }
    for name, road in roads.items():
        demo.seat(brake=0.0, gear=4)
        demo.seat(drive_at_mps=17.8)
        until("some speed", lambda: speed(demo) > 15.0, 90)
        begin(demo, {"kind": "grade-climb", "vehicle": LOAD, "target_mps": 17.8, **road})
        until("the climb", lambda: (demo.state()["test"] or {}).get("phase") == "climb", 90)
        demo.seat(drive_at_mps=17.8)
        for view in ("driver", "rolls") if name == "climb" else ("driver",):
            camera.take(view, f"{name}-{view}")
        ended(demo)
    demo.seat(brake=30.0)


def tripped(demo: Demo, camera: Camera) -> None:
    """A pulled cable, and a tablet that is paired."""
    tablet = camera.tablet
    simulator = child_of(demo, "-m simulator")
    simulator.send_signal(signal.SIGSTOP)
    try:
        tablet.open(live=False).page.wait_for_selector('.guide[data-state="tripped"]')
        for view in ("rolls", "driver", "rig", "heat"):
            camera.take(view, f"tripped-{view}", whole=view == "rig")
    finally:
        simulator.send_signal(signal.SIGCONT)
    demo.order("tokens", {"name": "office", "role": "maintain"})
    tablet.page.reload()
    tablet.page.locator("#pair-code").wait_for()
    camera.take("rolls", "pair")


def routed(tablet: Tablet, text: str) -> None:
    """A climb whose road is read from a file."""
    tablet.page.locator('input[name="plan-road"][value="route"]').check()
    file = {"name": "invented-pass.csv", "mimeType": "text/csv", "buffer": text.encode()}
    tablet.page.set_input_files("#plan-route", file)
    tablet.page.locator(".route-profile svg, .route-wrong .problem").first.wait_for()


def rehearsed(tablet: Tablet) -> None:
    page = tablet.page
    page.fill("#plan-expected-power", "220")
    page.locator(".rehearsal button").click()
    page.locator(".rehearsal-says, .rehearsal-bad").first.wait_for(timeout=60_000)
    if page.locator("#plan-expected-speed").is_visible():  # no gear is learned
        page.fill("#plan-expected-speed", "90")
        page.locator(".rehearsal button").click()
        page.locator(".rehearsal-says").wait_for(timeout=60_000)


def run_drawn(tablet: Tablet) -> None:
    tablet.page.locator(".curve canvas").nth(3).wait_for(timeout=40_000)


def ask_put(demo: Demo, path: str, body: dict[str, Any]) -> None:
    request = urllib.request.Request(
        f"{demo.address}/api/{path}",
        json.dumps(body).encode(),
        {"Content-Type": "application/json", "Drumlin-Client": CLIENT},
        method="PUT",
    )
    urllib.request.urlopen(request, timeout=10).close()


@contextlib.contextmanager
def session() -> Iterator[tuple[Demo, Browser]]:
    """A demo of its own and a browser for it."""
    with tempfile.TemporaryDirectory() as data, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=QUIET, args=ARGUMENTS)
        demo = Demo(Path(data))
        demo.start()
        try:
            yield demo, browser
        finally:
            demo.stop()
            browser.close()


if __name__ == "__main__":
    with session() as found:
        draw(*found, Path(sys.argv[1]), tuple(sys.argv[2:]))
