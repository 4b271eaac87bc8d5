"""How well a speed is held when the driver disturbs it: `python -m bench.hold --json`.

Each case drives the simulated truck to a set speed at full pedal, holds it, and disturbs it. The
same disturbance meets three controllers on the same plant (same seed):

ours   the real chain and core over wire bytes;
bound  informed: the true speeds and the true tractive forces, late by the declared delay of the
       readings (daq.measure.speed.estimator.DELAY_S) and of the transport, the true torque curve
       and coil, the same current limits and frame rate; its numbers (feedback, coil time,
       look-ahead, derivative time) are optimised per case on the plant itself. It knows nothing of
       the future. `bound_edges` is the same but late only by the age of the newest tooth edge (1 to
       3 ms), as our own loop's speed is. Nothing can measure a tractive force that soon: it is a
       limit, not a rival. `bound_seen` is told no tractive force at all: it has the newest tooth
       edges, as we have, with exact teeth and the simulator's timing noise, a Kalman filter on
       them, and the true inertia, absorber forces and coils. It is what a controller that only sees
       edges could do if it knew its rig perfectly and were tuned for the very case;
pid    simple-pid per roll set on the measured speed, tuned after SIMC (Skogestad 2003) for an
       integrating process with the coil's lag and the declared delay; `pi` is its form without
       derivative, by the half rule.

What the actuators do beside it (`bench.support.effort`): in the three steady seconds before the
disturbance the standard deviation of each set point as a share of the supply's ceiling, that of
each coil current as a share of its continuous current, the share of set points that are zero though
their mean is above 10 % of the ceiling, and the total variation; the worst absorber counts.

Errors are of the true roll speed against its own mean before the disturbance, worst roll set, as a
share of the set speed. A lifted pedal lets the truck slow down whatever a brake does, and so does a
gear shift without torque: there even the bound has a large peak. `over_pct` is the part above the
set point (for `lift` the pedal comes back after 1 s), `avoidable` the peak beyond `bound_edges`.
"""

from __future__ import annotations

import os
from concurrent.futures import ProcessPoolExecutor
from typing import Any

from api.rehearsal.virtual_rig import HOLDER, VirtualRig
from bench.hold.cases import (
    AFTER_S,
    RIG_FILE,
    SETTLE_S,
    STEADY_S,
    Figures,
    HoldCase,
    SpeedRecord,
    approach,
    cases,
    learn_teeth,
    roll_speeds,
)
from bench.hold.informed import bound, edge_age
from bench.hold.pid import pid
from bench.support.common import Options, run_bench
from bench.support.effort import Effort
from control.core.commands import StartTest
from control.test_kinds.plans import SteadyHold
from daq.measure.speed.estimator import DELAY_S
from daq.rig.description import Rig, load_rig


def ours(case: HoldCase, rig: Rig, seed: int) -> Figures:
    virtual = VirtualRig(rig, seed)
    virtual.make_ready()
    plant = virtual.plant
    learn_teeth(plant, case, virtual.advance)
    approach(plant, case)
    while roll_speeds(plant)[1] < case.speed_mps - 1.0:
        virtual.advance()
    virtual.ask(StartTest(0, HOLDER, "bench", SteadyHold(seconds=600.0, speed_mps=case.speed_mps)))
    virtual.advance_for(SETTLE_S)
    trace = SpeedRecord(case.speed_mps)
    steady, event = Effort(rig), Effort(rig)
    for _ in range(round(STEADY_S * rig.frame_hz)):
        virtual.advance()
        trace.before.append(roll_speeds(plant))
        steady.note(plant)
    plant.driver.follow(case.script(), plant.now_s)
    for _ in range(round(AFTER_S * rig.frame_hz)):
        virtual.advance()
        trace.after.append(roll_speeds(plant))
        event.note(plant)
    if virtual.core.state != "loaded":
        raise RuntimeError(f"{case.name}: {virtual.core.telemetry().first_cause or 'no load'}")
    after = event.figures()["total_variation_a_per_s"]
    figures = trace.figures(1.0 / rig.frame_hz) | steady.figures()
    return figures | {"total_variation_after_a_per_s": after}


def one(work: tuple[HoldCase, int, int]) -> dict[str, Any]:
    """All controllers on one case."""
    case, seed, tries = work
    rig = load_rig(RIG_FILE)
    mine = ours(case, rig, seed)
    edge = bound(case, rig, seed, edge_age(case.speed_mps, rig), tries)
    reported = bound(case, rig, seed, DELAY_S, tries)
    seen = bound(case, rig, seed, None, tries)
    plain = pid(case, rig, seed, True)
    simple = pid(case, rig, seed, False)
    return {
        "case": case.name,
        "ours": mine,
        "bound": reported,
        "bound_edges": edge,
        "bound_seen": seen,
        "pid": plain,
        "pi": simple,
        "peak_over_bound": mine["peak_pct"] / reported["peak_pct"],
        "peak_over_bound_edges": mine["peak_pct"] / edge["peak_pct"],
        "peak_over_bound_seen": mine["peak_pct"] / seen["peak_pct"],
        "pid_over_ours": plain["peak_pct"] / mine["peak_pct"],
        "pi_over_ours": simple["peak_pct"] / mine["peak_pct"],
        "avoidable_pid_over_ours": (plain["peak_pct"] - edge["peak_pct"])
        / max(mine["peak_pct"] - edge["peak_pct"], 1e-6),
    }


def measure(options: Options) -> dict[str, Any]:
    tries = 14 if options.quick else 40
    work = [(case, options.seed, tries) for case in cases(options.quick)]
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        rows = list(pool.map(one, work))
    return {
        "cases": rows,
        "worst_peak_over_bound": max(row["peak_over_bound"] for row in rows),
        "worst_peak_over_bound_edges": max(row["peak_over_bound_edges"] for row in rows),
        "worst_peak_over_bound_seen": max(row["peak_over_bound_seen"] for row in rows),
        "least_pid_over_ours": min(row["pid_over_ours"] for row in rows),
        "least_avoidable_pid_over_ours": min(row["avoidable_pid_over_ours"] for row in rows),
        "least_pi_over_ours": min(row["pi_over_ours"] for row in rows),
        "worst_steady_std_pct": max(row["ours"]["steady_std_pct"] for row in rows),
        "worst_set_point_sd_share": max(row["ours"]["set_point_sd_share"] for row in rows),
        "worst_set_point_zero_share": max(row["ours"]["set_point_zero_share"] for row in rows),
        "worst_coil_sd_share": max(row["ours"]["coil_sd_share"] for row in rows),
        "total_variation_a_per_s": max(row["ours"]["total_variation_a_per_s"] for row in rows),
        "worst_apart_kmh": max(row["ours"]["apart_kmh"] for row in rows),
    }


if __name__ == "__main__":
    run_bench("hold", measure)
