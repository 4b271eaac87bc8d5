"""Plans: what a test asks for. Versioned, SI inside, checked before they are accepted.

Data flow: TOML file or API body -> one struct per test kind (`kind` is its tag) ->
control.test_kinds, which turns a plan into demands. Structs hold what can be checked field by
field; whether a rig can do it is checked in control.test_kinds. Files that a plan names (routes,
traces) are read by whoever reads the plan and put into it: a plan that runs is complete in itself.
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
from msgspec import Meta

PLAN_SCHEMA = 2  # 2: limits on channels, aims of a hold
MOST_POINTS = 40_000

Schema = Annotated[int, Meta(ge=1, le=PLAN_SCHEMA)]
Seconds = Annotated[float, Meta(gt=0, le=7200)]
Rpm = Annotated[float, Meta(gt=0, le=10_000)]
Speed = Annotated[float, Meta(gt=0, le=80)]
Force = Annotated[float, Meta(gt=0, le=100_000)]
Power = Annotated[float, Meta(gt=0, le=2_000_000)]
Percent = Annotated[float, Meta(ge=-100, le=100)]
Kelvin = Annotated[float, Meta(gt=150, le=1500)]
Ordinate = Annotated[float, Meta(ge=-1e6, le=1e6)]  # s, m, m/s or %: wider than any road
Pairs = Annotated[tuple[tuple[Ordinate, Ordinate], ...], Meta(max_length=MOST_POINTS)]


class Tolerance(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Band around the set point counted as held, relative."""

    relative: Annotated[float, Meta(gt=0, le=0.2)] = 0.005


class StartConditions(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Conditions to begin. What is left out does not matter; what is asked for must be measured."""

    rotor_below_k: Kelvin | None = None
    oil_above_k: Kelvin | None = None
    oil_below_k: Kelvin | None = None
    intake_below_k: Kelvin | None = None


class ChannelLimit(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A limit on a slow channel of the rig while the test runs.

    `above`, `below` and `hysteresis` are in `unit`, by default that of the rig file.
    """

    channel: Annotated[str, Meta(min_length=1, max_length=80)]
    above: Ordinate | None = None
    below: Ordinate | None = None
    unit: Annotated[str, Meta(max_length=20)] = ""
    does: Literal["warn", "end", "ease"] = "end"  # "end": in order, what was measured counts
    hysteresis: Annotated[float, Meta(ge=0, le=1e6)] = 0.0  # so far back inside it is over
    for_s: Annotated[float, Meta(ge=0, le=60)] = 1.0  # beyond for so long


Limits = Annotated[tuple[ChannelLimit, ...], Meta(max_length=24)]


class RoadVehicle(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Whose road load is simulated: coefficients of 40 CFR 1066.210, masses, trailer, air."""

    a_n: Annotated[float, Meta(ge=-20_000, le=20_000)]
    mass_kg: Annotated[float, Meta(gt=0, le=100_000)]  # as driven, without cargo_kg and trailer_kg
    b_n_per_mps: Annotated[float, Meta(ge=-2000, le=2000)] = 0.0
    c_n_per_mps2: Annotated[float, Meta(ge=-50, le=50)] = 0.0
    tyres: Annotated[int, Meta(ge=2, le=60)] = 4  # 56.7 kg of rotating parts each, 1066.310(b)(7)
    effective_mass_kg: Annotated[float, Meta(gt=0, le=125_000)] | None = None  # in place of tyres
    cargo_kg: Annotated[float, Meta(ge=0, le=60_000)] = 0.0
    trailer_kg: Annotated[float, Meta(ge=0, le=60_000)] = 0.0
    trailer_tyres: Annotated[int, Meta(ge=0, le=40)] = 0
    drag_area_change_m2: Annotated[float, Meta(ge=-5, le=20)] = 0.0
    rolling_coefficient: Annotated[float, Meta(ge=0, le=0.05)] = 0.008  # of added mass
    headwind_mps: Annotated[float, Meta(ge=-30, le=30)] = 0.0
    air_kg_m3: Annotated[float, Meta(ge=0.5, le=1.6)] = 1.17


class Grade(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Grade of the road in per cent: constant, or by time (s) or distance (m), linear between."""

    percent: Percent | None = None
    by_time: Pairs = ()  # (s, %)
    by_distance: Pairs = ()  # (m, %)
    file: Annotated[str, Meta(max_length=400)] = ""  # a route: CSV or GPX, put in by the reader


class PullTarget(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A grade, and whose road load is pulled up it."""

    vehicle: RoadVehicle
    percent: Percent


class SteadyHold(
    msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="kind", tag="steady-hold"
):
    """Hold engine speed, roll speed, absorber force or absorber power; exactly one is given.

    Force and power are those of the absorbers together, at the roll surface. Beside a held speed
    the driver may have an aim: a power at the wheels, or that of a grade at the held speed.
    """

    seconds: Seconds
    rpm: Rpm | None = None
    speed_mps: Speed | None = None
    force_n: Force | None = None
    power_w: Power | None = None
    target_power_w: Power | None = None  # at the wheels, for the driver to give
    target_grade: PullTarget | None = None
    settle_s: Annotated[float, Meta(ge=0, le=600)] = 10.0  # left out of the result
    until_heat_limit: bool = False  # end in order when a rotor is about to reach its limit
    tolerance: Tolerance = Tolerance()
    begin: StartConditions = StartConditions()
    limits: Limits = ()
    schema: Schema = PLAN_SCHEMA


class SteppedMap(
    msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="kind", tag="stepped-map"
):
    """Hold one set point after the other; each is averaged once it has settled."""

    points_rpm: Annotated[tuple[Rpm, ...], Meta(max_length=60)] = ()
    points_mps: Annotated[tuple[Speed, ...], Meta(max_length=60)] = ()
    settle_band: Annotated[float, Meta(gt=0, le=0.1)] = 0.005  # relative, of the set point
    settle_s: Annotated[float, Meta(gt=0, le=120)] = 3.0  # so long inside the band
    power_band: Annotated[float, Meta(gt=0, le=0.5)] = 0.02  # power may drift so much in settle_s
    average_s: Annotated[float, Meta(gt=0, le=600)] = 10.0
    timeout_s: Annotated[float, Meta(gt=0, le=600)] = 60.0  # to settle; then the point is void
    begin: StartConditions = StartConditions()
    limits: Limits = ()
    schema: Schema = PLAN_SCHEMA


class PowerSweep(
    msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="kind", tag="power-sweep"
):
    """Full pedal from one speed to another at a rate that the absorbers set, rising or falling.

    Either the three figures in rpm or the three in m/s are given.
    """

    from_rpm: Rpm | None = None
    to_rpm: Rpm | None = None
    rpm_per_s: Annotated[float, Meta(gt=0, le=2000)] | None = None
    from_mps: Speed | None = None
    to_mps: Speed | None = None
    mps_per_s: Annotated[float, Meta(gt=0, le=5)] | None = None
    full_pedal_s: Annotated[float, Meta(ge=0, le=30)] = 2.0  # at the start speed, for boost
    begin: StartConditions = StartConditions()
    limits: Limits = ()
    schema: Schema = PLAN_SCHEMA


class SpoolUp(
    msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="kind", tag="spool-up"
):
    """From a light load at one speed to the floor; then speed or load is held."""

    rpm: Rpm | None = None
    speed_mps: Speed | None = None
    light_force_n: Annotated[float, Meta(ge=0, le=20_000)] = 600.0
    after: Literal["speed", "load"] = "speed"  # what is held once the pedal is down
    settle_s: Annotated[float, Meta(gt=0, le=60)] = 3.0
    seconds: Annotated[float, Meta(gt=0, le=60)] = 6.0  # from the kick on
    begin: StartConditions = StartConditions()
    limits: Limits = ()
    schema: Schema = PLAN_SCHEMA


class GradeClimb(
    msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="kind", tag="grade-climb"
):
    """A climb with a truck and its trailer: does it keep up with the target speed, and how long?"""

    vehicle: RoadVehicle
    grade: Grade
    target_mps: Speed
    seconds: Annotated[float, Meta(gt=0, le=14_400)] | None = None
    distance_m: Annotated[float, Meta(gt=0, le=500_000)] | None = None  # default: the whole route
    keep_mps: Annotated[float, Meta(gt=0, le=10)] = 1.0  # so far below the target still keeps up
    begin: StartConditions = StartConditions()
    limits: Limits = ()
    schema: Schema = PLAN_SCHEMA


class SpeedTrace(
    msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="kind", tag="speed-trace"
):
    """Drive a speed over time against road load; band of 40 CFR 1066.425."""

    vehicle: RoadVehicle
    points: Pairs = ()  # (s, m/s), linear between
    file: Annotated[str, Meta(max_length=400)] = ""  # CSV, put in by the reader
    grade: Grade = Grade(percent=0.0)
    band_mps: Annotated[float, Meta(gt=0, le=5)] = 0.89408  # 2.0 mph; warm-up 4.0 mph
    countdown_s: Annotated[float, Meta(ge=0, le=60)] = 5.0
    ahead_s: Annotated[float, Meta(ge=0, le=30)] = 6.0
    begin: StartConditions = StartConditions()
    limits: Limits = ()
    schema: Schema = PLAN_SCHEMA


class Coastdown(
    msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="kind", tag="coastdown"
):
    """Roll out in neutral from one speed to another: unloaded, at a force, or at a road load."""

    from_mps: Speed
    to_mps: Speed
    force_n: Force | None = None
    vehicle: RoadVehicle | None = None
    lead_mps: Annotated[float, Meta(gt=0, le=5)] = 1.0  # so much faster before the coast begins
    interval_mps: Annotated[float, Meta(gt=0, le=30)] = 4.4704  # 10 mph
    timeout_s: Annotated[float, Meta(gt=0, le=3600)] = 600.0
    begin: StartConditions = StartConditions()
    limits: Limits = ()
    schema: Schema = PLAN_SCHEMA


class SnapSmoke(
    msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="kind", tag="snap-smoke"
):
    """Snap acceleration smoke in neutral: three valid snaps in a row, nothing loaded."""

    idle_s: Annotated[float, Meta(ge=5, le=40)] = 10.0  # at idle between snaps
    within_s: Annotated[float, Meta(gt=10, le=120)] = 45.0  # the next snap comes before that
    most_snaps: Annotated[int, Meta(ge=3, le=9)] = 9
    snap_rise: Annotated[float, Meta(ge=1.2, le=5)] = 2.0  # engine speed over idle that is a snap
    probe_s: Annotated[float, Meta(ge=0, le=300)] = 15.0  # to put the probe in or take it out
    spread_percent: Annotated[float, Meta(gt=0, le=50)] = 5.0
    begin: StartConditions = StartConditions()
    limits: Limits = ()
    schema: Schema = PLAN_SCHEMA


class Identification(
    msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="kind", tag="identification"
):
    """Step the absorbers' currents while the rolls run down, to find their maps and lags."""

    from_mps: Speed = 28.0
    to_mps: Speed = 3.0
    step_s: Annotated[float, Meta(ge=0.2, le=5)] = 0.5  # each current
    coasts: Annotated[int, Meta(ge=1, le=4)] = 2  # for each absorber of a roll set
    begin: StartConditions = StartConditions()
    limits: Limits = ()
    schema: Schema = PLAN_SCHEMA


Plan = (
    SteadyHold
    | SteppedMap
    | PowerSweep
    | SpoolUp
    | GradeClimb
    | SpeedTrace
    | Coastdown
    | SnapSmoke
    | Identification
)


def kind_of(plan: Plan) -> str:
    """The tag of a plan's kind, such as "steady-hold"."""
    return str(plan.__struct_config__.tag)
