"""A plan from the options of a command line: the usual cases of each kind, without a file.

Data flow: kind and PlanOptions (SI) -> plain data -> api.services.plan_files -> Plan.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec

from api.services.plan_files import plan_from
from control.campaigns.campaign import Campaign
from control.test_kinds.kinds import KINDS
from control.test_kinds.plans import Plan
from daq.errors import DrumlinError
from daq.texts.message import say

# A pickup's road load: 40 CFR form, coefficients of a public test-car list (lbf and mph).
ROAD_LOAD = {"a_lbf": 50.93, "b_lbf_per_mph": 0.1598, "c_lbf_per_mph2": 0.04263}
CLIMB_MPS, CLIMB_PERCENT = 64.4 / 3.6, 6.0


class PlanOptions(msgspec.Struct, frozen=True):
    """Options in SI; None or empty means not given."""

    rpm: float | None = None
    speed_mps: float | None = None
    force_n: float | None = None
    power_w: float | None = None
    minutes: float = 3.0
    points: str = ""
    start: float | None = None  # rpm of a sweep, m/s of a coast
    stop: float | None = None
    rate: float = 150.0
    after: str = "speed"
    grade: float | None = None
    route: Path | None = None
    trace: Path | None = None
    mass_kg: float = 3600.0
    trailer_kg: float = 0.0


COASTS = ("coastdown", "identification")  # kinds whose start and stop are speeds


def plan_of(kind: str, asked: PlanOptions) -> Plan | Campaign:
    """The plan. Raises DrumlinError when the options do not make one."""
    if kind not in KINDS:
        raise DrumlinError(
            say("there-no-test-kind-no-such", kind=kind),
            say("kinds-or-file-ends-in-toml", kinds=KINDS),
        )
    data: dict[str, Any] = {"kind": kind} | _DATA[kind](asked)
    given = {name: value for name, value in data.items() if value is not None}
    return plan_from(given, Path(), kind)


def _hold(asked: PlanOptions) -> dict[str, Any]:
    return {
        "minutes": asked.minutes,
        "rpm": asked.rpm,
        "speed_mps": asked.speed_mps,
        "force_n": asked.force_n,
        "power_w": asked.power_w,
        "settle_s": min(10.0, asked.minutes * 20.0),
    }


def _map(asked: PlanOptions) -> dict[str, Any]:
    try:
        points = [float(each) for each in asked.points.split(",") if each.strip()]
    except ValueError:
        raise DrumlinError(
            say("not-list-numbers", points=asked.points), say("give-points-1500-1800-2100")
        ) from None
    return {"points_rpm": points or [1500.0, 2000.0, 2500.0]}


def _sweep(asked: PlanOptions) -> dict[str, Any]:
    return {
        "from_rpm": asked.start if asked.start is not None else 1500.0,
        "to_rpm": asked.stop if asked.stop is not None else 3000.0,
        "rpm_per_s": asked.rate,
    }


def _spool(asked: PlanOptions) -> dict[str, Any]:
    rpm = asked.rpm if asked.rpm is not None or asked.speed_mps is not None else 1500.0
    return {
        "rpm": rpm,
        "speed_mps": asked.speed_mps,
        "after": asked.after,
        "light_force_n": asked.force_n,
    }


def _vehicle(asked: PlanOptions) -> dict[str, Any]:
    trailer = {"trailer_kg": asked.trailer_kg, "trailer_tyres": 4} if asked.trailer_kg else {}
    return {**ROAD_LOAD, "mass_kg": asked.mass_kg, **trailer}


def _climb(asked: PlanOptions) -> dict[str, Any]:
    grade: dict[str, Any] = {"percent": asked.grade if asked.grade is not None else CLIMB_PERCENT}
    if asked.route is not None:
        grade = {"file": str(asked.route)}
    return {
        "vehicle": _vehicle(asked),
        "grade": grade,
        "target_mps": asked.speed_mps if asked.speed_mps is not None else CLIMB_MPS,
        "seconds": None if asked.route is not None else asked.minutes * 60.0,
    }


def _trace(asked: PlanOptions) -> dict[str, Any]:
    if asked.trace is None:
        raise DrumlinError(say("speed-trace-needs-its-file"), say("give-trace-file"))
    return {"vehicle": _vehicle(asked), "file": str(asked.trace)}


def _coast(asked: PlanOptions) -> dict[str, Any]:
    return {
        "from_mps": asked.start if asked.start is not None else 100.0 / 3.6,
        "to_mps": asked.stop if asked.stop is not None else 30.0 / 3.6,
        "force_n": asked.force_n,
    }


def _identification(asked: PlanOptions) -> dict[str, Any]:
    return {"from_mps": asked.start, "to_mps": asked.stop}


def _snap(_asked: PlanOptions) -> dict[str, Any]:
    return {}


_DATA = {
    "steady-hold": _hold,
    "stepped-map": _map,
    "power-sweep": _sweep,
    "spool-up": _spool,
    "grade-climb": _climb,
    "speed-trace": _trace,
    "coastdown": _coast,
    "snap-smoke": _snap,
    "identification": _identification,
}
