"""What a report says, before it has a form: the same for HTML and PDF.

Data flow: Result, and what the catalogue knows of the run -> Content -> api.report.html and
api.report.pdf. Every number comes from the result; nothing is computed here but units.
"""

from __future__ import annotations

import msgspec

from api.report.chart import Panel, panels_of
from daq.results.result import Figure, Flag, Result
from daq.results.words import SHOWN, half_width, shown, with_interval

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
MOST_FLAGS = 10
MOST_ROWS = 16


class About(msgspec.Struct, frozen=True):
    """What is known of a run beside its result."""

    run_id: str
    vehicle: str = ""
    owner: str = ""
    started_at: str = ""
    rig_name: str = ""
    notes: tuple[str, ...] = ()
    evaluation: int = 0


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
    table_head: tuple[str, ...]
    table: tuple[tuple[str, ...], ...]
    flags: tuple[str, ...]
    correction: str
    sureness: str
    parts: tuple[tuple[str, str, str], ...]
    limits: tuple[str, ...]
    cautions: tuple[str, ...]
    notes: tuple[str, ...]
    made: str


def content_of(result: Result, about: About) -> Content:
    """A result as a report."""
    subject = about.vehicle or "Vehicle not named"
    if about.owner:
        subject = f"{subject} · {about.owner}"
    head, rows = _table(result)
    made = result.made
    settings = msgspec.to_builtins(made.settings)
    usual = msgspec.to_builtins(type(made.settings)())
    changed = [f"{name} {value}" for name, value in settings.items() if value != usual[name]]
    return Content(
        title=TITLES.get(result.kind, result.kind or "Run"),
        subject=subject,
        run=about.run_id,
        date=about.started_at.replace("T", " ")[:16] + (" UTC" if about.started_at else ""),
        rig=about.rig_name or made.rig_name,
        asked=result.asked,
        answer=result.answer,
        void=tuple(result.void),
        panels=tuple(panels_of(result)),
        figures=tuple((_sentence(one.label), _value(one)) for one in result.figures),
        conditions=tuple(_conditions(result)),
        table_head=head,
        table=rows,
        flags=tuple(_flag(flag) for flag in result.flags if not flag.voids)[:MOST_FLAGS],
        correction=_correction(result),
        sureness=_sureness(result),
        parts=tuple(
            (part.name, _fine(abs(part.effect), result.uncertainty.unit), part.origin)
            for part in result.uncertainty.parts[:5]
        )
        if result.uncertainty is not None
        else (),
        limits=tuple(result.limits),
        cautions=tuple(result.cautions),
        notes=about.notes,
        made=(
            f"Drumlin {made.version}, evaluation {about.evaluation or 1}; "
            f"{made.rows:,} frames" + (f", every {made.every}th used" if made.every > 1 else "")
            + f"; rig description {made.rig_fingerprint[:12]}; settings "
            + (", ".join(changed) if changed else "as usual")
            + "."
        ),
    )  # fmt: skip


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"


def _value(one: Figure) -> str:
    if one.unit == "1" and one.value is not None:
        if one.name in ("in_tolerance", "keeps_up", "outside_share"):
            return f"{100 * one.value:.1f} %"
        return f"{one.value:,.0f}"
    if one.name.endswith("_at"):  # a place, whose reach is not an interval of confidence
        return shown(one.value, one.unit)
    return with_interval(one)


def _conditions(result: Result) -> list[tuple[str, str]]:
    found = []
    for name, value in result.conditions.items():
        label, unit = _CONDITIONS.get(name, (name, ""))
        if unit == "share":
            found.append((label, f"{100 * value:.0f} %"))
        elif unit == "rad/m":
            found.append((label, f"{value:.3f} rad/m"))
        else:
            found.append((label, shown(value, unit)))
    return found


_COLUMNS = {
    "point": ("Point", ""), "x": ("At", "x"), "power_w": ("Wheel power", "W"),
    "low_w": ("from", "W"), "high_w": ("to", "W"), "torque_nm": ("Torque", "N.m"),
    "from_mps": ("From", "m/s"), "to_mps": ("To", "m/s"), "seconds": ("Time", "s"),
    "force_n": ("Force", "N"), "measured_tractive_n": ("At the wheels", "N"),
    "snap": ("Snap", ""), "peak_percent": ("Peak", "%"), "absorption_per_m": ("k, 1/m", ""),
    "used": ("Counts", "yes"),
}  # fmt: skip


def _table(result: Result) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
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
                cells.append(shown(value, str(row.get("unit", ""))))
            elif unit:
                cells.append(shown(value, unit))
            else:
                cells.append("" if value is None else f"{value:.4g}")
        shown_rows.append(tuple(cells))
    return tuple(_COLUMNS[name][0] for name in names), tuple(shown_rows)


def _flag(flag: Flag) -> str:
    if flag.from_s is None:
        return flag.text
    if flag.to_s is None:
        return f"{flag.text} From {flag.from_s:.1f} s."
    return f"{flag.text} From {flag.from_s:.1f} to {flag.to_s:.1f} s."


def _correction(result: Result) -> str:
    one = result.correction
    if one is None:
        return "No weather correction."
    reasons = " ".join(one.reasons)
    if one.rule == "none":
        return reasons or "No weather correction."
    inputs = ", ".join(
        f"{each.name} {100 * each.value:.0f} %"
        if each.name == "relative humidity"
        else f"{each.name} {shown(each.value, each.unit)}"
        for each in one.inputs
    )
    return (
        f"Corrected after {one.title}: factor {one.factor:.4f} ± {1.96 * one.sigma:.4f} "
        f"from {inputs}. {reasons}".strip()
    )


def _fine(value: float, unit: str) -> str:
    """A small difference with two telling digits."""
    name, factor, _, _ = SHOWN.get(unit, (unit, 1.0, 0.0, 3))
    return f"{float(f'{value * factor:.2g}'):g} {name}".strip()


def _sureness(result: Result) -> str:
    one = result.uncertainty
    if one is None:
        return ""
    figure = Figure("", "", one.value, one.unit, one.value - one.half_width,
                    one.value + one.half_width)  # fmt: skip
    share = ""
    half = half_width(figure)
    if half is not None and one.value:
        share = f" ({100 * half / abs(one.value):.2g} %)"
    return (
        f"{_sentence(one.quantity)} {with_interval(figure)}{share} at {100 * one.level:g} %: "
        f"1 sigma {_fine(one.calibration_sigma, one.unit)} from calibration, which "
        f"repeats on this rig, and {_fine(one.noise_sigma, one.unit)} from noise, "
        "which does not."
    )
