"""Engine speed, overall ratio and tyre slip.

Data flow: pickup wheel, slow channel, or roll speed times the learned ratio -> engine speed, with
the name of its source; engine speed over roll speed -> overall ratio; its change since it was
learned, and the difference between roll sets -> slip.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from daq.errors import Refused
from daq.measure.speed.estimator import AGE, LOST, SPEED, SPEED_SD, STATUS, UNKNOWN
from daq.readings import Quality, Reading, Unit, missing
from daq.rig.description import EngineSpeedSource
from daq.texts.message import say

MIN_ROLL_MPS = 2.0  # below it a ratio means little
PICKUP, CHANNEL, RATIO, NONE = "pickup", "channel", "ratio", ""
LEARN_S = 1.0  # a ratio is learned over this long
LEARN_FRAMES = 100  # at least
SURE = 0.02  # a ratio less certain than this (relative) does not count
LEARN_SPREAD = 0.01  # relative standard deviation allowed while learning

_RADPS, _PER_METRE, _ONE = Unit.RADIAN_PER_SECOND, Unit.PER_METRE, Unit.RATIO
_GOOD, _MISSING = Quality.GOOD, Quality.MISSING
_NO_RATIO, _NO_SLIP = missing(_PER_METRE, 0.0), missing(_ONE, 0.0)


class Speeds(NamedTuple):
    """Engine and driveline as seen at one frame."""

    engine: Reading  # rad/s
    source: str
    ratio: Reading  # 1/m: engine rad/s per roll m/s, measured now
    slip: Reading  # 1: change of slip since the ratio was learned, positive: tyres lag the engine
    difference: Reading  # 1: fastest over slowest running roll set, less one


class EngineSpeed:
    """Keeps the learned ratio and a second of measured ratios."""

    def __init__(self, engine: EngineSpeedSource) -> None:
        self._channel = engine.slow_channel
        self.learned_ratio = float("nan")
        self._mean = 0.0
        self._square = 0.0
        self._weight = 0.0
        self._frames = 0
        self._last_s = float("nan")

    def update(
        self,
        pickup: list[float] | None,
        rolls: list[Reading],
        slow: dict[str, Reading],
        now_s: float,
        time_s: float,
    ) -> Speeds:
        """`pickup` is the wheel row of an engine pickup (estimator), `time_s` the rolls' time."""
        driven = rolls[0]
        slowest = math.inf
        for speed in rolls:
            if speed.value > driven.value or driven.value != driven.value:
                driven = speed
            if MIN_ROLL_MPS < speed.value < slowest:
                slowest = speed.value
        engine = _from_pickup(pickup, time_s) if pickup is not None else None
        source = PICKUP
        if engine is None and self._channel:
            reading = slow.get(self._channel)
            if reading is not None and reading.quality is not _MISSING:
                engine, source = reading, CHANNEL
        running = driven.value >= MIN_ROLL_MPS
        ratio, slip = _NO_RATIO, _NO_SLIP
        if engine is None:
            if math.isfinite(self.learned_ratio):
                engine, source = from_ratio(driven, self.learned_ratio), RATIO
            else:
                engine, source = missing(_RADPS, now_s), NONE
        elif running:
            ratio = _ratio(engine, driven)
            if ratio.quality is _GOOD and ratio.sigma < SURE * ratio.value:
                self._remember(ratio.value, time_s)
            if math.isfinite(self.learned_ratio):
                slip = _slip(ratio, self.learned_ratio)
        if not running or source == RATIO:
            self._weight = 0.0
            self._frames = 0
        if slowest < math.inf and len(rolls) > 1:
            difference = Reading(driven.value / slowest - 1.0, _ONE, time_s, driven.quality)
        else:
            difference = _NO_SLIP
        return Speeds(engine, source, ratio, slip, difference)

    def _remember(self, ratio: float, time_s: float) -> None:
        """Exponential mean and spread over about a second."""
        dt = time_s - self._last_s
        self._last_s = time_s
        if self._weight == 0.0 or not 0.0 < dt < LEARN_S:
            self._mean, self._square, self._weight, self._frames = ratio, 0.0, 1.0, 1
            return
        share = max(dt / LEARN_S, 1.0 / (self._frames + 1))
        step = ratio - self._mean
        self._mean += share * step
        self._square = (1.0 - share) * (self._square + share * step * step)
        self._frames += 1

    def learn(self) -> float:
        """Take the mean ratio of about the last second, and return it. Raises Refused."""
        if self._frames < LEARN_FRAMES:
            raise Refused(
                say("there-is-no-engine-speed-of"),
                say("connect-pickup-or-channel-lock-gear", min_roll_mps=MIN_ROLL_MPS),
                "ratio-not-measured",
            )
        if math.sqrt(self._square) > LEARN_SPREAD * abs(self._mean) or self._mean <= 0.0:
            raise Refused(
                say("ratio-of-engine-to-roll-speed"),
                say("lock-gear-and-converter-hold-steady"),
                "ratio-not-steady",
            )
        self.learned_ratio = self._mean
        return self._mean


def _from_pickup(row: list[float], time_s: float) -> Reading | None:
    if row[AGE] > 1e8 or row[STATUS] == LOST or row[STATUS] == UNKNOWN:
        return None
    return Reading(row[SPEED], _RADPS, time_s, _GOOD, row[SPEED_SD])


def _ratio(engine: Reading, roll: Reading) -> Reading:
    value = engine.value / roll.value
    own = engine.sigma if math.isfinite(engine.sigma) else 0.0  # slow channels state none
    sigma = math.sqrt(own**2 + (value * roll.sigma) ** 2) / roll.value
    quality = engine.quality if engine.quality is not _GOOD else roll.quality
    return Reading(value, _PER_METRE, roll.time_s, quality, sigma)


def from_ratio(roll_speed: Reading, ratio: float) -> Reading:
    """Engine speed by the learned ratio; true only while that gear is locked and no tyre slips."""
    if not math.isfinite(ratio) or ratio <= 0.0 or roll_speed.quality is _MISSING:
        return missing(_RADPS, roll_speed.time_s)
    return Reading(
        roll_speed.value * ratio,
        _RADPS,
        roll_speed.time_s,
        roll_speed.quality,
        roll_speed.sigma * ratio,
    )


def _slip(now: Reading, learned: float) -> Reading:
    """1 - learned / now: zero at the load of learning, positive when tyres lag more than then."""
    if now.quality is _MISSING or not math.isfinite(learned) or learned <= 0.0:
        return missing(_ONE, now.time_s)
    if now.value <= 0.0:
        return missing(_ONE, now.time_s)
    return Reading(1.0 - learned / now.value, _ONE, now.time_s, now.quality, now.sigma / now.value)
