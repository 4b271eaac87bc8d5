"""`drumlin audit`: whether the audit log is as it was written."""

from __future__ import annotations

from api.cli.shared import DATA, DataOption, JsonOption


def audit(data: DataOption = DATA, json: JsonOption = False) -> None:
    """Check that no line of the audit log was changed or taken out since it was written."""
    from api.cli.shared import print_json
    from api.http.audit import verify

    entries = verify(data)
    if json:
        print_json({"entries": entries, "whole": True})
    else:
        print(f"The audit log of {data} is as it was written: {entries} entries.")
