"""When the rows of a recording were, in UTC, and how well that is known.

Data flow: a look through the recording -> (device tick, host time) of a frame now and then -> line
along the quickest arrivals -> UTC of any device time. The header holds UTC and the host's monotonic
clock at one moment; recordings of before hold a label in whole seconds.

UTC stays a label: it is for laying another logger's data beside ours, and no result depends on it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import datetime

import msgspec
import numpy as np

from daq.errors import WireError
from daq.recording.reader import Header, Recording
from daq.recording.recorder import RecordKind
from daq.wire.codec import decode
from daq.wire.frames import Hello, Sample

LOOK_EVERY_NS = 200_000_000
SEGMENTS = 32  # the quickest arrival of each has a vote
LINK_S = 0.001  # what a quick arrival may still be late by: line and driver (no source)
FASTEST_RATE = 500e-6  # crystals are within 100 ppm; more is a fit gone wrong
LABEL_S = 0.5  # a label in whole seconds stands for the middle of its second
_TURN = 1 << 32


class UtcMap(msgspec.Struct, frozen=True):
    """UTC of device times: `utc_s` = `origin_utc_s` + (device - `origin_s`) * `rate`."""

    origin_s: float  # device time, as the replay counts it
    origin_utc_s: float  # seconds since 1970-01-01 UTC
    rate: float
    sigma_s: float  # standard uncertainty: link and the computer's clock

    def utc_s(self, device_s: float) -> float:
        """UTC in seconds since 1970 of a device time; NaN when it is not known."""
        return self.origin_utc_s + (device_s - self.origin_s) * self.rate


UNKNOWN = UtcMap(0.0, math.nan, 1.0, math.nan)


def utc_map(recording: Recording, header: Header) -> UtcMap:
    """How UTC follows from device time in a recording; NaN when its header tells none."""
    looks = list(_looks(recording))
    header_ns = next((one.host_ns for one in recording if one.kind == RecordKind.HEADER), 0)
    begin_utc_s, sigma_s = _utc_at(header)
    if not looks or math.isnan(begin_utc_s):
        return UNKNOWN
    origin_s, origin_host_s, rate, scatter_s = _line(looks)
    utc_s = begin_utc_s + origin_host_s - header_ns * 1e-9
    return UtcMap(origin_s, utc_s, rate, math.hypot(sigma_s, max(scatter_s, LINK_S)))


def _utc_at(header: Header) -> tuple[float, float]:
    """UTC at the header's host time and its standard uncertainty, s."""
    if header.utc_ns:
        return header.utc_ns * 1e-9, header.utc_sigma_s
    try:
        label = datetime.fromisoformat(header.started_utc).timestamp()
    except ValueError:
        return math.nan, math.nan
    return label + LABEL_S, 1.0 / math.sqrt(12.0)


def _looks(recording: Recording) -> Iterator[tuple[float, float]]:
    """(device s, host s) of a frame now and then, in order."""
    tick_hz = 0
    last_tick: int | None = None
    due_ns = 0
    for record in recording:
        if record.kind != RecordKind.RX or (tick_hz and record.host_ns < due_ns):
            continue
        try:
            frame = decode(record.payload)
        except WireError:
            continue
        if type(frame) is Hello:
            tick_hz = frame.tick_hz
            last_tick = frame.tick if last_tick is None else last_tick
        elif type(frame) is Sample and tick_hz:
            tick = frame.tick
            if last_tick is not None:  # looks are far closer together than the tick's turn
                tick = last_tick + (tick - last_tick) % _TURN
            last_tick = tick
            due_ns = record.host_ns + LOOK_EVERY_NS
            yield tick / tick_hz, record.host_ns * 1e-9


def _line(looks: list[tuple[float, float]]) -> tuple[float, float, float, float]:
    """Device and host seconds of one point, the rate, and the scatter about the line, s."""
    table = np.array(looks)
    late = table[:, 1] - table[:, 0]
    parts = np.array_split(np.arange(len(table)), min(SEGMENTS, len(table)))
    quick = table[[int(part[np.argmin(late[part])]) for part in parts]]
    device, host = quick[:, 0].mean(), quick[:, 1].mean()
    off = quick - (device, host)
    square = float(off[:, 0] @ off[:, 0])
    rate = float(off[:, 0] @ off[:, 1]) / square if len(quick) > 2 and square > 0.0 else 1.0
    rate = min(max(rate, 1.0 - FASTEST_RATE), 1.0 + FASTEST_RATE)
    rest = off[:, 1] - rate * off[:, 0]
    return float(device), float(host), rate, float(np.sqrt(np.mean(rest**2)))
