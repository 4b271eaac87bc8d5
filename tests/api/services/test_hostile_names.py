"""Names from elsewhere in what other programs read: no line of a table begins with a formula."""

from __future__ import annotations

import csv
import io

from api.services.export_forms import ExportHeader
from daq.plain_text import COMMANDING

EVIL = "Truck\r\n=cmd|' /C calc'!A1\n+1\u2028@SUM(1)\x1b[2J,7"


def test_a_name_of_several_lines_stays_one_line_of_the_header() -> None:
    header = ExportHeader(
        "20260314-150926-5358", EVIL, EVIL, None, EVIL, EVIL, 1, EVIL, EVIL, 1.0, EVIL,
        {EVIL: EVIL},
    )  # fmt: skip
    text = "".join(f"# {line}\n" for line in header.lines())
    assert len(text.splitlines()) == len(header.lines())
    assert COMMANDING.search(text) is None
    for row in csv.reader(io.StringIO(text)):
        assert row[0].startswith("# ")
