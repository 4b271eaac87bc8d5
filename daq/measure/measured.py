"""What daq hands to control for each sample frame: readings only, each with unit, time, quality.

Produced by daq.measure.chain.Chain; consumed by control.core.core and, column by column, by
daq.results.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from daq.readings import Reading, Unit, missing

NOT_YET_KNOWN = "not yet known"  # condition of a roll set in the first moments of a session
_NO_RATIO = missing(Unit.PER_METRE, 0.0)
_NO_SLIP = missing(Unit.RATIO, 0.0)


class RollSetReadings(msgspec.Struct, frozen=True, gc=False):
    """One roll set, at the roll surface. Speed and force are aligned to the same `time_s`.

    tractive = absorber force + parasitic loss(v) + base inertia x dv/dt; power = tractive x speed.
    """

    name: str
    speed: Reading  # m/s
    acceleration: Reading  # m/s2
    absorber_force: Reading  # N
    loss_force: Reading  # N
    inertia_force: Reading  # N
    tractive_force: Reading  # N
    power: Reading  # W
    speed_delay_s: float  # age of all these readings at the frame's tick, declared
    condition: str = ""  # "" while plainly moving, else why not: "standing", "starting", ...


class AbsorberReadings(msgspec.Struct, frozen=True, gc=False):
    name: str
    cell_force: Reading  # N at the load cell, signed so that braking is positive
    torque: Reading  # N.m at the absorber shaft
    force: Reading  # N at the roll surface
    current: Reading  # A, measured by the supply
    speed_radps: float  # absorber shaft speed used for the map
    force_delay_s: float  # declared age of cell_force
    condition: str = ""  # what is wrong with the cell, in words; "" when nothing is


class Measured(msgspec.Struct, frozen=True, gc=False):
    """All readings of one frame. `time_s` is 64-bit device time of the frame in seconds."""

    time_s: float
    sequence: int
    frames_lost: int  # lost just before this frame
    roll_sets: tuple[RollSetReadings, ...]  # rig order
    absorbers: tuple[AbsorberReadings, ...]  # rig order
    engine_speed: Reading  # rad/s
    engine_speed_source: str  # "pickup", "channel", "ratio", ""
    slow: dict[str, Reading]  # by channel name, SI; shared between frames, do not change
    stop_chain_closed: bool
    tie_downs: bool | None  # None: rig has no such input
    digital: dict[str, bool]
    permission: int  # daq.wire.frames.Permission
    permission_left_s: float
    last_set_point: int  # sequence of the set point the front end last took
    overall_ratio: Reading = _NO_RATIO  # engine rad/s per roll m/s, measured now
    slip: Reading = _NO_SLIP  # change of slip since the ratio was learned; positive: tyres lag
    roll_difference: Reading = _NO_SLIP  # fastest over slowest running roll set, less one
    # Fresh travel for control, per roll set (m since the last new edge, age of the newest in s);
    # NaN: no new edge (daq.measure.speed.fresh_travel). Only the load loop uses it; what is shown
    # is in `roll_sets`.
    fresh_travel: Sequence[Sequence[float]] = ()
    tyre_slip: bool = False  # tyres slip on the rolls, by ratio or by roll sets (daq.measure.slip)
    # The same as plain numbers for control.core.controller_inputs, in the layout of
    # daq.measure.balance: per roll set, per absorber, then the coil currents. Empty: the chain has
    # none.
    flat: Sequence[float] = ()
