"""Every fault of the table, at several moments of a test, on the simulated rig in virtual time.

Five moments: parked, taking up load, steady at about 200 kW, on a ramp, easing off; then all pairs
of the twenty most severe at the steady moment. Per case: how soon it was noticed, its effect, the
worst true excursion of speed and force, the final state. A case fails when the fault is not noticed
in its stated time, has not its effect, leaves or raises current in a coil, breaks a limit, or trips
for another reason. `worst_force_excursion_n` is how far the true force went from the one held,
either way, until the fault was noticed, in the steady moment; `beyond_bound` names each row where
that is more than 15 % of the force held and 500 N, with the reason. Each moment is reached once;
each case goes on from there in a fork of its own. `--part` runs one moment's cases, or the pairs.
"""

from __future__ import annotations

import itertools
import random
import time
from pathlib import Path
from typing import Any

import msgspec

from api.rehearsal.virtual_rig import HOLDER
from bench.support.broken_rig import CASES, LIFT_AFTER_S, LOAD, BrokenRig, FaultCase
from bench.support.common import Options, run_bench
from bench.support.forked import forked
from bench.support.rigs import advance_until
from control.core.commands import (
    Acknowledge,
    Adjust,
    EaseOff,
    MakeReady,
    StartTest,
    TakeHelm,
    ZeroCells,
)
from control.safety.faults import TABLE, Effect
from control.telemetry import State
from control.test_kinds.plans import SteadyHold
from daq.rig.description import load_rig

RIG = Path(__file__).parent.parent / "rigs" / "tarnhow.toml"
RPM = 1900.0
RUN_ON_S = 8.0  # after the fault: helm's expiry, easing and a margin
PHASES = ("parked", "taking-up", "steady", "ramp", "easing")
EMPTY_A = 0.5
IN_FLIGHT_A = 1.5  # per coil: what one set point on its way may still add
SLACK_MS = 25.0  # a frame, and the moment within a look a few times a second
NOTHING = FaultCase("nothing", (), lambda _: None, frozenset())
BOUND_SHARE, BOUND_N = 0.15, 500.0  # of the force held, and at least
REASONS: dict[str, str] = {
    "front end reboots": "its outputs are off while it boots (docs/wire.md, section 8)",
    "oil on the rolls": "the truck's grip is gone, and the load that held it goes with it",
    "over-force": "the limit is lowered under load: what is beyond falls at the gate's rate",
    "over-power": "the limit is lowered under load: what is beyond falls at the gate's rate",
    "absorber dead": "the force is missing in truth, until others have taken it over",
    "absorber weak": "the force is missing in truth, until others have taken it over",
    "loop stands still": "permission ran out and the front end fades before the loop is back",
    "tooth sensor at random": "not bounded yet: a false speed steers until it is contradicted",
    "half the teeth seen": "not bounded yet: a false speed steers until it is contradicted",
    "teeth missed": "not bounded yet: a false speed steers until it is contradicted",
    "engine pickup off": "not bounded yet: the ratio follows the last pulses until it is missing",
}
_UNLOADED = frozenset({"easing", "ready", "parked", "tripped"})


class FaultRow(msgspec.Struct):
    """One case as it went."""

    case: str
    phase: str
    code: str = ""  # what was noticed first of what it may be called
    effect: str = ""
    detected_ms: float | None = None
    worst_speed_mps: float = 0.0  # true, above the speed at the fault
    worst_force_n: float = 0.0  # true absorber force, above that at the fault
    held_n: float = 0.0  # true absorber force at the fault
    moved_n: float = 0.0  # most it went from there, either way, until the fault was noticed
    state: str = ""
    first_cause: str = ""
    others: list[str] = []
    failures: list[str] = []


def measure(options: Options) -> dict[str, Any]:
    """All moments, then the pairs."""
    began_s = time.perf_counter()
    chooser = random.Random(options.seed)
    rig = BrokenRig(load_rig(RIG), options.seed)
    rows: list[FaultRow] = []

    def at(phase: str) -> None:
        if options.part not in ("", phase):
            return
        cases = [NOTHING, *(chooser.sample(CASES, 6) if options.quick else CASES)]
        rows.extend(_forked(rig, (case,), phase) for case in cases)

    rig.advance_for(4.0)
    rig.ask(TakeHelm(0, HOLDER, "bench"))
    rig.ask(ZeroCells(0, HOLDER))
    at("parked")
    rig.plant.driver.tell(pedal=0.4)
    advance_until(rig, lambda: _rpm(rig) > RPM - 80.0)
    rig.ask(Acknowledge(0, HOLDER))
    rig.ask(MakeReady(0, HOLDER))
    rig.ask(StartTest(0, HOLDER, "bench", SteadyHold(seconds=600.0, rpm=RPM)))
    rig.plant.driver.tell(pedal=1.0)
    rig.advance_for(0.6)
    at("taking-up")
    rig.advance_for(14.0)
    power_kw = rig.plant.truth()["power_w"] / 1e3
    at("steady")
    pairs = list(itertools.combinations(severest(20), 2))
    for pair in chooser.sample(pairs, 12) if options.quick else pairs:
        if options.part in ("", "pairs"):
            rows.append(_forked(rig, pair, "steady"))
    rig.send(Adjust(0, HOLDER, RPM * 0.85 * 0.10471975511965977))
    rig.advance_for(0.7)
    at("ramp")
    rig.send(EaseOff(0, HOLDER))
    rig.advance_for(0.6)
    at("easing")
    detected = [row.detected_ms for row in rows if row.detected_ms is not None]
    failed = [row for row in rows if row.failures]
    covered = {code for case in CASES for code in case.codes}
    return {
        "part": options.part,
        "cases": len(rows),
        "pairs": sum("+" in row.case for row in rows),
        "failures": len(failed),
        "worst_detect_ms": max(detected, default=None),
        "steady_kw": power_kw,
        "worst_speed_excursion_mps": max((row.worst_speed_mps for row in rows), default=0.0),
        "worst_force_n": max((row.worst_force_n for row in rows), default=0.0),
        **excursions([row for row in rows if row.phase == "steady" and "+" not in row.case]),
        "codes_without_a_case": sorted(set(TABLE) - covered),
        "wall_s": time.perf_counter() - began_s,
        "failed": [msgspec.to_builtins(row) for row in failed],
        "rows": [msgspec.to_builtins(row) for row in rows],
    }


def excursions(rows: list[FaultRow]) -> dict[str, Any]:
    """What one fault may do to the force before it is noticed."""
    beyond = []
    for row in sorted(rows, key=lambda one: -one.moved_n):
        bound_n = max(BOUND_SHARE * row.held_n, BOUND_N)
        if row.detected_ms is not None and row.moved_n > bound_n:
            why = REASONS.get(row.case, "")
            told = {"case": row.case, "moved_n": row.moved_n, "bound_n": round(bound_n, 1)}
            beyond.append({**told, "detected_ms": row.detected_ms, "reason": why})
    seen = [row.moved_n for row in rows if row.detected_ms is not None]
    return {"worst_force_excursion_n": max(seen, default=0.0), "beyond_bound": beyond}


def severest(count: int) -> tuple[FaultCase, ...]:
    """Trips before eases, one case per code, in the table's order."""
    first: dict[str, FaultCase] = {}
    for case in CASES:
        if TABLE[case.codes[0]].effect >= Effect.EASE:
            first.setdefault(case.codes[0], case)
    ordered = sorted(first.values(), key=lambda case: -TABLE[case.codes[0]].effect)
    return tuple(ordered[:count])


def _rpm(rig: BrokenRig) -> float:
    measured = rig.core.measured
    return measured.engine_speed.value * 9.549296585513721 if measured is not None else 0.0


def _forked(rig: BrokenRig, cases: tuple[FaultCase, ...], phase: str) -> FaultRow:
    """Run the case in a fork of this moment and take its row."""
    name = " + ".join(case.name for case in cases)
    row = forked(lambda: run_case(rig, cases, phase), FaultRow, f"{name} in {phase}")
    return row or FaultRow(name, phase, failures=["the core raised an exception"])


def run_case(rig: BrokenRig, cases: tuple[FaultCase, ...], phase: str) -> FaultRow:
    """Break the rig now, go on, and judge. The rig is used up by it."""
    names = rig.plant.truth_names
    speeds = [names.index(name) for name in ("front_speed_mps", "rear_speed_mps")]
    forces = [names.index(name) for name in ("front_absorber_n", "rear_absorber_n")]
    coils = [place for place, name in enumerate(names) if name.endswith("_current_a")]
    row = FaultRow(" + ".join(case.name for case in cases), phase)
    truth = rig.plant.world.truth_row
    speed0 = max(float(truth[place]) for place in speeds)
    force0 = sum(float(truth[place]) for place in forces)
    codes = {code for case in cases for code in case.codes}
    heard = len(rig.events)
    begun_s = rig.plant.now_s
    for case in cases:
        case.breaks(rig)
    noticed: dict[str, float] = {}
    lift_s = float("inf")
    lifted = False
    limit_a: float | None = None
    rise_a = 0.0
    highest_mps, highest_n = speed0, force0
    run_s = max((case.run_s for case in cases if phase in case.must), default=RUN_ON_S)
    while rig.plant.now_s < begun_s + run_s:
        rig.advance()
        now_s = rig.plant.now_s
        truth = rig.plant.world.truth_row
        highest_mps = max(highest_mps, *(float(truth[place]) for place in speeds))
        force_n = sum(float(truth[place]) for place in forces)
        highest_n = max(highest_n, force_n)
        if not codes & set(noticed):
            row.moved_n = max(row.moved_n, abs(force_n - force0))
        trip = rig.core.faults.trip
        if trip is not None:
            noticed.setdefault(trip.code, now_s)
        for event in rig.events[heard:]:
            if event.kind == "fault":
                noticed.setdefault(str(event.data["code"]), now_s)
        heard = len(rig.events)
        worst = max((TABLE[code].effect for code in noticed), default=Effect.NONE)
        told = worst >= Effect.HOLD or rig.core.state is State.EASING
        if told and not lifted and all(case.lifts for case in cases):
            lift_s = min(lift_s, now_s + LIFT_AFTER_S)
        if now_s >= lift_s:
            rig.plant.driver.tell(pedal=0.0, brake=0.15)
            lift_s = float("inf")
            lifted = True
        flowing_a = sum(float(truth[place]) for place in coils)
        rises = rig.core.state in (State.TRIPPED, State.EASING) or (
            rig.core.state is State.LOADED and _holds(rig)
        )
        if rises:  # whatever plays in the set points, no more may flow than when this began
            limit_a = flowing_a + 4 * IN_FLIGHT_A if limit_a is None else limit_a
            rise_a = max(rise_a, flowing_a - limit_a)
        else:
            limit_a = None
    truth = rig.plant.world.truth_row
    row.state = rig.core.state.value
    row.first_cause = rig.core.telemetry().first_cause
    row.worst_speed_mps = round(highest_mps - speed0, 4)
    row.worst_force_n = round(highest_n - force0, 1)
    row.held_n, row.moved_n = round(force0, 1), round(row.moved_n, 1)
    row.others = sorted(set(noticed) - codes)
    named = [code for code in noticed if code in codes]
    if named:
        row.code = min(named, key=lambda code: noticed[code])
        row.effect = TABLE[row.code].effect.name.lower()
        row.detected_ms = round(1e3 * (noticed[row.code] - begun_s), 1)
    left_a = max(float(truth[place]) for place in coils)
    row.failures = _judge(rig, row, cases, noticed, begun_s)
    worst = max((TABLE[code].effect for code in noticed), default=Effect.NONE)
    stuck = any("stuck on" in case.name for case in cases)
    if worst >= Effect.EASE and left_a > EMPTY_A and not stuck:
        row.failures.append(f"{left_a:.2f} A are left in a coil")
    if rise_a > 0.0 and not stuck:
        row.failures.append(f"the current rose by {rise_a:.2f} A under the fault")
    if highest_mps > 1.05 * rig.rig.limits.max_speed_mps:
        row.failures.append(f"{highest_mps:.1f} m/s")
    if highest_n > 1.05 * rig.rig.limits.max_force_n:
        row.failures.append(f"{highest_n:.0f} N")
    return row


def _holds(rig: BrokenRig) -> bool:
    worst = rig.core.faults.severest()
    return worst is not None and worst.effect is Effect.HOLD


def _judge(
    rig: BrokenRig,
    row: FaultRow,
    cases: tuple[FaultCase, ...],
    noticed: dict[str, float],
    begun_s: float,
) -> list[str]:
    failures: list[str] = []
    state, phase = row.state, row.phase
    due = [case for case in cases if phase in case.must]
    if len(cases) == 1:
        for case in due:
            mine = [code for code in case.codes if code in noticed]
            if not mine:
                failures.append(f"not noticed; active: {sorted(noticed)}")
                continue
            code = min(mine, key=lambda each: noticed[each])
            took_ms = 1e3 * (noticed[code] - begun_s)
            allowed = TABLE[code].within_ms + case.sensing_ms + SLACK_MS
            if took_ms > allowed:
                failures.append(f"{code} after {took_ms:.0f} ms, allowed {allowed:.0f}")
        if not cases[0].codes and noticed:
            failures.append(f"false alarm: {sorted(noticed)}")
    elif due and not row.code:
        failures.append(f"neither noticed; active: {sorted(noticed)}")
    codes = {code for case in cases for code in case.codes}
    worst = max((TABLE[code].effect for code in noticed), default=Effect.NONE)
    if phase == "parked":
        if state == "tripped" and row.first_cause not in codes:
            failures.append(f"tripped for {row.first_cause}")
        elif state not in ("parked", "tripped"):
            failures.append(f"ended {state}")
        if due and worst >= Effect.REFUSE and not _refuses_ready(rig):
            failures.append("could be made ready with the fault there")
    elif worst is Effect.TRIP:
        if state != "tripped":
            failures.append(f"a trip ended {state}")
        elif row.first_cause not in codes:
            failures.append(f"tripped for {row.first_cause}")
    elif worst is Effect.EASE:
        if state not in _UNLOADED:
            failures.append(f"an easing fault ended {state}")
    elif phase in LOAD and state != "loaded":
        failures.append(f"ended {state} without reason")
    return failures


def _refuses_ready(rig: BrokenRig) -> bool:
    """Whether a person is kept from making ready. A helm that has gone is refusal enough."""
    if rig.core.state is State.TRIPPED or not rig.core.helm.holder:
        return True
    number = rig.send(Acknowledge(0, HOLDER))
    number = rig.send(MakeReady(0, HOLDER))
    until_s = rig.plant.now_s + 0.5
    while number not in rig.answers and rig.plant.now_s < until_s:
        rig.advance()
    answer = rig.answers.get(number)
    return answer is None or not answer.accepted


if __name__ == "__main__":
    run_bench("faults", measure, parts=(*PHASES, "pairs"))
