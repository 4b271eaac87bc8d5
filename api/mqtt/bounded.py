"""What a broker can make the MQTT client hold and log, bounded: brokers are machines of others.

Data flow: settings of a connection -> `bounded_client` -> aiomqtt.Client over paho. An honest
broker is told the bounds as it is greeted (MQTT 5.0, 3.1.2.11.3 and .4) and keeps to them; one that
does not is let go, and the bridge comes back by its back-off. Without them a packet may announce
256 MiB, messages of quality 2 that are never released pile up, and so do acknowledgements that
nobody reads.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Any

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

PACKET_BYTES = 16 * 1024  # a slow value has half a kilobyte at most, its topic some more
UNRELEASED = 16  # messages whose sender has not said that it has our word
UNSENT = 256  # packets of ours that the broker does not read
INCOMING_QUEUED = 256

# The library writes a line for each message too many; the bridge says what ended a connection.
_quiet = logging.getLogger("drumlin.mqtt.client")
_quiet.disabled = True


def bounded_client(host: str, port: int, **more: Any) -> aiomqtt.Client:
    """A client for a broker there; `more` is aiomqtt.Client's."""
    told = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    told.MaximumPacketSize = PACKET_BYTES
    told.ReceiveMaximum = UNRELEASED
    client = aiomqtt.Client(
        host,
        port,
        protocol=aiomqtt.ProtocolVersion.V5,
        properties=told,
        logger=_quiet,
        max_queued_incoming_messages=INCOMING_QUEUED,
        **more,
    )
    # The one place that every received byte passes, where an error ends the connection.
    inner = client._client
    receive: Callable[[int], bytes] = inner._sock_recv

    def receive_bounded(bufsize: int) -> bytes:
        if bufsize > PACKET_BYTES:
            raise OSError("the broker sends more at once than it was told to")
        if len(inner._in_messages) > UNRELEASED or len(inner._out_packet) > UNSENT:
            raise OSError("the broker leaves too much unfinished")
        return receive(bufsize)

    inner._sock_recv = receive_bounded  # type: ignore[method-assign]
    return client
