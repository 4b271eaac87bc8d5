"""Two quick verifications: a shunt across a load cell's bridge, and one short coast a day.

Data flow: three readings of a cell, or one recorded coast of free rolls -> Proof. Neither
calibrates: they say within minutes that what was calibrated still holds.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import msgspec
import numpy as np

from daq.errors import Refused
from daq.measure.force.zero import drift_limit_n
from daq.proving.record import (
    DAILY,
    DAILY_OFF,
    SHUNT,
    SHUNT_OFF,
    JudgedValue,
    Proof,
    absorber_named,
    proof_of,
)
from daq.proving.runs import Track, coasting
from daq.proving.verification import mean_coastdown_force, relative_error
from daq.rig.description import Rig
from daq.texts.message import say

SHUNT_RELATIVE = 0.005  # common practice, no source
LEAST_SHUNT_SHARE = 0.02  # of full scale: a smaller step says little
COAST_SHARE, COAST_N = 0.01, 9.8  # 1066.275 by the limits of 1066.270, vehicles to 20,000 lb
LONGEST_S = 180.0


def shunt_signal(bridge_ohm: float, shunt_ohm: float) -> float:
    """mV/V that a resistor across one arm of a bridge of four equal arms makes.

    R / (4 Rs + 2 R), the exact divider. Raises Refused for resistors that cannot be.
    """
    if not (bridge_ohm > 0.0 and shunt_ohm > bridge_ohm):
        raise Refused(
            say("shunt-resistors-cannot-be", bridge=bridge_ohm, shunt=shunt_ohm),
            say("give-bridge-and-a-larger-shunt"),
            "shunt",
        )
    return 1e3 * bridge_ohm / (4.0 * shunt_ohm + 2.0 * bridge_ohm)


def of_shunt(
    rig: Rig, name: str, expected_mv_per_v: float, read_n: tuple[float, float, float], today: date
) -> Proof:
    """A shunt check of a cell. `read_n`: cell force without, with, and without the shunt again.

    Raises Refused when the rig has no such absorber, or the step is too small to say anything.
    """
    cell = absorber_named(rig, name).cell
    before, with_it, after = read_n
    if not abs(expected_mv_per_v) >= LEAST_SHUNT_SHARE * cell.full_scale_mv_per_v:
        raise Refused(
            say("shunt-step-too-small", signal=expected_mv_per_v),
            say("use-a-smaller-shunt-resistor"),
            "shunt",
        )
    step = abs(with_it - 0.5 * (before + after)) / cell.newton_per_mv_per_v
    figures = [
        JudgedValue("shunt step", step, "mV/V"),
        JudgedValue(SHUNT_OFF, relative_error(step, abs(expected_mv_per_v)), "1",
                    SHUNT_RELATIVE, "common practice, no source"),
        JudgedValue("reading after, from before", after - before, "N", drift_limit_n(cell),
                    "the cell's own drift and noise"),
    ]  # fmt: skip
    return proof_of(SHUNT, name, today, figures, {}, (), "read on the running rig")


class DailyCoast(msgspec.Struct, frozen=True):
    """One roll set's coast: what slowed it down, and what the rig file says should have."""

    force_n: float  # base inertia times the mean deceleration
    stated_n: float  # mean of absorber force and stated loss over the same time
    seconds: float
    from_mps: float
    to_mps: float


def daily_coasts(track: Track, rig: Rig) -> dict[str, DailyCoast]:
    """The coast of every roll set. Raises Refused without one."""
    found = {}
    for place, roll_set in enumerate(rig.roll_sets):
        begin, end = coasting(track, place)
        rows = slice(begin, end + 1)
        time, speed = track.time_s[rows], track.speed_mps[place, rows]
        seconds = float(time[-1] - time[0])
        a, b, c = roll_set.loss_n
        stated = a + speed * (b + speed * c) + track.force_n[place, rows]
        found[roll_set.name] = DailyCoast(
            mean_coastdown_force(
                roll_set.base_inertia_kg, float(speed[0]), float(speed[-1]), seconds
            ),
            float(np.trapezoid(stated, time)) / seconds,
            seconds,
            float(speed[0]),
            float(speed[-1]),
        )
    return found


def of_daily(rig: Rig, found: Mapping[str, DailyCoast], today: date, basis: str) -> list[Proof]:
    """The readiness of each roll set; 40 CFR 1066.275 with the limits of 1066.270."""
    proofs = []
    for roll_set in rig.roll_sets:
        one = found.get(roll_set.name)
        if one is None:
            continue
        off = one.force_n - one.stated_n
        figures = [
            JudgedValue("mean force that slowed it", one.force_n, "N"),
            JudgedValue(DAILY_OFF, off, "N",
                        max(COAST_SHARE * abs(one.stated_n), COAST_N),
                        "40 CFR 1066.275: 1 % or 9.8 N"),
            JudgedValue("seconds of the coast", one.seconds, "s", LONGEST_S, "a quick check"),
            JudgedValue("from", one.from_mps, "m/s"),
            JudgedValue("to", one.to_mps, "m/s"),
        ]  # fmt: skip
        notes = []
        if abs(off) > figures[1].limit:  # type: ignore[operator]
            notes.append(
                "cold bearings brake more: warm up, repeat up to twice, then look at cell, arm and "
                "loss curve"
            )
        proofs.append(proof_of(DAILY, roll_set.name, today, figures, {}, notes, basis))
    return proofs
