"""The middleware behind the guard: who calls, whether their budget allows it, and nothing before.

Data flow: request -> budget of its account (429 when it is used up) -> a valid token,
except for the few open addresses (401 before anything else is looked at) -> routes. Easing off and
keeping the helm are never refused for a budget to whoever may operate.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

from starlette.requests import HTTPConnection
from starlette.types import ASGIApp, Receive, Scope, Send

from api.http.answers.problems import Problem
from api.http.entry.access import Access, peer_of
from api.http.entry.admission import Standing
from api.http.entry.budgets import Budgets, payer
from api.http.entry.guard import refuse
from api.http.entry.tokens import Role
from daq.texts.message import say

OPEN = frozenset({"/api/openapi.json", "/api/sign-in", "/api/sign-out", "/api/pair"})
ALWAYS = frozenset({"/api/ease-off", "/api/helm/keep"})
# Nothing more is read of a connection that is refused meanwhile: refusals given as fast as they are
# asked for would be the flood. A stranger's is closed instead.
REFUSED_AFTER_S = 0.5


class Turnstile:
    """ASGI middleware."""

    def __init__(
        self,
        app: ASGIApp,
        access: Access,
        budgets: Budgets,
        hold: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self._app = app
        self._hold = hold
        self._access = access
        self._budgets = budgets

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        connection = HTTPConnection(scope)
        token_id, standing = self._access.known(connection)
        path = scope["path"]
        account = self._budgets.enter(token_id, peer_of(connection), standing)
        if account is None and not (standing is Standing.OPERATE and path in ALWAYS):
            if standing is not Standing.STRANGER:
                await self._hold(REFUSED_AFTER_S)
            await refuse(scope, receive, send, _too_many(standing))
            return
        try:
            if standing is Standing.STRANGER and inside(path) and path not in OPEN:
                try:
                    self._access.caller(connection, Role.WATCH)
                except Problem as problem:
                    await refuse(scope, receive, send, problem)
                    return
            if scope["type"] == "websocket" and account is not None:
                self._budgets.leave(account)  # a live line has places of its own
                account = None
            token = payer.set(account)
            try:
                await self._app(scope, receive, send)
            finally:
                payer.reset(token)
        finally:
            if account is not None:
                self._budgets.leave(account)


def inside(path: str) -> bool:
    """True for what the routes answer; everything else is the page."""
    return path == "/api" or path.startswith("/api/")


def _too_many(standing: Standing) -> Problem:
    # A stranger's connection is closed too: what it asks next is not even parsed.
    headers = {"Retry-After": "1"}
    if standing is Standing.STRANGER:
        headers["Connection"] = "close"
    return Problem(
        429,
        "too-many",
        say("too-many-requests-from-here-at"),
        say("wait-second-then-ask-less-often"),
        headers,
    )
