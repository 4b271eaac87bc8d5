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
from api.jobs import work
from api.runtime.channel import SOCKET_NAME
from api.runtime.channel_client import ChannelClient
from api.settings import MqttSection, ServiceSection, Settings, StoreSection
from api.store.catalogue import Catalogue
from api.store.closing.close_run import close as close_here
from api.store.closing.closed import Closed
from api.store.engine import FILE_NAME
from tests.api.fake_loop import RIG_FILE, FakeLoop, telemetry, until
from tests.api.harness import Service, StartService, no_evaluation
from tests.api.kept_forks import KeptServer, forks_of
from tests.api.recorded import RUN_ID, record_hold
from tests.once import once


@pytest.fixture(scope="session")
def kept_server() -> Iterator[KeptServer]:
    """The fork server of all tests of this process."""
    server = KeptServer()
    yield server
    server.end()


@pytest.fixture(autouse=True)
def kept_forks(
    request: pytest.FixtureRequest, kept_server: KeptServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Jobs are forked off one kept server, but where its life is what is tested (`own_forks`)."""
    if "own_forks" not in request.fixturenames:
        monkeypatch.setattr(work, "_Forks", forks_of(kept_server))


@pytest.fixture
def own_forks() -> None:
    """Asked for by a test whose service starts and ends a fork server of its own."""


@pytest.fixture(scope="session")
def recorded_hold(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a recorded hold as the loop leaves it; `frames` beside it counts them.

    Copy it, never change it.
    """

    def make(folder: Path) -> None:
        (folder / RUN_ID).mkdir()
        frames = record_hold(folder / RUN_ID)
        (folder / "frames").write_text(str(frames))

    return once(tmp_path_factory, "recorded-hold", make) / RUN_ID


@pytest.fixture(scope="session")
def closed_hold(tmp_path_factory: pytest.TempPathFactory, recorded_hold: Path) -> Path:
    """The same, closed as the service closes it; copy it, never change it."""

    def make(folder: Path) -> None:
        told = close_here(Path(shutil.copytree(recorded_hold, folder / RUN_ID)))
        assert not told.error

    return once(tmp_path_factory, "closed-hold", make) / RUN_ID


@pytest.fixture(scope="session")
def empty_catalogue(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The file of a catalogue without runs, as the store makes it."""

    def make(folder: Path) -> None:
        Catalogue.open(folder).close()

    return once(tmp_path_factory, "empty-catalogue", make) / FILE_NAME


@pytest.fixture
def data(empty_catalogue: Path) -> Iterator[Path]:
    """A data directory with a path short enough for a local socket; its catalogue is made."""
    folder = Path(tempfile.mkdtemp(prefix="drumlin-"))
    shutil.copy(empty_catalogue, folder)
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
    subprocess.run([openssl, *told.split()], check=True, capture_output=True, timeout=120)
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
                await client.wait_connected(90.0)
                keeper = app.state.context.keeper
                async with asyncio.timeout(90.0):
                    while client.latest is None or not keeper.recoveries:
                        seen = client.count
                        fake_loop.publish(telemetry())
                        # Taken before the next: none is on its way when a test publishes its own.
                        await until(lambda seen=seen: client.count > seen)  # type: ignore[misc]
            return Service(app, fake_loop)

        yield start


@pytest.fixture
async def service(start_service: StartService) -> Service:
    return await start_service()


@pytest.fixture
async def browser(service: Service) -> AsyncIterator[httpx.AsyncClient]:
    async with service.browser() as client:
        yield client
