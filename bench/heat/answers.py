"""How right the answer before a test is: its suggestions asked again, its times against the truth.

`suggestions_again`: random rigs, rooms, plans and expectations; whatever is suggested is laid over
the question and asked again, and powers are asked for once more as they are told in words.

`permitted`: one rotor of the simulator under constant work from cold; the time the answer permits
an absorber that it has never seen, or has learned, beside the true time to the limit, by speed.
"""

from __future__ import annotations

import math
import re
from typing import Any

import numpy as np

from bench.heat.questions import question, random_heat
from control.forecast.answer import answer
from control.forecast.duty import DutySegment, Expected
from control.forecast.rig_heat import RigHeat
from control.test_kinds.plans import SteadyHold
from control.thermal.record import RotorRecord
from control.thermal.rotor_observer import RotorMemory
from daq.quantities import HORSEPOWER, UnitSystem
from daq.rig.description import Rig
from daq.texts.message import render

HORIZON_S = 3600.0
_POWER = re.compile(r"at most ([\d,.]+) (kW|hp)")
_PER_UNIT = {"kW": 1e3, "hp": HORSEPOWER}


def suggestions_again(rig: Rig, seed: int, at_least: int) -> dict[str, Any]:
    """Ask random questions until so many suggestions were made, and each of them again."""
    made, false, questions, refused = 0, [], 0, 0
    kinds: dict[str, int] = {}
    while made < at_least:
        number = seed * 100_000 + questions
        questions += 1
        heat = random_heat(rig, number)
        plan, expected = question(number)
        units = UnitSystem.US if number % 2 else UnitSystem.METRIC
        told = answer(plan, heat, expected, units)
        refused += not told.possible
        for one in told.suggestions:
            made += 1
            kinds[one.kind] = kinds.get(one.kind, 0) + 1
            again = [answer(plan, heat, expected, change=one.change, helpful=False)]
            words = _POWER.search(render(one.text, units))
            if words and isinstance(plan, SteadyHold) and plan.power_w is plan.force_n is None:
                watt = float(words[1].replace(",", "")) * _PER_UNIT[words[2]]
                typed = Expected(watt, expected.speed_mps, expected.ratio_per_m)
                again.append(answer(plan, heat, typed, helpful=False))
            if not all(each.possible for each in again):
                false.append({"seed": number, "kind": one.kind, "text": str(one.text)})
    return {
        "suggestions": made,
        "suggestions_false": len(false),
        "suggestions_by_kind": kinds,
        "questions": questions,
        "answered_no": refused,
        "false_ones": false[:5],
    }


def permitted(
    rig: Rig, memory: RotorMemory | None, ambient_k: float, power_w: float, speed_mps: float
) -> float:
    """Seconds that the answer permits each absorber `power_w`, up to an hour; none has a sensor."""
    records = {} if memory is None else {one.name: RotorRecord(memory) for one in rig.absorbers}
    heat = RigHeat(rig, records, ambient_k, cold=True)
    work = (DutySegment(HORIZON_S, power_w * len(rig.absorbers), speed_mps),)
    seconds = heat.through(work).stops_after_s
    return HORIZON_S if math.isnan(seconds) else seconds


def of_margins(rows: list[dict[str, float]]) -> dict[str, Any]:
    """What the margins cost and whether they hold; rows of radps, true_s, naive_s, learned_s."""
    found: dict[str, Any] = {"cases": len(rows)}
    for name in ("naive", "learned"):
        shares = np.array([row[f"{name}_s"] / row["true_s"] for row in rows])
        speeds = np.array([row["radps"] for row in rows])
        found[name] = {
            "too_long": int(np.count_nonzero(shares > 1.0)),
            "median_share_of_true_time": float(np.median(shares)),
            "largest_share": float(np.max(shares)),
            "median_by_speed": [
                float(np.median(shares[(speeds >= low) & (speeds < high)]))
                for low, high in ((60.0, 120.0), (120.0, 180.0), (180.0, 260.0))
                if np.any((speeds >= low) & (speeds < high))
            ],
        }
    return found
