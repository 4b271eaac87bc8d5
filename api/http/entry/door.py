"""The door of a listener: sockets that are counted and refused at accept, also under TLS.

Data flow: listening socket -> `Listener.accept` (asked by the event loop) -> Admission -> a Line
handed on, or the connection closed at once. asyncio makes a TLS connection known to a protocol only
after its handshake; thousands that never finish one would each hold a buffer of 256 KiB. Here they
are counted from accept to close, have a time to finish, and are few at a time.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import logging
import math
import resource
import select
import socket
import struct
from asyncio.transports import Transport
from collections.abc import Callable
from typing import Any

import msgspec

from api.http.entry.admission import Admission, Bounds, Standing, Ticket

HANDSHAKE_S = 5.0
REFUSALS_AT_A_TIME = 64  # then whoever else waits in the event loop has a turn
FILES_OPEN = 8192
FILES_RESERVED = 256  # for recordings read, answers written, workers, catalogue
GIVING_WAY_S = 0.1  # who was told to go has closed by then; nobody else goes in its place before
_EXHAUSTED = (errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM)
_RESET = struct.pack("ii", 1, 0)  # SO_LINGER: a refused connection leaves nothing behind

log = logging.getLogger("drumlin.service")


class DoorConnection(socket.socket):
    """An accepted connection that says when it is closed."""

    def __init__(self, number: int, closed: Callable[[], None]) -> None:
        super().__init__(fileno=number)
        self._closed_call: Callable[[], None] | None = closed

    def close(self) -> None:
        """Close; the door has room for another."""
        super().close()
        call, self._closed_call = self._closed_call, None
        if call is not None:
            call()


class Listener(socket.socket):
    """A listening socket whose connections the door lets in one by one."""

    def __init__(
        self, number: int, let_in: Callable[[socket.socket, Any], DoorConnection | None]
    ) -> None:
        super().__init__(fileno=number)
        self._let_in = let_in
        self.exhausted: Callable[[], object] = lambda: None

    def accept(self) -> tuple[socket.socket, Any]:
        """The next connection that may come in. Raises BlockingIOError when there is none now."""
        for _ in range(REFUSALS_AT_A_TIME):
            try:
                connection, address = super().accept()
            except OSError as error:
                if error.errno not in _EXHAUSTED:
                    raise
                # asyncio would stop listening for a second, and shut the operator out with them.
                if self._somebody_waits():  # the kernel says so too when nobody does
                    self.exhausted()
                break
            line = self._let_in(connection, address)
            if line is not None:
                return line, address
        raise BlockingIOError(errno.EAGAIN, "nobody is let in now")

    def _somebody_waits(self) -> bool:
        poll = select.poll()  # needs no descriptor of its own
        poll.register(self, select.POLLIN)
        return bool(poll.poll(0))


class Door:
    """All listeners of one server, and the connections they let in."""

    def __init__(self, bounds: Bounds, now: Callable[[], float], handshake_s: float = 0.0) -> None:
        self.admission = Admission(bounds, now)
        self._now = now
        self._room_due = -math.inf  # until then a descriptor is about to be free
        self._tickets: dict[int, Ticket] = {}  # by descriptor

    def listener(self, listening: socket.socket) -> Listener:
        """Take over a bound socket."""
        made = Listener(listening.detach(), self._let_in)
        made.exhausted = self._make_room
        return made

    def _make_room(self) -> None:
        if self._now() >= self._room_due and self.admission.make_room():
            self._room_due = self._now() + GIVING_WAY_S

    def arrived(self, transport: Transport) -> None:
        """The handshake of a connection is through (without TLS: it is there)."""
        ticket = self._ticket(transport)
        if ticket is not None:
            ticket.end = transport.abort  # drops what an idle reader would keep for ever
            self.admission.arrived(ticket)

    def standing(self, transport: Transport) -> Standing:
        """How proven the other side is."""
        ticket = self._ticket(transport)
        if ticket is None:
            return Standing.OPERATE  # it did not come by a listener of ours
        return self.admission.standing(ticket.peer)

    def _ticket(self, transport: Transport) -> Ticket | None:
        wrapped = transport.get_extra_info("socket")
        return self._tickets.get(wrapped.fileno()) if wrapped is not None else None

    def _let_in(self, connection: socket.socket, address: Any) -> DoorConnection | None:
        peer = str(address[0]) if isinstance(address, tuple) else ""
        ticket = self.admission.admit(peer)
        if ticket is None:
            with contextlib.suppress(OSError):
                connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET)
            connection.close()
            return None
        number = connection.detach()
        self._tickets[number] = ticket

        def closed() -> None:
            late.cancel()
            self._room_due = -math.inf
            if self._tickets.get(number) is ticket:
                del self._tickets[number]
            self.admission.left(ticket)

        line = DoorConnection(number, closed)

        def end() -> None:
            # Its transport sees the end and closes it; there may be none yet to abort.
            with contextlib.suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)

        ticket.end = end
        late = asyncio.get_running_loop().call_later(
            HANDSHAKE_S, lambda: end() if ticket.arriving else None
        )
        return line


def bound(host: str, port: int) -> list[socket.socket]:
    """Sockets bound to every address of `host`. Raises OSError."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
    made: list[socket.socket] = []
    try:
        for family, _, _, _, address in dict.fromkeys(found):
            made.append(socket.create_server(address[:2], family=family))
    except OSError:
        for each in made:
            each.close()
        raise
    return made


def let_open_files() -> None:
    """Let this process have as many files and lines open as it takes."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    most = FILES_OPEN if hard == resource.RLIM_INFINITY else min(FILES_OPEN, hard)
    if soft != resource.RLIM_INFINITY and soft < most:
        with contextlib.suppress(OSError, ValueError):
            resource.setrlimit(resource.RLIMIT_NOFILE, (most, hard))


def fitting(bounds: Bounds) -> Bounds:
    """The same bounds, smaller where this process may not open so many files."""
    soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    room = max(32, soft - FILES_RESERVED) if soft != resource.RLIM_INFINITY else bounds.lines[-1]
    if room >= bounds.lines[-1]:
        return bounds
    log.warning("Only %d files may be open: at most %d connections are taken.", soft, room)
    share = room / bounds.lines[-1]
    strangers, watchers, every = (max(8, int(share * each)) for each in bounds.lines)
    return msgspec.structs.replace(bounds, lines=(strangers, watchers, every))
