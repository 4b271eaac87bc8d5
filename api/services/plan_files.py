"""Plans from files: TOML in trade units or SI, with the routes and traces that they name.

Data flow: plan file -> units to SI by the ending of each name -> msgspec -> files put in ->
Plan or Campaign, complete in itself. Names may end in another unit than the schema's: speed_kmh
for speed_mps, mass_lb for mass_kg, minutes for seconds, and so on (docs/plans.md).
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import msgspec

from control.campaigns.campaign import Campaign
from control.test_kinds.plans import GradeClimb, Plan, SpeedTrace
from control.test_kinds.route import parse_route
from daq.errors import DrumlinError, Refused
from daq.quantities import FOOT, HORSEPOWER, MILE, POUND, POUND_FORCE
from daq.results.kinds.cycles import load_trace
from daq.texts.message import say

_MPH = MILE / 3600.0
# Ending -> (ending of the schema, factor, offset); the longest that fits is taken.
UNITS: dict[str, tuple[str, float, float]] = {
    "_lbf_per_mph2": ("_n_per_mps2", POUND_FORCE / _MPH**2, 0.0),
    "_lbf_per_mph": ("_n_per_mps", POUND_FORCE / _MPH, 0.0),
    "_n_per_kmh2": ("_n_per_mps2", 3.6**2, 0.0),
    "_n_per_kmh": ("_n_per_mps", 3.6, 0.0),
    "_kmh_per_s": ("_mps_per_s", 1.0 / 3.6, 0.0),
    "_mph_per_s": ("_mps_per_s", _MPH, 0.0),
    "_kmh": ("_mps", 1.0 / 3.6, 0.0),
    "_mph": ("_mps", _MPH, 0.0),
    "_kn": ("_n", 1000.0, 0.0),
    "_lbf": ("_n", POUND_FORCE, 0.0),
    "_kw": ("_w", 1000.0, 0.0),
    "_hp": ("_w", HORSEPOWER, 0.0),
    "_lb": ("_kg", POUND, 0.0),
    "_ft2": ("_m2", FOOT**2, 0.0),
    "_km": ("_m", 1000.0, 0.0),
    "_mi": ("_m", MILE, 0.0),
    "_min": ("_s", 60.0, 0.0),
    "_c": ("_k", 1.0, 273.15),
}
_WHOLE = {"minutes": ("seconds", 60.0)}


def to_si(value: Any) -> Any:
    """The same data with names and numbers in the schema's units, all the way down."""
    if isinstance(value, list):
        return [to_si(each) for each in value]
    if not isinstance(value, dict):
        return value
    told: dict[str, Any] = {}
    for name, each in value.items():
        key, scaled = name, to_si(each)
        if name in _WHOLE:
            key, factor = _WHOLE[name]
            scaled = _scale(each, factor, 0.0)
        elif not isinstance(each, dict | str | bool):
            for ending, (si, factor, offset) in UNITS.items():
                if name.endswith(ending):
                    key = name.removesuffix(ending) + si
                    scaled = _scale(each, factor, offset)
                    break
        if key in told:
            raise Refused(
                say("given-twice-in-two-units", name=name), say("give-once"), "plan-field"
            )
        told[key] = scaled
    return told


def _scale(value: Any, factor: float, offset: float) -> Any:
    if isinstance(value, list):
        return [_scale(each, factor, offset) for each in value]
    if isinstance(value, int | float) and not isinstance(value, bool):
        return value * factor + offset
    return value


def plan_from(data: dict[str, Any], folder: Path, source: str = "plan") -> Plan | Campaign:
    """A plan or campaign from plain data. Raises DrumlinError naming the field that is wrong."""
    data = to_si(data)
    try:
        if data.get("kind") == "campaign":
            campaign = msgspec.convert(data, Campaign)
            return msgspec.structs.replace(campaign, plan=with_files(campaign.plan, folder))
        return with_files(msgspec.convert(data, Plan), folder)
    except msgspec.ValidationError as error:
        raise DrumlinError(
            say("in-plan-file", source=source, error=error),
            say("correct-field-docs-plans-md-lists"),
        ) from None


def load_plan(path: Path) -> Plan | Campaign:
    """A plan from a TOML file; files that it names are looked for beside it."""
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise DrumlinError(
            say("cannot-be-read", path=path, error=error), say("check-file-name-rights")
        ) from None
    except tomllib.TOMLDecodeError as error:
        raise DrumlinError(say("not-toml", path=path, error=error), say("mend-line")) from None
    return plan_from(data, path.parent, str(path))


def with_files(plan: Plan, folder: Path) -> Plan:
    """The plan with its route and trace put in. Raises Refused when a file cannot be used."""
    if isinstance(plan, GradeClimb | SpeedTrace) and plan.grade.file:
        route = parse_route(_text(folder / plan.grade.file), plan.grade.file)
        plan = msgspec.structs.replace(
            plan, grade=msgspec.structs.replace(plan.grade, file="", by_distance=route.points)
        )
    if isinstance(plan, SpeedTrace) and plan.file:
        trace = load_trace(folder / plan.file)
        times, speeds = trace.time_s.tolist(), trace.speed_mps.tolist()
        points = tuple(zip(times, speeds, strict=True))
        plan = msgspec.structs.replace(plan, file="", points=points)
        if trace.grade_percent.any() and plan.grade.percent == 0.0:
            graded = tuple(zip(times, trace.grade_percent.tolist(), strict=True))
            plan = msgspec.structs.replace(
                plan, grade=msgspec.structs.replace(plan.grade, percent=None, by_time=graded)
            )
    return plan


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise Refused(
            say("cannot-be-read", path=path, error=error), say("check-file-name-rights"), "route"
        ) from None
