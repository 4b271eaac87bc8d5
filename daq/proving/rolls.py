"""Diameter of the rolls, and pitch and run-out of their tooth wheels.

Data flow: circumferences or a rolled distance, read by a person -> `roll_radius` -> proof with the
rig file's radius; a recording -> daq.proving.runs.Track -> the learner's table
(daq.measure.speed.tooth_errors) -> `wheel_report` -> proof. Limits: 40 CFR 1066.225.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import date

import msgspec
import numpy as np

from daq.errors import Refused
from daq.measure.speed.tooth_errors import PRIOR_SD, ToothTable
from daq.proving.record import (
    DIAMETER,
    RUN_OUT,
    RUN_OUT_MOVED,
    TEETH_SEEN,
    TEETH_STATED,
    JudgedValue,
    Proof,
    Value,
    proof_of,
)
from daq.proving.tooth_pattern import ToothPattern
from daq.proving.verification import relative_error
from daq.rig.description import Rig, RollSet
from daq.texts.message import say

DIAMETER_EVEN_M = 0.000254  # 1066.225(d): everywhere within it of the nominal diameter
ROLL_RUN_OUT_M = 0.000254  # 1066.225(c)
LEAST_PLACES = 4  # across the width, 1066.225(c)
READING_SIGMA_M = 0.00003  # of a diameter: 1066.225(d) reads to 0.01 mm, a tape is somewhat worse
FAR_OFF = 0.05  # a radius that differs by more is a slip of the pen
UNSURE_PITCH = 0.001  # of a pitch: an offset must be known so well
SEAT_RAD, SEAT_SIGMAS = 2e-4, 6.0  # a wheel that sits tight moves less in its seat
MOVED = 2e-4  # of the radius: from there on the coasts should be repeated


class RollRadius(msgspec.Struct, frozen=True):
    """Radius of one roll set from readings, with what the readings say of its evenness."""

    radius_m: float
    sigma_m: float
    uneven_m: float  # largest difference of a diameter from their mean; 0 with one reading
    places: int
    run_out_m: float = math.nan  # largest dial reading, peak to peak


def roll_radius(
    circumferences_m: Sequence[float] = (),
    *,
    distance_m: float = math.nan,
    turns: float = math.nan,
    reading_sigma_m: float = math.nan,
    dials_m: Sequence[float] = (),
) -> RollRadius:
    """Radius from circumferences across the width, or from a distance rolled in known turns.

    `reading_sigma_m`: standard uncertainty of one circumference or of the distance. `dials_m`: dial
    readings at the surface. Raises Refused when neither is there or a number cannot be.
    """
    rolled = math.isfinite(distance_m) or math.isfinite(turns)
    if bool(circumferences_m) == rolled:
        raise Refused(
            say("rolls-diameter-needs-one-kind-of"),
            say("give-circumferences-across-width-or-distance"),
            "diameter",
        )
    numbers = [*circumferences_m] if circumferences_m else [distance_m, turns]
    if not all(math.isfinite(number) and number > 0.0 for number in numbers) or not all(
        math.isfinite(dial) and dial >= 0.0 for dial in dials_m
    ):
        raise Refused(say("reading-is-not-length-above-zero"), say("read-it-again"), "diameter")
    if math.isfinite(reading_sigma_m) and reading_sigma_m <= 0.0:
        raise Refused(
            say("reading-is-never-exact"), say("give-its-standard-uncertainty"), "diameter"
        )
    run_out = max(dials_m, default=math.nan)
    around = 2.0 * math.pi
    if rolled:
        own = reading_sigma_m if math.isfinite(reading_sigma_m) else 0.001
        return RollRadius(distance_m / turns / around, own / turns / around, 0.0, 1, run_out)
    own = reading_sigma_m if math.isfinite(reading_sigma_m) else math.pi * READING_SIGMA_M
    radii = np.array(circumferences_m) / around
    count = len(radii)
    spread = float(np.std(radii, ddof=1)) / math.sqrt(count) if count > 1 else 0.0
    # One tape errs alike everywhere, so its own uncertainty does not average down.
    sigma = math.hypot(own / around, spread)
    uneven = 2.0 * float(np.max(np.abs(radii - radii.mean())))
    return RollRadius(float(radii.mean()), sigma, uneven, count, run_out)


def roll_set_named(rig: Rig, name: str) -> RollSet:
    """Raises Refused when the rig has no such roll set."""
    for roll_set in rig.roll_sets:
        if roll_set.name == name:
            return roll_set
    names = ", ".join(one.name for one in rig.roll_sets)
    raise Refused(
        say("rig-has-no-roll-set", name=name), say("use-one-of", choices=names), "unknown-rolls"
    )


def of_diameter(rig: Rig, name: str, found: RollRadius, today: date, basis: str) -> Proof:
    """Diameter of a roll set. Raises Refused when it is far from the rig file's."""
    roll_set = roll_set_named(rig, name)
    off = relative_error(found.radius_m, roll_set.roll_radius_m)
    if abs(off) > FAR_OFF:
        raise Refused(
            say(
                "diameter-is-off-rig-file", diameter_m=2.0 * found.radius_m, off_percent=100.0 * off
            ),
            say("check-readings-and-their-unit-different"),
            "diameter",
        )
    figures = [
        JudgedValue("diameter", 2.0 * found.radius_m, "m"),
        JudgedValue("standard uncertainty of the diameter", 2.0 * found.sigma_m, "m",
                    DIAMETER_EVEN_M, "40 CFR 1066.225(d): 0.254 mm"),
        JudgedValue("largest difference over the width", found.uneven_m, "m", DIAMETER_EVEN_M,
                    "40 CFR 1066.225(d): 0.254 mm"),
        JudgedValue("off the rig file's", off, "1"),
    ]  # fmt: skip
    if math.isfinite(found.run_out_m):
        figures.append(
            JudgedValue("run-out of the surface", found.run_out_m, "m", ROLL_RUN_OUT_M,
                    "40 CFR 1066.225(c): 0.254 mm")
        )  # fmt: skip
    notes = []
    if found.places < LEAST_PLACES:
        notes.append("read at fewer than four places; 1066.225 advises at least four")
    if not math.isfinite(found.run_out_m):
        notes.append("the surface's run-out was not read (1066.225(c))")
    if abs(off) > MOVED:
        notes.append("force and speed follow the radius: prove the coasts again with it in force")
    values: dict[str, Value] = {
        f"roll_sets.{name}.roll_radius_m": found.radius_m,
        f"roll_sets.{name}.roll_radius_sigma_m": found.sigma_m,
    }
    return proof_of(DIAMETER, name, today, figures, values, notes, basis)


class WheelReport(msgspec.Struct, frozen=True):
    """Errors of one tooth wheel as shares of a pitch, and what they would do to the speed."""

    sigma_pitch: float  # standard uncertainty of one tooth's place
    worst_place: float  # largest deviation of a tooth from its even place
    worst_pitch: float  # largest deviation of a pitch
    rms_pitch: float
    run_out_pitch: float  # amplitude of the part that comes once per turn
    run_out_speed: float  # relative amplitude of speed it would feign over one turn


def wheel_report(table: ToothTable) -> WheelReport:
    """What the learned table says of the wheel."""
    places = np.array(table.offsets)
    teeth = len(places)
    pitches = np.roll(places, -1) - places
    once = 2.0 / teeth * abs(complex(np.fft.fft(places)[1])) if teeth > 2 else 0.0
    return WheelReport(
        math.sqrt(table.variance),
        float(np.max(np.abs(places))),
        float(np.max(np.abs(pitches))),
        float(np.sqrt(np.mean(pitches**2))),
        once,
        once * 2.0 * math.pi / teeth,
    )


def of_run_out(
    rig: Rig,
    tables: Mapping[str, ToothTable],
    patterns: Mapping[str, ToothPattern],
    today: date,
    basis: str,
) -> list[Proof]:
    """Pitch errors, run-out and number of teeth of every wheel. Raises Refused without any."""
    proofs = []
    for roll_set in rig.roll_sets:
        table, pattern = tables.get(roll_set.name), patterns.get(roll_set.name)
        figures, notes, sound = _pattern_figures(roll_set, pattern)
        if table is not None and roll_set.teeth > 1:
            figures = _table_figures(wheel_report(table), table.blocks) + figures
        if not figures:
            continue
        notes.append("what truly moves once per turn, such as a heavy spot, is in it too")
        proofs.append(
            proof_of(RUN_OUT, roll_set.name, today, figures, {}, notes, basis, sound=sound)
        )
    if not proofs:
        raise Refused(
            say("no-tooth-wheel-turned-for-long"),
            say("record-some-ten-seconds-of-turning"),
            "run-out",
        )
    return proofs


def _pattern_figures(
    roll_set: RollSet, pattern: ToothPattern | None
) -> tuple[list[JudgedValue], list[str], bool]:
    """What the pattern says: figures, notes, and whether the stated number of teeth can be so."""
    if pattern is None or pattern.teeth == 0:
        return [], ["the wheel is too even, or turned too short, to count its teeth"], True
    figures = [
        JudgedValue(TEETH_SEEN, float(pattern.teeth), "count"),
        JudgedValue(TEETH_STATED, float(roll_set.teeth), "count"),
    ]
    if math.isfinite(pattern.moved_rad):
        limit = max(SEAT_RAD, SEAT_SIGMAS * pattern.moved_sigma_rad)
        figures.append(
            JudgedValue(RUN_OUT_MOVED, pattern.moved_rad, "rad", limit,
                        "common practice, no source: 0.02 mm at 100 mm, or six sigma")
        )  # fmt: skip
    return figures, [], pattern.teeth == roll_set.teeth


def _table_figures(report: WheelReport, blocks: int) -> list[JudgedValue]:
    return [
        JudgedValue("largest error of a pitch", report.worst_pitch, "1", PRIOR_SD,
                "common practice, no source: no usable wheel is worse"),
        JudgedValue("pitch errors, rms", report.rms_pitch, "1"),
        JudgedValue("run-out, amplitude in pitches", report.run_out_pitch, "1"),
        JudgedValue("speed it would feign within a turn", report.run_out_speed, "1"),
        JudgedValue("standard uncertainty of a tooth", report.sigma_pitch, "1", UNSURE_PITCH,
                "common practice, no source"),
        JudgedValue("blocks of whole turns learned", float(blocks), "count"),
    ]  # fmt: skip
