"""How soon the force follows a step that is asked of the supplies; 40 CFR 1066.245.

Data flow: daq.proving.runs.Track of a run in which currents were stepped (an identification, or a
coast with the load coming on and off) -> steps -> settling time of each -> proof.

Settled: no later sample leaves +-10 % of the final value. The rolls slow down meanwhile and the
force with them, so the final value is a line through the later part of each step, drawn back. Steps
to no load have no final value to be ten per cent of and are left out.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date

import msgspec
import numpy as np

from daq.errors import Refused
from daq.measure.speed.estimator import DELAY_S
from daq.proving.record import RESPONSE, JudgedValue, Proof, proof_of
from daq.proving.runs import Track
from daq.proving.verification import RESPONSE_S, settling_time
from daq.rig.description import Rig
from daq.texts.message import say

QUIET_S = 0.2  # before a step nothing changed for so long
LONGEST_S = 1.0  # of a step that is looked at
LEAST_S = 0.35
LATE_SHARE = 0.5  # of a step: the part that shows the final value
STEP_SHARE = 0.1  # of the continuous current of a roll set: less is no step
LEAST_N = 300.0  # final force of a step
CHANGE = 0.25  # of the final force: less changes nothing
LEAST_STEPS = 3


class Response(msgspec.Struct, frozen=True):
    """Settling times of the steps of one roll set, s; NaN: no step of that direction."""

    slowest_on_s: float  # the load comes on
    slowest_off_s: float  # it goes off, to some load that is left
    median_s: float
    steps: int
    largest_n: float  # final force of the largest step


def measure_response(track: Track, rig: Rig, place: int) -> Response | None:
    """Response of one roll set; None when the run has too few steps for it."""
    roll_set = rig.roll_sets[place]
    full_a = sum(one.max_current_a for one in rig.absorbers_of(roll_set.name))
    asked, force = track.asked_a[place], track.force_n[place]
    frame_s = float(np.median(np.diff(track.time_s)))
    quiet = max(2, round(QUIET_S / frame_s))
    least = STEP_SHARE * full_a
    jumps = np.flatnonzero(np.abs(np.diff(asked)) > least) + 1
    begins = [
        int(at)
        for at in jumps
        if at > quiet and float(np.ptp(asked[at - quiet : at])) < 0.5 * least
    ]
    found: list[tuple[float, float, bool]] = []  # seconds, final newton, load came on
    for number, begin in enumerate(begins):
        until = begins[number + 1] if number + 1 < len(begins) else len(asked)
        count = min(until - begin, round(LONGEST_S / frame_s))
        if count * frame_s < LEAST_S:
            continue
        # the set point was sent in answer to the frame before; forces hold DELAY_S earlier
        start_s = float(track.time_s[begin - 1]) + DELAY_S
        rows = np.arange(begin, min(begin + count + round(DELAY_S / frame_s), len(asked)))
        after = track.time_s[rows] - start_s
        kept = np.isfinite(force[rows]) & (after >= 0.0) & (after < count * frame_s)
        rows, after = rows[kept], after[kept]
        late = after > LATE_SHARE * count * frame_s
        if np.count_nonzero(late) < 10:
            continue
        slope, level = np.polyfit(after[late], force[rows][late], 1)
        final = level + slope * after
        before = float(np.mean(force[begin - quiet : begin]))
        at_end = float(final[-1])
        if at_end < LEAST_N or abs(at_end - before) < CHANGE * at_end or not np.all(final > 0.0):
            continue
        settled = settling_time(after.tolist(), (force[rows] / final).tolist(), 1.0)
        # the time counts from the asking, not from the first sample after it
        seconds = settled + float(after[0]) if settled > 0.0 else 0.0
        found.append((seconds, at_end, at_end > before))
    if len(found) < LEAST_STEPS:
        return None
    return Response(
        max((one[0] for one in found if one[2]), default=math.nan),
        max((one[0] for one in found if not one[2]), default=math.nan),
        float(np.median([one[0] for one in found])),
        len(found),
        max(one[1] for one in found),
    )


def responses(track: Track, rig: Rig) -> dict[str, Response]:
    """Response of every roll set whose load was stepped. Raises Refused when there is none."""
    found = {}
    for place, roll_set in enumerate(rig.roll_sets):
        one = measure_response(track, rig, place)
        if one is not None:
            found[roll_set.name] = one
    if not found:
        raise Refused(
            say("fewer-than-steps-of-load-are", least_steps=LEAST_STEPS),
            say("record-identification-or-coast-in-which"),
            "response",
        )
    return found


def of_response(rig: Rig, found: Mapping[str, Response], today: date, basis: str) -> list[Proof]:
    """Settling of every roll set beside 100 ms. A step that never settles counts as infinite."""
    proofs = []
    for roll_set in rig.roll_sets:
        one = found.get(roll_set.name)
        if one is None:
            continue
        source = "40 CFR 1066.245: below 100 ms"
        figures = [
            JudgedValue(
                f"slowest settling, load {way}", min(took, LONGEST_S), "s", RESPONSE_S, source
            )
            for way, took in (("coming on", one.slowest_on_s), ("going off", one.slowest_off_s))
            if not math.isnan(took)
        ] + [
            JudgedValue("median settling to 10 %", min(one.median_s, LONGEST_S), "s"),
            JudgedValue("steps", float(one.steps), "count"),
            JudgedValue("force of the largest step", one.largest_n, "N"),
        ]  # fmt: skip
        notes = ["of steps asked of the supplies; a test's own take-up is slower on purpose"]
        if math.inf in (one.slowest_on_s, one.slowest_off_s):
            notes.append("at least one step never settled")
        if one.slowest_off_s > RESPONSE_S:
            notes.append(
                "a coil that no voltage reverses empties by its own lag: large steps down are slow"
            )
        proofs.append(proof_of(RESPONSE, roll_set.name, today, figures, {}, notes, basis))
    return proofs
