"""Every view in every size, look and language, from one demo session, for judging by eye.

`python -m tests.browser.gallery FOLDER [STATION...]` drives the demo from parked to a pulled cable
and writes FOLDER/VIEW--SIZE-LOOK-LANGUAGE.png, FOLDER/VIEW--whole-... where a page scrolls, and
FOLDER/sheets/VIEW-LOOK-LANGUAGE.png with the three sizes side by side.
"""

from __future__ import annotations

import contextlib
import signal
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Literal

from PIL import Image
from playwright.sync_api import Browser, sync_playwright

from tests.browser.conftest import ARGUMENTS, SIZES, Demo, Tablet, child_of, until

QUIET = Path(__file__).with_name("quiet-chromium")
LOOKS: tuple[tuple[Literal["light", "dark"], str], ...] = (
    ("light", "en"), ("dark", "de"), ("dark", "en"), ("light", "de"),
)  # fmt: skip
TALLEST = 4000
SHEET = 0.62  # of the size on the tablet
RADPS_PER_RPM = 0.10471975511965977
TRACE = "0 0\n12 0\n25 20\n60 20"


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


def make_ready(tablet: Tablet, demo: Demo) -> None:
    tablet.open()
    if tablet.button("Take the helm").count():
        tablet.take_helm()
    if demo.state()["state"] == "ready":
        return
    tablet.button("Zero the cells").click()
    tablet.see("Zeros taken.")
    tablet.button("Read the cautions").click()
    for box in tablet.page.locator(".caution input").all():
        box.check()
    tablet.press_and_hold("All checked at the truck")
    tablet.press_and_hold("Make ready")
    tablet.page.wait_for_selector('.guide[data-state="ready"]')


def start(tablet: Tablet, kind: str, **fields: str) -> None:
    """Start a test of a kind by the page."""
    tablet.open(f"tests/{kind}")
    for field in fields:
        if not tablet.page.locator(f"#plan-{field}").is_visible():
            for more in tablet.page.locator("details:not([open]) summary").all():
                more.click()
    for field, value in fields.items():
        tablet.page.fill(f"#plan-{field}", value)
    tablet.press_and_hold("Start the test")
    tablet.page.wait_for_selector('.guide[data-state="loaded"]')


def ended(demo: Demo) -> None:
    demo.seat(pedal=0.0)
    until("the load to be off", lambda: demo.state()["state"] == "ready", 60)


def hold(demo: Demo, tablet: Tablet, seconds: int, vehicle: str) -> None:
    until("1800 rev/min", lambda: rpm(demo) > 1800, 60)
    start(tablet, "steady-hold", rpm="1900", minutes=f"{seconds / 60}", settle="2", vehicle=vehicle)
    demo.seat(pedal=100.0)
    until("the hold", lambda: (demo.state()["test"] or {}).get("phase") == "hold", 60)


@contextlib.contextmanager
def at_work(browser: Browser, demo: Demo) -> Iterator[Tablet]:
    tablet = Tablet(browser, demo.address)
    try:
        yield tablet.open()
    finally:
        tablet.close()


def draw(demo: Demo, browser: Browser, folder: Path) -> None:
    with at_work(browser, demo) as operator, at_work(browser, demo) as watcher:
        camera = Camera(watcher, folder)
        camera.views("rolls", "tests", "tests/speed-trace", "proving", "people", "vehicles")
        camera.take("rolls", "settings", lambda it: it.page.locator("header .bare").click())
        operator.take_helm()
        make_ready(operator, demo)
        camera.take("rolls", "ready")
        demo.seat(gear=4, brake=0.0, pedal=40.0)
        hold(demo, operator, 400, "Invented truck, as delivered")
        operator.page.wait_for_timeout(20_000)
        for view in ("rolls", "driver", "rig", "heat"):
            camera.take(view, f"loaded-{view}", whole=view in ("rig", "heat"))
        operator.open().button("Ease off").click()
        ended(demo)
        runs = []
        for vehicle in ("Invented truck, as delivered", "Invented truck, other exhaust") * 2:
            demo.seat(pedal=40.0)
            hold(demo, operator, 14, vehicle)
            demo.seat(pedal=100.0)
            until("the end of the hold", lambda: demo.state()["state"] == "ready", 60)
        demo.seat(pedal=0.0, brake=30.0)
        operator.open("runs")
        operator.page.locator(".run-line").nth(4).wait_for()
        operator.wait("!document.querySelector('[data-state=\"closing\"]')", 40_000)
        for line in operator.page.locator(".run-line").all():
            runs.append((line.get_attribute("href") or "").rpartition("/")[2])
        camera.views("runs")
        camera.take(f"runs/{runs[-1]}", "run", run_drawn, whole=True)
        camera.take(f"overlay/{runs[0]},{runs[1]},{runs[2]},{runs[3]}", "overlay", whole=True)
        camera.views("vehicles", "consistency")
        until("the rolls to stand", lambda: speed(demo) < 0.05, 60)
        demo.seat(brake=0.0, gear=3)
        start(operator, "speed-trace", trace=TRACE, vehicle="Invented truck, as delivered")
        for view in ("rolls", "driver"):
            camera.take(view, f"trace-{view}")
        operator.open().button("Ease off").click()
        ended(demo)
        demo.seat(brake=0.0, gear=4, pedal=45.0)
        start(operator, "grade-climb", vehicle="Invented truck, as delivered")
        until("some speed", lambda: speed(demo) > 10.0, 60)
        camera.take("driver", "climb-driver")
        operator.open().button("Ease off").click()
        ended(demo)
        demo.seat(brake=30.0)
        simulator = child_of(demo, "-m simulator")
        simulator.send_signal(signal.SIGSTOP)
        try:
            watcher.open(live=False).page.wait_for_selector('.guide[data-state="tripped"]')
            for view in ("rolls", "driver", "rig"):
                camera.take(view, f"tripped-{view}", whole=view == "rig")
        finally:
            simulator.send_signal(signal.SIGCONT)
        operator.open("people", live=False)
        operator.page.fill("#first-name", "office")
        operator.press_and_hold("Make the first token")
        operator.see("Keep this token safe")
        watcher.open("rolls", live=False)
        watcher.see("Pair this tablet", 20_000)
        camera.take("rolls", "pair")


def run_drawn(tablet: Tablet) -> None:
    tablet.page.locator(".curve canvas").nth(3).wait_for(timeout=40_000)


def speed(demo: Demo) -> float:
    value = demo.state()["measured"]["roll_sets"][0]["speed"]["value"]
    return float(value or 0.0)


def main() -> None:
    folder = Path(sys.argv[1])
    with tempfile.TemporaryDirectory() as data, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=QUIET, args=ARGUMENTS)
        demo = Demo(Path(data))
        demo.start()
        try:
            draw(demo, browser, folder)
        finally:
            demo.stop()
            browser.close()


if __name__ == "__main__":
    main()
