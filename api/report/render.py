"""One run's report from its folder: newest evaluation or a numbered one, as HTML or PDF.

Data flow: evaluations/NNNN.json and what the catalogue knows -> Content -> bytes. Used by the
command line, and by a worker process (api.working) for the service.
"""

from __future__ import annotations

from pathlib import Path

from api.report.content import About, content_of
from api.report.html import html_of
from api.report.pdf import pdf_of
from api.store.kept import read_evaluation
from daq.errors import Refused

MEDIA = {"html": "text/html; charset=utf-8", "pdf": "application/pdf"}


def render(folder: Path, form: str, about: About) -> bytes:
    """The report. Raises Refused for another form, RecordingError without an evaluation."""
    if form not in MEDIA:
        raise Refused(f"There is no report form '{form}'.", "Use html or pdf.", "form")
    content = content_of(read_evaluation(folder, about.evaluation or None), about)
    return html_of(content).encode() if form == "html" else pdf_of(content)
