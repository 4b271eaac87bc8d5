"""`drumlin heat`: rotors now, what each absorber went through, what is due, how long it may work.

Data flow: memory.json in the data directory (written every few seconds while the rig runs) ->
api.services.thermal_status -> a table for people, or one JSON object (SI) with --json. Nothing here
commands.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated, Any

import typer

from api.cli.shared import (
    DATA,
    DataOption,
    JsonOption,
    RigOption,
    UnitsOption,
    expect_folder_given,
)
from api.examples import DEMO_RIG
from daq.quantities import UnitSystem
from daq.texts.message import render

if TYPE_CHECKING:
    from control.forecast.endurance import EnduranceMap
    from control.thermal.usage import AbsorberUsage
    from daq.rig.description import Rig

MAP_SPEEDS, MAP_POWERS = 8, 8
SLOWEST_SHARE = 0.1


def heat(
    rig: RigOption = DEMO_RIG,
    data: DataOption = DATA,
    map_too: Annotated[
        bool, typer.Option("--map", help="Permitted minutes over power and speed, too.")
    ] = False,
    cold: Annotated[
        bool, typer.Option("--cold", help="The map as if all rotors were cold.")
    ] = False,
    units: UnitsOption = UnitSystem.METRIC,
    json: JsonOption = False,
) -> None:
    """Rotor temperatures, hours, energy, hottest moments, capacity trend, what is due."""
    from api.services.rig_in_force import in_force
    from api.services.thermal_status import records_of, rig_heat
    from control.forecast.endurance import endurance_map
    from control.thermal.usage import AbsorberUsage, capacity_trend, due
    from daq.rig.description import load_rig

    expect_folder_given(data)
    loaded = load_rig(in_force(rig, data))
    rotors, memory = rig_heat(loaded, data, cold=cold)
    kept = records_of(memory)
    found = []
    for absorber, observer in zip(loaded.absorbers, rotors.observers, strict=True):
        record = kept.get(absorber.name)
        life = record.life if record is not None else AbsorberUsage()
        found.append(
            {
                "name": absorber.name,
                "rotor_k": observer.rim_k,
                "rotor_sigma_k": observer.sigma_k,
                "learned": observer.factors if observer.from_memory else (),
                "life": life,
                "trend": capacity_trend(life),
                "due": due(absorber, life),
            }
        )
    chart = endurance_map(rotors, *_grid(loaded, rotors)) if map_too else None
    if json:
        from daq.texts.published import published_json

        print(published_json({"absorbers": found, "endurance": chart}).decode())
        return
    for one in found:
        print("\n".join(_lines(one, units)))
    if chart is not None:
        print("\n".join(_map(chart, units)))


def _grid(rig: Rig, rotors: Any) -> tuple[list[float], list[float]]:
    top = min(rig.limits.max_speed_mps, *(each.max_speed_mps for each in rig.roll_sets))
    low = SLOWEST_SHARE * top
    speeds = [low + (top - low) * k / (MAP_SPEEDS - 1) for k in range(MAP_SPEEDS)]
    most = min(rig.limits.max_power_w, max(rotors.torque_power(speed) for speed in speeds))
    return speeds, [most * (k + 1) / MAP_POWERS for k in range(MAP_POWERS)]


def _lines(one: dict[str, Any], units: UnitSystem) -> list[str]:
    from daq.quantities import shown

    life: AbsorberUsage = one["life"]
    state = "learned" if one["learned"] else "as the rig file describes it"
    spread = shown(one["rotor_sigma_k"], "K", spread=True, units=units)
    out = [
        f"{one['name']}: rotor {shown(one['rotor_k'], 'K', units=units)} ± {spread}, {state}",
        f"    {life.turning_s / 3600.0:.1f} h turned, {life.loaded_s / 3600.0:.1f} h loaded, "
        f"{shown(life.energy_j, 'J', units=units)}; above warning {life.above_warn_s / 60.0:.1f} "
        f"min, above limit {life.above_limit_s:.0f} s",
    ]
    out += [
        f"    hottest {shown(moment.rim_k, 'K', units=units)} in run {moment.run_id or 'none'}"
        for moment in life.hottest
    ]
    trend = one["trend"]
    if trend is not None:
        out.append(
            f"    torque {trend.last:.1%} of the described map after {trend.points} runs in "
            f"{trend.days:.0f} days, {trend.per_year:+.1%} ± {1.96 * trend.per_year_sigma:.1%} a "
            "year"
        )
    out += [f"    due: {render(note, units)}" for note in one["due"]]
    return out


def _map(chart: EnduranceMap, units: UnitSystem) -> list[str]:
    """Minutes per power (rows) and speed (columns); "-": beyond the torque at that speed."""
    from daq.quantities import shown, shown_value, unit_shown

    speed_unit = unit_shown("m/s", units)
    head = "".join(f"{shown_value(v, 'm/s', units):8.0f}" for v in chart.speeds_mps)
    out = [f"\nPermitted minutes; columns {speed_unit}", f"{'':12}{head}"]
    for power, row in zip(chart.powers_w, chart.permitted_s, strict=True):
        cells = "".join(f"{_minutes(each, chart.horizon_s):>8}" for each in row)
        out.append(f"{shown(power, 'W', units=units):>12}{cells}")
    return out


def _minutes(seconds: float, horizon_s: float) -> str:
    if seconds <= 0.0 or not math.isfinite(seconds):
        return "-"
    if seconds >= horizon_s:
        return f">{horizon_s / 60.0:.0f}"
    return f"{seconds / 60.0:.1f}"
