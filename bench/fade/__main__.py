"""Does the load fade along its ramp after any cut, at any frame, of any test?

Cuts in virtual time: the host gone, the line pulled for good or for a moment, samples as garbage,
the loop killed and a new one up, a loop that stood still, another host's session, set points
refused, a helm that expired, a person's ease-off, faults that ease or trip; each at a random frame
of a hold, a sweep, a climb or a trace, in a fork of that moment. Then real processes: loop, or
loop and service, killed at random moments of a hold over a pseudo-terminal. Judged at the
simulator's coils: never more than 1.5 A below the ramp that begins at the cut, and above it only by
validity, lag and 2.5 A (docs/safety.md). `worst_below_ramp_share` is of the force that the roll set
held at the cut. `--part` runs one test's cuts, or the kills.
"""

from __future__ import annotations

import os
import random
import signal
import sys
import time
from pathlib import Path
from typing import Any

import msgspec

from api.rehearsal.drivers import DRIVERS
from api.rehearsal.virtual_rig import HOLDER
from bench.fade.cuts import CUTS, fade_after
from bench.fade.ramp import FADES_S, Fade
from bench.support.broken_rig import BrokenRig
from bench.support.common import Options, run_bench
from bench.support.forked import forked
from bench.support.shop import Shop, Stuck
from control.core.commands import StartTest
from control.telemetry import State
from control.test_kinds.plans import (
    Grade,
    GradeClimb,
    Plan,
    PowerSweep,
    RoadVehicle,
    SpeedTrace,
    SteadyHold,
)
from daq.rig.description import load_rig

RIG = Path(__file__).parents[2] / "rigs" / "tarnhow.toml"
TRUCK = RoadVehicle(
    a_n=226.0, b_n_per_mps=1.6, c_n_per_mps2=0.95, mass_kg=3600.0, trailer_kg=2400.0
)
TESTS: dict[str, Plan] = {
    "hold": SteadyHold(seconds=30.0, rpm=1900.0),
    "sweep": PowerSweep(from_rpm=1500.0, to_rpm=2500.0, rpm_per_s=100.0),
    "climb": GradeClimb(
        TRUCK,
        Grade(by_time=((0.0, 2.0), (6.0, 2.0), (7.0, 6.0), (14.0, 6.0), (15.0, 3.0), (90.0, 3.0))),
        target_mps=14.0,
        seconds=25.0,
    ),
    "trace": SpeedTrace(
        TRUCK,
        points=((0.0, 0.0), (3.0, 0.0), (11.0, 9.0), (15.0, 9.0), (21.0, 2.0), (30.0, 2.0)),
        countdown_s=1.0,
        ahead_s=1.0,
    ),
}
LASTS_S = {"hold": 25.0, "sweep": 9.0, "climb": 20.0, "trace": 22.0}  # cuts come within these
LOOKS_S = 0.02


def measure(options: Options) -> dict[str, Any]:
    """The cuts of each test, then the kills."""
    began_s = time.perf_counter()
    count = options.moments or (52 if options.quick else 500)
    fades: list[Fade] = []
    for number, name in enumerate(TESTS):
        if options.part in ("", name):
            share = count // len(TESTS) + (number < count % len(TESTS))
            if options.part:
                share = count
            fades += _cuts(name, share, options.seed)
    kills: list[Fade] = []
    if options.part in ("", "kills"):
        kills = _kills(options.moments or (4 if options.quick else 60), options.seed)
    every = [*fades, *kills]
    worst = sorted(every, key=lambda one: -one.below_share)
    return {
        "part": options.part,
        "cuts": len(fades),
        "kills": len(kills),
        "outside": sum(one.outside for one in every),
        "worst_below_ramp_share": worst[0].below_share if worst else None,
        "worst_below_ramp_a": max((one.below_a for one in every), default=None),
        "worst_above_a": max((one.above_a for one in every), default=None),
        "below_share_by_cut": {
            what: max(one.below_share for one in fades if one.what == what)
            for what in sorted({one.what for one in fades})
        },
        "worst": [msgspec.to_builtins(one) for one in worst[:5]],
        "out": [msgspec.to_builtins(one) for one in every if one.outside],
        "wall_s": time.perf_counter() - began_s,
    }


def _cuts(name: str, count: int, seed: int) -> list[Fade]:
    """Run the test once; at random frames of it a fork is cut off."""
    chance = random.Random(f"{seed} {name}")
    plan = TESTS[name]
    rig = BrokenRig(load_rig(RIG), seed)
    driver = DRIVERS[type(plan)](rig, plan, None, 1.0)
    rig.make_ready()
    driver.begin()
    rig.ask(StartTest(0, HOLDER, "bench", plan))
    frames = round(LASTS_S[name] * rig.rig.frame_hz)
    moments = sorted(chance.sample(range(frames), count))
    done: list[Fade] = []
    kinds = list(CUTS)
    chance.shuffle(kinds)
    for frame in range(frames):
        if rig.core.state is not State.LOADED:
            break
        test = rig.core.test
        if test is not None:
            driver.act(test)
        rig.advance()
        if not moments or frame < moments[0]:
            continue
        moments.pop(0)
        what = kinds[len(done) % len(kinds)]
        found = forked(lambda cut=what: fade_after(rig, cut, name), Fade, what)  # type: ignore[misc]
        done.append(found or Fade(what, name, below_a=float("inf"), state="the core raised"))
    return done


def _kills(count: int, seed: int) -> list[Fade]:
    chance = random.Random(seed)
    fades: list[Fade] = []
    with Shop() as shop:
        shop.zero()
        for number in range(count):
            try:
                shop.roll()
                shop.begin_load()
                time.sleep(chance.uniform(1.0, 4.0))
                fades.append(_kill(shop, ("loop",) if number % 2 else ("service", "loop")))
                shop.unload()
            except Stuck as error:
                print(f"kill {number}: {error}", file=sys.stderr)
                shop.unload()
    return fades


def _kill(shop: Shop, roles: tuple[str, ...]) -> Fade:
    rig = load_rig(RIG)
    slope = max(one.max_current_a for one in rig.absorbers) / rig.limits.ease_off_s
    lag_s = max(one.coil_lag_s for one in rig.absorbers)
    numbers = [shop.pid(role) for role in roles]
    held = shop.truth()
    for number in numbers:
        os.kill(number, signal.SIGKILL)
    coils = [name for name in held if name.endswith("_current_a")]
    fade = Fade(" and ".join(roles) + " killed", "hold")
    fade.current_a = max(held[name] for name in coils)
    fade.force_n = held["front_absorber_n"] + held["rear_absorber_n"]
    until_s = time.monotonic() + FADES_S
    while time.monotonic() < until_s:
        now = shop.truth()
        gone_s = now["time_s"] - held["time_s"]
        valid_s = max(gone_s - 1e-3 * rig.link.set_point_validity_ms, 0.0)
        for name in coils:
            ramp_a = max(held[name] - slope * gone_s, 0.0)
            most_a = max(held[name] - slope * valid_s, 0.0) + slope * lag_s
            fade.above_a = max(fade.above_a, now[name] - most_a)
            if ramp_a - now[name] > fade.below_a:
                fade.below_a, fade.below_s = ramp_a - now[name], gone_s
                # Force goes by the square of the current, or less where the iron is saturated.
                fade.below_share = (ramp_a**2 - now[name] ** 2) / max(held[name], 1.0) ** 2
        time.sleep(LOOKS_S)
    fade.left_a = max(shop.truth()[name] for name in coils)
    return fade


if __name__ == "__main__":
    run_bench("fade", measure, parts=(*TESTS, "kills"))
