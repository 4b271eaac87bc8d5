"""What the rig has found out about its absorbers and its load loop, from what the loop wrote down.

Data flow: memory.json (written every few seconds while the loop runs) + rig -> Identification, for
the routes and for `drumlin absorbers`.
"""

from __future__ import annotations

from pathlib import Path

import msgspec

from api.folders import MEMORY_NAME
from api.runtime.memory_file import read_memory
from control.absorber.identified import AcceptedTuneUp, Advice
from control.absorber.map_points import AbsorberMapNow, absorber_map
from control.core.memory import AbsorberMemory, Memory
from control.load_loop.tuning import OBSERVER_SHARE
from daq.rig.description import Rig
from daq.texts.message import Text, say

CAUTION = say("margins-are-linear-model-knows-nothing")


class AbsorberStatus(msgspec.Struct, frozen=True):
    """Maps of all absorbers, the newest tune-up, and what is in force."""

    absorbers: tuple[AbsorberMapNow, ...]
    advice: Advice | None  # of the newest tune-up; null: none was done
    in_force: AcceptedTuneUp | None  # null: the usual tuning
    observer_share: float  # in force now
    usual_share: float
    caution: Text = CAUTION


def identification(rig: Rig, data: Path) -> AbsorberStatus:
    """Raises DrumlinError when the memory cannot be read."""
    memory = read_memory(data / MEMORY_NAME) or Memory()
    absorbers = []
    for absorber in rig.absorbers:
        kept = memory.absorbers.get(absorber.name, AbsorberMemory())
        absorbers.append(absorber_map(rig, absorber, kept.identified, kept.gain))
    tuned = memory.tuned
    share = tuned.observer_share if tuned is not None else OBSERVER_SHARE
    return AbsorberStatus(tuple(absorbers), memory.advice, tuned, share, OBSERVER_SHARE)


def _margins(gain: float | None, phase_deg: float | None) -> str:
    told = "any" if gain is None else f"{gain:.2f}"
    return f"gain margin {told}, phase " + ("any" if phase_deg is None else f"{phase_deg:.0f} deg")


def lines(told: AbsorberStatus) -> list[str]:
    """For people: one block per absorber, then the tune-up."""
    found: list[str] = []
    for one in told.absorbers:
        known = one.identified
        if known is None:
            found.append(f"{one.name}: not identified; the rig file's map is in force")
            continue
        state = "in force" if one.in_force else "left aside: the rig file was edited since"
        found += [
            f"{one.name}: identified {known.date or 'at an unknown date'} (run {known.run_id}), "
            f"{state}",
            f"  torque error {known.error_percent:.1f} % (before: "
            f"{known.error_before_percent:.1f} %) over {known.samples} frames",
            f"  peak {known.map.peak_torque_nm:.0f} N.m at {known.map.critical_speed_radps:.0f} "
            f"rad/s, residual drag {known.map.residual_torque_nm:.1f} N.m",
            f"  coil lag {1e3 * known.coil_lag_s:.0f} ms, field lag "
            f"{1e3 * known.field_lag_s:.0f} ms, holds little below {known.dead_below_mps:.1f} m/s",
        ]
    advice = told.advice
    if advice is None:
        found.append("tune-up: none was done; an identification ends with one")
    else:
        then = _margins(advice.gain_margin, advice.phase_margin_deg)
        best = _margins(advice.advised_gain_margin, advice.advised_phase_margin_deg)
        found.append(
            f"tune-up of {advice.date or advice.run_id}: observer {advice.observer_share:.2f} "
            f"({then}), advised {advice.advised_share:.2f} ({best})"
        )
    tuned = told.in_force
    found.append(
        f"in force: {tuned.observer_share:.2f}, accepted by {tuned.by} from run {tuned.run_id}"
        if tuned is not None
        else f"in force: the usual {told.usual_share:.2f}"
    )
    return found
