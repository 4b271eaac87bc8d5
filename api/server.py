"""Runs the app under uvicorn: bounded buffers and waits, no proxy headers, silent viewers let go.

Data flows: Settings -> `make_server` -> uvicorn.Server -> `await serve()`. The entry of the
service process is in api/processes.
"""

from __future__ import annotations

from asyncio import TimerHandle
from asyncio.transports import BaseTransport, Transport
from typing import ClassVar, cast

import uvicorn
from fastapi import FastAPI
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.protocols.websockets.websockets_sansio_impl import WebSocketsSansIOProtocol

from api.app import create_app
from api.processes.channel import SOCKET_NAME
from api.processes.channel_client import ChannelClient
from api.settings import Settings

PING_EVERY_S = 10.0
PONG_WITHIN_S = 10.0
INCOMING_LIMIT_BYTES = 4096  # viewers have nothing long to say
VIEWER_BUFFER_BYTES = 64 * 1024
GRACE_S = 3
HEAD_TIME_S = 10.0  # for the head of a request, from its first byte or the connection
HEADS_AWAITED = 256  # at a time; with one more the oldest goes


class ViewerProtocol(WebSocketsSansIOProtocol):
    """A WebSocket whose unread data is dropped instead of waited for.

    Closing a transport waits until its buffer is written; a viewer that never reads would keep it
    open for ever, and with it the shutdown. Aborting drops the buffer.
    """

    def connection_made(self, transport: BaseTransport) -> None:
        """Bound what is kept for a viewer that does not read."""
        super().connection_made(transport)
        cast(Transport, transport).set_write_buffer_limits(high=VIEWER_BUFFER_BYTES)

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
    time for bodies is bounded in api.bodies, that between requests by the server itself.
    """

    _waiting: ClassVar[dict[PatientProtocol, TimerHandle]] = {}  # oldest first

    def connection_made(self, transport: Transport) -> None:  # type: ignore[override]
        """Nothing was asked yet: the clock runs."""
        super().connection_made(transport)
        self._await_head()

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
        log_level="warning",
        timeout_graceful_shutdown=GRACE_S,
        ssl_certfile=service.tls_certificate or None,
        ssl_keyfile=service.tls_key or None,
    )
    return uvicorn.Server(config)
