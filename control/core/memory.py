"""What must survive a restart of the loop: the trip latch, zeros, learned numbers.

Data flow: Core.memory() -> the loop process writes it -> the next Core starts from it.
"""

from __future__ import annotations

import msgspec

from control.absorber.identified import AcceptedTuneUp, Advice, Identified
from control.safety.faults import TripLatch
from control.thermal.record import RotorRecord
from daq.measure.speed.tooth_errors import ToothTable

MEMORY_SCHEMA = 1


class AbsorberMemory(msgspec.Struct, frozen=True):
    """Learned numbers of one absorber. `shape` corrects the map over current, 1 = as described."""

    gain: float = 1.0
    shape: tuple[float, ...] = ()
    rotor_k: float = 293.15
    zero_count: float | None = None
    heat: RotorRecord | None = None
    identified: Identified | None = None  # in place of the rig file's first guess


class Memory(msgspec.Struct, frozen=True):
    schema: int = MEMORY_SCHEMA
    session: int = 0  # last session number used on the wire
    trip: TripLatch | None = None
    loaded: bool = False  # load was on when this was written: coming up with it set is a trip
    ratio_per_m: float | None = None  # engine rad/s per roll m/s of the gear learned last
    ratio_of: str | None = None  # the vehicle acknowledged as it was learned; None: not known
    absorbers: dict[str, AbsorberMemory] = {}
    teeth: dict[str, ToothTable] = {}  # by roll set
    advice: Advice | None = None  # of the newest tune-up
    tuned: AcceptedTuneUp | None = None  # the tune-up in force; None: the usual tuning


def found_in(memory: Memory) -> dict[str, Identified]:
    """What identifications found, by absorber name."""
    return {
        name: one.identified for name, one in memory.absorbers.items() if one.identified is not None
    }
