"""Engine speed, overall ratio and tyre slip.

Data flow: pickup wheel, slow channel, or roll speed times the learned ratio -> engine speed, with
the name of its source; engine speed over roll speed -> overall ratio; its drift and the difference
between roll sets -> slip. Pure functions and one small struct; the chain keeps the state.
"""

from __future__ import annotations

import math

import msgspec

from daq.readings import Quality, Reading, Unit, missing

MIN_ROLL_MPS = 2.0  # below it a ratio means little
PICKUP, CHANNEL, RATIO, NONE = "pickup", "channel", "ratio", ""


class LearnedRatio(msgspec.Struct, frozen=True, gc=False):
    """Engine rad/s per roll m/s in the locked gear at light load, with standard uncertainty."""

    per_metre: float
    sigma: float = float("nan")


def from_ratio(roll_speed: Reading, ratio: float) -> Reading:
    """Engine speed by the learned ratio; true only while that gear is locked and no tyre slips."""
    if not math.isfinite(ratio) or ratio <= 0.0 or roll_speed.quality is Quality.MISSING:
        return missing(Unit.RADIAN_PER_SECOND, roll_speed.time_s)
    return Reading(
        roll_speed.value * ratio,
        Unit.RADIAN_PER_SECOND,
        roll_speed.time_s,
        roll_speed.quality,
        roll_speed.sigma * ratio,
    )


def overall_ratio(engine: Reading, roll_speed: Reading) -> Reading:
    """Engine rad/s per roll m/s as measured now; missing while the rolls crawl."""
    usable = (
        engine.quality is not Quality.MISSING
        and roll_speed.quality is not Quality.MISSING
        and roll_speed.value >= MIN_ROLL_MPS
    )
    if not usable:
        return missing(Unit.PER_METRE, roll_speed.time_s)
    value = engine.value / roll_speed.value
    relative = math.hypot(
        engine.sigma / engine.value if engine.value > 0.0 else 0.0,
        roll_speed.sigma / roll_speed.value,
    )
    quality = Quality.GOOD
    if engine.quality is not Quality.GOOD or roll_speed.quality is not Quality.GOOD:
        quality = Quality.SUSPECT
    return Reading(value, Unit.PER_METRE, roll_speed.time_s, quality, abs(value) * relative)


def slip(now: Reading, learned: float) -> Reading:
    """Change of slip since the ratio was learned: 1 - learned / now, positive when tyres lag."""
    if now.quality is Quality.MISSING or not math.isfinite(learned) or learned <= 0.0:
        return missing(Unit.RATIO, now.time_s)
    return Reading(
        1.0 - learned / now.value, Unit.RATIO, now.time_s, now.quality, now.sigma / now.value
    )
