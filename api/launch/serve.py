"""`drumlin serve`: checks everything that can be checked, then runs loop and service together.

Data flows: command line -> ServeSettings -> checks -> supervisor -> two processes. The loop ends
first, because it takes the load off and ends the run; the service then closes the run's files.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import os
import signal
import socket
import ssl
import time
import urllib.error
import urllib.request
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path

import msgspec

from api.http.entry.tokens import TokenBook
from api.launch.lock import DataLock
from api.runtime import channel
from api.runtime.protection import KEPT, set_oom_score
from api.runtime.supervisor import ChildSpec, Supervisor
from api.settings import ServiceSection, Settings, check_exposure, load_settings
from daq.errors import DrumlinError, LinkError
from daq.rig.description import Rig, load_rig

LOOP = "loop process"
SERVICE = "service process"
HELM = "helm process"
_LOOP_MARGIN_S = 5.0  # beyond the rig's easing time, to end files and the port


class ServeSettings(msgspec.Struct, frozen=True):
    """What `drumlin serve` was asked to do."""

    rig: Path
    port: str  # serial device; "" takes the rig file's
    data: Path
    host: str = ""  # "" takes the settings file's
    listen_port: int | None = None
    settings: Path | None = None


class Plan(msgspec.Struct, frozen=True):
    """Checked settings, ready to start."""

    serve: ServeSettings
    rig: Rig
    settings: Settings
    device: str

    @property
    def address(self) -> str:
        """The one address that opens the page on this computer."""
        return self._at(self.settings.service.port)

    @property
    def helm_address(self) -> str:
        """The helm process's, on this computer."""
        return self._at(self.settings.service.helm_port or 0)

    def _at(self, port: int) -> str:
        service = self.settings.service
        scheme = "https" if service.tls_certificate else "http"
        host = "127.0.0.1" if service.host in ("0.0.0.0", "::", "") else service.host
        return f"{scheme}://[{host}]:{port}" if ":" in host else f"{scheme}://{host}:{port}"


def parse_listen(text: str) -> tuple[str, int | None]:
    """`host:port`, `host`, `:port` or a port alone. Raises DrumlinError."""
    host, colon, port = text.rpartition(":")
    if not colon:
        host, port = ("", text) if text.isdigit() else (text, "")
    host = host.strip("[]")
    if not port:
        return host, None
    if not port.isdigit() or not 0 < int(port) < 65536:
        raise DrumlinError(
            f"'{text}' is no address to listen on.", "Give it as HOST:PORT, e.g. 127.0.0.1:8440."
        )
    return host, int(port)


def check(serve: ServeSettings, device_later: bool = False) -> Plan:
    """Check rig, settings, device and address. Raises DrumlinError for the first defect."""
    rig = load_rig(serve.rig)
    settings = load_settings(serve.rig, serve.data, serve.settings, serve.host, serve.listen_port)
    device = serve.port or rig.link.port
    if not device:
        raise DrumlinError(
            "No serial port is given.", "Add --port DEVICE, or set link.port in the rig file."
        )
    if not device_later:
        check_device(device)
    check_exposure(settings, TokenBook(serve.data).in_use)
    service = settings.service
    check_address(service.host, service.port)
    if service.helm_port is None:
        service = msgspec.structs.replace(service, helm_port=_free_beside(service))
    elif service.helm_port:
        check_address(service.host, service.helm_port)
    return Plan(serve, rig, msgspec.structs.replace(settings, service=service), device)


def _free_beside(service: ServiceSection) -> int:
    """The next port after the service's that is free. Raises DrumlinError."""
    for port in range(service.port + 1, min(service.port + 10, 65536)):
        with contextlib.suppress(DrumlinError):
            check_address(service.host, port)
            return port
    raise DrumlinError(
        f"No port after {service.port} on {service.host} is free for the helm.",
        "Choose one with helm_port in the [service] settings.",
    )


def free_port_from(host: str, port: int, tries: int = 20) -> int:
    """The first port from `port` on that nobody listens on. Raises DrumlinError when none is."""
    for candidate in range(port, port + tries):
        try:
            check_address(host, candidate)
        except DrumlinError:
            continue
        return candidate
    check_address(host, port)
    return port


def check_device(device: str) -> None:
    """Raise LinkError when the device is missing, refused or no serial device."""
    path = Path(device)
    if not path.exists():
        raise LinkError(
            f"There is no serial port {device}.",
            "Plug the front end in and look under /dev/serial/by-id, then give it with --port.",
        )
    if not path.is_char_device():
        raise LinkError(
            f"{device} is not a serial port.", "Give the front end's device with --port."
        )
    if not os.access(path, os.R_OK | os.W_OK):
        raise LinkError(
            f"The serial port {device} may not be opened by this user.",
            "Add the user to the group that owns it (often 'dialout') and log in anew.",
        )


def check_address(host: str, port: int) -> None:
    """Raise DrumlinError when the address is taken or not ours."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            if error.errno == errno.EADDRINUSE:
                raise DrumlinError(
                    f"Port {port} on {host} is already in use by another program.",
                    "End that one, or choose another with --listen HOST:PORT.",
                ) from None
            raise DrumlinError(
                f"{host}:{port} cannot be listened on: {error.strerror or error}.",
                "Choose another with --listen HOST:PORT.",
            ) from None


def children(plan: Plan) -> list[ChildSpec]:
    """The processes of a rig: loop, service and helm."""
    serve = plan.serve
    common = ("--rig", str(serve.rig), "--data", str(serve.data))
    more = ("--settings", str(serve.settings)) if serve.settings is not None else ()
    service = plan.settings.service
    listening = (
        "--supervised", *common, *more, "--host", service.host,
        "--listen-port", str(service.port), "--helm-port", str(service.helm_port or 0),
    )  # fmt: skip
    found = [
        ChildSpec(
            name=LOOP,
            arguments=(
                "-m",
                "api.runtime.loop",
                "--supervised",
                *common,
                "--port",
                plan.device,
                "--min-free-mb",
                str(plan.settings.store.min_free_mb),
            ),
            ready=_loop_ready(serve.data / channel.SOCKET_NAME),
            ends_within_s=plan.rig.limits.ease_off_s + _LOOP_MARGIN_S,
            oom_score=KEPT,
            on_death="The front end takes the load off by itself; lift the pedal. It comes up "
            "again: stood down, or tripped when load was on; look at the truck, then reset.",
        ),
        ChildSpec(
            name=SERVICE,
            arguments=("-m", "api.launch.service", *listening),
            ready=_answers(f"{plan.address}/api/health"),
            ends_within_s=15.0,
            niceness=5,  # the loop goes first
            oom_score=500,
            on_death="The rig is safe with the loop; without its page the helm expires.",
        ),
    ]
    if service.helm_port:
        found.append(
            ChildSpec(
                name=HELM,
                arguments=("-m", "api.launch.helm", *listening),
                ready=_answers(f"{plan.helm_address}/api/state"),
                ends_within_s=15.0,
                on_death="The page goes by the service until it is back.",
            )
        )
    return found


async def supervise(
    plan: Plan,
    say: Callable[[str], None],
    before: Sequence[ChildSpec] = (),
    started: Callable[[Supervisor], None] | None = None,
    stop: asyncio.Event | None = None,
) -> None:
    """Run until SIGINT or SIGTERM (or `stop`), then end all in order.

    `before` are children to start first and end last. Raises Ended when one is gone for good.
    """
    stop = stop or asyncio.Event()
    loop = asyncio.get_running_loop()

    def asked() -> None:
        if not stop.is_set():
            say("Ending: taking the load off first.")
        stop.set()

    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, asked)
    set_oom_score(KEPT)
    supervisor = Supervisor(say)
    try:
        if before:
            await supervisor.start(before)
        await supervisor.start(children(plan))
        if started is not None:
            started(supervisor)
        await supervisor.watch(stop)
    finally:
        await supervisor.stop([LOOP, HELM, SERVICE, *(spec.name for spec in reversed(before))])
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.remove_signal_handler(number)


def serve(settings: ServeSettings, say: Callable[[str], None]) -> None:
    """The whole of `drumlin serve`. Raises DrumlinError; returns after an orderly end."""
    with DataLock(settings.data):
        plan = check(settings)
        begun = time.monotonic()

        def started(_: Supervisor) -> None:
            say(
                f"{plan.rig.name}: open {plan.address} (up in {time.monotonic() - begun:.1f} s). "
                "Ctrl-C ends it, load first."
            )

        asyncio.run(supervise(plan, say, started=started))
        say("Ended.")


def _loop_ready(path: Path) -> Callable[[], Awaitable[bool]]:
    async def ready() -> bool:
        try:
            _, writer = await asyncio.open_unix_connection(str(path))
        except OSError:
            return False
        writer.close()
        with contextlib.suppress(OSError):
            await writer.wait_closed()
        return True

    return ready


def _answers(url: str) -> Callable[[], Awaitable[bool]]:
    """Up once it answers at all, be it that nothing is known yet or that this needs a token."""

    def ask() -> bool:
        context = None
        if url.startswith("https"):
            context = ssl.create_default_context()
            context.check_hostname = False  # whether it is up, not who it is
            context.verify_mode = ssl.CERT_NONE
        try:
            with urllib.request.urlopen(url, timeout=1.0, context=context):
                return True
        except urllib.error.HTTPError as error:
            error.close()
            return error.code in (401, 403, 503)
        except OSError:
            return False

    async def ready() -> bool:
        return await asyncio.to_thread(ask)

    return ready
