"""What is likely wrong with a rig, from its proofs taken together.

Data flow: Rig and Proving (today's proofs and those before) -> `diagnose` -> causes, each with the
figures that speak for it, what else would look the same, and what to do next. Pure; no proof, no
cause. A cause that explains another finding keeps it from being named again: a wrong number of
teeth also shifts the inertia, a wrong arm too.

Figures are compared by their standard uncertainties; `SIGMAS` of them count as a finding, so that
some forty comparisons of a healthy rig stay quiet.
"""

from __future__ import annotations

import math

import numpy as np

from daq.proving.causes import Cause, CauseKind
from daq.proving.record import (
    ARM_SHARE,
    ARM_STATED,
    DAILY,
    DAILY_OFF,
    DEAD_WEIGHT,
    DELAY,
    DELAY_LEFT,
    DELAY_LIMIT_S,
    DIAMETER,
    INERTIA,
    LOCAL_G,
    LOSS,
    OFF,
    RUN_OUT,
    RUN_OUT_MOVED,
    SEEN_BY,
    SHUNT,
    SHUNT_OFF,
    SIGMA,
    SLOPE_CHANGE,
    SLOPE_SIGMA,
    SLOPE_STATED_SIGMA,
    SLOWS,
    TEETH_SEEN,
    TEETH_STATED,
    WARMED,
    WIRING,
    ZERO,
    ZERO_COUNT,
    Proof,
    Proving,
)
from daq.proving.verification import BASE_INERTIA_MEAN
from daq.rig.description import Absorber, Rig, RollSet
from daq.rig.gravity import local_gravity
from daq.texts.message import Text, say

SIGMAS = 4.0
SHARED_SIGMA = 2.5e-4  # of slopes: weights, calibration arm and level, the same for all cells
CLEAN_SHUNT = 0.002  # common practice, no source: converters and resistors agree far better
LEAST_SHARE = 0.001  # of a slope: less is not worth a look
FEWEST_CELLS = 3  # fewer cells do not show what they have in common
SEAT_OF_LOAD = 0.5  # of the load: the cell, or roll set, that shows more has it
DRIFT_SIGMAS, DRIFT_SHARE = 6.0, 5e-4  # of zero_sigma_n, of capacity, within one day
G_RANGE = (9.7803, 9.8322)  # equator and pole at sea level, 40 CFR 1065.630


class _Record:
    """Proofs by kind and subject, newest last."""

    def __init__(self, proving: Proving) -> None:
        self._by: dict[tuple[str, str], list[Proof]] = {}
        for proof in proving.proofs:
            self._by.setdefault((proof.kind, proof.subject), []).append(proof)

    def all(self, kind: str, subject: str) -> list[Proof]:
        return self._by.get((kind, subject), [])

    def newest(self, kind: str, subject: str) -> Proof | None:
        proofs = self.all(kind, subject)
        return proofs[-1] if proofs else None

    def figure(self, kind: str, subject: str, name: str) -> float:
        proof = self.newest(kind, subject)
        return proof.figure(name) if proof is not None else math.nan


def diagnose(rig: Rig, proving: Proving) -> tuple[Cause, ...]:
    """The likely causes of what the newest proofs show, the most certain first."""
    record = _Record(proving)
    wiring, miswired = _wiring(rig, record)
    teeth = [cause for roll_set in rig.roll_sets for cause in _teeth(roll_set, record)]
    miscounted = {one.subject for one in teeth}
    force, errors = _force(rig, record, miswired)
    found = [*wiring, *teeth, *force]
    for absorber in rig.absorbers:
        found += _drift(absorber, record)
    for roll_set in rig.roll_sets:
        cells = rig.absorbers_of(roll_set.name)
        disturbed = any(one.name in miswired for one in cells) or roll_set.name in miscounted
        found += _loose(roll_set, record)
        found += _cold(roll_set, record)
        if not disturbed:
            mean = float(np.mean([errors.get(one.name, 0.0) for one in cells]))
            found += _inertia(roll_set, record, mean, all(one.name in errors for one in cells))
            found += _delay(roll_set, record)
    return tuple(found)


# --- wiring and wheels ---------------------------------------------------------------------------


def _wiring(rig: Rig, record: _Record) -> tuple[list[Cause], set[str]]:
    """Cells that show another absorber's load, or their own the wrong way round."""
    shows: dict[str, str] = {}
    brakes: dict[str, str] = {}
    turned: list[str] = []
    for absorber in rig.absorbers:
        proof = record.newest(WIRING, absorber.name)
        if proof is None:
            continue
        seen = {one.name: proof.figure(f"{SEEN_BY}{one.name}") for one in rig.absorbers}
        slowed = {one.name: proof.figure(f"{SLOWS}{one.name}") for one in rig.roll_sets}
        most = max(seen, key=lambda name: abs(seen[name]))
        if abs(seen[most]) < SEAT_OF_LOAD:
            continue
        brakes[absorber.name] = max(slowed, key=lambda name: slowed[name])
        if most != absorber.name:
            shows[absorber.name] = most
        elif seen[most] < 0.0:
            turned.append(absorber.name)
    sets = {one.name: one.roll_set for one in rig.absorbers}
    causes = []
    done: set[str] = set()
    for one, other in shows.items():
        if one in done:
            continue
        done |= {one, other}
        outputs = brakes[one] != sets[one]
        same = sets[one] == sets[other]
        doubt = say("swapped-outputs") if outputs else say("swapped-cells")
        if same:
            doubt = say("swapped-cells-or-outputs")
        causes.append(
            Cause(
                CauseKind.SWAPPED_CELLS, f"{one}, {other}",
                say("cause-swapped", one=one, other=other, roll_set=brakes[one]),
                say("next-swapped", doubt=doubt),
            )
        )  # fmt: skip
    causes += [
        Cause(CauseKind.REVERSED_CELL, one, say("cause-reversed", one=one), say("next-reversed"))
        for one in turned
    ]
    return causes, {*shows, *shows.values(), *turned}


def _teeth(roll_set: RollSet, record: _Record) -> list[Cause]:
    seen = record.figure(RUN_OUT, roll_set.name, TEETH_SEEN)
    stated = record.figure(RUN_OUT, roll_set.name, TEETH_STATED)
    if math.isnan(seen) or seen in (stated, roll_set.teeth):
        return []
    share = abs(seen / stated - 1.0)
    return [
        Cause(
            CauseKind.TEETH, roll_set.name,
            say("cause-teeth", roll_set=roll_set.name, seen=seen, stated=stated, share=share),
            say("next-teeth", seen=seen),
        )
    ]  # fmt: skip


def _loose(roll_set: RollSet, record: _Record) -> list[Cause]:
    proof = record.newest(RUN_OUT, roll_set.name)
    if proof is None:
        return []
    moved = next((one for one in proof.figures if one.name == RUN_OUT_MOVED), None)
    if moved is None or moved.passed:
        return []
    return [
        Cause(
            CauseKind.LOOSE_WHEEL, roll_set.name,
            say("cause-loose-wheel", roll_set=roll_set.name, moved_mrad=1e3 * moved.value),
            say("next-loose-wheel"),
        )
    ]  # fmt: skip


# --- forces --------------------------------------------------------------------------------------


def _drift(absorber: Absorber, record: _Record) -> list[Cause]:
    """A zero that moved between two proofs of one day."""
    cell = absorber.cell
    proofs = record.all(ZERO, absorber.name)
    if len(proofs) < 2 or proofs[-1].done != proofs[-2].done:
        return []
    per_count = cell.full_scale_mv_per_v / 2.0**23 * cell.newton_per_mv_per_v
    moved = (proofs[-1].figure(ZERO_COUNT) - proofs[-2].figure(ZERO_COUNT)) * per_count
    limit = max(DRIFT_SIGMAS * cell.zero_sigma_n, DRIFT_SHARE * cell.capacity_n)
    if abs(moved) <= limit:
        return []
    return [
        Cause(
            CauseKind.DRIFTING_CELL, absorber.name,
            say("cause-drift", absorber=absorber.name, moved_n=moved, limit_n=limit),
            say("next-drift"),
        )
    ]  # fmt: skip


def _force(rig: Rig, record: _Record, miswired: set[str]) -> tuple[list[Cause], dict[str, float]]:
    """Causes from dead weights and shunts; and by absorber how far the stated force is off."""
    causes: list[Cause] = []
    changes: dict[str, float] = {}
    sigmas: dict[str, float] = {}
    for absorber in rig.absorbers:
        proof = record.newest(DEAD_WEIGHT, absorber.name)
        if proof is None or absorber.name in miswired:
            continue
        # what counts is torque per signal: slope times the arm it was found with
        arm = proof.figure(ARM_STATED)
        if abs(arm) > ARM_SHARE:
            causes.append(_arm_stated(absorber, arm))
        arm = 0.0 if math.isnan(arm) else arm
        changes[absorber.name] = (1.0 + proof.figure(SLOPE_CHANGE)) * (1.0 + arm) - 1.0
        stated = proof.figure(SLOPE_STATED_SIGMA)
        stated = absorber.cell.relative_sigma if math.isnan(stated) else stated
        sigmas[absorber.name] = math.hypot(proof.figure(SLOPE_SIGMA), stated)
    shunts = {
        one.name: record.figure(SHUNT, one.name, SHUNT_OFF)
        for one in rig.absorbers
        if one.name not in miswired
    }
    common = reference = 0.0
    if len(changes) >= FEWEST_CELLS:
        middle = float(np.median(list(changes.values())))
        sigma = math.hypot(
            SHARED_SIGMA, 1.25 * float(np.mean(list(sigmas.values()))) / math.sqrt(len(changes))
        )
        alike = sum(abs(one - middle) < SIGMAS * sigmas[name] for name, one in changes.items())
        if abs(middle) > max(SIGMAS * sigma, LEAST_SHARE) and 2 * alike > len(changes):
            common = middle
            cause = _common(rig, common, sigma, shunts)
            if cause.kind is not CauseKind.CONVERTER_GAIN:
                reference = common  # what the cells were held against is off, not the cells
            if not _explained_by_g(rig, record, common):
                causes.append(cause)
    for absorber in rig.absorbers:
        causes += _one_cell(
            absorber, changes.get(absorber.name, math.nan) - common,
            sigmas.get(absorber.name, math.nan), shunts.get(absorber.name, math.nan),
        )  # fmt: skip
    return causes, {
        name: (1.0 + reference) / (1.0 + change) - 1.0 for name, change in changes.items()
    }


def _explained_by_g(rig: Rig, record: _Record, common: float) -> bool:
    """The former dead weights were reckoned with another g that makes just this difference."""
    for absorber in rig.absorbers:
        proofs = record.all(DEAD_WEIGHT, absorber.name)
        if len(proofs) > 1:
            ratio = proofs[-1].figure(LOCAL_G) / proofs[-2].figure(LOCAL_G) - 1.0
            if abs(ratio - common) < 0.5 * abs(common):
                return True
    return False


def _common(rig: Rig, common: float, sigma: float, shunts: dict[str, float]) -> Cause:
    """All cells are off alike: converter reference, local g, or what hung on the arm."""
    off = [one for one in shunts.values() if math.isfinite(one)]
    if off and abs(float(np.median(off)) + common) < SIGMAS * sigma:
        return Cause(
            CauseKind.CONVERTER_GAIN, "",
            say("cause-common-gain", change=common, shunt=float(np.median(off))),
            say("next-common-gain"),
        )  # fmt: skip
    altitude = rig.site.altitude_m
    stated = local_gravity(rig.site.latitude_deg, altitude)
    gravity = stated / (1.0 + common)
    slack = SIGMAS * sigma * stated
    least, most = (local_gravity(one, altitude) for one in (0.0, 90.0))
    checked = say("shunts-clean") if off else say("shunts-not-done")
    evidence = say("cause-common", change=common, checked=checked)
    if least - slack <= gravity <= most + slack:
        return Cause(
            CauseKind.LATITUDE, "", evidence,
            say("next-latitude", stated=rig.site.latitude_deg,
                found=_latitude(min(max(gravity, least), most), altitude)),
        )  # fmt: skip
    return Cause(CauseKind.WEIGHTS, "", evidence, say("next-weights"))


def _latitude(gravity: float, altitude_m: float) -> float:
    """Degrees from the equator at which g is so, by bisection."""
    low, high = 0.0, 90.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        if local_gravity(middle, altitude_m) < gravity:
            low = middle
        else:
            high = middle
    return low


def _one_cell(absorber: Absorber, change: float, sigma: float, shunt: float) -> list[Cause]:
    """A cell that differs from the others, by what the shunt across its bridge says."""
    weighed = math.isfinite(change)
    off = weighed and abs(change) > max(SIGMAS * sigma, LEAST_SHARE)
    if math.isfinite(shunt) and abs(shunt) > CLEAN_SHUNT:
        agree = not weighed or abs((1.0 + change) * (1.0 + shunt) - 1.0) < SIGMAS * sigma
        if agree:
            return [
                Cause(
                    CauseKind.CONVERTER_GAIN, absorber.name,
                    say("cause-gain", absorber=absorber.name, shunt=shunt,
                        weights=say("weights-agree", change=change) if weighed
                        else say("weights-not-done")),
                    say("next-gain"),
                )
            ]  # fmt: skip
        if not off:
            return [
                Cause(
                    CauseKind.SHUNT_RESISTOR, absorber.name,
                    say("cause-shunt", absorber=absorber.name, shunt=shunt), say("next-shunt"),
                )
            ]  # fmt: skip
    if not off:
        return []
    checked = say("shunt-clean") if math.isfinite(shunt) else say("shunt-not-done")
    return [
        Cause(
            CauseKind.ARM, absorber.name,
            say("cause-arm", absorber=absorber.name, change=change, checked=checked),
            say("next-arm", arm=absorber.arm_m * (1.0 + change)),
        )
    ]  # fmt: skip


def _arm_stated(absorber: Absorber, off: float) -> Cause:
    return Cause(
        CauseKind.ARM, absorber.name,
        say("cause-arm-stated", absorber=absorber.name, off=off),
        say("next-arm-stated", arm=absorber.arm_m * (1.0 + off)),
    )  # fmt: skip


# --- motion --------------------------------------------------------------------------------------


def _inertia(roll_set: RollSet, record: _Record, error: float, weighed: bool) -> list[Cause]:
    """Inertia that forces and diameter, where they were looked at, do not explain."""
    name = roll_set.name
    off, sigma = record.figure(INERTIA, name, OFF), record.figure(INERTIA, name, SIGMA)
    if math.isnan(off):
        return []
    radius = record.figure(DIAMETER, name, OFF)
    measured = math.isfinite(radius)
    explained = (1.0 + error) * (1.0 + (radius if measured else 0.0)) ** 2 - 1.0
    left = off - explained
    total = math.hypot(sigma, roll_set.base_inertia_sigma_kg / roll_set.base_inertia_kg)
    if abs(left) <= max(SIGMAS * total, BASE_INERTIA_MEAN):
        return []
    open_points = [] if weighed else [say("inertia-without-weights")]
    open_points += [] if measured else [say("inertia-without-diameter")]
    doubt: Text = open_points[0] if open_points else say("inertia-alone")
    if len(open_points) > 1:
        doubt = say("inertia-without-either")
    return [
        Cause(
            CauseKind.INERTIA, name,
            say("cause-inertia", roll_set=name, off=left, doubt=doubt), say("next-inertia"),
        )
    ]  # fmt: skip


def _cold(roll_set: RollSet, record: _Record) -> list[Cause]:
    """Losses that fall from coast to coast, within one evaluation or from check to check."""
    name = roll_set.name
    proof = record.newest(LOSS, name)
    warmed = next((one for one in proof.figures if one.name == WARMED), None) if proof else None
    fell = -warmed.value if warmed is not None and not warmed.passed else 0.0
    checks = [one for one in record.all(DAILY, name) if one.figure(DAILY_OFF) > 0.0]
    if fell <= 0.0 and len(checks) > 1 and checks[-1].done == checks[-2].done:
        first, last = (one.figure(DAILY_OFF) for one in checks[-2:])
        if not checks[-2].passed and first - last > 0.2 * first:
            fell = first - last
    if fell <= 0.0:
        return []
    return [
        Cause(
            CauseKind.COLD_BEARINGS, name,
            say("cause-cold", roll_set=name, fell_n=fell), say("next-cold"),
        )
    ]  # fmt: skip


def _delay(roll_set: RollSet, record: _Record) -> list[Cause]:
    left = record.figure(DELAY, roll_set.name, DELAY_LEFT)
    sigma = record.figure(DELAY, roll_set.name, SIGMA)
    if math.isnan(left) or abs(left) <= max(DELAY_LIMIT_S, SIGMAS * sigma):
        return []
    return [
        Cause(
            CauseKind.DELAY, roll_set.name,
            say("cause-delay", roll_set=roll_set.name, left_ms=1e3 * left),
            say("next-delay", left_ms=1e3 * left),
        )
    ]  # fmt: skip
