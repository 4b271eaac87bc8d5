"""Heavy work for readers: the report of a run, and that of a change."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from api.jobs.job import Job
from api.report.content import RunDetails, Subject


class ReportJob(Job, frozen=True):
    folder: str
    form: str
    about: RunDetails
    loads: ClassVar[tuple[str, ...]] = ("api.report.render",)

    def run(self) -> bytes:
        from api.report.render import render  # noqa: PLC0415

        return render(Path(self.folder), self.form, self.about)


class GainReportJob(Job, frozen=True):
    """The report of runs before and after a change."""

    runs_folder: str
    before: tuple[str, ...]
    after: tuple[str, ...]
    form: str
    subject: Subject
    quantity: str = ""
    level: float = 0.95
    loads: ClassVar[tuple[str, ...]] = ("api.report.render",)

    def run(self) -> bytes:
        from api.report.render import render_gain  # noqa: PLC0415

        return render_gain(
            Path(self.runs_folder), self.before, self.after, self.form, self.subject, self.quantity,
            self.level,
        )  # fmt: skip
