"""A real browser (Debian's chromium, driven by playwright) and something for it to look at.

`stand` is the page in front of a made-up rig; `demo` the page in front of the real loop, service
and simulator. Both run as child processes on loopback; one browser and one stand serve all tests
of a worker, one demo those of a file.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psutil
import pytest

from tests import conftest as leftovers
from tests import evidence
from tests.meanwhile import meanwhile
from tests.ports import free_port

pytest.importorskip("playwright", reason="the browser tests need the playwright package")
from playwright.sync_api import (
    Browser,
    BrowserContext,
    Page,
    Playwright,
    expect,
    sync_playwright,
)

ROOT = Path(__file__).resolve().parents[2]
CHROMIUM = os.environ.get("DRUMLIN_CHROMIUM", "/usr/bin/chromium")
ARGUMENTS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
CLIENT = "browser-tests"  # who asks by `ask`
WATCHED = """(button) => {
  button.pressed = false;
  button.addEventListener('pointerdown', () => { button.pressed = true; }, { once: true });
}"""
TAP = """(button) => {
  const mouse = { bubbles: true, button: 0, pointerId: 1, pointerType: 'mouse', isPrimary: true };
  button.dispatchEvent(new PointerEvent('pointerdown', mouse));
  const began = button.classList.contains('held');
  button.dispatchEvent(new PointerEvent('pointerup', mouse));
  button.click();
  return began;
}"""
HELD = "(button) => button.classList.contains('held')"
WIDE, TALL, PHONE = (1180, 820), (820, 1180), (390, 844)
SIZES = {"landscape": WIDE, "portrait": TALL, "phone": PHONE}
PATIENCE_S = 90.0  # a computer with other work; what is waited for comes in a moment
PATIENCE_MS = 1e3 * PATIENCE_S
expect.set_options(timeout=PATIENCE_MS)


def ask(url: str, body: dict[str, Any] | None = None) -> Any:
    """GET, or POST of a JSON body, on loopback."""
    request = urllib.request.Request(
        url,
        None if body is None else json.dumps(body).encode(),
        {"Content-Type": "application/json", "Drumlin-Client": CLIENT},
    )
    with urllib.request.urlopen(request, timeout=10) as answer:
        return json.loads(answer.read() or b"null")


def until(what: str, reached: Any, within_s: float = PATIENCE_S) -> Any:
    """The first true answer of `reached`; names what was awaited when it never comes."""
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        try:
            found = reached()
        except (urllib.error.URLError, OSError):
            found = None
        if found:
            return found
        time.sleep(0.1)
    raise AssertionError(f"waited {within_s:g} s for {what}, in vain")


class Served:
    """A child process that serves the page."""

    def __init__(self, command: list[str], address: str, ready: str) -> None:
        self.address = address
        self._command = command
        self._ready = ready
        self.process: subprocess.Popen[bytes] | None = None
        self._logs: Path | None = None

    def start(self) -> None:
        self._logs = Path(tempfile.mkdtemp(prefix="drumlin-served-"))
        with (self._logs / "log").open("wb") as log:
            self.process = subprocess.Popen(
                self._command, cwd=ROOT, stdout=log, stderr=subprocess.STDOUT
            )
        with contextlib.suppress(PermissionError):  # the browser beside it is no part of a rig
            os.setpriority(os.PRIO_PROCESS, self.process.pid, -10)
        try:
            until(f"{self.address}{self._ready}", lambda: ask(f"{self.address}{self._ready}"), 300)
        except BaseException:
            evidence.note(self.address, self.seen())
            self.stop()
            raise

    def stop(self) -> None:
        if self.process is not None:
            self.process.send_signal(signal.SIGINT)
            try:
                self.process.wait(PATIENCE_S)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
            self.process = None
        if self._logs is not None:
            shutil.rmtree(self._logs)
            self._logs = None

    def seen(self) -> str:
        """The rig's state and the last of what the processes said, for a failed test's report."""
        log = evidence.tail(self._logs / "log") if self._logs is not None else "not started"
        try:
            state = evidence.state_of(ask(f"{self.address}/api/state"))
        except OSError as error:
            state = f"no state: {error}"
        return f"{state}\n{log}"


class Stand(Served):
    """The page in front of a made-up rig."""

    def __init__(self) -> None:
        port = free_port()
        super().__init__(
            [sys.executable, "-m", "tests.browser.fake_rig", str(port)],
            f"http://127.0.0.1:{port}",
            "/api/state",
        )

    def scene(self, **change: Any) -> None:
        """Set the scene; see fake_rig.Scene."""
        ask(f"{self.address}/fake", change)

    def reset(self) -> None:
        """As it was when it began, whatever the tests before have set."""
        ask(f"{self.address}/fake/new", {})

    def posts(self) -> list[str]:
        found: list[str] = ask(f"{self.address}/fake")["posts"]
        return found


class Demo(Served):
    """The page in front of the real loop, the real service and the simulated rig."""

    def __init__(self, data: Path) -> None:
        port = free_port()
        self.data = data
        super().__init__(
            [sys.executable, "-m", "api.cli.main", "demo", "--data", str(data),
             "--listen", f"127.0.0.1:{port}"],
            f"http://127.0.0.1:{port}",
            "/api/state",
        )  # fmt: skip

    def seat(self, **words: Any) -> None:
        """Tell the simulated driver, or the fault menu."""
        about = json.loads((self.data / "simulator.json").read_text())
        ask(f"http://127.0.0.1:{about['seat']}/tell", words)

    def state(self) -> dict[str, Any]:
        found: dict[str, Any] = ask(f"{self.address}/api/state")
        return found

    def order(self, path: str, body: dict[str, Any] | None = None) -> dict[str, Any]:
        """A command of the person at the helm, who is `CLIENT`."""
        found: dict[str, Any] = ask(f"{self.address}/api/{path}", body or {})
        return found

    @contextlib.contextmanager
    def helm(self) -> Iterator[None]:
        """At the helm as `CLIENT`, kept whatever a starved browser does."""

        def take() -> dict[str, Any]:
            return self.order("helm/take", {"name": "demo"})

        until("the helm", take)
        with meanwhile(take, 0.5):  # taken again where it has expired
            yield

    def make_ready(self, vehicle: str = "") -> None:
        """From whatever state to ready, by command; the helm is kept by who asks."""
        orders = {
            "tripped": [("reset", {})],
            "loaded": [("ease-off", {})],
            "parked": [("zero", {}), ("acknowledge", {"vehicle": vehicle}), ("ready", {})],
        }  # fmt: skip

        def ready() -> bool:
            state = self.state()["state"]
            for path, body in orders.get(state, []):  # a refusal is an OSError: asked again
                self.order(path, body)
            return bool(state == "ready")

        until("the rig to be ready", ready)


def child_of(demo: Demo, words: str) -> psutil.Process:
    """The process of the demo whose command line holds these words."""
    assert demo.process is not None
    for child in psutil.Process(demo.process.pid).children(recursive=True):
        with contextlib.suppress(psutil.Error):  # it ends at this moment
            if words in " ".join(child.cmdline()):
                return child
    raise AssertionError(f"no child process runs {words}")


@pytest.fixture(autouse=True)
def no_leftovers() -> Iterator[None]:
    """As everywhere, but the browser's own helper processes come and go as it likes."""

    def children() -> list[str]:
        # a killed service or helm process is started anew; what the service forks stays with it
        passing = (" --type=", "api.launch.service", "api.launch.helm", "api.jobs.fork_server")
        return [one for one in leftovers._children() if not any(word in one for word in passing)]

    threads, files, before = leftovers._threads(), leftovers._files(), children()
    yield
    leftovers._expect_none("threads", lambda: sorted(set(leftovers._threads()) - set(threads)))
    leftovers._expect_none("child processes", lambda: leftovers._others(before, children()))
    leftovers._expect_none("open files", lambda: leftovers._more(files, leftovers._files()))


@pytest.fixture(scope="session")
def playwright_driver() -> Iterator[Playwright]:
    if shutil.which(CHROMIUM) is None:
        pytest.skip(f"no chromium at {CHROMIUM}: apt-get install chromium, or set DRUMLIN_CHROMIUM")
    with sync_playwright() as driver:
        yield driver


@pytest.fixture(scope="session")
def chromium(playwright_driver: Playwright) -> Iterator[Browser]:
    quiet = Path(__file__).with_name("quiet-chromium")
    browser = playwright_driver.chromium.launch(executable_path=quiet, args=ARGUMENTS)
    yield browser
    browser.close()


@pytest.fixture(scope="session")
def served_stand() -> Iterator[Stand]:
    stand = Stand()
    stand.start()
    with evidence.looked_at("made-up rig", stand.seen):
        yield stand
    stand.stop()


@pytest.fixture
def stand(served_stand: Stand) -> Stand:
    served_stand.reset()
    return served_stand


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Demo]:
    demo = Demo(tmp_path_factory.mktemp("demo"))
    demo.start()
    with evidence.looked_at("demo", demo.seen):
        yield demo
    demo.stop()


class Tablet:
    """One tablet: a page with its own storage; keeps what its console complains about."""

    def __init__(self, browser: Browser, address: str, **options: Any) -> None:
        self.address = address
        client = options.pop("client", "")
        size = options.pop("size", WIDE)
        options.setdefault("locale", "en-GB")
        options.setdefault("service_workers", "block")
        self.context: BrowserContext = browser.new_context(
            viewport={"width": size[0], "height": size[1]}, **options
        )
        if client:  # this tablet is somebody we know
            self.context.add_init_script(
                f"sessionStorage.setItem('drumlin.client', {json.dumps(client)})"
            )
        self.context.set_default_timeout(PATIENCE_MS)
        self.page: Page = self.context.new_page()
        self.complaints: list[str] = []
        self._asked: set[Any] = set()  # requests without an answer yet
        self.page.on("request", self._begun)
        self.page.on("requestfinished", self._ended)
        self.page.on("requestfailed", self._ended)
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on(
            "console",
            lambda message: (
                self.complaints.append(message.text)
                if message.type == "error" and "WebSocket" not in message.text
                else None
            ),
        )

    def _begun(self, request: Any) -> None:
        self._asked.add(request)

    def _ended(self, request: Any) -> None:
        self._asked.discard(request)

    def open(self, page: str = "rolls", live: bool = True) -> Tablet:
        """Go to a page; until its view is there, with `live` until figures come as well."""
        address = f"{self.address}/#/{page}"
        if self.page.url != address:
            self.page.evaluate("document.querySelector('#main > *')?.setAttribute('data-left', '')")
        self.page.goto(address)
        self.page.wait_for_selector("#main > :not([data-left])", state="attached")
        if live:
            self.page.wait_for_selector('.link[data-kind="live"]')
        return self

    def turn(self, size: str) -> None:
        """Give the page another size, and two frames to lay itself out."""
        width, height = SIZES[size]
        self.page.set_viewport_size({"width": width, "height": height})
        self.page.evaluate(
            "new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))"
        )

    def settle(self) -> None:
        """Until what it asked for has come and figures are written and laid out: two of its
        clock's beats, then a frame."""
        while True:
            self.until("its answers", lambda: not self._asked)
            self.page.evaluate(
                "document.fonts.ready.then(() => new Promise((done) => setTimeout("
                "() => requestAnimationFrame(() => requestAnimationFrame(done)), 200)))"
            )
            if not self._asked:
                return

    def until(self, what: str, reached: Any) -> None:
        """Until something on the page is so."""
        deadline = time.monotonic() + PATIENCE_S
        while not reached():
            assert time.monotonic() < deadline, f"waited {PATIENCE_S:g} s for {what}, in vain"
            self.page.wait_for_timeout(50)

    def button(self, name: str) -> Any:
        return self.page.get_by_role("button", name=name)

    def press_and_hold(self, name: str) -> None:
        self.hold(self.button(name))

    def press_in_vain(self, name: str) -> None:
        """Hold a button that must not be offered now."""
        button = self.button(name)
        expect(button).to_have_attribute("aria-disabled", "true")
        button.hover()
        self.page.mouse.down()
        self.page.wait_for_timeout(1000)
        self.page.mouse.up()

    def press_briefly(self, name: str) -> None:
        """A tap on a button that wants to be held. It is of one moment on the page: between a
        mouse's two words a busy computer may let longer pass than a hold takes."""
        self.button(name).hover()
        assert self.button(name).evaluate(TAP), "the tap began a hold"

    def hold(self, button: Any) -> None:
        """Press, once it is offered, until it has been held long enough: on a busy computer that
        may be seen late, and the button may move between aiming and pressing."""
        expect(button).not_to_have_attribute("aria-disabled", "true")
        aimed: list[Any] = []

        def pressed() -> bool:
            aimed.append(button.element_handle())
            aimed[-1].evaluate(WATCHED)
            aimed[-1].hover()
            self.page.mouse.down()
            if aimed[-1].evaluate("(button) => button.pressed"):
                return True
            self.page.mouse.up()
            return False

        self.until("the button to be hit", pressed)
        self.until("the button to be held long enough", lambda: not aimed[-1].evaluate(HELD))
        self.page.mouse.up()

    def take_helm(self) -> None:
        self.button("Take the helm").click()
        self.page.get_by_text("You have the helm", exact=True).wait_for()

    def see(self, text: str) -> None:
        self.page.get_by_text(text).first.wait_for()

    def wait(self, condition: str) -> None:
        """Until a JavaScript expression is true (wait_for_function needs eval: barred here)."""
        self.until(condition, lambda: self.page.evaluate(condition))

    def seen(self) -> str:
        """What stands on it, for a failed test's report."""
        shown = self.page.locator("body").inner_text(timeout=5000)
        return f"{self.page.url}\ncomplaints: {self.complaints}\n{shown[:3000]}"

    def close(self) -> None:
        self.context.close()


@pytest.fixture
def tablets(chromium: Browser) -> Iterator[Any]:
    """Opens tablets: tablets(stand.address, size=..., color_scheme=...)."""
    with contextlib.ExitStack() as opened:

        def make(address: str, **options: Any) -> Tablet:
            tablet = Tablet(chromium, address, **options)
            opened.callback(tablet.close)
            opened.enter_context(evidence.looked_at(f"tablet {id(tablet):x}", tablet.seen))
            return tablet

        yield make


@pytest.fixture(scope="session")
def modules(chromium: Browser, served_stand: Stand) -> Iterator[Any]:
    """Evaluates an expression on a page that only lends its modules."""
    tablet = Tablet(chromium, served_stand.address)
    tablet.open(live=False)
    yield tablet.page.evaluate
    tablet.close()
