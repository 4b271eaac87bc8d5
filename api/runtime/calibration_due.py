"""Whether the load cells' calibration is in date: told to the core, which reads no wall clock.

Data flows: dates in the rig file and today's date -> one sentence, "" when all is well. It can only
keep a test from starting; a running one never hears of it. A computer whose date is wrong says so.
"""

from __future__ import annotations

from datetime import date

from daq.rig.description import Rig


def calibration_problem(rig: Rig, today: date) -> str:
    """What is wrong with the first cell that is not in date; "" when none is, or none is asked."""
    days = rig.limits.calibration_days
    if days <= 0.0:
        return ""
    for absorber in rig.absorbers:
        text = absorber.cell.calibrated_on
        if not text:
            return f"{absorber.name}: calibrated_on is empty"
        try:
            done = date.fromisoformat(text)
        except ValueError:
            return f"{absorber.name}: '{text}' is no date like 2026-10-05"
        age = (today - done).days
        if age < -1:
            return f"{absorber.name}: {text} lies in the future; check this computer's date"
        if age > days:
            return f"{absorber.name}: calibrated {text}, {age} days ago; {days:g} are allowed"
    return ""
