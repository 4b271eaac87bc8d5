"""The one file that touches the serial port: opens it, reads, writes, and opens it again.

Data flows: port -> event loop callback -> Deframer -> `on_frames` (frames with their bytes and
the host time of the read); `send` -> port, without ever waiting. Whatever goes wrong ends the
connection: the old port is closed first, then opened again after a growing pause. Nothing here
blocks the event loop: what may take time (open, close) runs on one thread of its own.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import math
import os
import termios
import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

import msgspec
import serial

from daq.clock import HostMap, TickClock
from daq.errors import LinkError
from daq.link.errors import explained
from daq.link.status import LinkCounters, LinkState, LinkView
from daq.link.tx_queue import TxQueue
from daq.tasks import Tasks
from daq.wire.codec import encode
from daq.wire.deframer import Deframer, Direction, WireCounters
from daq.wire.frames import (
    AskIdentity,
    AskTime,
    Frame,
    Hello,
    SetPoint,
    Time,
    ToFrontEnd,
)

log = logging.getLogger("drumlin.link")

READ_BYTES = 65_536
FIRST_PAUSE_S = 0.05
LONGEST_PAUSE_S = 2.0
SILENCE_S = 1.0  # no sound frame for so long: close and open again
ASK_TIME_S = 0.5
CHECK_S = 0.1
FIRST_TOKEN = 0x8000_0000  # tokens of this file's own questions for the time

Received = list[tuple[Frame, bytes]]


class Port:
    """An open serial port: its file descriptor and what its driver offers."""

    def __init__(self, handle: serial.Serial) -> None:
        self._handle = handle
        self.fd: int = handle.fileno()
        self.low_latency: bool | None = None
        try:
            handle.set_low_latency_mode(True)
            self.low_latency = True
        except (ValueError, NotImplementedError, AttributeError, OSError):
            pass  # a pseudo-terminal or a driver without it
        self.latency_timer_ms = _latency_timer_ms(handle.port)

    def close(self, discard: bool) -> None:
        """Close; `discard` throws away what was not sent, so that a dead line cannot hold us."""
        if discard:
            with contextlib.suppress(OSError, termios.error):
                termios.tcflush(self.fd, termios.TCOFLUSH)
        with contextlib.suppress(OSError):
            self._handle.close()


def open_port(path: str, baud: int) -> Port:
    """Open for us alone, raw and non-blocking. Raises LinkError with the remedy. May take time."""
    if not path:
        raise LinkError(
            "No serial port is named.", "Name it in the rig file under [link] port, or with --port."
        )
    try:
        return Port(serial.Serial(path, baud, timeout=0, write_timeout=0, exclusive=True))
    except (OSError, ValueError, termios.error) as error:  # SerialException is an OSError
        raise explained(path, baud, error) from None


def _latency_timer_ms(path: str) -> int | None:
    """The USB adapter's latency timer, where the driver shows it."""
    name = os.path.basename(os.path.realpath(path))
    try:
        text = Path("/sys/bus/usb-serial/devices", name, "latency_timer").read_text()
        return int(text)
    except (OSError, ValueError):
        return None


class Link:
    """The connection to one front end, kept up until `close`.

    `on_frames(received, host_ns)` gets the sound frames of one read; `on_sent(raw, host_ns)` each
    frame the port has taken whole; `on_damage(raw, host_ns)` bytes that were no frame;
    `on_change(up, problem)` tells of going up and down. An exception out of one of them ends the
    connection like any other failure.
    """

    def __init__(
        self,
        port: str,
        baud: int,
        on_frames: Callable[[Received, int], None],
        *,
        on_sent: Callable[[bytes, int], None] | None = None,
        on_damage: Callable[[bytes, int], None] | None = None,
        on_change: Callable[[bool, str], None] | None = None,
        silence_s: float = SILENCE_S,
        opener: Callable[[str, int], Port] = open_port,
    ) -> None:
        self.port = port
        self.baud = baud
        self.state = LinkState.CLOSED
        self.counters = LinkCounters()
        self.wire = WireCounters()
        self.host_map: HostMap | None = None
        self._on_frames, self._on_sent = on_frames, on_sent
        self._on_damage, self._on_change = on_damage, on_change
        self._silence_s = silence_s
        self._opener = opener
        self._problem, self._remedy = "", ""
        self._port: Port | None = None
        self._thread: ThreadPoolExecutor | None = None
        self._tasks = Tasks()
        self._ended: asyncio.Future[None] | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._pause_s = FIRST_PAUSE_S
        self._deframer = Deframer(Direction.FROM_FRONT_END)
        self._boot: int | None = None
        self._token = FIRST_TOKEN
        self._heard_ns = self._asked_ns = 0
        self._outgoing = TxQueue()
        self._blocked = False  # the port was full and a writer is waiting for room

    # --- for the owner ------------------------------------------------------------------------

    async def start(self, patient: bool = False) -> None:
        """Open the port and keep the connection up from now on.

        Raises LinkError when the first opening fails, unless `patient`: then it is tried again.
        """
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="serial port")
        try:
            if not patient:
                await self._open()
        except BaseException:
            self._thread.shutdown(wait=False)
            self.state = LinkState.CLOSED
            raise
        self._tasks.keep("link", self._keep_up)

    async def close(self) -> None:
        """Close the port; what was sent before still goes out."""
        await self._tasks.stop()
        if self._port is not None:  # the task had not even begun
            await self._shut(discard=False)
        if self._thread is not None:
            self._thread.shutdown(wait=False)
            self._thread = None
        self.state = LinkState.CLOSED

    def send(self, frame: ToFrontEnd) -> bool:
        """Hand a frame to the port; False when there is none. Never waits.

        A set point the port has not begun to take is replaced by a newer one. Raises WireError
        when a field is out of range.
        """
        if self._port is None:
            self.counters.sends_without_port += 1
            return False
        raw = encode(frame)
        if type(frame) is SetPoint:
            self._outgoing.put_set_point(raw)
        else:
            if type(frame) is AskIdentity:
                self._outgoing.forget_set_point()
            self._outgoing.put(raw)
        if not self._blocked:
            self._write()
        return True

    def view(self) -> LinkView:
        port, clock = self._port, self.host_map
        self.counters.set_points_superseded = self._outgoing.superseded
        self.counters.questions_dropped = self._outgoing.dropped
        return LinkView(
            self.state,
            self.port,
            self._problem,
            self._remedy,
            port.low_latency if port else None,
            port.latency_timer_ms if port else None,
            clock.round_trip_s(0.5) * 1e3 if clock else math.nan,
            clock.round_trip_s(0.99) * 1e3 if clock else math.nan,
            msgspec.structs.replace(self.counters),
            msgspec.structs.replace(self.wire),
        )

    # --- one connection after the other -------------------------------------------------------

    async def _keep_up(self) -> None:
        while True:
            try:
                if self._port is None:
                    await self._open()
                assert self._ended is not None  # noqa: S101 - set by _open
                await self._ended
            except asyncio.CancelledError:
                await self._shut(discard=False)
                raise
            except LinkError as error:
                self._failed(error)
            except Exception as error:  # whatever it was, the next attempt starts afresh
                log.exception("the link failed in an unforeseen way")
                self._failed(LinkError(f"The link failed: {error!r}.", "It is opened again."))
            await self._shut(discard=True)
            self.state = LinkState.WAITING
            await asyncio.sleep(self._pause_s)
            self._pause_s = min(2.0 * self._pause_s, LONGEST_PAUSE_S)

    async def _open(self) -> None:
        assert self._thread is not None  # noqa: S101 - set by start
        self.state = LinkState.OPENING
        opening = self._thread.submit(self._opener, self.port, self.baud)
        try:
            port = await asyncio.shield(asyncio.wrap_future(opening))
        except asyncio.CancelledError:
            opening.add_done_callback(_close_unwanted)
            raise
        loop = asyncio.get_running_loop()
        self._port = port
        self._ended = loop.create_future()
        self._deframer = Deframer(Direction.FROM_FRONT_END, self._damaged, self.wire)
        self._outgoing.clear()
        self._blocked = False
        self._heard_ns = time.monotonic_ns()
        self.state = LinkState.QUIET
        self.counters.opens += 1
        self._outgoing.put(b"\0")  # ends whatever half frame the other side holds
        loop.add_reader(port.fd, self._readable)
        self._write()
        self._check()

    async def _shut(self, discard: bool) -> None:
        was_up, self.state = self.state is LinkState.UP, LinkState.CLOSED
        port, self._port = self._port, None
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if port is not None:
            loop = asyncio.get_running_loop()
            loop.remove_reader(port.fd)
            loop.remove_writer(port.fd)
            assert self._thread is not None  # noqa: S101 - it opened the port
            await asyncio.wrap_future(self._thread.submit(port.close, discard))
        if was_up:
            self._tell(False)

    def _failed(self, error: LinkError) -> None:
        self.counters.failures += 1
        if str(error.problem) != self._problem:
            log.warning("%s", error)  # on transition only
        self._problem, self._remedy = str(error.problem), str(error.remedy)

    def _tell(self, up: bool) -> None:
        if self._on_change is not None:
            try:
                self._on_change(up, self._problem)
            except Exception:
                log.exception("whoever is told of the link failed")

    def _end(self, error: LinkError) -> None:
        if self._ended is not None and not self._ended.done():
            self._ended.set_exception(error)
            self._ended.exception()  # marked as seen: close may come before anybody waits

    # --- bytes in -----------------------------------------------------------------------------

    def _readable(self) -> None:
        port = self._port
        if port is None:
            return
        try:
            data = os.read(port.fd, READ_BYTES)
            host_ns = time.monotonic_ns()
            if not data:
                raise LinkError("The front end hung up.", "Check its power and cable.")
            self.counters.bytes_in += len(data)
            received = self._deframer.feed_raw(data)
            if received:
                self._take(received, host_ns)
        except BlockingIOError:
            pass
        except LinkError as error:
            self._end(error)
        except OSError as error:
            self._end(LinkError(f"Reading {self.port} failed: {error}.", "Check the cable."))
        except Exception as error:
            log.exception("a frame could not be handled")
            self._end(LinkError(f"A frame could not be handled: {error!r}.", "See the log."))

    def _take(self, received: Received, host_ns: int) -> None:
        self._heard_ns = host_ns
        if self.state is not LinkState.UP:
            self.state = LinkState.UP
            self._problem = self._remedy = ""
            self._pause_s = FIRST_PAUSE_S
            self._tell(True)
        for frame, _ in received:
            if type(frame) is Time:
                if self.host_map is not None:
                    self.host_map.answered(frame.token, frame.tick, host_ns * 1e-9)
            elif type(frame) is Hello and frame.boot_id != self._boot:
                self._boot = frame.boot_id
                self.host_map = HostMap(TickClock(frame.tick_hz))
        self._on_frames(received, host_ns)

    def _damaged(self, raw: bytes) -> None:
        if self._on_damage is not None:
            self._on_damage(raw, time.monotonic_ns())

    def _check(self) -> None:
        """Ten times a second: has the line gone quiet, is it time to ask for the time?"""
        now_ns = time.monotonic_ns()
        self._timer = asyncio.get_running_loop().call_later(CHECK_S, self._check)
        if (now_ns - self._heard_ns) * 1e-9 > self._silence_s:
            self.counters.silences += 1
            self._end(
                LinkError(
                    f"No sound frame came from {self.port} for {self._silence_s:g} s.",
                    "Check the front end's power, the cable and the baud rate.",
                )
            )
        elif self.host_map is not None and (now_ns - self._asked_ns) * 1e-9 >= ASK_TIME_S:
            self._asked_ns = now_ns
            self._token = FIRST_TOKEN + (self._token + 1 - FIRST_TOKEN) % FIRST_TOKEN
            if self.send(AskTime(self._token)):
                self.host_map.asked(self._token, time.monotonic_ns() * 1e-9)

    # --- bytes out ----------------------------------------------------------------------------

    def _write(self) -> None:
        port = self._port
        if port is None:
            return
        try:
            while ahead := self._outgoing.ahead:
                try:
                    taken = os.write(port.fd, ahead)
                except BlockingIOError:
                    taken = 0
                self.counters.bytes_out += taken
                whole = self._outgoing.took(taken)
                if not whole:  # the port is full; carry on when it has room again
                    self.counters.short_writes += 1
                    if not self._blocked:
                        self._blocked = True
                        asyncio.get_running_loop().add_writer(port.fd, self._write)
                    return
                if len(whole) > 1:
                    self.counters.frames_sent += 1
                    if self._on_sent is not None:
                        self._on_sent(whole, time.monotonic_ns())
        except OSError as error:
            self._end(LinkError(f"Writing {self.port} failed: {error}.", "Check the cable."))
            return
        except Exception as error:
            log.exception("a sent frame could not be handed on")
            self._end(LinkError(f"A sent frame could not be handed on: {error!r}.", "See the log."))
            return
        if self._blocked:
            self._blocked = False
            asyncio.get_running_loop().remove_writer(port.fd)


def _close_unwanted(opening: Future[Port]) -> None:
    """A port that opened after nobody wanted it any more."""
    if not opening.cancelled() and opening.exception() is None:
        opening.result().close(discard=True)
