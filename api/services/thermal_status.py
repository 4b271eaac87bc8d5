"""The rig's rotors as they are now, from what the loop wrote down and what it tells.

Data flow: memory.json (written every few seconds while the loop runs) + newest telemetry (weather)
-> control.forecast.rig_heat.RigHeat, for the routes and for `drumlin rehearse`.
"""

from __future__ import annotations

from pathlib import Path

import msgspec

from api.folders import MEMORY_NAME
from api.runtime.memory_file import memory_age_s, read_memory
from control.core.memory import Memory
from control.forecast.answer import answer
from control.forecast.duty import Expected
from control.forecast.endurance import EnduranceMap, endurance_map
from control.forecast.rig_heat import RigHeat
from control.telemetry import Telemetry
from control.test_kinds.plans import Plan
from control.thermal.record import RotorRecord
from daq.errors import Refused
from daq.quantities import UnitSystem
from daq.readings import Quality
from daq.rig.description import Rig, load_rig
from daq.texts.message import render

USABLE = frozenset((Quality.GOOD, Quality.AGING))
SLOWEST_SHARE = 0.1  # of the rig's top speed, in the endurance map
USUAL_K = 298.15  # without a word about the weather


def records_of(memory: Memory) -> dict[str, RotorRecord]:
    """What is remembered of each rotor."""
    return {name: one.heat for name, one in memory.absorbers.items() if one.heat is not None}


def ambient_of(telemetry: Telemetry | None) -> float | None:
    """The weather that the loop knows, K."""
    return telemetry.heat.ambient_k if telemetry is not None and telemetry.heat else None


def rig_heat(
    rig: Rig,
    data: Path,
    ambient_k: float | None = None,
    running: bool = False,
    cold: bool = False,
) -> tuple[RigHeat, Memory]:
    """Rotors and memory. `running`: the loop is up, so the memory is only seconds old.

    Raises DrumlinError when the memory cannot be read.
    """
    memory = read_memory(data / MEMORY_NAME) or Memory()
    if ambient_k is None:
        ambient_k = USUAL_K
    off_s = 0.0 if running else memory_age_s(data)
    gains = {name: (one.gain, one.shape) for name, one in memory.absorbers.items()}
    return RigHeat(rig, records_of(memory), ambient_k, off_s, gains, cold), memory


def endurance_told(rotors: RigHeat, speeds: int, powers: int) -> EnduranceMap:
    """Permitted seconds over so many speeds and powers, up to what rig and rotors can take."""
    limits = rotors.rig.limits
    top = min(limits.max_speed_mps, *(each.max_speed_mps for each in rotors.rig.roll_sets))
    low = SLOWEST_SHARE * top
    grid_speeds = [low + (top - low) * k / (speeds - 1) for k in range(speeds)]
    most = min(limits.max_power_w, max(rotors.torque_power(speed) for speed in grid_speeds))
    return endurance_map(rotors, grid_speeds, [most * (k + 1) / powers for k in range(powers)])


def known_now(rig: Rig, telemetry: Telemetry | None) -> tuple[float | None, float | None]:
    """Speed of the rolls, m/s, and gear, rad/s of the engine per m/s, as measured at this moment;
    None where nothing turns or nothing is told."""
    measured = telemetry.measured if telemetry is not None else None
    if measured is None:
        return None, None
    rolls, engine = measured.roll_sets[-1].speed, measured.engine_speed
    if rolls.quality not in USABLE or rolls.value <= rig.limits.low_speed_mps:
        return None, None
    geared = engine.quality in USABLE and engine.value > 0.0
    return rolls.value, engine.value / rolls.value if geared else None


def heat_told(
    rig_file: Path,
    data: Path,
    plan: Plan,
    rehearsed: dict[str, object],
    units: UnitSystem = UnitSystem.METRIC,
) -> dict[str, object]:
    """The answer by the learned heat model, with the power that the simulated truck gave.

    For `drumlin rehearse`: the simulation knows a truck, the memory knows these rotors.
    """
    rotors, memory = rig_heat(load_rig(rig_file), data)

    def number(name: str) -> float | None:
        value = rehearsed.get(name)
        return value if isinstance(value, float) and value > 0.0 else None

    power_w = number("true_mean_power_w")
    speed_mps = number("true_speed_mps")
    ratio = number("true_ratio_per_m") or memory.ratio_per_m
    try:
        told = answer(plan, rotors, Expected(power_w, speed_mps, ratio), units)
    except Refused as problem:
        return {"possible": None, "text": str(problem)}
    plain = msgspec.to_builtins(told)
    return {name: plain[name] for name in ("possible", "limiting", "split", "rotors")} | {
        "text": render(told.text, units),
        "suggestions": [render(each.text, units) for each in told.suggestions],
    }
