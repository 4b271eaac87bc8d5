"""Reports as bytes: one run from its folder, or runs before and after a change.

Data flow: evaluations/NNNN.json and what the catalogue knows -> Content -> HTML or PDF. Used by the
command line, and by a worker process (api.jobs) for the service.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import msgspec

from api.report.content import MEDIA, Content, RunDetails, Subject, content_of
from api.report.gain import content_of_gain
from api.report.html import html_of
from api.report.pdf import pdf_of
from api.report.shop import read_shop
from api.services.comparing import compare
from api.store.closing.evaluations import read_evaluation
from daq.errors import Refused


def render(folder: Path, form: str, about: RunDetails) -> bytes:
    """The report. Raises Refused for another form, RecordingError without an evaluation."""
    _known(form)
    content = content_of(read_evaluation(folder, about.evaluation or None), about)
    return _written(content, form, folder.parent.parent)


def render_gain(
    runs_folder: Path,
    before: Sequence[str],
    after: Sequence[str],
    form: str,
    subject: Subject,
    quantity: str = "",
    level: float = 0.95,
) -> bytes:
    """The report of a comparison. Raises Refused for another form or what cannot be compared."""
    _known(form)
    found = compare(runs_folder, before, after, quantity, level)
    results = {run: read_evaluation(runs_folder / run) for run in (*found.before, *found.after)}
    return _written(content_of_gain(found, results, subject), form, runs_folder.parent)


def _known(form: str) -> None:
    if form not in MEDIA:
        raise Refused(f"There is no report form '{form}'.", "Use html or pdf.", "form")


def _written(content: Content, form: str, data: Path) -> bytes:
    content = msgspec.structs.replace(content, shop=read_shop(data))
    return html_of(content).encode() if form == "html" else pdf_of(content)
