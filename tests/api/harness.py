"""Asking the service in memory, or over a real port."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path

import httpx
from fastapi import FastAPI

from api.http.app import make_server
from api.http.context import Context
from api.http.server import Server
from api.settings import Settings
from api.store.closing.closed import Closed
from tests.api.fake_loop import FakeLoop, until

CLIENT = {"Drumlin-Client": "page-0001"}


class Service:
    """One running service, asked in memory."""

    def __init__(self, app: FastAPI, fake: FakeLoop) -> None:
        self.app = app
        self.loop = fake
        self.context: Context = app.state.context

    def browser(
        self,
        address: str = "127.0.0.1",
        token: str = "",
        host: str = "127.0.0.1:8440",
        scheme: str = "http",
    ) -> httpx.AsyncClient:
        transport = httpx.ASGITransport(self.app, client=(address, 50000))
        headers = dict(CLIENT)
        if token:
            headers["Authorization"] = f"Bearer {token}"
        return httpx.AsyncClient(
            transport=transport, base_url=f"{scheme}://{host}", headers=headers
        )


def no_evaluation(_: Path) -> Awaitable[Closed]:
    raise AssertionError("no run was to be closed in this test")


StartService = Callable[..., Awaitable[Service]]


@contextlib.asynccontextmanager
async def listening(settings: Settings) -> AsyncIterator[tuple[Server, int]]:
    """The real server on a free loopback port."""
    server = make_server(settings)
    with socket.create_server(("127.0.0.1", 0)) as listener:  # the server takes it over
        port = int(listener.getsockname()[1])
        # Not serve(): a test must not take over the signals of the test runner.
        task = asyncio.create_task(server._serve([listener]), name="server under test")
        try:
            await until(lambda: server.started)
            yield server, port
        finally:
            server.should_exit = True
            await task
