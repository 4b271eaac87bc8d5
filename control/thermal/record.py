"""What of an absorber's heat survives a restart.

Data flow: control.thermal.manager -> RotorRecord -> control.core.memory -> memory.json -> the next
keeper.
"""

from __future__ import annotations

import msgspec

from control.thermal.coil import CoilMemory
from control.thermal.rotor_observer import RotorMemory
from control.thermal.usage import AbsorberUsage


class RotorRecord(msgspec.Struct, frozen=True):
    """One absorber's heat as it is kept over a restart."""

    rotor: RotorMemory
    cooling: bool = False  # has been at its limit and is not yet below re-entry
    life: AbsorberUsage = AbsorberUsage()
    coil: CoilMemory | None = None
    run_share: float | None = None  # of the rig's energy in the last run with work worth the name
