"""Is the front end's tick as long as it says? Its clock against an independent one.

Data flow: raw recording -> device time of each frame beside the host's arrival time, or edges of a
pulse per second -> a line -> relative error of the tick with its uncertainty -> proof, 40 CFR
1066.230 (0.001 % over at least 1000 s).

Arrival is never early, only late: in each fortieth of the recording the least late frame counts.
The host's monotonic clock is as good as what disciplines it: slewed by network time it keeps the
rate of UTC to about a part in a million over an hour; left alone it is a crystal like the front
end's, and two crystals that agree prove nothing. A pulse per second needs no host clock at all.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Iterable
from datetime import date

import msgspec
import numpy as np
import numpy.typing as npt

from daq.clock import TickClock
from daq.errors import Refused, WireError
from daq.proving.record import FRONT_END, TIME_BASE, JudgedValue, Proof, proof_of
from daq.proving.verification import TIME_BASE_ERROR
from daq.recording.reader import Record
from daq.recording.recorder import RecordKind
from daq.texts.message import say
from daq.wire.codec import decode
from daq.wire.frames import ChannelKind, Hello, Sample

Floats = npt.NDArray[np.float64]

LEAST_SPAN_S = 1000.0  # 1066.230
WORTH_A_LOOK_S = 10.0
BINS = 40
LEAST_PER_BIN = 5
PULSE_GATE = 1e-3  # a pulse further from a whole second is none


class Reference(enum.StrEnum):
    """What the tick is compared with."""

    DISCIPLINED = "disciplined"  # host clock slewed by network time
    FREE = "free"  # host clock that nothing disciplines
    PULSE = "pulse"  # one pulse per second on a wheel channel


# Standard uncertainty of the reference's rate; common practice, no source.
REFERENCE_SIGMA: dict[Reference, float] = {
    Reference.DISCIPLINED: 1e-6,
    Reference.FREE: 3e-5,
    Reference.PULSE: 1e-8,
}


class ClockRate(msgspec.Struct, frozen=True):
    """Relative error of the front end's clock: positive when it runs fast."""

    error: float
    sigma: float  # of the comparison, without the reference's own
    span_s: float
    points: int
    scatter_s: float  # of the points about the line


class _Frames:
    """Samples of one session of a recording with 64-bit device time."""

    def __init__(self, records: Iterable[Record], channel: str = "") -> None:
        self.device_s: list[float] = []
        self.host_s: list[float] = []
        self.edges_s: list[float] = []
        hello: Hello | None = None
        clock: TickClock | None = None
        wheel = -1
        for record in records:
            if record.kind != RecordKind.RX:
                continue
            try:
                frame = decode(record.payload)
            except WireError:
                continue
            if isinstance(frame, Hello) and (hello is None or frame.boot_id != hello.boot_id):
                if self.device_s:
                    break  # after a restart the tick begins anew
                hello, clock = frame, TickClock(frame.tick_hz)
                names = frame.names(ChannelKind.WHEEL)
                if channel and channel not in names:
                    raise Refused(
                        say("front-end-has-no-wheel-channel", channel=channel),
                        say("use-one-of", choices=names),
                        "unknown-channel",
                    )
                wheel = names.index(channel) if channel else -1
            elif isinstance(frame, Sample) and clock is not None:
                now = clock.extend(frame.tick)
                self.device_s.append(clock.seconds(now))
                self.host_s.append(record.host_ns * 1e-9)
                if wheel >= 0:
                    self.edges_s += [
                        clock.seconds(now - ((frame.tick - tick) & 0xFFFFFFFF))
                        for tick in frame.edges[wheel]
                    ]
        if len(self.device_s) < 2:
            raise Refused(say("recording-holds-no-frames"), say("give-raw-drm-of-run"), "empty-run")


def against_host(records: Iterable[Record]) -> ClockRate:
    """The tick against the host's monotonic clock. Raises Refused when there is too little."""
    frames = _Frames(records)
    device, host = np.array(frames.device_s), np.array(frames.host_s)
    span = float(device[-1] - device[0])
    _long_enough(span)
    late = (host - host[0]) - (device - device[0])
    edges = np.linspace(device[0], device[-1] + 1e-9, BINS + 1)
    which = np.searchsorted(edges, device, side="right") - 1
    # Arrival is late by what the line and the frame's way add; the least of each part is kept,
    # about a first line, so that the drift within a part does not choose its earliest frame.
    rough = float(np.polyfit(device - device[0], late, 1)[0])
    level = late - rough * (device - device[0])
    at, least = [], []
    for part in range(BINS):
        inside = np.flatnonzero(which == part)
        if len(inside) >= LEAST_PER_BIN:
            best = int(inside[np.argmin(level[inside])])
            at.append(float(device[best]))
            least.append(float(late[best]))
    slope, sigma, scatter = _line(np.array(at), np.array(least))
    # host = device (1 + slope): a clock that runs fast shows more device time than host time
    return ClockRate(-slope / (1.0 + slope), sigma, span, len(at), scatter)


def against_pulses(records: Iterable[Record], channel: str) -> ClockRate:
    """The tick against one pulse per second on a wheel channel. Raises Refused."""
    edges = np.array(_Frames(records, channel).edges_s)
    if len(edges) < 10:
        raise Refused(
            say("there-are-pulses-on", count=len(edges), channel=channel),
            say("wire-one-pulse-per-second-to"),
            "time-base",
        )
    span = float(edges[-1] - edges[0])
    _long_enough(span)
    numbers = np.round(edges - edges[0])
    off = np.abs(edges - edges[0] - numbers) > PULSE_GATE + numbers * 1e-4
    if float(np.mean(off)) > 0.1 or float(np.median(np.diff(edges))) < 0.5:
        raise Refused(
            say("what-comes-on-is-not-one", channel=channel),
            say("look-at-wiring-tooth-wheel-is"),
            "time-base",
        )
    slope, sigma, scatter = _line(numbers[~off], edges[~off] - numbers[~off])
    return ClockRate(slope, sigma, span, int(np.sum(~off)), scatter)


def _long_enough(span_s: float) -> None:
    if span_s < WORTH_A_LOOK_S:
        raise Refused(
            say("s-are-too-short-to-compare", span_s=span_s),
            say("record-at-least-1000-s-1066"),
            "time-base",
        )


def _line(x: Floats, y: Floats) -> tuple[float, float, float]:
    """Slope, its standard uncertainty and the scatter of a line through the points."""
    if len(x) < 5:
        raise Refused(say("recording-has-too-many-gaps-to"), say("record-anew"), "time-base")
    t = x - x.mean()
    square = float(t @ t)
    slope = float(t @ (y - y.mean())) / square
    rest = y - y.mean() - slope * t
    scatter = math.sqrt(float(rest @ rest) / (len(x) - 2))
    return slope, scatter / math.sqrt(square), scatter


def of_time_base(found: ClockRate, reference: Reference, today: date, basis: str) -> Proof:
    """The time base beside the limit of 1066.230; what cannot prove it fails and says why."""
    sigma = math.hypot(found.sigma, REFERENCE_SIGMA[reference])
    source = "40 CFR 1066.230: 0.001 %"
    figures = [
        JudgedValue("error of the tick", found.error, "1", TIME_BASE_ERROR, source),
        JudgedValue("standard uncertainty", sigma, "1", 0.5 * TIME_BASE_ERROR,
                "half of what 1066.230 allows: 95 % within it"),
        JudgedValue("compared over", found.span_s, "s"),
        JudgedValue("scatter of the comparison", found.scatter_s, "s"),
    ]  # fmt: skip
    notes = []
    if reference is Reference.FREE:
        notes.append(
            "nothing disciplines this computer's clock: set up network time, or wire a pulse per "
            "second to a wheel channel"
        )
    elif reference is Reference.DISCIPLINED:
        notes.append("as good as the network time that slews this computer's clock, about 1e-6")
    if found.span_s < LEAST_SPAN_S:
        notes.append("1066.230 asks for at least 1000 s")
    return proof_of(
        TIME_BASE, FRONT_END, today, figures, {}, notes, basis,
        sound=found.span_s >= LEAST_SPAN_S,
    )  # fmt: skip
