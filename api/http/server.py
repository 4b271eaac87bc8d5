"""Runs the app under uvicorn: bounded buffers and waits, no proxy headers, silent viewers let go.

Data flows: Settings -> `make_server` -> uvicorn.Server -> `await serve()`. The entry of the
service process is in api/processes.
"""

from __future__ import annotations

import contextlib
import ipaddress
import resource
from asyncio import TimerHandle
from asyncio.transports import BaseTransport, Transport
from typing import Any, ClassVar, cast

import uvicorn
from fastapi import FastAPI
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.protocols.websockets.websockets_sansio_impl import WebSocketsSansIOProtocol

from api.http.app import create_app
from api.runtime.channel import SOCKET_NAME
from api.runtime.channel_client import ChannelClient
from api.settings import Settings, is_loopback

PING_EVERY_S = 10.0
PONG_WITHIN_S = 10.0
INCOMING_LIMIT_BYTES = 4096  # viewers have nothing long to say
VIEWER_BUFFER_BYTES = 64 * 1024
GRACE_S = 3
HEAD_TIME_S = 10.0  # for the head of a request, from its first byte or the connection
HEADS_AWAITED = 256  # at a time; with one more the oldest goes
UNREAD_TIME_S = 30.0  # for an answer of which nothing is read
LINES_PER_NETWORK = 256  # connections at a time from one address, or one /64 of IPv6
LINES_IN_ALL = 1024
FILES_OPEN = 8192  # with these and the files of requests this is never reached


class ViewerProtocol(WebSocketsSansIOProtocol):
    """A WebSocket whose unread data is dropped instead of waited for.

    Closing a transport waits until its buffer is written; a viewer that never reads would keep it
    open for ever, and with it the shutdown. Aborting drops the buffer.
    """

    def connection_made(self, transport: BaseTransport) -> None:
        """Bound what is kept for a viewer that does not read."""
        super().connection_made(transport)
        cast(Transport, transport).set_write_buffer_limits(high=VIEWER_BUFFER_BYTES)

    def connection_lost(self, exc: Exception | None) -> None:
        """Gone: one line less."""
        PatientProtocol._lines.pop(self.transport, None)
        super().connection_lost(exc)

    def keepalive_timeout(self) -> None:
        """No pong came: the viewer does not read or is gone."""
        super().keepalive_timeout()
        self.transport.abort()

    def shutdown(self) -> None:
        """Say goodbye to viewers that listen, and drop the others."""
        super().shutdown()
        if self.transport.get_write_buffer_size() > 0:
            self.transport.abort()


class PatientProtocol(H11Protocol):
    """HTTP that waits for a request's head for a while only, and for few at a time.

    A client that sends its headers a byte at a time, or none, would hold a connection for ever; the
    time for bodies is bounded in api.http.bodies, that between requests by the server itself. One
    that asks and does not read would hold the answer; one that opens line after line, all of them.
    """

    _waiting: ClassVar[dict[PatientProtocol, TimerHandle]] = {}  # oldest first
    _lines: ClassVar[dict[Transport, str]] = {}  # live ones as WebSockets, too

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self._unread: TimerHandle | None = None

    def connection_made(self, transport: Transport) -> None:  # type: ignore[override]
        """Nothing was asked yet: the clock runs."""
        super().connection_made(transport)
        if self._one_too_many(transport):
            transport.abort()
            return
        self._await_head()

    def _one_too_many(self, transport: Transport) -> bool:
        peer = self.client[0] if self.client is not None else ""
        network = _network(peer)
        lines = self._lines
        lines[transport] = network
        if len(lines) <= LINES_PER_NETWORK:
            return False
        for each in [each for each in lines if each.is_closing()]:
            del lines[each]
        # What runs on this computer is no network: a proxy there brings everybody's lines.
        near = 0 if is_loopback(peer) else sum(each == network for each in lines.values())
        return near > LINES_PER_NETWORK or len(lines) > LINES_IN_ALL

    def pause_writing(self) -> None:
        """The other side does not read: the clock runs."""
        super().pause_writing()
        if self._unread is None:
            self._unread = self.loop.call_later(UNREAD_TIME_S, self.transport.abort)

    def resume_writing(self) -> None:
        """It reads."""
        super().resume_writing()
        self._stop_unread()

    def _stop_unread(self) -> None:
        if self._unread is not None:
            self._unread.cancel()
            self._unread = None

    def data_received(self, data: bytes) -> None:
        """A whole head stops the clock, the first byte of the next one starts it again."""
        super().data_received(data)
        if self.transport.get_protocol() is not self or (
            self.cycle is not None and not self.cycle.response_complete
        ):
            self._stop_waiting()
        else:
            self._await_head()

    def connection_lost(self, exc: Exception | None) -> None:
        """Gone by itself."""
        self._stop_waiting()
        self._stop_unread()
        self._lines.pop(self.transport, None)
        super().connection_lost(exc)

    def _await_head(self) -> None:
        waiting = self._waiting
        if self in waiting or self.transport.is_closing():
            return
        if len(waiting) >= HEADS_AWAITED:
            next(iter(waiting))._too_slow()
        waiting[self] = self.loop.call_later(HEAD_TIME_S, self._too_slow)

    def _stop_waiting(self) -> None:
        timer = self._waiting.pop(self, None)
        if timer is not None:
            timer.cancel()

    def _too_slow(self) -> None:
        self._stop_waiting()
        self.transport.abort()


def _network(peer: str) -> str:
    """What one household or shop has: an address, in IPv6 the first half of one."""
    try:
        address = ipaddress.ip_address(peer)
    except ValueError:
        return peer
    if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped is None:
        return str(ipaddress.ip_network((address, 64), strict=False))
    return peer


def let_open_files() -> None:
    """Let this process have as many files and lines open as it takes."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    most = FILES_OPEN if hard == resource.RLIM_INFINITY else min(FILES_OPEN, hard)
    if soft != resource.RLIM_INFINITY and soft < most:
        with contextlib.suppress(OSError, ValueError):
            resource.setrlimit(resource.RLIMIT_NOFILE, (most, hard))


def make_server(settings: Settings, app: FastAPI | None = None) -> uvicorn.Server:
    """A server ready for `await serve()`; it listens where the settings say."""
    if app is None:
        app = create_app(settings, ChannelClient(settings.data / SOCKET_NAME))
    service = settings.service
    config = uvicorn.Config(
        app,
        host=service.host,
        port=service.port,
        http=PatientProtocol,
        ws=ViewerProtocol,
        ws_max_size=INCOMING_LIMIT_BYTES,
        ws_ping_interval=PING_EVERY_S,
        ws_ping_timeout=PONG_WITHIN_S,
        ws_per_message_deflate=False,  # compressing per viewer would undo "encoded once"
        proxy_headers=False,  # nobody may say who they are by a header
        server_header=False,
        access_log=False,
        log_config=None,  # the process says how it logs
        log_level="error",  # what strangers send that is no HTTP is not worth a line each
        timeout_graceful_shutdown=GRACE_S,
        ssl_certfile=service.tls_certificate or None,
        ssl_keyfile=service.tls_key or None,
    )
    return uvicorn.Server(config)
