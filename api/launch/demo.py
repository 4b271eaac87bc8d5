"""`drumlin demo`: a simulated rig on a pseudo-terminal, with the real loop and service on it.

Data flows: simulator process -> pseudo-terminal -> loop process -> service process -> page. Only
the port's name and the driver's seat are special here; everything else is `drumlin serve`.
"""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
import time
from collections.abc import Awaitable, Callable
from pathlib import Path

import msgspec

from api.launch.demo_driver import follow
from api.launch.lock import DataLock
from api.launch.serve import ServeSettings, check, free_port_from, supervise
from api.launch.unattended import HoldAsked, run_hold
from api.runtime.supervisor import ChildSpec, Supervisor
from api.settings import DEFAULT_PORT
from daq.errors import DrumlinError
from daq.tasks import Tasks

SIMULATOR = "simulated rig"
LINK_NAME = "front-end"
ABOUT_NAME = "simulator.json"


class DemoSettings(msgspec.Struct, frozen=True):
    """What `drumlin demo` was asked to do."""

    rig: Path
    data: Path
    host: str = ""
    listen_port: int | None = None
    settings: Path | None = None
    unattended: bool = False
    seconds: float = 60.0
    rpm: float = 1900.0
    truth: Path | None = None
    follow: bool = False  # the driver does what the running test asks


def demo(settings: DemoSettings, say: Callable[[str], None], as_json: bool = False) -> None:
    """Run the demo until Ctrl-C, or one unattended hold. Raises DrumlinError."""
    if settings.unattended and not settings.seconds > 0.0:
        raise DrumlinError("The hold needs a length.", "Give --seconds above 0.")
    with DataLock(settings.data):
        result = asyncio.run(_demo(settings, say))
    if result is not None:
        plain = msgspec.json.encode(result).decode()
        print(plain if as_json else "\n".join(f"{k:24} {v}" for k, v in result.items()))
    else:
        say("Ended.")


async def _demo(settings: DemoSettings, say: Callable[[str], None]) -> dict[str, object] | None:
    begun_s = time.monotonic()
    device = settings.data / LINK_NAME
    simulator = _simulator(settings, device)
    listen_port = settings.listen_port
    if listen_port is None and settings.settings is None:
        listen_port = free_port_from(settings.host or "127.0.0.1", DEFAULT_PORT)
        if listen_port != DEFAULT_PORT:
            say(f"Port {DEFAULT_PORT} is in use by another program: port {listen_port} is taken.")
    # The device exists only once the simulator runs; everything else is checked before.
    plan = check(
        ServeSettings(
            settings.rig,
            str(device),
            settings.data,
            settings.host,
            listen_port,
            settings.settings,
        ),
        device_later=True,
    )
    stop = asyncio.Event()
    hold: list[asyncio.Task[dict[str, object]]] = []
    tasks = Tasks()

    def started(supervisor: Supervisor) -> None:
        say(
            f"{plan.rig.name} (simulated): open {plan.address} "
            f"(up in {time.monotonic() - begun_s:.1f} s)."
        )
        if not settings.unattended:
            say(_how_to_drive(settings.data))
            if settings.follow:
                say("The driver does what the running test asks.")
                tasks.start("driver", follow(settings.data, _seat(settings.data), say))
            say("Ctrl-C ends it, load first.")
            return
        asked = HoldAsked(plan.address, _seat(settings.data), settings.rpm, settings.seconds)
        # What it came to is read at the end, from `hold`.
        task = tasks.start("unattended hold", run_hold(asked, say), lambda _: None)
        task.add_done_callback(lambda _: stop.set())
        hold.append(task)

    try:
        await supervise(plan, say, before=[simulator], started=started, stop=stop)
    finally:
        await tasks.stop()
    if not hold:
        return None
    task = hold[0]
    if task.cancelled():  # ended by a signal
        raise DrumlinError("The unattended hold was broken off.", "Start it again.")
    return task.result()


def _simulator(settings: DemoSettings, device: Path) -> ChildSpec:
    truth = ("--truth", str(settings.truth)) if settings.truth is not None else ()
    about = settings.data / ABOUT_NAME
    about.unlink(missing_ok=True)
    device.unlink(missing_ok=True)
    return ChildSpec(
        name=SIMULATOR,
        arguments=(
            "-m",
            "simulator",
            "--until-input-ends",
            "--link",
            str(device),
            "--data",
            str(settings.data),
            *truth,
        ),
        ready=_exists(about, device),
        restart=False,
        on_death="Without it there is no front end.",
    )


def _exists(*paths: Path) -> Callable[[], Awaitable[bool]]:
    async def ready() -> bool:
        return all(path.exists() for path in paths)

    return ready


def _seat(data: Path) -> int:
    try:
        return int(json.loads((data / ABOUT_NAME).read_text(encoding="utf-8"))["seat"])
    except (OSError, ValueError, KeyError):
        raise DrumlinError(
            f"No demo runs on the data directory {data}.", "Start one with: drumlin demo"
        ) from None


def _how_to_drive(data: Path) -> str:
    return (
        f"The driver's seat: http://127.0.0.1:{_seat(data)}/ , or tell the driver what to do: "
        "drumlin driver pedal 60 | brake 30 | gear 4 | full | lift"
    )


def tell_driver(data: Path, words: list[str]) -> None:
    """Tell the driver of the running demo. Raises DrumlinError with what the driver understands."""
    told = subprocess.run(
        [sys.executable, "-m", "simulator", "tell", *words, "--driver-port", str(_seat(data))],
        check=False,
        capture_output=True,
        text=True,
        timeout=15.0,
    )
    if told.returncode != 0:
        raise DrumlinError("The driver did not do that.", told.stderr.strip())
