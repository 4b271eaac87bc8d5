"""What a report says, before it has a form: the same for HTML and PDF.

Data flow: Result, and what the catalogue knows of the run -> Content -> api.report.html and
api.report.pdf. Every number comes from the result; nothing is computed here but units, which are
those of the reader (`RunDetails.units`).
"""

from __future__ import annotations

import math

import msgspec

from api.report.channels import channel_panels, channel_rows
from api.report.chart import Panel, panels_of
from api.report.shop import Letterhead
from daq.quantities import KMH, MILE, RPM, UnitSystem, fine, shown
from daq.results.result import Figure, Flag, Result
from daq.results.words import half_width, with_interval
from daq.texts.message import render, sentences

TITLES = {
    "steady-hold": "Steady hold",
    "stepped-map": "Stepped map",
    "power-sweep": "Power sweep",
    "spool-up": "Spool-up",
    "grade-climb": "Grade climb",
    "speed-trace": "Speed trace",
    "coastdown": "Coastdown",
    "snap-smoke": "Snap smoke",
}
_CONDITIONS = {
    "ambient_k": ("Air temperature", "K"),
    "pressure_pa": ("Air pressure", "Pa"),
    "humidity": ("Relative humidity", "share"),
    "oil_k": ("Oil temperature", "K"),
    "intake_k": ("Intake temperature", "K"),
    "rotor_k": ("Hottest rotor", "K"),
    "ratio_per_m": ("Engine over rolls", "rad/m"),
}
MEDIA = {"html": "text/html; charset=utf-8", "pdf": "application/pdf"}
UNQUOTED = "What came out all the same, not to be quoted:"  # before the answer of a void run
WITHOUT_POWER = ("snap-smoke", "speed-trace", "coastdown")  # kinds whose answer is no power
MOST_FLAGS = 10
MOST_ROWS = 16


class RunDetails(msgspec.Struct, frozen=True):
    """What is known of a run beside its result."""

    run_id: str
    vehicle: str = ""
    owner: str = ""
    started_at: str = ""
    rig_name: str = ""
    notes: tuple[str, ...] = ()
    evaluation: int = 0
    units: UnitSystem = UnitSystem.METRIC


class Subject(msgspec.Struct, frozen=True):
    """What is known of the truck and the runs beside their results."""

    vehicle: str = ""
    owner: str = ""
    rig_name: str = ""
    started: tuple[str, ...] = ()  # UTC labels of the runs
    notes: tuple[str, ...] = ()
    units: UnitSystem = UnitSystem.METRIC


class Content(msgspec.Struct, frozen=True):
    """A report in the order in which it is read."""

    title: str
    subject: str  # vehicle and owner
    run: str
    date: str
    rig: str
    asked: str
    answer: str
    void: tuple[str, ...]
    panels: tuple[Panel, ...]
    figures: tuple[tuple[str, str], ...]
    conditions: tuple[tuple[str, str], ...]
    table_title: str
    table_head: tuple[str, ...]
    table: tuple[tuple[str, ...], ...]
    channels: tuple[tuple[str, ...], ...]  # under api.report.channels.HEAD
    channel_panels: tuple[Panel, ...]
    flags: tuple[str, ...]
    correction: str
    sureness: str
    parts: tuple[tuple[str, str, str], ...]
    limits: tuple[str, ...]
    cautions: tuple[str, ...]
    notes: tuple[str, ...]
    made: str
    units: UnitSystem = UnitSystem.METRIC
    shop: Letterhead | None = None  # whose report it is


def content_of(result: Result, about: RunDetails) -> Content:
    """A result as a report."""
    subject = about.vehicle or "Vehicle not named"
    if about.owner:
        subject = f"{subject} · {about.owner}"
    units = about.units
    head, rows = table_of(result, units)
    made = result.made
    settings = msgspec.to_builtins(made.settings)
    usual = msgspec.to_builtins(type(made.settings)())
    changed = [f"{name} {value}" for name, value in settings.items() if value != usual[name]]
    return Content(
        title=TITLES.get(result.kind, result.kind or "Run"),
        subject=subject,
        run=f"run {about.run_id}",
        date=when(about.started_at),
        rig=about.rig_name or made.rig_name,
        asked=render(result.asked, units),
        answer=render(result.answer, units),
        void=tuple(render(reason, units) for reason in result.void),
        panels=tuple(panels_of(result)),
        figures=tuple((_sentence(one.label), value_of(one, units)) for one in result.figures),
        conditions=conditions_of(result.conditions, units),
        table_title=_TABLES.get(result.kind, "Points"),
        table_head=head,
        table=rows,
        channels=channel_rows(result, units),
        channel_panels=channel_panels(result, units),
        flags=_flags(result.flags, units),
        correction=correction_of(result, units),
        sureness=_sureness(result, units),
        parts=_parts(result, units),
        limits=tuple(render(each, units) for each in result.limits),
        cautions=tuple(render(each, units) for each in result.cautions),
        notes=about.notes,
        made=(
            f"Drumlin {made.version}, evaluation {about.evaluation or 1}; "
            f"{made.rows:,} frames" + (f", every {made.every}th used" if made.every > 1 else "")
            + f"; rig description {made.rig_fingerprint[:12]}; settings "
            + (", ".join(changed) if changed else "as usual")
            + "."
        ),
        units=units,
    )  # fmt: skip


def _parts(result: Result, units: UnitSystem) -> tuple[tuple[str, str, str], ...]:
    """The largest sources of uncertainty: name, effect, where it comes from."""
    one = result.uncertainty
    if one is None:
        return ()
    return tuple(
        (_sentence(part.name), fine(abs(part.effect), one.unit, units), part.origin)
        for part in one.parts[:5]
    )


def when(started_at: str) -> str:
    """A UTC label as people read it; "" when it is not known."""
    return started_at.replace("T", " ")[:16] + (" UTC" if started_at else "")


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"


def value_of(one: Figure, units: UnitSystem) -> str:
    """A figure with its interval as people read it."""
    if one.low == one.value == one.high and one.value is not None and one.unit != "1":
        return shown(one.value, one.unit, units=units)
    if one.unit == "1" and one.value is not None:
        if one.name in ("in_tolerance", "keeps_up", "outside_share"):
            return f"{100 * one.value:.1f} %"
        return f"{one.value:,.0f}"
    if one.name.startswith("std_") and one.value is not None:  # a spread, however small
        return fine(one.value, one.unit, units)
    if one.name.endswith("_at"):  # a place, whose reach is not an interval of confidence
        return shown(one.value, one.unit, units=units)
    return with_interval(one, units)


def condition_named(name: str) -> tuple[str, str]:
    """What people call a condition, and its unit."""
    return _CONDITIONS.get(name, (name.replace("_", " "), ""))


def conditions_of(found: dict[str, float], units: UnitSystem) -> tuple[tuple[str, str], ...]:
    """Conditions with the names and units that people read."""
    told = []
    for name, value in found.items():
        label, unit = condition_named(name)
        told.append((label, _condition(value, unit, units)))
    return tuple(told)


def _condition(value: float, unit: str, units: UnitSystem) -> str:
    if not math.isfinite(value):
        return "—"
    if unit == "share":
        return f"{100 * value:.0f} %"
    if unit == "rad/m" and units is UnitSystem.US:
        return f"{value * RPM * MILE / 3600.0:.2f} rpm per mph"
    if unit == "rad/m":
        return f"{value * RPM / KMH:.2f} rpm per km/h"
    return shown(value, unit, units=units)


_TABLES = {"coastdown": "Intervals", "snap-smoke": "Snaps"}
_COLUMNS = {
    "point": ("Point", ""), "set": ("Asked", "x"), "x": ("At", "x"),
    "power_w": ("Wheel power", "W"), "low_w": ("From", "W"), "high_w": ("To", "W"),
    "corrected_w": ("Corrected", "W"), "torque_nm": ("Torque", "N.m"),
    "from_mps": ("From", "m/s"), "to_mps": ("To", "m/s"), "seconds": ("Time", "s"),
    "force_n": ("Force", "N"), "measured_tractive_n": ("At the wheels", "N"),
    "snap": ("Snap", ""), "peak_percent": ("Peak", "%"), "absorption_per_m": ("k, 1/m", ""),
    "used": ("Counts", "yes"),
}  # fmt: skip


def table_of(
    result: Result, units: UnitSystem
) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Head and rows of a result's table, in the units of the reader."""
    rows = result.table[:MOST_ROWS]
    names = [name for name in _COLUMNS if any(name in row for row in rows)]
    shown_rows = []
    for row in rows:
        cells = []
        for name in names:
            value, unit = row.get(name), _COLUMNS[name][1]
            if unit == "yes":
                cells.append("yes" if value else "")
            elif unit == "x":
                cells.append(shown(value, str(row.get("unit", "")), units=units))
            elif unit:
                cells.append(shown(value, unit, units=units))
            else:
                cells.append("" if value is None else f"{value:.4g}")
        shown_rows.append(tuple(cells))
    return tuple(_COLUMNS[name][0] for name in names), tuple(shown_rows)


def _flags(flags: list[Flag], units: UnitSystem) -> tuple[str, ...]:
    """What to know, the first few; how many more there are is said."""
    told = [_flag(flag, units) for flag in flags if not flag.voids]
    if len(told) > MOST_FLAGS:
        told[MOST_FLAGS - 1 :] = [f"And {len(told) - MOST_FLAGS + 1} more; the run shows them all."]
    return tuple(told)


def _flag(flag: Flag, units: UnitSystem) -> str:
    text = render(flag.text, units)
    if flag.from_s is None:
        return text
    if flag.to_s is None:
        return f"{text} From {flag.from_s:.1f} s."
    return f"{text} From {flag.from_s:.1f} to {flag.to_s:.1f} s."


def correction_of(result: Result, units: UnitSystem) -> str:
    """How numbers were corrected for weather, by which rule and factor, or why not."""
    one = result.correction
    if one is None:
        return "No weather correction."
    reasons = render(sentences(one.reasons), units) if one.reasons else ""
    if one.rule == "none" and result.kind in WITHOUT_POWER:
        return ""
    if one.rule == "none":
        return reasons or "No weather correction."
    inputs = ", ".join(
        f"{each.name} {100 * each.value:.0f} %"
        if each.name == "relative humidity"
        else f"{each.name} {shown(each.value, each.unit, units=units)}"
        for each in one.inputs
    )
    return (
        f"Corrected by {one.rule} ({one.title}): factor {one.factor:.4f} ± {1.96 * one.sigma:.4f} "
        f"from {inputs}. {reasons}".strip()
    )


def _sureness(result: Result, units: UnitSystem) -> str:
    one = result.uncertainty
    if one is None:
        return ""
    figure = Figure("", "", one.value, one.unit, one.value - one.half_width,
                    one.value + one.half_width)  # fmt: skip
    share = ""
    half = half_width(figure)
    if half is not None and one.value:
        share = f" ({100 * half / abs(one.value):.2g} %)"
    main = with_interval(figure, units)
    return (
        f"{_sentence(one.quantity)} {main}{share} at {100 * one.level:g} %: "
        f"1 sigma {fine(one.calibration_sigma, one.unit, units)} from calibration, which "
        f"repeats on this rig, and {fine(one.noise_sigma, one.unit, units)} from noise, "
        "which does not."
    )
