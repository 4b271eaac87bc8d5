"""Road load: the force the road would ask of a truck, with grade, inertia, trailer and air.

Data flow: plan and vehicle -> RoadLoad (checked once) -> `force` at each step -> demand. Pure, SI.
40 CFR 1066.210(d)(3): F = A cos(atan(G/100)) + B v + C v^2 + Me dv/dt + M g sin(atan(G/100)).
Target and set coefficients may be negative (public test-car lists hold such), so none is clamped;
what the absorber cannot deliver is a shortfall for the caller to report.
"""

from __future__ import annotations

import math

import msgspec

from daq.errors import Refused
from daq.quantities import MILE
from daq.rig.gravity import STANDARD_GRAVITY
from daq.texts.message import Text, say

KG_PER_TYRE = 56.7  # rotating parts of one tyre and wheel as extra mass; 40 CFR 1066.310(b)(7)
REFERENCE_AIR_KG_M3 = 1.17  # 40 CFR 1066.310
COLD_TEST_FACTOR = 1.1  # 40 CFR 1066.305(b)(2)
STEEPEST_PERCENT = 35.0  # beyond any public road; a route that says more is wrong

_MPH = MILE / 3600.0


class RoadLoad(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Coefficients and masses of a vehicle or a combination."""

    a_n: float
    b_n_per_mps: float
    c_n_per_mps2: float
    mass_kg: float  # what gravity acts on
    effective_mass_kg: float  # mass plus rotating parts


def effective_mass(mass_kg: float, tyres: int) -> float:
    """Mass with rotating parts, kg; 40 CFR 1066.310(b)(7)."""
    return mass_kg + KG_PER_TYRE * tyres


def check_road_load(load: RoadLoad, top_speed_mps: float = 60.0) -> RoadLoad:
    """The same road load when it can be a vehicle; raises Refused (code "road-load") if not."""

    def refuse(problem: Text, remedy: Text) -> None:
        raise Refused(problem, remedy, "road-load")

    if not all(math.isfinite(number) for number in msgspec.structs.astuple(load)):
        refuse(say("road-load-number-is-not-finite"), say("give-all-coefficients-and-masses"))
    if not 0 < load.mass_kg <= 100_000:
        refuse(
            say("mass-of-cannot-be-right", mass_kg=load.mass_kg),
            say("give-mass-as-driven-in-kilograms"),
        )
    if not load.mass_kg <= load.effective_mass_kg <= 1.25 * load.mass_kg:
        refuse(
            say(
                "effective-mass-of-does-not-fit",
                effective_mass_kg=load.effective_mass_kg,
                mass_kg=load.mass_kg,
            ),
            say("it-is-mass-plus-rotating-parts"),
        )
    at_top = load.a_n + load.b_n_per_mps * top_speed_mps + load.c_n_per_mps2 * top_speed_mps**2
    if at_top <= 0:
        refuse(
            say(
                "coefficients-give-at-vehicle-that-speeds",
                at_top_n=at_top,
                top_speed_mps=top_speed_mps,
            ),
            say("check-signs-and-units-of-b"),
        )
    if at_top > load.mass_kg * STANDARD_GRAVITY:
        refuse(
            say(
                "coefficients-give-at-more-than-vehicle",
                at_top_n=at_top,
                top_speed_mps=top_speed_mps,
            ),
            say("check-units-of-b-and-c"),
        )
    return load


def check_grade(grade_percent: float) -> float:
    """The same grade when a road can have it; raises Refused (code "grade") if not."""
    if not math.isfinite(grade_percent) or abs(grade_percent) > STEEPEST_PERCENT:
        raise Refused(
            say("grade-of-cannot-be-road", grade_percent=grade_percent),
            say("give-percent-rise-over-run-between", steepest_percent=STEEPEST_PERCENT),
            "grade",
        )
    return grade_percent


def force(
    load: RoadLoad,
    speed_mps: float,
    acceleration_mps2: float = 0.0,
    grade_percent: float = 0.0,
    *,
    headwind_mps: float = 0.0,
    air_kg_m3: float = REFERENCE_AIR_KG_M3,
) -> float:
    """Force at the tyres' contact, N, to be shared between all roll sets.

    The terms of 40 CFR 1066.210(d)(3); the cosine of the slope on A is from memory.
    """
    slope = math.hypot(1.0, grade_percent / 100)
    through_air = speed_mps + headwind_mps
    return (
        load.a_n / slope
        + load.b_n_per_mps * speed_mps
        + load.c_n_per_mps2 * through_air * abs(through_air) * air_kg_m3 / REFERENCE_AIR_KG_M3
        + load.effective_mass_kg * acceleration_mps2
        + load.mass_kg * STANDARD_GRAVITY * (grade_percent / 100) / slope
    )


def scaled(load: RoadLoad, factor: float) -> RoadLoad:
    """Coefficients times a factor, masses kept, as cold tests ask (40 CFR 1066.305(b)(2))."""
    return msgspec.structs.replace(
        load,
        a_n=load.a_n * factor,
        b_n_per_mps=load.b_n_per_mps * factor,
        c_n_per_mps2=load.c_n_per_mps2 * factor,
    )


def with_load(
    load: RoadLoad,
    *,
    cargo_kg: float = 0.0,
    trailer_kg: float = 0.0,
    trailer_tyres: int = 0,
    drag_area_change_m2: float = 0.0,
    rolling_coefficient: float = 0.008,
) -> RoadLoad:
    """The same truck with cargo and trailer.

    Added mass rolls with `rolling_coefficient` (newton per newton; an assumption to be printed),
    added drag area enters C as rho/2 at the reference density.
    """
    added = cargo_kg + trailer_kg
    return msgspec.structs.replace(
        load,
        a_n=load.a_n + rolling_coefficient * added * STANDARD_GRAVITY,
        c_n_per_mps2=load.c_n_per_mps2 + 0.5 * REFERENCE_AIR_KG_M3 * drag_area_change_m2,
        mass_kg=load.mass_kg + added,
        effective_mass_kg=load.effective_mass_kg + effective_mass(added, trailer_tyres),
    )
