"""What a report says, before it has a form: the same for HTML and PDF.

Data flow: Result, and what the catalogue knows of the run -> Content -> api.report.html and
api.report.pdf. Every number comes from the result; nothing is computed here but units, which are
those of the reader, as the language is (`RunDetails.reader`).
"""

from __future__ import annotations

import math

import msgspec

from api.report import words
from api.report.channels import channel_panels, channel_rows
from api.report.chart import Panel, panels_of
from api.report.shop import Letterhead
from daq.quantities import KMH, MILE, RPM, UnitSystem
from daq.results.result import Figure, Flag, Result
from daq.results.words import half_width, interval
from daq.texts.message import Text, say, sentences
from daq.texts.reader import Reader, headed

MEDIA = {"html": "text/html; charset=utf-8", "pdf": "application/pdf"}
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
    reader: Reader = Reader()


class Subject(msgspec.Struct, frozen=True):
    """What is known of the truck and the runs beside their results."""

    vehicle: str = ""
    owner: str = ""
    rig_name: str = ""
    started: tuple[str, ...] = ()  # UTC labels of the runs
    notes: tuple[str, ...] = ()
    reader: Reader = Reader()


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
    channels: tuple[tuple[str, ...], ...]  # under api.report.words.CHANNEL_COLUMNS
    channel_panels: tuple[Panel, ...]
    flags: tuple[str, ...]
    correction: str
    sureness: str
    parts: tuple[tuple[str, str, str], ...]
    limits: tuple[str, ...]
    cautions: tuple[str, ...]
    notes: tuple[str, ...]
    made: str
    reader: Reader = Reader()
    shop: Letterhead | None = None  # whose report it is


def content_of(result: Result, about: RunDetails) -> Content:
    """A result as a report."""
    reader = about.reader
    subject = about.vehicle or reader.sentence(words.UNNAMED)
    if about.owner:
        subject = f"{subject} · {about.owner}"
    head, rows = table_of(result, reader)
    return Content(
        title=headed(reader.word(result.kind)),
        subject=subject,
        run=reader.sentence(say("report-run", run=about.run_id)),
        date=when(about.started_at),
        rig=about.rig_name or result.made.rig_name,
        asked=reader.sentence(say("report-asked", asked=result.asked)),
        answer=reader.sentence(result.answer),
        void=tuple(reader.sentence(reason) for reason in result.void),
        panels=tuple(panels_of(result)),
        figures=tuple((reader.heading(one.label), value_of(one, reader)) for one in result.figures),
        conditions=conditions_of(result.conditions, reader),
        table_title=reader.sentence(words.TABLES.get(result.kind, words.POINTS)),
        table_head=head,
        table=rows,
        channels=channel_rows(result, reader),
        channel_panels=channel_panels(result, reader.units),
        flags=_flags(result.flags, reader),
        correction=correction_of(result, reader),
        sureness=_sureness(result, reader),
        parts=_parts(result, reader),
        limits=tuple(reader.sentence(each) for each in result.limits),
        cautions=tuple(reader.sentence(each) for each in result.cautions),
        notes=about.notes,
        made=_made(result, about),
        reader=reader,
    )


def _made(result: Result, about: RunDetails) -> str:
    """What somebody needs who wants to come to the same figures again."""
    made = result.made
    settings = msgspec.to_builtins(made.settings)
    usual = msgspec.to_builtins(type(made.settings)())
    changed = [f"{name} {value}" for name, value in settings.items() if value != usual[name]]
    return about.reader.sentence(
        say(
            "report-made",
            version=made.version,
            evaluation=about.evaluation or 1,
            frames=about.reader.number(made.rows, 0),
            every=say("report-every", every=made.every) if made.every > 1 else "",
            rig=made.rig_fingerprint[:12],
            settings=", ".join(changed) if changed else say("report-settings-as-usual"),
        )
    )


def _parts(result: Result, reader: Reader) -> tuple[tuple[str, str, str], ...]:
    """The largest sources of uncertainty: name, effect, where it comes from."""
    one = result.uncertainty
    if one is None:
        return ()
    return tuple(
        (
            reader.heading(part.name),
            reader.fine(abs(part.effect), one.unit),
            reader.label(part.origin),
        )
        for part in one.parts[:5]
    )


def when(started_at: str) -> str:
    """A UTC label as people read it; "" when it is not known."""
    return started_at.replace("T", " ")[:16] + (" UTC" if started_at else "")


def value_of(one: Figure, reader: Reader) -> str:
    """A figure with its interval as people read it."""
    if one.low == one.value == one.high and one.value is not None and one.unit != "1":
        return reader.shown(one.value, one.unit)
    if one.unit == "1" and one.value is not None:
        if one.name in ("in_tolerance", "keeps_up", "outside_share"):
            return f"{reader.number(100.0 * one.value, 1)} %"
        return reader.number(one.value, 0)
    if one.name.startswith("std_") and one.value is not None:  # a spread, however small
        return reader.fine(one.value, one.unit)
    if one.name.endswith("_at"):  # a place, whose reach is not an interval of confidence
        return reader.shown(one.value, one.unit)
    return reader.sentence(interval(one))


def conditions_of(found: dict[str, float], reader: Reader) -> tuple[tuple[str, str], ...]:
    """Conditions with the names and units that people read."""
    return tuple(
        (headed(reader.word(name)), _condition(name, value, reader))
        for name, value in found.items()
    )


def _condition(name: str, value: float, reader: Reader) -> str:
    if not math.isfinite(value):
        return "—"
    if name == "humidity":
        return f"{reader.number(100.0 * value, 0)} %"
    if name == "ratio_per_m":
        per, road = (MILE / 3600.0, "mph") if reader.units is UnitSystem.US else (1.0 / KMH, "km/h")
        ratio = reader.number(value * RPM * per, 2)
        return reader.sentence(say("report-ratio", ratio=ratio, road=road))
    return reader.shown(value, {"k": "K", "pa": "Pa"}.get(name.rpartition("_")[2], ""))


def table_of(result: Result, reader: Reader) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Head and rows of a result's table, in the units of the reader."""
    rows = result.table[:MOST_ROWS]
    names = [name for name in words.COLUMNS if any(name in row for row in rows)]
    shown_rows = []
    for row in rows:
        cells = []
        for name in names:
            value, unit = row.get(name), words.COLUMNS[name][1]
            if unit == "yes":
                cells.append(reader.sentence(words.YES) if value else "")
            elif unit == "x":
                cells.append(reader.shown(value, str(row.get("unit", ""))))
            elif unit:
                cells.append(reader.shown(value, unit))
            else:
                cells.append("" if value is None else reader.local(f"{value:.4g}"))
        shown_rows.append(tuple(cells))
    return tuple(reader.sentence(words.COLUMNS[name][0]) for name in names), tuple(shown_rows)


def _flags(flags: list[Flag], reader: Reader) -> tuple[str, ...]:
    """What to know, the first few; how many more there are is said."""
    told = [_flag(flag, reader) for flag in flags if not flag.voids]
    if len(told) > MOST_FLAGS:
        more = say("report-more-flags", count=len(told) - MOST_FLAGS + 1)
        told[MOST_FLAGS - 1 :] = [reader.sentence(more)]
    return tuple(told)


def _flag(flag: Flag, reader: Reader) -> str:
    when: Text = ""
    if flag.from_s is not None and flag.to_s is None:
        when = say("report-flag-from", since=flag.from_s)
    elif flag.from_s is not None:
        when = say("report-flag-from-to", since=flag.from_s, until=flag.to_s)
    return " ".join(told for told in (reader.sentence(flag.text), reader.sentence(when)) if told)


def correction_of(result: Result, reader: Reader) -> str:
    """How numbers were corrected for weather, by which rule and factor, or why not."""
    one = result.correction
    uncorrected = reader.sentence(words.UNCORRECTED)
    if one is None:
        return uncorrected
    reasons = reader.sentence(sentences(one.reasons)) if one.reasons else ""
    if one.rule == "none" and result.kind in WITHOUT_POWER:
        return ""
    if one.rule == "none":
        return reasons or uncorrected
    inputs = ", ".join(
        f"{reader.label(each.name)} "
        + (
            f"{reader.number(100.0 * each.value, 0)} %"
            if each.name == "relative humidity"
            else reader.shown(each.value, each.unit)
        )
        for each in one.inputs
    )
    told = say(
        "report-corrected-by",
        rule=one.rule,
        title=one.title,
        factor=one.factor,
        half=1.96 * one.sigma,
        inputs=inputs,
    )
    return f"{reader.sentence(told)} {reasons}".strip()


def _sureness(result: Result, reader: Reader) -> str:
    one = result.uncertainty
    if one is None:
        return ""
    figure = Figure("", "", one.value, one.unit, one.value - one.half_width,
                    one.value + one.half_width)  # fmt: skip
    share = ""
    half = half_width(figure)
    if half is not None and one.value:
        share = reader.local(f" ({100 * half / abs(one.value):.2g} %)")
    return reader.sentence(
        say(
            "report-sureness",
            what=reader.heading(one.quantity),
            value=interval(figure),
            share=share,
            level=one.level,
            calibration=reader.fine(one.calibration_sigma, one.unit),
            noise=reader.fine(one.noise_sigma, one.unit),
        )
    )
