"""Runs the app under uvicorn: bounded buffers, no proxy headers, viewers that never read let go.

Data flows: Settings -> `make_server` -> uvicorn.Server -> `await serve()`. The entry of the
service process is in api/processes.
"""

from __future__ import annotations

from asyncio.transports import BaseTransport, Transport
from typing import cast

import uvicorn
from fastapi import FastAPI
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


def make_server(settings: Settings, app: FastAPI | None = None) -> uvicorn.Server:
    """A server ready for `await serve()`; it listens where the settings say."""
    if app is None:
        app = create_app(settings, ChannelClient(settings.data / SOCKET_NAME))
    service = settings.service
    config = uvicorn.Config(
        app,
        host=service.host,
        port=service.port,
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
