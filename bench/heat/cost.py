"""What the heat of all absorbers costs the load loop, per frame and in its dearest turn.

Processor time of `ThermalManager.turn` alone, rotors hot, sensors read, coils described; demo rig
serves one absorber every 62 frames. Part of bench.heat.
"""

from __future__ import annotations

import math
import time
from typing import Any

import numpy as np

from control.load_loop.loop import LoadLoop
from control.thermal.manager import EVERY_S, ThermalManager
from daq.measure.measured import Measured
from daq.readings import Quality, Reading, Unit
from daq.rig.description import Rig

WARM_UP = 400


def heat_cost(rig: Rig, turns: int) -> dict[str, Any]:
    """Microseconds of processor time: mean per frame, and of single turns."""
    loads = LoadLoop(rig)
    keeper = ThermalManager(rig, None, 0.0, loads)
    apart_s = EVERY_S / len(rig.absorbers)
    costs = []
    for number in range(WARM_UP + turns):
        now = 10.0 + apart_s * number
        told = _measured(rig, now)
        work = loads.absorbers
        work["work_s"] += apart_s
        work["work_j"] += apart_s * 50e3
        work["work_rad"] += apart_s * 140.0
        work["work_a2s"] += apart_s * 400.0
        begun = time.process_time_ns()
        keeper.turn(told, True, 0.0, True)
        costs.append((time.process_time_ns() - begun) / 1e3)
    found = np.array(costs[WARM_UP:])
    return {
        "us_per_frame": float(np.mean(found)) / keeper.slot_frames,
        "turn_p50_us": float(np.median(found)),
        "turn_p99_us": float(np.quantile(found, 0.99)),
        "turn_worst_us": float(np.max(found)),
    }


def _measured(rig: Rig, now_s: float) -> Measured:
    slow = {
        channel.name: Reading(340.0, Unit.KELVIN, now_s, Quality.GOOD)
        for channel in rig.slow
        if channel.meaning in ("rotor-temperature", "ambient-temperature")
    }
    nothing = Reading(math.nan, Unit.RADIAN_PER_SECOND, now_s, Quality.MISSING)
    return Measured(
        time_s=now_s, sequence=0, frames_lost=0, roll_sets=(), absorbers=(), engine_speed=nothing,
        engine_speed_source="", slow=slow, stop_chain_closed=True, tie_downs=True, digital={},
        permission=0, permission_left_s=0.0, last_set_point=0,
    )  # fmt: skip
