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
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psutil
import pytest

from tests import conftest as leftovers

pytest.importorskip("playwright", reason="the browser tests need the playwright package")
from playwright.sync_api import (
    Browser,
    BrowserContext,
    Page,
    Playwright,
    sync_playwright,
)

ROOT = Path(__file__).resolve().parents[2]
CHROMIUM = os.environ.get("DRUMLIN_CHROMIUM", "/usr/bin/chromium")
ARGUMENTS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
CLIENT = "browser-tests"  # who asks by `ask`
HELD = "(all) => all.some((one) => one.classList.contains('held'))"
WIDE, TALL, PHONE = (1180, 820), (820, 1180), (390, 844)
SIZES = {"landscape": WIDE, "portrait": TALL, "phone": PHONE}


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def ask(url: str, body: dict[str, Any] | None = None) -> Any:
    """GET, or POST of a JSON body, on loopback."""
    request = urllib.request.Request(
        url,
        None if body is None else json.dumps(body).encode(),
        {"Content-Type": "application/json", "Drumlin-Client": CLIENT},
    )
    with urllib.request.urlopen(request, timeout=10) as answer:
        return json.loads(answer.read() or b"null")


def until(what: str, reached: Any, within_s: float = 30.0) -> Any:
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

    def start(self) -> None:
        self.process = subprocess.Popen(
            self._command, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        with contextlib.suppress(PermissionError):  # the browser beside it is no part of a rig
            os.setpriority(os.PRIO_PROCESS, self.process.pid, -10)
        try:
            until(f"{self.address}{self._ready}", lambda: ask(f"{self.address}{self._ready}"), 120)
        except BaseException:
            self.stop()
            raise

    def stop(self) -> None:
        if self.process is not None:
            self.process.send_signal(signal.SIGINT)
            try:
                self.process.wait(20)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait(5)
            self.process = None


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
        self.scene(
            state="parked", silent=False, frozen=False, link_dead=False, loop_up=True,
            refuse_sockets=False, faults=[], cause="", acknowledged=False, vehicle="",
            holder="", name="", asked_by="", surge=0.0, rotor_unknown=False, suspect_cell=False,
            missing_engine=False, role="maintain", campaign="", posts=[], kind="steady-hold",
        )  # fmt: skip

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
        done = threading.Event()

        def keep() -> None:
            while not done.wait(0.5):
                with contextlib.suppress(OSError):
                    self.order("helm/keep")

        self.order("helm/take", {"name": "demo"})
        keeper = threading.Thread(target=keep)
        keeper.start()
        try:
            yield
        finally:
            done.set()
            keeper.join()

    def make_ready(self, vehicle: str = "") -> None:
        """From parked to ready, by command."""
        until("zeros", lambda: self.order("zero"), 60)
        self.order("acknowledge", {"vehicle": vehicle})
        until("the rig to be ready", lambda: self.order("ready"), 60)


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
        self.page: Page = self.context.new_page()
        self.complaints: list[str] = []
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on(
            "console",
            lambda message: (
                self.complaints.append(message.text)
                if message.type == "error" and "WebSocket" not in message.text
                else None
            ),
        )

    def open(self, page: str = "rolls", live: bool = True) -> Tablet:
        self.page.goto(f"{self.address}/#/{page}")
        if live:
            self.page.wait_for_selector('.link[data-kind="live"]', timeout=60_000)
        return self

    def turn(self, size: str) -> None:
        """Give the page another size, and two frames to lay itself out."""
        width, height = SIZES[size]
        self.page.set_viewport_size({"width": width, "height": height})
        self.page.evaluate(
            "new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))"
        )

    def settle(self) -> None:
        """Until figures are written and laid out: two of its clock's beats, then a frame."""
        self.page.evaluate(
            "document.fonts.ready.then(() => new Promise((done) => setTimeout("
            "() => requestAnimationFrame(() => requestAnimationFrame(done)), 200)))"
        )

    def button(self, name: str) -> Any:
        return self.page.get_by_role("button", name=name)

    def press_and_hold(self, name: str) -> None:
        self.hold(self.button(name))

    def press_briefly(self, name: str) -> None:
        self.button(name).hover()
        self.page.mouse.down()
        self.page.wait_for_timeout(200)
        self.page.mouse.up()

    def hold(self, button: Any) -> None:
        """Press until it has been held long enough, which on a busy computer may be seen late."""
        button.hover()
        self.page.mouse.down()
        until(
            "the button to be held long enough",
            lambda: not button.evaluate_all(HELD),
        )
        self.page.mouse.up()

    def take_helm(self) -> None:
        self.button("Take the helm").click()
        self.page.get_by_text("You have the helm", exact=True).wait_for()

    def see(self, text: str, timeout_ms: int = 8000) -> None:
        self.page.get_by_text(text).first.wait_for(timeout=timeout_ms)

    def wait(self, condition: str, within_ms: int = 8000) -> None:
        """Until a JavaScript expression is true (wait_for_function needs eval: barred here)."""
        for _ in range(within_ms // 50):
            if self.page.evaluate(condition):
                return
            self.page.wait_for_timeout(50)
        raise AssertionError(f"waited {within_ms} ms for {condition}, in vain")

    def close(self) -> None:
        self.context.close()


@pytest.fixture
def tablets(chromium: Browser) -> Iterator[Any]:
    """Opens tablets: tablets(stand.address, size=..., color_scheme=...)."""
    opened: list[Tablet] = []

    def make(address: str, **options: Any) -> Tablet:
        tablet = Tablet(chromium, address, **options)
        opened.append(tablet)
        return tablet

    yield make
    for tablet in opened:
        tablet.close()


@pytest.fixture(scope="session")
def modules(chromium: Browser, served_stand: Stand) -> Iterator[Any]:
    """Evaluates an expression on a page that only lends its modules."""
    tablet = Tablet(chromium, served_stand.address)
    tablet.open(live=False)
    yield tablet.page.evaluate
    tablet.close()
