"""The outermost layer: which host names and origins are answered, and the safety headers.

Data flows: every HTTP request and WebSocket handshake passes here before any route. A page from
elsewhere cannot command the rig through somebody's browser: a foreign Host (DNS rebinding) and a
foreign Origin are refused, and no CORS header is ever sent.
"""

from __future__ import annotations

import ipaddress
import re

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.http.answers.problems import Problem
from api.settings import ServiceSection, is_loopback
from daq.texts.message import say

CONTENT_SECURITY_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; font-src 'self'; manifest-src 'self'; worker-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
SAFETY_HEADERS = {
    "Content-Security-Policy": CONTENT_SECURITY_POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
}
# A name or an address, and perhaps a port: RFC 9112, without what only userinfo could hold.
_HOST = re.compile(r"(?:\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._-]+)(?::[0-9]{1,5})?\Z")
_PREFLIGHT = {
    "Access-Control-Allow-Methods": "GET, POST",
    "Access-Control-Allow-Headers": "content-type, drumlin-client",
    "Access-Control-Max-Age": "7200",
}
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})


class Guard:
    """ASGI middleware."""

    def __init__(
        self, app: ASGIApp, service: ServiceSection, page_port: int = 0, helm_port: int = 0
    ) -> None:
        """`page_port`: of the service whose page may command here, for the helm process;
        `helm_port`: where the page finds that process."""
        self._app = app
        self._page_port = page_port
        self._helm_port = helm_port
        self._loopback_only = is_loopback(service.host)
        self._names = {name.lower() for name in service.hosts} | {"localhost"}
        if not _is_address(service.host):
            self._names.add(service.host.lower())
        self._origins = {origin.lower().rstrip("/") for origin in service.origins}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        problem = self._check(scope)
        if problem is not None:
            await refuse(scope, receive, send, problem)
            return
        if scope["type"] == "websocket":
            await self._app(scope, receive, send)
            return

        async def send_safely(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in SAFETY_HEADERS.items():
                    headers.setdefault(name, value)
                headers.setdefault("Cache-Control", "no-store")
                if self._helm_port:
                    _let_reach(headers, scope, self._helm_port)
                if self._page_port:
                    _let_read(headers, Headers(scope=scope))
            await send(message)

        if self._page_port and scope["method"] == "OPTIONS":
            await Response(status_code=204, headers=_PREFLIGHT)(scope, receive, send_safely)
            return
        await self._app(scope, receive, send_safely)

    def _check(self, scope: Scope) -> Problem | None:
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        host = hosts[0] if len(hosts) == 1 else ""
        if not self._host_allowed(host):
            return Problem(
                421,
                "host",
                say("service-does-not-answer-host-name"),
                say("use-its-address-or-add-name"),
            )
        origin = headers.get("origin")
        unsafe = scope["type"] == "websocket" or scope["method"] not in SAFE_METHODS
        # What another page may not read is not sent either, where pages of other origins ask.
        asked = unsafe or (self._page_port and origin is not None)
        if asked and not self._origin_allowed(origin, host, scope["scheme"]):
            return _foreign()
        if unsafe and origin is None and headers.get("sec-fetch-site", "none") == "cross-site":
            return _foreign()
        return None

    def _host_allowed(self, host: str) -> bool:
        if not _HOST.match(host):
            return False
        name = _host_name(host)
        if name in self._names:
            return True
        # An address in the Host header cannot come from DNS rebinding, which needs a name.
        return is_loopback(name) if self._loopback_only else _is_address(name)

    def _origin_allowed(self, origin: str | None, host: str, scheme: str) -> bool:
        if origin is None:
            return True  # no browser: browsers always send it with a command or a WebSocket
        web = {"ws": "http", "wss": "https"}.get(scheme, scheme)
        if self._page_port:
            usual = {"http": 80, "https": 443}[web]
            port = "" if self._page_port == usual else f":{self._page_port}"
            host = f"{_without_port(host)}{port}"
        return origin.lower() == f"{web}://{host.lower()}" or origin.lower() in self._origins


async def refuse(scope: Scope, receive: Receive, send: Send, problem: Problem) -> None:
    """Answer with a problem, be it a request or a WebSocket handshake."""
    if scope["type"] == "http":
        response = problem.response()
        for name, value in SAFETY_HEADERS.items():
            response.headers.setdefault(name, value)
        await response(scope, receive, send)
        return
    await receive()  # the connect message
    if "websocket.http.response" in scope.get("extensions", {}):
        headers = [
            (b"content-type", b"application/problem+json"),
            *((k.lower().encode(), v.encode()) for k, v in problem.headers.items()),
        ]
        await send(
            {
                "type": "websocket.http.response.start",
                "status": problem.status,
                "headers": headers,
            }
        )
        await send({"type": "websocket.http.response.body", "body": problem.body()})
    else:
        await send({"type": "websocket.close", "code": 1008})


def _foreign() -> Problem:
    return Problem(
        403,
        "origin",
        say("another-page-tried-use-service-through"),
        say("open-drumlin-own-page-or-add"),
    )


def _let_reach(headers: MutableHeaders, scope: Scope, port: int) -> None:
    """Let the page talk to the helm process beside this service."""
    name = _without_port(Headers(scope=scope).get("host", ""))
    http, ws = ("https", "wss") if scope["scheme"] == "https" else ("http", "ws")
    policy = headers["Content-Security-Policy"]
    more = f"connect-src 'self' {http}://{name}:{port} {ws}://{name}:{port};"
    headers["Content-Security-Policy"] = policy.replace("connect-src 'self';", more)


def _let_read(headers: MutableHeaders, asked: Headers) -> None:
    """Let the page, whose origin was checked, read what the helm process answers."""
    origin = asked.get("origin")
    headers["Vary"] = "Origin"
    if origin is not None:
        headers["Access-Control-Allow-Origin"] = origin
        headers["Access-Control-Allow-Credentials"] = "true"
        headers["Cross-Origin-Resource-Policy"] = "same-site"


def _without_port(host: str) -> str:
    name = _host_name(host)
    return f"[{name}]" if ":" in name else name


def _host_name(host: str) -> str:
    if host.startswith("["):
        return host[1:].partition("]")[0].lower()
    return host.partition(":")[0].lower()


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name.strip("[]"))
    except ValueError:
        return False
    return True
