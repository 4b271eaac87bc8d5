"""What heat says of a test in the moment it starts: one sentence, whatever is known of the truck.

Data flow: plan + what is known -> control.forecast.answer; where the power is open the question is
asked at the most that the rig can take there, and what would last to the end is said beside it.
"""

from __future__ import annotations

import math

import msgspec

from control.forecast.answer import HeatAnswer, answer
from control.forecast.duty import Expected, duty_segments
from control.forecast.question import Change, changed, works_for
from control.forecast.rig_heat import RigHeat
from control.forecast.suggestions import most_power
from control.test_kinds.plans import Identification, Plan, SnapSmoke
from daq.errors import Refused
from daq.quantities import UnitSystem
from daq.texts.message import Text, say, sentences

NO_HEAT = (SnapSmoke, Identification)  # nothing, or its own guard
POWER_NEEDED = "power-needed"


class Outlook(msgspec.Struct, frozen=True):
    """The heat answer as a start tells it."""

    possible: bool | None  # None: it depends on the truck, or nothing can be said
    text: Text  # "" where heat has no part in the test
    power_w: float = math.nan  # that was asked about; NaN: none
    assumed: bool = False  # the power is the most the rig can take, as nobody has said another
    limiting: str = ""
    limited_after_s: float = math.nan
    most_power_w: float = math.nan  # lasts to the end; NaN: not looked for, or none does


def outlook(
    plan: Plan, heat: RigHeat, expected: Expected, units: UnitSystem = UnitSystem.METRIC
) -> Outlook:
    """Never raises: what cannot be said is said so."""
    if isinstance(plan, NO_HEAT):
        return Outlook(True, "")
    try:
        try:
            duty_segments(plan, heat.rig, expected)
            assumed, known = False, expected
        except Refused as error:
            if error.code != POWER_NEEDED:
                raise
            assumed, known = True, _full_load(plan, heat, expected)
        found = answer(plan, heat, known, units, helpful=False)
        most = math.nan
        if not found.possible:
            best = most_power(plan, heat, known, units)
            most = best if best is not None else math.nan
    except Refused as error:
        refused = sentences((error.problem, error.remedy))
        return Outlook(None, say("heat-not-looked-at", why=refused))
    return Outlook(
        None if assumed and not found.possible else found.possible,
        _text(found, assumed, most), found.highest_power_w, assumed, found.limiting,
        found.limited_after_s, most,
    )  # fmt: skip


def _full_load(plan: Plan, heat: RigHeat, expected: Expected) -> Expected:
    """The most power that the rig can take wherever the plan leads."""
    limit_w = heat.rig.limits.max_power_w
    one = Change(power_w=limit_w)
    works = works_for(plan, heat, expected, one)
    most = min(limit_w, *(heat.torque_power(work.speed_mps) for work in works if work.speed_mps))
    return changed(plan, expected, Change(power_w=0.99 * most))[1]


def _text(found: HeatAnswer, assumed: bool, most_w: float) -> Text:
    power_w = found.highest_power_w
    if assumed and found.possible:
        return say("heat-at-most-power", power_w=power_w, answer=found.text)
    lasting = "" if math.isnan(most_w) else say("power-that-lasts", most_w=most_w)
    if assumed:
        told = say("heat-if-most-power", power_w=power_w, answer=found.text)
        return sentences((told, lasting))
    return sentences((found.text, lasting))
