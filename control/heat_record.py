"""What of an absorber's heat survives a restart.

Data flow: control.heat_keeper -> RotorRecord -> control.memory -> memory.json -> the next keeper.
"""

from __future__ import annotations

import msgspec

from control.coil import CoilMemory
from control.heat_life import AbsorberLife
from control.heat_observer import RotorMemory


class RotorRecord(msgspec.Struct, frozen=True):
    """One absorber's heat as it is kept over a restart."""

    rotor: RotorMemory
    cooling: bool = False  # has been at its limit and is not yet below re-entry
    life: AbsorberLife = AbsorberLife()
    coil: CoilMemory | None = None
    run_share: float | None = None  # of the rig's energy in the last run with work worth the name
