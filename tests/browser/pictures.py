"""Draws docs/pictures from the real demo: `python -m tests.browser.pictures [FOLDER]`.

The rig and the truck are simulated and invented; loop, service and page are the real ones.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

from tests.browser.conftest import ARGUMENTS, PHONE, TALL, WIDE, Demo, Tablet, until

QUIET = Path(__file__).with_name("quiet-chromium")
FOLDER = Path(__file__).resolve().parents[2] / "docs" / "pictures"


def draw(demo: Demo, browser: Browser, folder: Path) -> None:
    """One hold from parked to stored run, with a picture at each station."""

    def picture(tablet: Tablet, name: str) -> None:
        tablet.page.wait_for_timeout(700)
        tablet.page.screenshot(path=folder / f"{name}.png")
        print(f"{name}.png")

    # all opened before the hold: a browser that starts takes the time of a rig beside it
    others = {
        "loaded-dark": ("rolls", {"color_scheme": "dark", "size": WIDE}),
        "loaded-portrait-dark": ("rolls", {"color_scheme": "dark", "size": TALL}),
        "loaded-phone-light": ("rolls", {"color_scheme": "light", "size": PHONE}),
        "driver-dark": ("driver", {"color_scheme": "dark", "size": WIDE}),
        "rig-dark": ("rig", {"color_scheme": "dark", "size": WIDE}),
        "heat-portrait-light": ("heat", {"color_scheme": "light", "size": TALL}),
    }
    watching = {
        name: Tablet(browser, demo.address, **options).open(page)
        for name, (page, options) in others.items()
    }
    light = Tablet(browser, demo.address, color_scheme="light").open()
    picture(light, "parked-light")
    light.take_helm()
    light.button("Zero the cells").click()
    light.see("Zeros taken.")
    light.button("Read the cautions").click()
    picture(light, "cautions-light")
    for box in light.page.locator(".caution input").all():
        box.check()
    light.press_and_hold("All checked at the truck")
    light.press_and_hold("Make ready")
    demo.seat(gear=4, brake=0.0, pedal=40.0)
    until("1800 rev/min", lambda: _rpm(demo) > 1800, 60)
    light.button("Start a test").click()
    light.page.fill("#plan-minutes", "4")
    light.page.fill("#plan-expected-power", "210")
    light.button("Rehearse").click()
    light.page.locator("#plan-expected-speed").fill("75")  # no gear is learned yet
    light.button("Rehearse").click()
    light.page.locator(".rehearsal-says").wait_for()
    light.page.locator(".rehearsal").scroll_into_view_if_needed()
    picture(light, "plan-light")
    light.press_and_hold("Start the test")
    demo.seat(pedal=100.0)
    until("the hold", lambda: (demo.state()["test"] or {}).get("phase") == "hold", 60)
    light.page.wait_for_timeout(8000)
    picture(light, "loaded-light")
    for name, tablet in watching.items():
        picture(tablet, name)
    for tablet in watching.values():
        tablet.close()
    light.button("Ease off").click()
    demo.seat(pedal=0.0)
    until("the load to be off", lambda: demo.state()["state"] == "ready")
    demo.seat(brake=30.0)
    light.open("runs")
    light.page.locator(".run-line").first.click()
    light.page.locator(".curve canvas").nth(1).wait_for(timeout=60_000)
    picture(light, "run-light")
    light.open("proving")
    picture(light, "proving-light")
    light.close()


def _rpm(demo: Demo) -> float:
    value = demo.state()["measured"]["engine_speed"]["value"]
    return float(value or 0.0) * 9.549296585513721


def main() -> None:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    folder.mkdir(parents=True, exist_ok=True)
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
