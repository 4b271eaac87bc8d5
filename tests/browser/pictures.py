"""Draws docs/pictures from the real demo: `python -m tests.browser.pictures [FOLDER]`.

The rig and the truck are simulated and invented; loop, service and page are the real ones. What is
not shown is done by command, and every picture waits for what it shows, so that a slow computer
only takes longer. `python -m tests.browser.gallery` takes every view in every look.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Literal

from playwright.sync_api import Browser

from tests.browser.conftest import CLIENT, PHONE, TALL, WIDE, Demo, Tablet, until
from tests.browser.gallery import (
    TRUCK,
    begin,
    ended,
    hold,
    rehearsed,
    rpm,
    run_drawn,
    session,
    settled,
)

FOLDER = Path(__file__).resolve().parents[2] / "docs" / "pictures"
LOADED: dict[str, tuple[str, Literal["light", "dark"], tuple[int, int]]] = {
    "loaded-dark": ("rolls", "dark", WIDE),
    "loaded-portrait-dark": ("rolls", "dark", TALL),
    "loaded-phone-light": ("rolls", "light", PHONE),
    "driver-dark": ("driver", "dark", WIDE),
    "rig-dark": ("rig", "dark", WIDE),
    "strips-light": ("strips", "light", WIDE),
    "heat-portrait-light": ("heat", "light", TALL),
}
# the strips show thirty seconds: all of them of the hold, where that is what is shown
HISTORY = "(drumlin.store.telemetry.test?.elapsed_s ?? 0) > 40"
STRIPS = "[...drumlin.store.followed.values()].every(({ ring }) => ring.count > 250)"


def draw(demo: Demo, browser: Browser, folder: Path) -> None:
    """One hold from parked to stored run, with a picture at each station."""

    def picture(tablet: Tablet, name: str) -> None:
        settled(tablet)
        tablet.page.screenshot(path=folder / f"{name}.png")
        print(f"{name}.png", flush=True)

    light = Tablet(browser, demo.address, color_scheme="light", client=CLIENT).open()
    picture(light, "parked-light")
    with demo.helm():
        light.see("You have the helm")
        light.button("Read the cautions").click()
        picture(light, "cautions-light")
        light.page.keyboard.press("Escape")
        demo.make_ready()
        demo.seat(gear=4, brake=0.0, pedal=40.0)
        until("1800 rev/min", lambda: rpm(demo) > 1800, 120)
        light.open("tests").settle()
        rehearsed(light)
        light.page.locator(".rehearsal").scroll_into_view_if_needed()
        picture(light, "plan-light")
        begin(demo, {"kind": "steady-hold", "rpm": 1900, "seconds": 3000, "settle_s": 2}, TRUCK)
        demo.seat(pedal=100.0)
        until("the hold", lambda: (demo.state()["test"] or {}).get("phase") == "hold", 120)
        light.open()
        light.wait(HISTORY)
        picture(light, "loaded-light")
        for name, (view, look, (width, height)) in LOADED.items():  # a new tablet takes long
            light.page.emulate_media(color_scheme=look)
            light.page.set_viewport_size({"width": width, "height": height})
            light.open(view).settle()
            if view == "strips":
                light.wait(STRIPS)
            if view == "heat":
                light.page.locator(".endurance td").nth(20).wait_for(timeout=120_000)
            picture(light, name)
        light.page.emulate_media(color_scheme="light")
        light.page.set_viewport_size({"width": WIDE[0], "height": WIDE[1]})
        ended(demo)
        hold(demo, 20, TRUCK)  # one that ends by itself and counts
        until("its end", lambda: demo.state()["state"] == "ready", 120)
        demo.seat(pedal=0.0, brake=30.0)
        light.open("runs")
        light.page.locator(".run-line").first.click()
        run_drawn(light)
        picture(light, "run-light")
        plan = {"kind": "steady-hold", "rpm": 1900, "seconds": 60, "settle_s": 2}
        campaign = {"kind": "campaign", "plan": plan, "setups": ["A", "B", "A"], "repeats": 2}
        demo.order("campaigns", {"campaign": campaign, "name": "Exhaust", "vehicle": TRUCK})
        light.open("campaign").see("Run 1 of 6")
        picture(light, "campaign-light")
        light.open("proving")
        light.page.locator(".prove-card").first.wait_for()
        picture(light, "proving-light")
    light.close()


def main() -> None:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    with session() as found:
        draw(*found, folder)


if __name__ == "__main__":
    main()
