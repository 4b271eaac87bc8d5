"""The page's shape: no overlap or overflow, targets fit gloves, texts are complete, it is small.

Accessibility is checked by axe-core (vendored for tests only, MPL-2.0) with WCAG 2.2 AA rules.
"""

from __future__ import annotations

import gzip
import re
from pathlib import Path
from typing import Any

import msgspec
import pytest
from playwright.sync_api import expect

from daq.texts.message import say
from tests.browser.conftest import SIZES

pytestmark = [pytest.mark.browser, pytest.mark.timeout(900)]

PAGE = Path(__file__).resolve().parents[2] / "api" / "page"
AXE = (Path(__file__).parent / "vendor" / "axe" / "axe.min.js").read_text(encoding="utf-8")
RUN = "runs/20261125-084000-mad0"
OVER = "overlay/20261125-084000-mad0,20261125-083700-mad1"
VIEWS = [
    "rolls", "tests", "runs", RUN, OVER, "vehicles", "consistency", "rig", "strips", "heat",
    "absorbers", "proving", "driver", "people", "campaign", "campaign/20261125-083000-camp",
]  # fmt: skip
TRIPPED = {
    "state": "tripped",
    "cause": "stop-chain-open",
    "faults": [
        {
            "code": "stop-chain-open", "effect": "trip", "text": "The stop chain is open.",
            "remedy": "Find who opened it and why, close it, then reset.",
            "since_s": 1.0, "active": True,
        }
    ],
}  # fmt: skip
LEAST_TARGET_PX = 48
# pairs of texts that lie over each other
OVERLAPS = """() => {
  const walker = document.createTreeWalker(document.getElementById('main'), NodeFilter.SHOW_TEXT);
  const found = [];
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const parent = node.parentElement;
    if (!node.data.trim() || !parent.checkVisibility()) continue;
    if (parent.closest('.unseen, svg, select, textarea, .uplot')) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    for (const { left, right, top, height } of range.getClientRects()) {
      const [upper, lower] = [top + 0.27 * height, top + 0.76 * height]; // letters fill the middle
      found.push([node.data.trim(), { left, right, top: upper, bottom: lower }]);
    }
  }
  const over = [];
  found.forEach(([text, a], index) => {
    for (const [other, b] of found.slice(index + 1)) {
      const wide = Math.min(a.right, b.right) - Math.max(a.left, b.left);
      const high = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
      if (wide > 2 && high > 2) over.push([text, other]);
    }
  });
  return over;
}"""
# the dark page is the light one in other colours: only what colours decide is asked again
RULES = {
    "light": "['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']",
    "dark": "{type: 'rule', values: ['color-contrast', 'link-in-text-block']}",
}


# whether the worker has kept all that this page fetched of the shell
KEPT = """caches.open('drumlin-shell-1').then(async (cache) => {
  const kept = new Set((await cache.keys()).map((request) => request.url));
  const fetched = performance.getEntriesByType('resource').map((entry) => entry.name)
    .filter((name) => name.startsWith(location.origin) && !name.includes('/api/'));
  return fetched.length > 10 && fetched.every((name) => kept.has(name));
})"""
EASE = """() => {
  const main = document.getElementById('main');
  const button = document.querySelector('button.ease');
  const box = button.getBoundingClientRect();
  const points = [[.1, .2], [.5, .5], [.9, .8]].map(([x, y]) => document
    .elementFromPoint(box.left + box.width * x, box.top + box.height * y));
  return {
    inside: box.left >= 0 && box.top >= 0 && box.right <= innerWidth && box.bottom <= innerHeight,
    uncovered: points.every((hit) => hit && button.contains(hit)),
    sideways: document.documentElement.scrollWidth - innerWidth,
    main: main.scrollWidth - main.clientWidth,
  };
}"""
SMALL = """(least) => [...document.querySelectorAll(
    'button, a, select, summary, .choice label, .caution, .run-pick')]
  .filter((node) => node.offsetParent && !node.classList.contains('unseen')
    && !node.closest('.sides-list span'))
  .map((node) => [node.textContent, node.getBoundingClientRect()])
  .filter(([, box]) => box.width < least || box.height < least)
  .map(([text, box]) => [text, box.width, box.height])"""


def serious(tablet: Any, scheme: str) -> list[str]:
    """What axe finds on the page as it stands; axe itself is put there once a page."""
    if not tablet.page.evaluate("'axe' in window"):
        tablet.page.evaluate(AXE)
    result = tablet.page.evaluate(f"axe.run(document, {{runOnly: {RULES[scheme]}}})")
    return [
        f"{found['id']} {node['target']} {node['failureSummary']}"
        for found in result["violations"]
        if found["impact"] in ("serious", "critical")
        for node in found["nodes"]
    ]


@pytest.mark.parametrize("language", ["en", "de"])
def test_every_page_in_every_size_is_whole_reachable_and_accessible(
    stand: Any, tablets: Any, language: str
) -> None:
    """Ease off in sight and uncovered, nothing sideways, no text over another, targets for gloves;
    axe content with the light page and with the colours of the dark one."""
    stand.scene(state="loaded", acknowledged=True, campaign="change")
    tablet = tablets(stand.address, locale=language, color_scheme="light")
    fits = {"inside": True, "uncovered": True, "sideways": 0, "main": 0}
    for view in VIEWS:
        tablet.open(view).settle()
        for size in SIZES:
            tablet.turn(size)
            assert tablet.page.evaluate(EASE) == fits, f"{view}, {size}"
            assert tablet.page.evaluate(OVERLAPS) == [], f"{view}, {size}"
            assert tablet.page.evaluate(SMALL, LEAST_TARGET_PX) == [], f"{view}, {size}"
        tablet.turn("landscape")
        if language == "en":  # axe reads structure and colours, not words
            assert serious(tablet, "light") == [], view
            tablet.page.emulate_media(color_scheme="dark")
            assert serious(tablet, "dark") == [], f"{view}, dark"
            tablet.page.emulate_media(color_scheme="light")


@pytest.mark.parametrize("language", ["en", "de"])
def test_no_tab_is_cut_off_by_another(stand: Any, tablets: Any, language: str) -> None:
    tablet = tablets(stand.address, locale=language).open("rig")
    tablet.settle()
    for size in SIZES:
        tablet.turn(size)
        cut = tablet.page.evaluate(
            """() => [...document.querySelectorAll('.tab, .subnav a')]
              .filter((tab) => tab.scrollWidth > tab.clientWidth).map((tab) => tab.textContent)"""
        )
        assert cut == [], size


@pytest.mark.parametrize("size", ["landscape", "portrait"])
def test_at_the_rolls_fits_a_tablet_without_scrolling(stand: Any, tablets: Any, size: str) -> None:
    stand.scene(state="loaded", acknowledged=True)
    tablet = tablets(stand.address, size=SIZES[size]).open()
    tablet.take_helm()
    tablet.settle()
    room = "(main) => [main.scrollHeight - main.clientHeight, main.scrollWidth - main.clientWidth]"
    assert tablet.page.locator("#main").evaluate(room) == [0, 0]


@pytest.mark.parametrize("size", SIZES)
def test_no_text_is_cut_off_at_the_rolls(stand: Any, tablets: Any, size: str) -> None:
    stand.scene(state="loaded", acknowledged=True)
    tablet = tablets(stand.address, size=SIZES[size]).open()
    tablet.settle()
    cut = tablet.page.evaluate(
        """() => [...document.querySelectorAll('.rolls *')].filter((node) =>
          node.children.length === 0 && node.textContent && node.offsetParent
          && !node.classList.contains('unseen')
          && getComputedStyle(node).overflowX !== 'visible'
          && node.scrollWidth > node.clientWidth + 1)
          .map((node) => node.textContent)"""
    )
    assert cut == []


def test_targets_of_the_helm_fit_a_gloved_thumb(stand: Any, tablets: Any) -> None:
    """What only stands there for the one at the helm, ready to start."""
    stand.scene(state="ready", acknowledged=True, campaign="ask")
    tablet = tablets(stand.address).open()
    tablet.take_helm()
    for view in ("rolls", "tests", "campaign/20261125-083000-camp", "absorbers", "proving"):
        tablet.open(view).settle()
        for size in SIZES:
            tablet.turn(size)
            assert tablet.page.evaluate(SMALL, LEAST_TARGET_PX) == [], f"{view}, {size}"


@pytest.mark.parametrize("scene", ["tripped", "stale", "sheet", "route"])
def test_axe_finds_nothing_serious_when_things_are_not_as_usual(
    stand: Any, tablets: Any, scene: str
) -> None:
    if scene == "tripped":
        stand.scene(**TRIPPED)
    else:
        parked = scene in ("sheet", "route")
        stand.scene(state="parked" if parked else "loaded", acknowledged=not parked)
    tablet = tablets(stand.address, color_scheme="light")
    looked = {"tripped": ["rolls", "rig", "driver"], "stale": ["rolls", "driver"]}
    for view in looked.get(scene, ["tests/grade-climb" if scene == "route" else "rolls"]):
        tablet.open(view)
        if scene == "stale":
            stand.scene(silent=True)
            tablet.page.wait_for_selector("body.stale")
        if scene == "sheet":
            tablet.take_helm()
            tablet.button("Read the cautions").click()
        if scene == "route":
            tablet.page.get_by_text("route from a file").click()
            cliff = {"name": "cliff.csv", "mimeType": "text/csv", "buffer": b"distance_m,grade\n"}
            tablet.page.set_input_files("#plan-route", cliff)
            tablet.page.locator(".route-wrong .problem").wait_for()
        tablet.settle()
        assert serious(tablet, "light") == [], view
        tablet.page.emulate_media(color_scheme="dark")
        assert serious(tablet, "dark") == [], f"{view}, dark"
        tablet.page.emulate_media(color_scheme="light")
        stand.scene(silent=False)


def test_the_page_is_worked_by_keyboard_alone(stand: Any, tablets: Any) -> None:
    tablet = tablets(stand.address).open()
    tablet.settle()
    seen = []
    for _ in range(20):
        tablet.page.keyboard.press("Tab")
        seen.append(tablet.page.evaluate("document.activeElement.textContent"))
    assert any("Take the helm" in text for text in seen)
    assert any("Ease off" in text for text in seen)
    tablet.button("Settings").focus()
    tablet.page.keyboard.press("Enter")
    tablet.page.wait_for_selector(".sheet")
    tablet.wait("document.querySelector('.sheet').contains(document.activeElement)")
    tablet.page.keyboard.press("Escape")
    expect(tablet.page.locator(".sheet")).to_have_count(0)
    tablet.wait("document.activeElement.getAttribute('aria-label') === 'Settings'")


def test_units_and_language_change_at_once(stand: Any, tablets: Any) -> None:
    stand.scene(state="loaded", acknowledged=True)
    tablet = tablets(stand.address).open()
    tablet.button("Settings").click()
    tablet.page.get_by_text("US customary").click()
    tablet.wait("document.querySelector('.ledger-total .unit').textContent === 'hp'")
    facts = tablet.page.locator(".facts").first
    expect(facts).to_have_text(re.compile(r"^\s*5[45]\.\d\smph"))  # 24.6 m/s are 55.0 mile/h
    tablet.page.get_by_text("Deutsch").click()
    tablet.see("Einheiten")
    tablet.wait("document.documentElement.lang === 'de'")
    tablet.page.keyboard.press("Escape")
    expect(tablet.page.locator(".ledger-figure")).to_have_text(re.compile(r"^\d+,\d$"))


def test_a_fault_speaks_german_on_a_german_page(stand: Any, tablets: Any) -> None:
    text = say("with-detail", text=say("fault.stop-chain-open"), detail="front")
    faults = [{**TRIPPED["faults"][0], "text": msgspec.to_builtins(text)}]
    stand.scene(**{**TRIPPED, "faults": faults})
    tablet = tablets(stand.address, locale="de-DE").open()
    tablet.see("Die Haltekette ist offen. (vorn)")


def test_motion_is_reduced_on_request(stand: Any, tablets: Any) -> None:
    tablet = tablets(stand.address, reduced_motion="reduce").open()
    moving = tablet.page.evaluate(
        """() => [...document.querySelectorAll('*')].filter((node) => {
          const style = getComputedStyle(node);
          return parseFloat(style.transitionDuration) > 0 || style.animationName !== 'none';
        }).length"""
    )
    assert moving == 0


def test_the_page_weighs_less_than_300_kb_compressed() -> None:
    weight = 0
    for path in PAGE.rglob("*"):
        if path.is_file() and path.name != "LICENSE":
            raw = path.read_bytes()
            weight += len(raw) if path.suffix == ".woff2" else len(gzip.compress(raw, 9))
    assert weight < 300_000


def test_every_module_is_asked_for_at_once() -> None:
    seen: set[Path] = set()
    waiting = [PAGE / "js" / "main.js"]
    while waiting:
        path = waiting.pop()
        if path not in seen:
            seen.add(path)
            found = re.findall(r'from "(\.[^"]+)"', path.read_text(encoding="utf-8"))
            waiting += [(path.parent / name).resolve() for name in found]
    asked = re.findall(r'modulepreload" href="([^"]+)"', (PAGE / "index.html").read_text())
    assert {PAGE / name for name in asked} == seen


def test_nothing_on_the_page_comes_from_elsewhere_or_is_inline() -> None:
    for path in PAGE.rglob("*"):
        if path.suffix in (".html", ".css", ".js", ".svg") and "vendor" not in path.parts:
            text = path.read_text(encoding="utf-8")
            others = [
                link for link in re.findall(r"https?://[^\s\"')]+", text)
                if not link.startswith("http://www.w3.org/")
            ]  # fmt: skip
            assert others == [], path
            assert not re.search(r"<script(?![^>]*src=)|\son\w+=\"|\sstyle=\"", text), path


def test_the_shell_opens_without_the_service_and_says_so(chromium: Any, tablets: Any) -> None:
    from tests.browser.conftest import Stand

    own = Stand()
    own.start()
    try:
        tablet = tablets(own.address, service_workers="allow").open()
        tablet.page.evaluate("navigator.serviceWorker.ready.then(() => true)")
        tablet.page.reload()  # now through the worker, which keeps what it hands out
        tablet.page.wait_for_selector('.link[data-kind="live"]')
        tablet.wait(KEPT)
    finally:
        own.stop()
    tablet.page.reload()
    tablet.see("No connection")
    tablet.see("Nothing received yet")
    assert tablet.button("Ease off").is_visible()
    assert tablet.page.evaluate("caches.keys().then((names) => names.length)") == 1
    kept = tablet.page.evaluate(
        "caches.open('drumlin-shell-1').then((cache) => cache.keys())"
        ".then((requests) => requests.map((request) => new URL(request.url).pathname))"
    )
    assert kept
    assert not [path for path in kept if path.startswith("/api")], "live data is never kept"
