"""What an absorber has been through: hours, energy, heat, and when it is due for a look.

Data flow: control.thermal.manager adds each interval of work -> `AbsorberUsage` in the memory ->
`due` compares with the service thresholds of the rig file -> notes for people. Times are sums of
seconds; a run is named by its id, which begins with its date.
"""

from __future__ import annotations

import msgspec

from daq.rig.description import Absorber
from daq.texts.message import Text, say

HOTTEST_KEPT = 5
CAPACITY_KEPT = 200
TREND_LEAST = 6  # points before a trend is told


class PeakTemperature(msgspec.Struct, frozen=True):
    """The hottest moment of one run ("" when no run was on)."""

    rim_k: float
    run_id: str


class CapacityPoint(msgspec.Struct, frozen=True):
    """Torque found in one run, as a share of the described map, corrected for temperature."""

    run_id: str
    gain: float


class AbsorberUsage(msgspec.Struct, frozen=True):
    """Sums over the absorber's life as far as this project has seen it."""

    turning_s: float = 0.0
    loaded_s: float = 0.0
    energy_j: float = 0.0
    above_warn_s: float = 0.0
    above_limit_s: float = 0.0
    hottest: tuple[PeakTemperature, ...] = ()  # hottest first, one per run
    capacity: tuple[CapacityPoint, ...] = ()  # oldest first


def with_hot_moment(life: AbsorberUsage, rim_k: float, run_id: str) -> AbsorberUsage:
    """The life with this temperature noted, when it is among the hottest."""
    kept = life.hottest
    same = next((moment for moment in kept if moment.run_id == run_id), None)
    if same is not None:
        if rim_k <= same.rim_k:
            return life
        kept = tuple(moment for moment in kept if moment.run_id != run_id)
    elif len(kept) >= HOTTEST_KEPT and rim_k <= kept[-1].rim_k:
        return life
    ordered = sorted((*kept, PeakTemperature(rim_k, run_id)), key=lambda moment: -moment.rim_k)
    return msgspec.structs.replace(life, hottest=tuple(ordered[:HOTTEST_KEPT]))


def with_capacity(life: AbsorberUsage, run_id: str, gain: float) -> AbsorberUsage:
    """The life with what one run found about the torque."""
    points = (*life.capacity, CapacityPoint(run_id, gain))[-CAPACITY_KEPT:]
    return msgspec.structs.replace(life, capacity=points)


def day_of(run_id: str) -> int | None:
    """Days since 1970-03-01 of the date a run id begins with (YYYYMMDD), None without one."""
    digits = run_id[:8]
    if len(digits) < 8 or not digits.isdecimal():
        return None
    year, month, day = int(digits[:4]), int(digits[4:6]), int(digits[6:])
    if not (1 <= month <= 12 and 1 <= day <= 31):
        return None
    # March-based civil calendar: leap days fall at the end of the year.
    year -= month <= 2
    of_year = (153 * ((month + 9) % 12) + 2) // 5 + day - 1
    return 365 * year + year // 4 - year // 100 + year // 400 + of_year - 719528


class Trend(msgspec.Struct, frozen=True):
    """Capacity over time: least squares through what the runs found."""

    points: int
    days: float
    first: float  # share of the described map at the first point, by the line
    last: float
    per_year: float  # change of that share per year
    per_year_sigma: float  # standard uncertainty of it


def capacity_trend(life: AbsorberUsage) -> Trend | None:
    """Line through the capacity found over the months; None before there is enough."""
    pairs = [
        (float(day), point.gain)
        for point in life.capacity
        if (day := day_of(point.run_id)) is not None
    ]
    count = len(pairs)
    if count < TREND_LEAST:
        return None
    mean_day = sum(day for day, _ in pairs) / count
    mean = sum(gain for _, gain in pairs) / count
    square = sum((day - mean_day) ** 2 for day, _ in pairs)
    if square <= 0.0:
        return None
    slope = sum((day - mean_day) * (gain - mean) for day, gain in pairs) / square
    rest = sum((gain - mean - slope * (day - mean_day)) ** 2 for day, gain in pairs)
    sigma = (rest / (count - 2) / square) ** 0.5
    first, last = pairs[0][0], pairs[-1][0]
    return Trend(
        count, last - first, mean + slope * (first - mean_day), mean + slope * (last - mean_day),
        slope * 365.25, sigma * 365.25,
    )  # fmt: skip


def due(absorber: Absorber, life: AbsorberUsage) -> tuple[Text, ...]:
    """Notes about maintenance, in words; empty when nothing is due.

    Thresholds come from the rig file (the absorber's maker knows them); 0 means not watched.
    """
    service = absorber.heat.service
    notes: list[Text] = []
    hours = life.turning_s / 3600.0 - service.done_at_h
    if service.every_h and hours >= service.every_h:
        notes.append(
            say(
                "service-due-by-hours",
                absorber=absorber.name,
                turned_h=hours,
                every_h=service.every_h,
            )
        )
    gigajoule = life.energy_j / 1e9 - service.done_at_gj
    if service.every_gj and gigajoule >= service.every_gj:
        notes.append(
            say(
                "service-due-by-energy",
                absorber=absorber.name,
                absorbed_gj=gigajoule,
                every_gj=service.every_gj,
            )
        )
    if service.warm_h and life.above_warn_s / 3600.0 >= service.warm_h:
        notes.append(
            say("hours-above-warning", absorber=absorber.name, warm_h=life.above_warn_s / 3600.0)
        )
    if life.above_limit_s > 0.0:
        notes.append(
            say("time-above-limit", absorber=absorber.name, above_limit_s=life.above_limit_s)
        )
    trend = capacity_trend(life)
    if service.fade and trend is not None:
        lost = trend.first - trend.last
        if lost >= service.fade and -trend.per_year > 2.0 * trend.per_year_sigma:
            notes.append(
                say("torque-has-faded", absorber=absorber.name, lost=lost, days=trend.days)
            )
    return tuple(notes)
