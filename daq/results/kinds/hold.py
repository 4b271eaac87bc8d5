"""A steady hold: each set point that was held and settled, and what the truck gave meanwhile.

Data flow: Given -> the hold phases of its course, one for each set point -> figures of the last
one, a table with a row for each.
"""

from __future__ import annotations

import math
from typing import Any

import msgspec
import numpy as np

from daq.errors import Refused
from daq.results.band import (
    POWER,
    TORQUE,
    Mean,
    exact,
    figure,
    mean_of,
    plain_mean,
    scaled,
    seconds,
    share_of,
    spread_of,
    uncertainty,
)
from daq.results.course import Phase, SetPointChange
from daq.results.given import Floats, Given, Mask
from daq.results.kinds.found import (
    ROLL_SPEED,
    KindResult,
    applied,
    headline,
    over_time,
    with_corrected,
)
from daq.results.result import CorrectionOut, Figure, Flag
from daq.texts.message import amount, say

FEWEST_ROWS = 3
LABELS = {
    "rpm": "engine speed", "speed": ROLL_SPEED, "force": "absorber force", "power": "absorbed power"
}  # fmt: skip


class Held(msgspec.Struct, eq=False):
    """One set point and the rows at which it was held."""

    asked: SetPointChange
    rows: Mask
    values: Floats  # what was held, over the run
    begin_s: float
    end_s: float

    @property
    def label(self) -> str:
        return LABELS[self.asked.quantity]


def hold(given: Given, correction: CorrectionOut) -> KindResult:
    """Each settled part. Raises Refused when none is there."""
    parts, unsettled = _parts(given)
    if not parts:
        _refuse(given)
    last = parts[-1]
    level = given.settings.level
    power, sources = mean_of(given, "power", last.rows)
    figures = _figures(given, last, power, correction)
    rows = np.zeros(given.time_s.shape, dtype=bool)
    for one in parts:
        rows |= one.rows
    table = [_row(given, one, number, correction) for number, one in enumerate(parts, start=1)]
    flags = [
        Flag("part-unsettled",
             say("set-point-was-not-held-for", value=amount(one.value, one.unit)), begin_s, end_s)
        for one, begin_s, end_s in unsettled
    ]  # fmt: skip
    if len(parts) > 1:
        flags.append(
            Flag("parts", say("set-points-were-held-one-after", count=len(parts)))
        )  # fmt: skip
    shown, factor, factor_sigma = power, 1.0, 0.0
    main = headline("mean_power", correction)
    if main != "mean_power":
        factor, factor_sigma = correction.factor, correction.sigma
        shown = scaled(power, factor, factor_sigma)
    return KindResult(
        "", rows, main, figures, table if len(parts) > 1 else [],
        curves=[over_time(given, "held", last.label, last.asked.unit, last.values),
                over_time(given, "power", POWER, "W", given.of("power_w"))],
        flags=flags,
        uncertainty=uncertainty(f"mean {POWER}", "W", shown, sources, level, factor, factor_sigma),
        limits=[say("hold-says-what-truck-gave-at")],
        gear_locked=len(parts) == 1 or len({one.asked.quantity for one in parts}) == 1,
    )  # fmt: skip


def _parts(given: Given) -> tuple[list[Held], list[tuple[SetPointChange, float, float]]]:
    """What was held and settled; and set points that never settled, with when."""
    settle_s = given.settings.settle_s
    found: list[Held] = []
    unsettled: list[tuple[SetPointChange, float, float]] = []
    arrived_s = 0.0
    waiting: Phase | None = None
    for phase in given.course.named("take-up", "settle", "hold"):
        if phase.name == "settle":
            arrived_s = phase.begin_s
        if phase.name != "hold":
            waiting = phase if waiting is None or phase.name == "take-up" else waiting
            continue
        waiting = None
        asked = given.course.asked_at(phase.begin_s, *LABELS)
        if asked is None:
            continue
        begin_s = phase.begin_s if settle_s is None else arrived_s + settle_s
        rows = (given.time_s > begin_s) & (given.time_s <= phase.end_s)
        if rows.sum() >= FEWEST_ROWS:
            values = held_values(given, asked.quantity)
            found.append(Held(asked, rows, values, begin_s, phase.end_s))
    if waiting is not None and found:
        asked = given.course.asked_at(waiting.begin_s, *LABELS)
        if asked is not None:
            unsettled.append((asked, waiting.begin_s, given.course.phases[-1].end_s))
    return found, unsettled


def _refuse(given: Given) -> None:
    if given.course.named("settle", "hold"):
        raise Refused(say("hold-ended-before-had-settled"), say("hold-longer"), "not-settled")
    raise Refused(
        say("what-was-be-held-was-never"),
        say("choose-set-point-truck-reaches-in"),
        "not-reached",
    )


def held_values(given: Given, quantity: str) -> Floats:
    """Over the run, in SI, what a hold of that quantity holds."""
    if quantity == "rpm":
        return given.of("engine_speed_radps")
    if quantity == "speed":
        return given.speed()
    newton, watts = given.absorbed()
    return newton if quantity == "force" else watts


def _figures(given: Given, one: Held, power: Mean, correction: CorrectionOut) -> list[Figure]:
    level, step_s = given.settings.level, given.step_s
    rows = one.rows
    told = with_corrected("mean_power", f"Mean {POWER}", "W", power, level, correction)
    told.append(spread_of("std_power", f"Spread of {POWER}", given.of("power_w")[rows], "W", level))
    if np.isfinite(given.of("torque_nm")[rows]).any():
        torque = mean_of(given, "torque", rows)[0]
        told += with_corrected("mean_torque", f"Mean {TORQUE}", "N.m", torque, level, correction)
    force = mean_of(given, "force", rows)[0]
    told += with_corrected("mean_force", "Mean tractive force", "N", force, level, OBSERVED)
    quantity, unit = one.asked.quantity, one.asked.unit
    told.append(plain_mean(given, "mean_held", f"Mean {one.label}", quantity, one.values, rows))
    if quantity != "speed":
        told.append(
            plain_mean(given, "mean_speed", "Mean road speed", "speed", given.speed(), rows)
        )
    held = one.values[rows]
    told.append(spread_of("std_held", f"Spread of {one.label}", held, unit, level))
    told.append(
        seconds("settled", "Settled time evaluated", float(np.ptp(given.time_s[rows])), step_s)
    )
    tolerance = float((given.plan.get("tolerance") or {}).get("relative", 0.005))
    inside = np.abs(held / one.asked.value - 1.0) <= tolerance
    told += _target(given, one, power)
    told.append(share_of("in_tolerance", f"Share within {100 * tolerance:g} %", inside, level))
    return told


def _target(given: Given, one: Held, power: Mean) -> list[Figure]:
    """What the driver was to give, and how far the truck was above it; nothing without an aim.

    The aim is as the running test told it: of the last set point.
    """
    wanted = given.course.number("target_power_w")
    if not math.isfinite(wanted) or one.end_s < given.course.named("hold")[-1].end_s:
        return []
    over = Mean(power.value - wanted, power.calibration, power.noise, power.spread)
    level = given.settings.level
    return [
        exact("target_power", "Power the driver was to give", wanted, "W"),
        figure("over_target", f"{POWER[:1].upper()}{POWER[1:]} above that", "W", over, level),
    ]


def _row(given: Given, one: Held, number: int, correction: CorrectionOut) -> dict[str, Any]:
    power, _ = mean_of(given, "power", one.rows)
    told = {each.name: each for each in _figures(given, one, power, correction)}
    main = told["mean_power"]
    row: dict[str, Any] = {
        "point": number, "quantity": one.asked.quantity, "set": one.asked.value,
        "unit": one.asked.unit, "x": told["mean_held"].value, "from_s": one.begin_s,
        "to_s": one.end_s, "power_w": main.value, "low_w": main.low, "high_w": main.high,
        "force_n": told["mean_force"].value,
        "torque_nm": told["mean_torque"].value if "mean_torque" in told else None,
        "in_tolerance": told["in_tolerance"].value,
    }  # fmt: skip
    if applied(correction):
        row["corrected_w"] = told["mean_power_corrected"].value
    return row


OBSERVED = CorrectionOut("none", "", "", 1.0, 0.0, True, [], [])
