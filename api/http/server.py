"""Runs the app under uvicorn: bounded buffers and waits, no proxy headers, silent viewers let go.

Data flows: an app and where to listen -> `serving` -> uvicorn.Server -> `await serve()`. The apps
are in api.http.app (the service) and api.http.lane (the helm process).
"""

from __future__ import annotations

import socket
import time
from asyncio import TimerHandle, sslproto
from asyncio.transports import BaseTransport, Transport
from typing import Any, ClassVar, cast

import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.protocols.websockets.websockets_sansio_impl import WebSocketsSansIOProtocol

from api.http.entry.admission import Bounds
from api.http.entry.door import Door, Listener, bound, fitting
from api.settings import ServiceSection

PING_EVERY_S = 10.0
PONG_WITHIN_S = 10.0
INCOMING_LIMIT_BYTES = 4096  # viewers have nothing long to say
VIEWER_BUFFER_BYTES = 64 * 1024
GRACE_S = 3
HEAD_TIME_S = 10.0  # for the head of a request, from its first byte or the connection
HEADS_AWAITED = 256  # at a time; with one more the oldest of the least proven goes
UNREAD_TIME_S = 30.0  # for an answer of which nothing is read
TLS_BUFFER_BYTES = 32 * 1024
BACKLOG = 1024  # connections that wait for accept


# asyncio keeps a buffer for each TLS line, 256 KiB by itself; a record has at most 16 KiB.
sslproto.SSLProtocol.max_size = TLS_BUFFER_BYTES


class DoorConfig(uvicorn.Config):
    """What uvicorn is told, and the door that its connections come through."""

    door: Door


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
    time for bodies is bounded in api.http.answers.bodies, that between requests by the server
    itself. One that asks and does not read would hold the answer.
    """

    _waiting: ClassVar[dict[PatientProtocol, TimerHandle]] = {}  # oldest first

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self._unread: TimerHandle | None = None

    def connection_made(self, transport: Transport) -> None:  # type: ignore[override]
        """Nothing was asked yet: the clock runs."""
        super().connection_made(transport)
        self._door.arrived(transport)
        self._await_head()

    @property
    def _door(self) -> Door:
        return cast(DoorConfig, self.config).door

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
        super().connection_lost(exc)

    def _await_head(self) -> None:
        waiting = self._waiting
        if self in waiting or self.transport.is_closing():
            return
        if len(waiting) >= HEADS_AWAITED:
            min(waiting, key=lambda each: self._door.standing(each.transport))._too_slow()
        waiting[self] = self.loop.call_later(HEAD_TIME_S, self._too_slow)

    def _stop_waiting(self) -> None:
        timer = self._waiting.pop(self, None)
        if timer is not None:
            timer.cancel()

    def _too_slow(self) -> None:
        self._stop_waiting()
        self.transport.abort()


class Server(uvicorn.Server):
    """uvicorn behind our own door."""

    config: DoorConfig

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Listen through the door, at the given sockets or where the configuration says."""
        door = self.config.door
        listening = sockets if sockets is not None else bound(self.config.host, self.config.port)
        self._listeners: list[Listener] = [door.listener(each) for each in listening]
        await super().startup(cast(list[socket.socket], self._listeners))

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Close what was listened at, too."""
        await super().shutdown(cast(list[socket.socket], self._listeners))


def serving(app: ASGIApp, service: ServiceSection, port: int, bounds: Bounds) -> Server:
    """`app` at a port of the service's address, with the bounds of its door."""
    config = DoorConfig(
        app,
        host=service.host,
        port=port,
        backlog=BACKLOG,
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
    config.door = Door(fitting(bounds), time.monotonic)
    return Server(config)
