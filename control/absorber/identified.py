"""What an identification found about one absorber, as it is kept and shown.

Data flow: control.absorber.identification -> Identified -> control.core.memory -> `described`,
which puts it in the place of the rig file's first guess at every start.
"""

from __future__ import annotations

import msgspec

from daq.rig.description import Absorber, AbsorberMap


class Identified(msgspec.Struct, frozen=True):
    """Torque over current, speed and rotor temperature of one absorber, its lags and residuals.

    `guess`, `guess_coil_lag_s`, `guess_field_lag_s`: what the rig file said then. When that has
    been edited since, the file is newer and what was found is left aside.
    """

    run_id: str
    date: str  # of the run, from its id; "" when the id tells none
    map: AbsorberMap
    coil_lag_s: float
    field_lag_s: float
    shape: tuple[float, ...]  # correction over current, from zero to the continuous current
    guess: AbsorberMap
    guess_coil_lag_s: float
    guess_field_lag_s: float
    rms_nm: float  # torque residual of the fit
    rms_before_nm: float  # of the map in force before, on the same rows
    error_percent: float  # rms_nm over the rms torque
    error_before_percent: float
    dead_below_mps: float  # roll speed below which full current gives under a tenth of the peak
    sigma: dict[str, float]  # relative standard deviation of each number (residual: N.m)
    samples: int
    slowest_radps: float  # of the shaft, where the rows came from
    fastest_radps: float
    coldest_k: float
    hottest_k: float


class Advice(msgspec.Struct, frozen=True):
    """What the tune-up at the end of an identification found and would choose.

    Told, not set: a person accepts it. The linearised loop knows nothing of tyres and driveline.
    A margin is None where the phase or the gain never gets there.
    """

    run_id: str
    date: str
    observer_share: float  # in force then, and its margins
    gain_margin: float | None
    phase_margin_deg: float | None
    delay_margin_s: float | None
    advised_share: float  # and its margins: with the numbers found, and the least of the spread
    advised_gain_margin: float | None
    advised_phase_margin_deg: float | None
    advised_delay_margin_s: float | None
    worst_gain_margin: float | None
    worst_phase_margin_deg: float | None
    spread: float  # how far the numbers may be off, as a share
    truck_kg: float | None = None  # what the truck adds at the rolls, and its standard deviation
    truck_sigma_kg: float | None = None


class AcceptedTuneUp(msgspec.Struct, frozen=True):
    """A tune-up that a person has put in force."""

    run_id: str
    observer_share: float
    by: str


def date_of(run_id: str) -> str:
    """ISO date of a run id `YYYYMMDD-...`; "" of any other."""
    day = run_id[:8]
    return f"{day[:4]}-{day[4:6]}-{day[6:]}" if len(day) == 8 and day.isdigit() else ""


def described(absorber: Absorber, found: Identified | None) -> Absorber:
    """The absorber as identified; as the rig file says when nothing newer was found."""
    if found is None or (
        found.guess,
        found.guess_coil_lag_s,
        found.guess_field_lag_s,
    ) != (absorber.map, absorber.coil_lag_s, absorber.field_lag_s):
        return absorber
    return msgspec.structs.replace(
        absorber, map=found.map, coil_lag_s=found.coil_lag_s, field_lag_s=found.field_lag_s
    )
