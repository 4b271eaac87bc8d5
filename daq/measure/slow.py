"""Slow channels: temperatures, weather, boost and the like, from the front end or from outside.

Data flow: (channel, value, device time) -> SI -> reading with a quality that ages. A channel that
is silent for `max_age_s` is aging, for three times that it is missing; a number never stays.
"""

from __future__ import annotations

import math

from daq.errors import Refused, RigError, WireError
from daq.readings import Quality, Reading, missing
from daq.rig.description import Rig, SlowChannel
from daq.rig.units import Scale, scale_of
from daq.texts.message import say
from daq.wire.frames import ChannelKind, Hello, Slow

GONE_AFTER = 3.0  # times max_age_s


class SlowChannels:
    """The newest reading of every slow channel of the rig file."""

    def __init__(self, rig: Rig, hello: Hello) -> None:
        """Raises WireError when the front end lacks a channel, or gives another quantity."""
        self._channels = rig.slow
        self._from_front_end: dict[int, tuple[SlowChannel, Scale]] = {}
        self._by_name: dict[str, tuple[SlowChannel, Scale]] = {}
        self.readings: dict[str, Reading] = {}  # replaced, never changed: Measured shares it
        table = [channel for channel in hello.channels if channel.kind == ChannelKind.SLOW]
        place_of = {channel.name: place for place, channel in enumerate(table)}
        for channel in rig.slow:
            scale = scale_of(channel.unit)
            self._by_name[channel.name] = (channel, scale)
            self.readings[channel.name] = missing(scale.unit, 0.0)
            if channel.topic:
                continue
            place = place_of.get(channel.name)
            if place is None:
                offered = ", ".join(place_of) or "none"
                raise WireError(
                    say("front-end-has-no-slow-channel", channel=channel.name, offered=offered),
                    say("correct-name-in-rig-file-or-give"),
                )
            self._from_front_end[place] = (channel, _sent_scale(channel, table[place].unit, scale))

    def take(self, frame: Slow, time_s: float) -> None:
        """Values of one frame at device time; channels the rig file leaves out are ignored."""
        fresh: dict[str, Reading] = {}
        for place, value in frame.values:
            entry = self._from_front_end.get(place)
            if entry is not None:
                fresh[entry[0].name] = _reading(value, entry[1], time_s)
        if fresh:
            self.readings = {**self.readings, **fresh}

    def feed(self, name: str, value: float, time_s: float) -> None:
        """A value from outside, in the rig file's unit. Raises Refused for an unknown name."""
        entry = self._by_name.get(name)
        if entry is None:
            raise Refused(
                say("rig-has-no-slow-channel", name=name),
                say("describe-it-in-rig-file-under"),
                "unknown-channel",
            )
        self.readings = {**self.readings, name: _reading(value, entry[1], time_s)}

    def age(self, now_s: float) -> None:
        """Downgrade what has been silent for too long."""
        changed: dict[str, Reading] = {}
        for channel in self._channels:
            reading = self.readings[channel.name]
            if reading.quality is Quality.MISSING:
                continue
            age = now_s - reading.time_s
            if age > GONE_AFTER * channel.max_age_s:
                changed[channel.name] = missing(reading.unit, reading.time_s)
            elif age > channel.max_age_s and reading.quality is Quality.GOOD:
                changed[channel.name] = Reading(
                    reading.value, reading.unit, reading.time_s, Quality.AGING, reading.sigma
                )
        if changed:
            self.readings = {**self.readings, **changed}


def _sent_scale(channel: SlowChannel, unit: str, scale: Scale) -> Scale:
    """The front end's own unit, when it names the same quantity as the rig file."""
    if not unit:
        return scale
    try:
        sent = scale_of(unit)
    except RigError:
        sent = None
    if sent is None or sent.unit is not scale.unit:
        raise WireError(
            say("slow-channel-in-two-units", channel=channel.name, unit=channel.unit, sent=unit),
            say("make-both-name-same-quantity"),
        )
    return sent


def _reading(value: float, scale: Scale, time_s: float) -> Reading:
    told = value * scale.factor + scale.offset
    if not math.isfinite(told):
        return missing(scale.unit, time_s)
    return Reading(told, scale.unit, time_s, Quality.GOOD)
