"""Limits that a plan sets on slow channels while its test runs: warn, end in order, or ease off.

Data flow: limits of the plan -> LimitWatch.step each frame -> `codes` (rows of
control.safety.faults, which ease off or warn) and `ending` (the test ends in order by itself).
`check_limits` refuses a start: a limit on a channel that gives no value protects nothing.
"""

from __future__ import annotations

import math

import msgspec

from control.test_kinds.plans import ChannelLimit
from daq.errors import Refused, RigError
from daq.measure.measured import Measured
from daq.readings import Quality
from daq.rig.description import Rig
from daq.rig.units import from_si, scale_of, to_si
from daq.texts.message import say

LOOK_S = 0.1
LOST_S = 1.0  # a channel may be without a value for so long
_USABLE = frozenset((Quality.GOOD, Quality.AGING))
CODES = {
    "warn": "channel-limit-warned", "end": "channel-limit-ended", "ease": "channel-limit",
}  # fmt: skip
LOST = "channel-limit-lost"


class Bound(msgspec.Struct, frozen=True):
    """One side of a limit in SI. `sign` is 1 for "above", -1 for "below"."""

    limit: ChannelLimit
    unit: str  # as people read it
    value: float
    hysteresis: float
    sign: float

    def beyond(self, value: float, back: float = 0.0) -> float:
        """How far a value is beyond, counted from `back` inside of the limit; not above 0: it is
        not."""
        return self.sign * (value - self.value) + back

    def words(self, value: float) -> str:
        """What is wrong, in the unit of the plan and in no language."""
        side = ">" if self.sign > 0.0 else "<"
        shown = [f"{from_si(each, self.unit):.4g}" for each in (value, self.value)]
        return f"{self.limit.channel} {shown[0]} {side} {shown[1]} {self.unit}"


def bounds_of(limits: tuple[ChannelLimit, ...], rig: Rig) -> tuple[Bound, ...]:
    """The limits in SI. Raises Refused for a channel or unit that the rig does not have."""
    units = {channel.name: channel.unit for channel in rig.slow}
    found: list[Bound] = []
    for limit in limits:
        own = units.get(limit.channel)
        if own is None:
            raise Refused(
                say("plan-has-limit-on-which-rig", channel=limit.channel),
                say("its-slow-channels-are", channels=", ".join(sorted(units)) or "none"),
                "limit-channel",
            )
        unit = limit.unit or own
        try:
            scale = scale_of(unit)
        except RigError as error:
            raise Refused(error.problem, error.remedy, "limit-unit") from None
        if scale.unit is not scale_of(own).unit:
            raise Refused(
                say("limit-on-is-in-channel-is", channel=limit.channel, unit=unit, own=own),
                say("give-it-in-or-in-another", own=own),
                "limit-unit",
            )
        sides = [(limit.above, 1.0), (limit.below, -1.0)]
        given = [(value, sign) for value, sign in sides if value is not None]
        if not given or not all(math.isfinite(value) for value, _ in given):
            raise Refused(
                say("limit-on-has-no-value", channel=limit.channel),
                say("give-above-below-or-both"),
                "limit-value",
            )
        found += [
            Bound(limit, unit, to_si(value, unit), limit.hysteresis * scale.factor, sign)
            for value, sign in given
        ]
    return tuple(found)


def check_limits(limits: tuple[ChannelLimit, ...], measured: Measured, rig: Rig) -> None:
    """Raises Refused when a limited channel gives no value, or is not back inside its limit."""
    for bound in bounds_of(limits, rig):
        reading = measured.slow.get(bound.limit.channel)
        if reading is None or reading.quality not in _USABLE:
            raise Refused(
                say("plan-has-limit-on-which-gives", channel=bound.limit.channel),
                say("connect-sensor-or-take-limit-out"),
                "limit-channel-missing",
            )
        if bound.limit.does != "warn" and bound.beyond(reading.value, bound.hysteresis) > 0.0:
            raise Refused(
                say("limit-of-plan-does-not-let", what=bound.words(reading.value)),
                say("wait-until-channel-is-back-inside"),
                "limit-exceeded",
            )


class LimitWatch:
    """Looks at the limits of one running test."""

    def __init__(self, limits: tuple[ChannelLimit, ...] = (), rig: Rig | None = None) -> None:
        """Raises Refused for a channel or unit that the rig does not have."""
        self.codes: dict[str, str] = {}  # faults that hold now, with what is wrong
        self.ending = ""  # why the test ends in order; "" while it goes on
        self._bounds = bounds_of(limits, rig) if rig is not None else ()
        self._beyond_s = [0.0] * len(self._bounds)
        self._active = [False] * len(self._bounds)
        self._lost_s = 0.0
        self._since_s = 0.0

    def step(self, measured: Measured, dt_s: float) -> None:
        """One frame."""
        if not self._bounds:
            return
        self._since_s += dt_s
        if self._since_s < LOOK_S:
            return
        since_s, self._since_s = self._since_s, 0.0
        codes: dict[str, str] = {}
        silent: list[str] = []
        for i, bound in enumerate(self._bounds):
            reading = measured.slow.get(bound.limit.channel)
            if reading is None or reading.quality not in _USABLE:
                silent.append(bound.limit.channel)
                continue
            back = bound.hysteresis if self._active[i] else 0.0
            beyond = bound.beyond(reading.value, back) > 0.0
            self._beyond_s[i] = self._beyond_s[i] + since_s if beyond else 0.0
            self._active[i] = beyond and (self._active[i] or self._beyond_s[i] >= bound.limit.for_s)
            if self._active[i]:
                words = bound.words(reading.value)
                codes.setdefault(CODES[bound.limit.does], words)
                if bound.limit.does == "end":
                    self.ending = words
        self._lost_s = self._lost_s + since_s if silent else 0.0
        if self._lost_s >= LOST_S:
            codes[LOST] = ", ".join(dict.fromkeys(silent))
        self.codes = codes
