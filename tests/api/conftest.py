"""The service under test: the real app, a fake loop on the real channel, a short data folder."""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import subprocess
import tempfile
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from pathlib import Path

import httpx
import pytest

from api.http.app import create_app
from api.runtime.channel import SOCKET_NAME
from api.runtime.channel_client import ChannelClient
from api.settings import MqttSection, ServiceSection, Settings, StoreSection
from api.store.closing.closed import Closed
from tests.api.fake_loop import RIG_FILE, FakeLoop, telemetry
from tests.api.harness import Service, StartService, no_evaluation


@pytest.fixture
def data() -> Iterator[Path]:
    """A data directory with a path short enough for a local socket."""
    folder = Path(tempfile.mkdtemp(prefix="drumlin-"))
    yield folder
    shutil.rmtree(folder)


@pytest.fixture
def certificate(data: Path) -> Path:
    """A certificate for this computer; its key lies beside it as key.pem."""
    openssl = shutil.which("openssl")
    if openssl is None:
        pytest.skip("needs openssl to make a certificate")
    path = data / "certificate.pem"
    told = (
        f"req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 1 "
        f"-subj /CN=localhost -addext subjectAltName=DNS:localhost,IP:127.0.0.1 "
        f"-keyout {data / 'key.pem'} -out {path}"
    )
    subprocess.run([openssl, *told.split()], check=True, capture_output=True, timeout=20)
    return path


@pytest.fixture
async def fake_loop(data: Path) -> AsyncIterator[FakeLoop]:
    loop = FakeLoop(data)
    await loop.start()
    yield loop
    await loop.stop()


@pytest.fixture
async def start_service(data: Path, fake_loop: FakeLoop) -> AsyncIterator[StartService]:
    """Starts the service with given settings and has the first telemetry arrive."""
    async with contextlib.AsyncExitStack() as stack:

        async def start(
            close: Callable[[Path], Awaitable[Closed]] = no_evaluation,
            service: ServiceSection | None = None,
            mqtt: MqttSection | None = None,
            rig: Path = RIG_FILE,
            store: StoreSection | None = None,
            quiet: bool = False,
        ) -> Service:
            settings = Settings(
                rig, data, service or ServiceSection(), mqtt, store or StoreSection(min_free_mb=0)
            )
            client = ChannelClient(data / SOCKET_NAME)
            app = create_app(settings, client, close)
            await stack.enter_async_context(app.router.lifespan_context(app))
            if not quiet:
                await client.wait_connected(5.0)
                keeper = app.state.context.keeper
                async with asyncio.timeout(5.0):
                    while client.latest is None or not keeper.recoveries:
                        fake_loop.publish(telemetry())
                        await asyncio.sleep(0.005)
            return Service(app, fake_loop)

        yield start


@pytest.fixture
async def service(start_service: StartService) -> Service:
    return await start_service()


@pytest.fixture
async def browser(service: Service) -> AsyncIterator[httpx.AsyncClient]:
    async with service.browser() as client:
        yield client
