"""A run in plain sentences: what was asked and what came out, with the interval.

Data flow: plan and figures -> two sentences for the report, the page and the command line. Units
are those people use at a rig (kW, rpm, km/h, °C, or hp, mph, °F); the SI numbers stay in the
figures, so that the sentences can be made again in the units of another reader.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from daq.quantities import SHOWN, SHOWN_US, UnitSystem, number, scale, shown, unit_shown
from daq.results.result import Figure


def half_width(one: Figure) -> float | None:
    """Half of a figure's interval."""
    return None if one.low is None or one.high is None else (one.high - one.low) / 2.0


def with_interval(one: Figure, units: UnitSystem = UnitSystem.METRIC) -> str:
    """A figure with its interval, as ± where it lies evenly."""
    half = half_width(one)
    if half is None:
        return shown(one.value, one.unit, units=units)
    name, factor, offset, digits = scale(one.unit, units)
    while digits < 3 and 0.0 < half * factor < 0.95 * 10.0**-digits:
        digits += 1
    value = (one.value or 0.0) * factor + offset
    return f"{number(value, digits)} ± {half * factor:,.{digits}f} {name}".strip()


def asked_of(plan: dict[str, Any], units: UnitSystem = UnitSystem.METRIC) -> str:
    """What a plan asks for, in one sentence."""
    kind = str(plan.get("kind", ""))
    get = plan.get
    if kind == "steady-hold":
        return f"Hold {_aim(plan, units)} for {_time(float(get('seconds', 0.0)))}."
    if kind == "stepped-map":
        rpm, mps = get("points_rpm") or (), get("points_mps") or ()
        points = [f"{p:,.0f}" for p in rpm] if rpm else [_speed(p, units, bare=True) for p in mps]
        unit = "rpm" if rpm else unit_shown("m/s", units)
        return f"Hold one point after the other: {', '.join(points)} {unit}."
    if kind == "power-sweep":
        if get("from_rpm") is not None:
            return (
                f"Full pedal from {get('from_rpm'):,.0f} to {get('to_rpm'):,.0f} rpm "
                f"at {get('rpm_per_s'):,.0f} rpm a second."
            )
        return (
            f"Full pedal from {_speed(float(get('from_mps', 0)), units, bare=True)} to "
            f"{_speed(float(get('to_mps', 0)), units)} at "
            f"{_speed(float(get('mps_per_s', 0)), units, digits=1)} a second."
        )
    if kind == "spool-up":
        return (
            f"Floor it from a light load at {_aim(plan, units)}, {get('after', 'speed')} held, "
            f"and watch the rise for {_time(float(get('seconds', 6.0)))}."
        )
    if kind == "grade-climb":
        grade = (get("grade") or {}).get("percent")
        slope = f"a grade of {grade:g} %" if grade is not None else "a route"
        return f"Climb {slope} at {_speed(float(get('target_mps', 0)), units)}."
    if kind == "speed-trace":
        path = get("points") or ((0.0, 0.0),)
        name = str(get("file", "")) or "a speed trace"
        return f"Follow {name} of {_time(float(path[-1][0]) - float(path[0][0]))}."
    if kind == "coastdown":
        load = "a road load" if get("vehicle") else ""
        load = shown(float(get("force_n", 0.0)), "N", units=units) if get("force_n") else load
        return (
            f"Coast from {_speed(float(get('from_mps', 0)), units, bare=True)} to "
            f"{_speed(float(get('to_mps', 0)), units)} against {load or 'nothing but losses'}."
        )
    if kind == "snap-smoke":
        return "Snap the pedal in neutral until three snaps in a row agree in smoke."
    return "A run without a plan."


def answer_of(
    kind: str,
    figures: Sequence[Figure],
    main: str,
    level: float,
    units: UnitSystem = UnitSystem.METRIC,
) -> str:
    """The answer in one sentence with its interval."""
    of = {one.name: one for one in figures}
    sure = f"({100 * level:g} % interval)"
    base = main.removesuffix("_corrected")
    if kind in ("power-sweep", "stepped-map") and base in of:
        text = f"Highest wheel power {with_interval(of[base], units)} {sure}"
        if f"{base}_at" in of:
            where = of[f"{base}_at"]
            text += f" at {shown(where.value, where.unit, units=units)}"
        torque = base.replace("power", "torque")
        if torque in of and f"{torque}_at" in of:
            at = of[f"{torque}_at"]
            text += (
                f"; highest torque referred to the engine {with_interval(of[torque], units)} "
                f"at {shown(at.value, at.unit, units=units)}"
            )
        return f"{text}{_corrected(of, base, units)}."
    if kind == "steady-hold" and base in of:
        text = f"Mean wheel power {with_interval(of[base], units)} {sure}"
        if "mean_held" in of:
            held = of["mean_held"]
            text += f" at {shown(held.value, held.unit, units=units)}"
        if "settled" in of:
            text += f" over {_time(of['settled'].value or 0.0)}"
        return f"{text}{_corrected(of, base, units)}{_aimed(of, units)}."
    if kind == "spool-up" and main in of:
        early = of.get(main.replace("t90", "t10"))
        rise = (of[main].value or 0.0) - ((early.value or 0.0) if early else 0.0)
        return (
            f"90 % of the full pull {with_interval(of[main], units)} after its onset {sure}; "
            f"from 10 to 90 % in {rise:.2f} s."
        )
    if kind == "grade-climb" and main in of:
        share = 100.0 * (of[main].value or 0.0)
        if share > 99.5:
            text = f"It kept up all the way, {_time(of['climbed'].value or 0.0)}"
        else:
            text = (
                f"It kept up for {_time(of['kept_for'].value or 0.0)}, then for "
                f"{share:.0f} % of the climb"
            )
        return f"{text}; mean wheel power {with_interval(of['mean_power'], units)} {sure}."
    if kind == "speed-trace" and main in of:
        count = int(of["excursions"].value or 0)
        if count == 0:
            return "Inside the band all the way."
        return (
            f"{count} excursion{'s' if count > 1 else ''} out of the band, the longest "
            f"{shown(of[main].value, 's')}."
        )
    if kind == "coastdown" and main in of:
        return (
            f"It coasted for {shown(of[main].value, 's')}; mean force "
            f"{with_interval(of['mean_force'], units)} {sure}."
        )
    if kind == "snap-smoke" and main in of:
        if of[main].value is None:
            return "No three snaps in a row agree: the test is void."
        return (
            f"Smoke {shown(of[main].value, '%')} opacity, mean of three snaps that lie within "
            f"{shown(of['spread'].value, '%')}."
        )
    return "No answer."


def _aimed(of: dict[str, Figure], units: UnitSystem) -> str:
    """Whether what the driver was to give was met; it is by its interval or it is not."""
    over = of.get("over_target")
    if over is None or over.low is None or over.high is None:
        return ""
    met = "met" if over.low >= 0.0 else "not met" if over.high < 0.0 else "met within its interval"
    return f"; aim {shown(of['target_power'].value, 'W', units=units)}: {met}"


def _corrected(of: dict[str, Figure], base: str, units: UnitSystem) -> str:
    """The corrected number beside the observed one, named as its figure is."""
    one = of.get(f"{base}_corrected")
    if one is None:
        return ""
    how = one.label.partition(", ")[2] or "corrected"
    return f", as observed; {with_interval(one, units)} {how}"


def said(text: str, units: UnitSystem) -> str:
    """A sentence of ours with its metric quantities in the units of the reader.

    For sentences kept as text (flags, limits of a method); what people wrote is left alone.
    """
    if units is UnitSystem.METRIC:
        return text
    return _QUANTITY.sub(_converted, text)


# What sentences of ours name: metric unit as written -> SI unit in SHOWN_US.
_WRITTEN = {
    "km/h per s": "m/s/s", "km/h a second": "m/s/s", "km/h": "m/s", "kW": "W", "N·m": "N.m",
    "N": "N", "°C": "K", "degC": "K", "K": "K", "kPa": "Pa", "MJ": "J", "km": "m", "kg": "kg",
    "m/s": "m/s",
}  # fmt: skip
_NUMBER = r"[−-]?\d[\d,]*(?:\.\d+)?"
_QUANTITY = re.compile(
    rf"(?P<first>±?{_NUMBER})(?P<next>(?: ± | to ){_NUMBER})? "
    rf"(?P<unit>{'|'.join(re.escape(unit) for unit in _WRITTEN)})(?![\w/·])"
)


def _converted(found: re.Match[str]) -> str:
    si = _WRITTEN[found["unit"]]
    _, metric, metric_offset, _ = SHOWN[si]
    if found["unit"] == si:  # written in SI itself, not as it is shown
        metric = 1.0
    name, factor, offset, _ = SHOWN_US[si]

    def one(text: str, *, spread: bool) -> str:
        digits = len(text.partition(".")[2])
        value = float(text.replace(",", "").replace("−", "-"))
        value = (value - (0.0 if spread else metric_offset)) / metric
        value = value * factor + (0.0 if spread else offset)
        return number(value, digits)

    first, after = found["first"], found["next"] or ""
    gap = found["unit"] == "K"  # sentences give temperatures in °C, differences in K
    sign = "±" if first.startswith("±") else ""
    text = sign + one(first.removeprefix("±"), spread=bool(sign) or gap)
    if after:
        word = " ± " if after.startswith(" ± ") else " to "
        text += word + one(after.removeprefix(word), spread=word == " ± " or gap)
    ending = " a second" if found["unit"].endswith("a second") else ""
    return f"{text} {name.removesuffix(' per s') + ending if ending else name}"


def _speed(mps: float, units: UnitSystem, *, digits: int | None = None, bare: bool = False) -> str:
    """A speed as asked for: without digits where it is a whole number."""
    name, factor, _, _ = scale("m/s", units)
    value = mps * factor
    if digits is None:
        digits = 0 if units is UnitSystem.METRIC or abs(value - round(value)) < 0.05 else 1
    return f"{value:.{digits}f}" if bare else f"{value:.{digits}f} {name}"


def _aim(plan: dict[str, Any], units: UnitSystem) -> str:
    if plan.get("rpm") is not None:
        return f"{plan['rpm']:,.0f} rpm"
    if plan.get("speed_mps") is not None:
        return _speed(plan["speed_mps"], units, digits=1)
    if plan.get("force_n") is not None:
        return f"{shown(plan['force_n'], 'N', units=units)} of absorber force"
    if plan.get("power_w") is not None:
        return f"{shown(plan['power_w'], 'W', units=units)} of absorbed power"
    return "nothing in particular"


def _time(seconds: float) -> str:
    if seconds < 90.0:
        return f"{seconds:.0f} s"
    return f"{seconds / 60.0:.1f} min".replace(".0 min", " min")
