"""What calm costs: peak of a hold over what set points do. `python -m bench.tradeoff --json`.

One pedal drop (to 60 % in 0.2 s) per speed, from the same moment of the same run, for settings of
the hold's observers and of the calm force loop: pole of the slow filter, innovation levels from
which the fast one begins to be used and is used alone, pole of the fast filter, calm follow time.
`chosen` marks what the product does; in `as one loop` the detector always finds a change, which is
what a loop without it would be. Figures as in bench.hold; the simulator's truth.

    python -m bench.tradeoff --json | python -m bench.tradeoff.plot > tradeoff.svg
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from typing import Any

import msgspec

from api.rehearsal.virtual_rig import HOLDER, VirtualRig
from bench.hold import cases as hold
from bench.support.common import Options, machine, run_bench
from bench.support.effort import Effort
from control.core.commands import StartTest
from control.load_loop import constants as c
from control.load_loop.loop import LoadLoop
from control.test_kinds.plans import SteadyHold
from daq.rig.description import load_rig
from simulator.rig_and_truck.driver import TransferCase

SETTLE_S, STEADY_S, AFTER_S = 5.0, 2.0, 2.0
SLOW, LOW, HIGH = c.HOLD_SLOW_PER_S, c.HOLD_CHANGE_LOW, c.HOLD_CHANGE_HIGH


class Setting(msgspec.Struct, frozen=True):
    """One point of the curve."""

    name: str
    slow_per_s: float = SLOW
    low: float = LOW
    high: float = HIGH
    fast_per_s: float = 0.0  # 0: as the tuning derives it
    calm_follow_share: float = 1.0  # of what the tuning derives

    def apply(self, loads: LoadLoop) -> None:
        """Put it in force; the delays stay as they are while a hold is steady."""
        detector = loads.loop["hold"]
        detector["change_low"], detector["change_high"] = self.low, self.high
        follow, ahead = loads.absorbers["calm_follow_s"], loads.roll_sets["calm_lookahead_s"]
        if self.fast_per_s > 0.0:
            detector["fast_per_s"] = self.fast_per_s
        detector["slow_per_s"] = self.slow_per_s
        ahead += (self.calm_follow_share - 1.0) * follow[0]
        follow *= self.calm_follow_share


SETTINGS = (
    Setting("chosen"),
    Setting("as one loop", low=-2.0, high=-1.0),
    Setting("levels 1.8 to 3.6", low=1.8, high=3.6),
    Setting("levels 3 to 6", low=3.0, high=6.0),
    Setting("slow poles 9", slow_per_s=9.0),
    Setting("slow poles 20", slow_per_s=20.0),
    Setting("slow poles 30", slow_per_s=30.0),
    Setting("fast poles 35", fast_per_s=35.0),
    Setting("calm follow x 0.5", calm_follow_share=0.5),
    Setting("calm follow x 1.5", calm_follow_share=1.5),
)


def at_speed(work: tuple[hold.HoldCase, int, int]) -> list[dict[str, Any]]:
    """Every setting from the same moment, each in a fork of this process."""
    case, seed, count = work
    rig = load_rig(hold.RIG_FILE)
    virtual = VirtualRig(rig, seed)
    virtual.make_ready()
    hold.learn_teeth(virtual.plant, case, virtual.advance)
    hold.approach(virtual.plant, case)
    while hold.roll_speeds(virtual.plant)[1] < case.speed_mps - 1.0:
        virtual.advance()
    plan = SteadyHold(seconds=600.0, speed_mps=case.speed_mps)
    virtual.ask(StartTest(0, HOLDER, "bench", plan))
    virtual.advance_for(1.0)

    def run(setting: Setting) -> Callable[[], hold.Figures]:
        def work() -> hold.Figures:
            setting.apply(virtual.core.loads)
            virtual.advance_for(SETTLE_S)
            trace, effort = hold.SpeedRecord(case.speed_mps), Effort(rig)
            for _ in range(round(STEADY_S * rig.frame_hz)):
                virtual.advance()
                trace.before.append(hold.roll_speeds(virtual.plant))
                effort.note(virtual.plant)
            virtual.plant.driver.follow(case.script(), virtual.plant.now_s)
            for _ in range(round(AFTER_S * rig.frame_hz)):
                virtual.advance()
                trace.after.append(hold.roll_speeds(virtual.plant))
            return trace.figures(1.0 / rig.frame_hz) | effort.figures()

        return work

    return [
        {"speed_kmh": case.speed_kmh, "setting": one.name, **hold.in_fork(run(one))}
        for one in SETTINGS[:count]
    ]


def measure(options: Options) -> dict[str, Any]:
    count = 2 if options.quick else len(SETTINGS)
    work = [
        (hold.HoldCase(f"{kmh:.0f} km/h", kmh, gear, TransferCase.LOCKED, "drop"), seed, count)
        for kmh, gear in ((30.0, 5), (100.0, 4))
        for seed in range(options.seed, options.seed + (1 if options.quick else 3))
    ]
    with ProcessPoolExecutor(machine().cores) as workers:
        rows = [row for rows in workers.map(at_speed, work) for row in rows]
    points = []
    for kmh in (30.0, 100.0):
        for setting in SETTINGS[:count]:
            mine = [
                row for row in rows
                if row["speed_kmh"] == kmh and row["setting"] == setting.name
            ]  # fmt: skip
            means = {
                key: sum(row[key] for row in mine) / len(mine)
                for key in mine[0]
                if key != "setting"
            }
            points.append({"setting": setting.name, "runs": len(mine), **means})
    return {"points": points}


if __name__ == "__main__":
    run_bench("tradeoff", measure)
