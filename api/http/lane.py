"""The helm process's app: ease off, heartbeat, helm and state on a listener of their own.

Data flows: requests -> guard -> turnstile -> the same routes as in the service -> loop's channel.
It shares nothing with the service but files: no thread, queue, descriptor or budget. Whatever is
asked of the service, and by whom, the person at the helm is not behind it.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import AsyncIterator

from fastapi import FastAPI

from api.http.answers import problems
from api.http.audit import Audit
from api.http.command_context import CommandContext
from api.http.entry.access import Access
from api.http.entry.admission import Bounds
from api.http.entry.budgets import Budgets, Shares
from api.http.entry.guard import Guard
from api.http.entry.tokens import TokenBook
from api.http.entry.turnstile import Turnstile
from api.http.live import Hub, Places
from api.http.routes import helm, state
from api.http.server import Server, serving
from api.http.threads import blocking_threads
from api.runtime.channel import SOCKET_NAME
from api.runtime.channel_client import ChannelClient
from api.settings import Settings, check_exposure
from daq.tasks import Tasks

# Few lines and small budgets: a page needs three lines and some requests a second here.
THREADS = 2  # of which only the audit log takes one
# What all watchers together may keep it busy with is a small part of a processor.
BOUNDS = Bounds((64, 96, 192), (6, 8, 64), 48, (4, 6, 32), (5.0, 10.0, 50.0))
SHARES = Shares((5.0, 10.0, 100.0), (20.0, 30.0, 300.0), (4, 8, 32), (12, 32, 96))
PLACES = Places(32, 8, (0, 4, 16), (0.0, 10.0, 50.0))


def create_lane(settings: Settings, loop_client: ChannelClient) -> FastAPI:
    """The app. Raises SettingsError or TokenError before anything runs."""
    book = TokenBook(settings.data)
    check_exposure(settings, book.in_use)
    context = CommandContext(
        settings=settings,
        loop=loop_client,
        access=Access(book, time.monotonic),
        audit=Audit(settings.data),
        hub=Hub(loop_client, PLACES),
        prompt=True,
    )

    @contextlib.asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        tasks = Tasks()
        async with blocking_threads(THREADS), loop_client:
            tasks.keep("live hub", context.hub.run)
            tasks.keep("event hub", context.hub.run_events)
            try:
                yield
            finally:
                context.hub.close()
                await tasks.stop()
                await context.tasks.end()

    app = FastAPI(
        title="Drumlin helm", openapi_url=None, docs_url=None, redoc_url=None, lifespan=lifespan
    )
    app.state.context = context
    problems.install(app)
    for router in (state.router, helm.router):
        app.include_router(router)
    service = settings.service
    app.add_middleware(Turnstile, access=context.access, budgets=Budgets(SHARES, time.monotonic))
    app.add_middleware(Guard, service=service, page_port=service.port)
    return app


def make_lane(settings: Settings) -> Server:
    """A server of the helm process, ready for `await serve()`."""
    app = create_lane(settings, ChannelClient(settings.data / SOCKET_NAME))
    server = serving(app, settings.service, settings.service.helm_port or 0, BOUNDS)
    app.state.context.access.proved = server.config.door.admission.proved
    return server
