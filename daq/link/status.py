"""What the link shows of itself: its state and what it counted. Data flows: link -> telemetry."""

from __future__ import annotations

import enum

import msgspec

from daq.wire.deframer import WireCounters


class LinkState(enum.StrEnum):
    CLOSED = "closed"
    OPENING = "opening"
    QUIET = "quiet"  # open, no sound frame yet
    UP = "up"
    WAITING = "waiting"  # before the next attempt


class LinkCounters(msgspec.Struct):
    """Since `start`; they only rise. Damage on the wire is counted in WireCounters, gaps in the
    sequence of samples by daq.measure.chain."""

    opens: int = 0
    failures: int = 0  # connections or attempts that ended badly
    bytes_in: int = 0
    bytes_out: int = 0
    frames_sent: int = 0
    set_points_superseded: int = 0  # a newer one came before the port took it
    questions_dropped: int = 0  # too many waited for the port
    sends_without_port: int = 0
    short_writes: int = 0  # the port did not take all at once
    silences: int = 0


class LinkView(msgspec.Struct, frozen=True):
    """What to show of the link. NaN or None: not known, or not offered by the driver."""

    state: LinkState
    port: str
    problem: str  # of the newest failure, "" while up
    remedy: str
    low_latency: bool | None
    latency_timer_ms: int | None
    round_trip_p50_ms: float
    round_trip_p99_ms: float
    counters: LinkCounters
    wire: WireCounters
