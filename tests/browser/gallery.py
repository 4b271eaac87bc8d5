"""Every view in every size, look and language, from one demo session, for judging by eye.

`python -m tests.browser.gallery FOLDER` drives the demo from parked to a pulled cable
and writes FOLDER/VIEW--SIZE-LOOK-LANGUAGE.png, FOLDER/VIEW--whole-... where a page scrolls, and
FOLDER/sheets/VIEW-LOOK-LANGUAGE.png with the three sizes side by side.
"""

from __future__ import annotations

import contextlib
import json
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

QUIET = Path(__file__).with_name("quiet-chromium")
LOOKS: tuple[tuple[Literal["light", "dark"], str], ...] = (
    ("light", "en"), ("dark", "de"), ("dark", "en"), ("light", "de"),
)  # fmt: skip
TALLEST = 4000
SHEET = 0.62  # of the size on the tablet
RADPS_PER_RPM = 0.10471975511965977
TRUCK, OTHER = "Invented truck, as delivered", "Invented truck, other exhaust"
TRACE = [[0, 0], [25, 0], [50, 10], [200, 10], [260, 18], [400, 18]]
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
    demo.order("test/start", {"plan": plan, "vehicle": vehicle})


def ended(demo: Demo) -> None:
    demo.order("ease-off")
    demo.seat(pedal=0.0)
    until("the load to be off", lambda: demo.state()["state"] == "ready", 60)


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


def draw(demo: Demo, browser: Browser, folder: Path) -> None:
    tablet = Tablet(browser, demo.address, client=CLIENT).open()
    camera = Camera(tablet, folder)
    camera.views("rolls", "tests", "tests/speed-trace", "campaign", "proving", "people")
    camera.take("rolls", "settings", lambda it: it.page.locator("header .bare").click())
    with demo.helm():
        camera.take(
            "rolls", "cautions", lambda it: it.page.locator(".dock-next .lead").first.click()
        )
        demo.make_ready()
        camera.take("rolls", "ready")
        camera.take("tests/power-sweep", "rehearsed", rehearsed, whole=True)
        hold(demo, 3000, TRUCK)
        for view in ("rolls", "driver", "rig", "heat"):
            camera.take(view, f"loaded-{view}", whole=view in ("rig", "heat"))
        ended(demo)
        runs = repeated(demo)
        ask_put(demo, "sets", {"name": "Weekly check", "runs": runs})
        camera.views("runs", "vehicles", "consistency")
        camera.take(f"runs/{runs[-1]}", "run", run_drawn, whole=True)
        order = [run for run in reversed(runs[:4])]
        camera.take(f"overlay/{order[0]},{order[2]},{order[1]},{order[3]}", "overlay", whole=True)
        plan = {"kind": "steady-hold", "rpm": 1900, "seconds": 12, "settle_s": 2}
        campaign = {"kind": "campaign", "plan": plan, "setups": ["A", "B", "A"], "repeats": 2}
        demo.order("campaigns", {"campaign": campaign, "name": "Exhaust", "vehicle": TRUCK})
        camera.take("campaign", "campaign-ask", whole=True)
        until("the rolls to stand", lambda: speed(demo) < 0.05, 60)
        demo.seat(brake=0.0, gear=3)
        begin(demo, {"kind": "speed-trace", "points": TRACE, "vehicle": LOAD})
        for view in ("rolls", "driver"):
            camera.take(view, f"trace-{view}")
        ended(demo)
        demo.seat(brake=0.0, gear=4, pedal=45.0)
        climb = {"grade": {"percent": 6.0}, "target_mps": 17.8, "distance_m": 20_000.0}
        begin(demo, {"kind": "grade-climb", "vehicle": LOAD, **climb})
        until("some speed", lambda: speed(demo) > 10.0, 60)
        camera.take("driver", "climb-driver")
        ended(demo)
        demo.seat(brake=30.0)
    simulator = child_of(demo, "-m simulator")
    simulator.send_signal(signal.SIGSTOP)
    try:
        tablet.open(live=False).page.wait_for_selector('.guide[data-state="tripped"]')
        for view in ("rolls", "driver", "rig"):
            camera.take(view, f"tripped-{view}", whole=view == "rig")
    finally:
        simulator.send_signal(signal.SIGCONT)
    demo.order("tokens", {"name": "office", "role": "maintain"})
    tablet.page.reload()
    tablet.page.locator("#pair-code").wait_for()
    camera.take("rolls", "pair")
    tablet.close()


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
        draw(*found, Path(sys.argv[1]))
