"""Three clocks, three names: device ticks, host monotonic seconds, and UTC only as a label.

Data flows: 32-bit ticks of frames -> `TickClock.extend` -> 64-bit ticks -> seconds of device time,
the time of every reading. Beside it questions for the time and their answers -> `HostMap` ->
host seconds for device seconds and back. Pure: every host time is passed in, none is read here.
"""

from __future__ import annotations

import math
from collections import deque

import msgspec

_TURN = 1 << 32
_HALF = 1 << 31

WINDOW = 64  # exchanges the fit looks at; at 2 a second that is half a minute
WAITING = 16  # questions without an answer that are remembered
SLACK_S = 0.001  # what an exchange may be off beyond its own way there and back
REFUSED_IN_A_ROW = 5  # so many outliers in a row are a clock that jumped: start again
MAX_RATE_ERROR = 500e-6  # crystals are within 100 ppm; more is a fit gone wrong


class TickClock:
    """The front end's tick, made 64 bits wide. One for each boot of the front end."""

    def __init__(self, tick_hz: int) -> None:
        if tick_hz <= 0:
            raise ValueError("tick_hz must be positive")
        self.tick_hz = tick_hz
        self._tick_s = 1.0 / tick_hz
        self._last: int | None = None

    def extend(self, tick: int) -> int:
        """64-bit tick of a 32-bit one that lies within half a turn of the newest seen.

        Late values (an edge before its frame's tick) come out smaller and do not move the clock
        back. The first value seen is taken as it is.
        """
        if self._last is None:
            self._last = tick
            return tick
        ahead = (tick - self._last) % _TURN
        if ahead >= _HALF:
            return self._last + ahead - _TURN
        self._last += ahead
        return self._last

    def seconds(self, tick: int) -> float:
        """Device time in seconds of a 64-bit tick."""
        return tick * self._tick_s


class Exchange(msgspec.Struct, frozen=True, gc=False):
    """One question for the time and its answer."""

    device_s: float
    host_s: float  # middle between asking and hearing
    round_trip_s: float


def _round_trip_s(exchange: Exchange) -> float:
    return exchange.round_trip_s


class HostMap:
    """Host seconds for device seconds: a line through the quick exchanges, outliers left out.

    The middle of an exchange is off by at most half its round trip, so the slower half of the
    window is not used, and what lies further from the line than its own round trip explains is
    refused.
    """

    def __init__(self, clock: TickClock) -> None:
        self._clock = clock
        self._asked: dict[int, float] = {}
        self._kept: deque[Exchange] = deque(maxlen=WINDOW)
        self._in_a_row = 0
        self._rate = 1.0
        self._origin_device_s = math.nan
        self._origin_host_s = math.nan
        self._sigma_s = math.nan
        self.accepted = 0
        self.refused = 0  # outliers
        self.unanswered = 0  # questions given up
        self.restarts = 0  # the clock jumped and the fit began anew

    def asked(self, token: int, host_s: float) -> None:
        """A question went out."""
        while len(self._asked) >= WAITING:
            del self._asked[next(iter(self._asked))]
            self.unanswered += 1
        self._asked[token] = host_s

    def answered(self, token: int, tick: int, host_s: float) -> bool:
        """An answer came in (`tick` 32 bits). False when it was nobody's or an outlier."""
        asked_s = self._asked.pop(token, None)
        if asked_s is None or host_s < asked_s:
            return False
        device_s = self._clock.seconds(self._clock.extend(tick))
        exchange = Exchange(device_s, 0.5 * (asked_s + host_s), host_s - asked_s)
        if self.ready and len(self._kept) >= 3:
            off = abs(exchange.host_s - self.host_s(device_s))
            if off > 0.5 * exchange.round_trip_s + 3.0 * self._sigma_s + SLACK_S:
                self.refused += 1
                self._in_a_row += 1
                if self._in_a_row < REFUSED_IN_A_ROW:
                    return False
                self._kept.clear()
                self.restarts += 1
        self._in_a_row = 0
        self._kept.append(exchange)
        self.accepted += 1
        self._fit()
        return True

    @property
    def ready(self) -> bool:
        """True as soon as one exchange was taken."""
        return bool(self._kept)

    def host_s(self, device_s: float) -> float:
        """Host monotonic seconds at a device time; NaN before the first exchange."""
        return self._origin_host_s + (device_s - self._origin_device_s) * self._rate

    def device_s(self, host_s: float) -> float:
        """Device time at host monotonic seconds; NaN before the first exchange."""
        return self._origin_device_s + (host_s - self._origin_host_s) / self._rate

    @property
    def rate_ppm(self) -> float:
        """How much faster host time runs than device time, parts per million."""
        return (self._rate - 1.0) * 1e6

    @property
    def sigma_s(self) -> float:
        """Scatter about the line and the shortest half round trip together; NaN before a fit."""
        return self._sigma_s

    def round_trip_s(self, share: float) -> float:
        """Quantile of the round trips in the window, 0 to 1; NaN without any."""
        if not self._kept:
            return math.nan
        ways = sorted(exchange.round_trip_s for exchange in self._kept)
        return ways[min(len(ways) - 1, int(share * len(ways)))]

    def _fit(self) -> None:
        ordered = sorted(self._kept, key=_round_trip_s)
        count = (len(ordered) + 1) // 2
        voters = ordered[:count]
        mean_device = math.fsum(exchange.device_s for exchange in voters) / count
        mean_host = math.fsum(exchange.host_s for exchange in voters) / count
        # Sums about the means, so that seconds of uptime do not eat the digits.
        square = math.fsum((exchange.device_s - mean_device) ** 2 for exchange in voters)
        cross = math.fsum(
            (exchange.device_s - mean_device) * (exchange.host_s - mean_host) for exchange in voters
        )
        # Over a short span the round trips alone could tilt the line by more than crystals differ.
        rate = cross / square if count >= 3 and square > 0.0 else 1.0
        self._rate = min(max(rate, 1.0 - MAX_RATE_ERROR), 1.0 + MAX_RATE_ERROR)
        self._origin_device_s = mean_device
        self._origin_host_s = mean_host
        rest = math.fsum(
            (exchange.host_s - self.host_s(exchange.device_s)) ** 2 for exchange in voters
        )
        scatter = math.sqrt(rest / count)
        shortest = voters[0].round_trip_s
        self._sigma_s = math.hypot(scatter, 0.5 * shortest / math.sqrt(3.0))
