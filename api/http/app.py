"""The service as one ASGI app: routes, guard, live hub, run keeper and MQTT under one lifespan.

Data flows: the loop's channel -> hub, keeper and MQTT; requests -> guard -> routes -> Context ->
channel, catalogue, files. Nothing here touches the port: the service may crash or be restarted,
and the loop notices no more than an expired helm.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path

from fastapi import FastAPI
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.http.answers import problems
from api.http.answers.bodies import describe
from api.http.answers.fixed import describe_at
from api.http.answers.static import PageServer
from api.http.audit import Audit
from api.http.context import Context
from api.http.entry.access import Access
from api.http.entry.admission import SERVICE
from api.http.entry.guard import Guard
from api.http.entry.tokens import TokenBook
from api.http.entry.turnstile import Turnstile, inside
from api.http.live import Hub
from api.http.routes import (
    access,
    campaigns,
    commands,
    heat,
    helm,
    identification,
    importing,
    proving,
    results,
    rig,
    road,
    runs,
    state,
    weather,
)
from api.http.server import Server, serving
from api.http.threads import blocking_threads
from api.jobs.work import workers
from api.mqtt.bridge import MqttBridge
from api.runtime.channel import SOCKET_NAME
from api.runtime.channel_client import ChannelClient
from api.services.campaigns import CampaignService
from api.settings import Settings, check_exposure
from api.store.catalogue import Catalogue
from api.store.closing.jobs import close_in_worker
from api.store.disk import DiskBudget
from api.store.engine import note_where
from api.store.run_lifecycle import CloseRun, RunLifecycle
from api.version import VERSION
from daq.rig.description import load_rig
from daq.tasks import Tasks

# In the order of the description.
ROUTERS = (
    rig.router,
    state.router,
    helm.router,
    commands.router,
    runs.router,
    results.router,
    importing.router,
    campaigns.router,
    heat.router,
    identification.router,
    weather.router,
    road.router,
    proving.router,
    access.router,
)
PAGE_FOLDER = Path(__file__).parents[1] / "page"
BLOCKING_THREADS = 8

DESCRIPTION = (
    "State, commands, live telemetry and recorded runs of one rig. SI units throughout. "
    "Errors are RFC 9457 problem details with a remedy. A software stop is no emergency stop."
)


def create_app(
    settings: Settings, loop_client: ChannelClient, close: CloseRun = close_in_worker
) -> FastAPI:
    """The app. Raises RigError, SettingsError, TokenError or StoreError before anything runs.

    The lifespan enters `loop_client` and leaves it; `close` closes a run's files.
    """
    settings.data.mkdir(parents=True, exist_ok=True)
    rig = load_rig(settings.rig)
    book = TokenBook(settings.data)
    check_exposure(settings, book.in_use)
    catalogue = Catalogue.open(settings.data, settings.store.url)
    note_where(settings.data, settings.store.url)
    disk = DiskBudget(settings.data, settings.store.min_free_mb)
    keeper = RunLifecycle(catalogue, loop_client, rig, settings.data, close, disk)
    mqtt = (
        MqttBridge(settings.mqtt, rig, loop_client, time.monotonic)
        if settings.mqtt is not None
        else None
    )
    context = Context(
        settings=settings,
        rig=rig,
        loop=loop_client,
        access=Access(book, time.monotonic),
        audit=Audit(settings.data),
        hub=Hub(loop_client),
        keeper=keeper,
        disk=disk,
        campaigns=CampaignService(settings.data, rig, loop_client, keeper, time.monotonic),
        mqtt=mqtt,
    )

    @contextlib.asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        try:
            async with (
                blocking_threads(BLOCKING_THREADS),
                workers(),
                loop_client,
                _running(context),
            ):
                yield
        finally:
            catalogue.close()

    app = FastAPI(
        title="Drumlin",
        version=VERSION,
        summary="Load control and acquisition for heavy chassis dynamometers",
        description=DESCRIPTION,
        openapi_url=None,  # encoded once, see api.http.answers.fixed
        docs_url=None,  # its scripts come from elsewhere, which the page's policy forbids
        redoc_url=None,
        lifespan=lifespan,
    )
    app.state.context = context
    problems.install(app)
    describe(app)
    for router in ROUTERS:
        app.include_router(router)
    describe_at(app, "/api/openapi.json")

    page = Path(settings.service.page) if settings.service.page else PAGE_FOLDER
    app.add_middleware(Split, page=PageServer(page), context=context)
    app.add_middleware(Turnstile, access=context.access, budgets=context.budgets)
    app.add_middleware(Guard, service=settings.service, helm_port=settings.service.helm_port or 0)
    return app


def make_server(settings: Settings) -> Server:
    """A server of the service, ready for `await serve()`; it listens where the settings say."""
    app = create_app(settings, ChannelClient(settings.data / SOCKET_NAME))
    server = serving(app, settings.service, settings.service.port, SERVICE)
    app.state.context.access.proved = server.config.door.admission.proved
    return server


class Split:
    """Sends /api to the routes and everything else to the page; counts responses by status."""

    def __init__(self, app: ASGIApp, page: ASGIApp, context: Context) -> None:
        self._app = app
        self._page = page
        self._responses = context.responses

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def counted(message: Message) -> None:
            if message["type"] == "http.response.start":
                self._responses[message["status"]] += 1
            await send(message)

        path = scope["path"]
        await (self._app if inside(path) else self._page)(scope, receive, counted)


@contextlib.asynccontextmanager
async def _running(context: Context) -> AsyncIterator[None]:
    jobs: list[tuple[str, Callable[[], Awaitable[None]]]] = [
        ("live hub", context.hub.run),
        ("event hub", context.hub.run_events),
        ("run keeper", context.keeper.run),
        ("campaigns", context.campaigns.run),
    ]
    if context.mqtt is not None:
        jobs.append(("mqtt", context.mqtt.run))
    tasks = Tasks()
    for name, job in jobs:
        tasks.keep(name, job)
    await asyncio.sleep(0)  # subscriptions stand before the first request
    try:
        yield
    finally:
        context.hub.close()
        await tasks.stop()
