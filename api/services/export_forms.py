"""The forms in which other programs get a run, and what every one of them says of itself.

Data flow: name of a form -> ExportForm; run, evaluation and wishes -> ExportHeader -> writers in
api.services.export. This is the one list of forms: command line and HTTP take it from here.
"""

from __future__ import annotations

import enum
from pathlib import Path

import msgspec

from daq.errors import Refused
from daq.plain_text import visible
from daq.quantities import UnitSystem
from daq.texts.message import say


class ExportForm(enum.StrEnum):
    """What may be asked for."""

    CSV = "csv"
    PARQUET = "parquet"
    MDF4 = "mdf4"  # ASAM MDF 4.10
    CURVES = "curves"  # the curves of the evaluation as a table, CSV

    @property
    def media(self) -> str:
        """Media type, as HTTP names it."""
        return _OF[self][0]

    @property
    def suffix(self) -> str:
        """Ending of the file's name."""
        return _OF[self][1]


_OF = {
    ExportForm.CSV: ("text/csv; charset=utf-8", "csv"),
    ExportForm.PARQUET: ("application/vnd.apache.parquet", "parquet"),
    ExportForm.MDF4: ("application/octet-stream", "mf4"),
    ExportForm.CURVES: ("text/csv; charset=utf-8", "curves.csv"),
}


class ExportUnits(enum.StrEnum):
    """Units of the values: SI as stored, or those that people read."""

    SI = "si"
    METRIC = "metric"
    US = "us"

    @property
    def system(self) -> UnitSystem:
        """The system of units people read; metric for SI."""
        return UnitSystem.US if self is ExportUnits.US else UnitSystem.METRIC


def form_of(word: str, target: Path | None = None) -> ExportForm:
    """The form asked for by name or by the ending of the file; CSV without either.

    Raises Refused for any other.
    """
    told = [form.value for form in ExportForm]
    if word:
        try:
            return ExportForm(word)
        except ValueError:
            raise Refused(
                say("there-no-form", form=word[:40]), say("use-these", forms=told), "form"
            ) from None
    if target is None or not target.suffix:
        return ExportForm.CSV
    name = target.name.lower()
    for form in sorted(ExportForm, key=lambda each: -len(each.suffix)):
        if name.endswith(f".{form.suffix}"):
            return form
    raise Refused(
        say("no-form-export-ends-in", ending=target.suffix),
        say("end-file-name-in", endings=[f".{form.suffix}" for form in ExportForm], forms=told),
        "form",
    )


class ExportWish(msgspec.Struct, frozen=True):
    """How an export is wanted. `hz` 0: a row for each frame."""

    columns: tuple[str, ...] = ()
    number: int = 0  # evaluation; 0: the newest
    units: ExportUnits = ExportUnits.SI
    hz: float = 0.0
    vehicle: str = ""
    started_at: str = ""


class ExportHeader(msgspec.Struct, frozen=True):
    """What every export says of itself."""

    run_id: str
    vehicle: str
    started_at: str  # UTC, ISO 8601
    started_sigma_s: float | None
    rig: str
    rig_fingerprint: str
    evaluation: int
    evaluated_by: str
    correction: str  # rule, or "none"
    correction_factor: float
    rows: str  # a row for each frame, or what was averaged
    units: dict[str, str] = {}  # of each column

    def lines(self) -> list[str]:
        """As lines of text, without commas: readers of CSV count those to find the columns."""
        vehicle = self.vehicle.replace(",", " ") or "not named"
        sure = "" if self.started_sigma_s is None else f" +- {self.started_sigma_s:.2g} s"
        factor = "" if self.correction == "none" else f" factor {self.correction_factor:.4f}"
        lines = [
            f"run {self.run_id}; vehicle {vehicle}; first row {self.started_at or 'not known'} UTC"
            f"{sure}",
            f"evaluation {self.evaluation} by Drumlin {self.evaluated_by}; rig {self.rig} "
            f"description {self.rig_fingerprint[:12]}; correction {self.correction}{factor}",
            f"rows: {self.rows}",
            "units: " + "; ".join(f"{name} {unit or '1'}" for name, unit in self.units.items()),
        ]
        # Names come from elsewhere: a line must stay one, or the next could be a formula.
        return [visible(" ".join(one.split())) for one in lines]
