"""A run in words for a terminal: the same sentences and units as in its report.

Data flow: Result and what the catalogue knows -> strings and rows of tables for api.cli.runs.
"""

from __future__ import annotations

from datetime import datetime

from api.report import words
from api.report.channels import channel_rows
from api.report.content import (
    correction_of,
    table_of,
    value_of,
)
from api.store.catalogue import RunSummary
from daq.quantities import UnitSystem
from daq.results.result import Result
from daq.texts.message import render
from daq.texts.reader import Reader


def local_time(label: str) -> str:
    """A UTC label in this computer's own time, to the minute; "" when it is none."""
    try:
        return datetime.fromisoformat(label).astimezone().strftime("%Y-%m-%d %H:%M")
    except ValueError:
        return ""


def verdict(run: RunSummary, units: UnitSystem) -> str:
    """What came out, or why nothing did."""
    if run.valid is None:
        return run.state.value
    text = render(run.answer, units)
    return text if run.valid else f"Void. {text}"


def sentences(result: Result, units: UnitSystem) -> tuple[str, str, str]:
    """What was asked, what came out, and how it was corrected, in the units of the reader."""
    reader = Reader(units)
    asked, answer = reader.sentence(result.asked), reader.sentence(result.answer)
    return asked, answer, correction_of(result, reader)


def figure_rows(result: Result, units: UnitSystem) -> list[tuple[str, str]]:
    """Each figure with its interval."""
    reader = Reader(units)
    return [(one.label, value_of(one, reader)) for one in result.figures]


def tables(
    result: Result, units: UnitSystem
) -> list[tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]]:
    """Heads and rows of its points and of the rig's own channels, where it has any."""
    reader = Reader(units)
    channels = tuple(reader.sentence(one) for one in words.CHANNEL_COLUMNS)
    found = [table_of(result, reader), (channels, channel_rows(result, reader))]
    return [one for one in found if one[1]]
