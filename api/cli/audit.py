"""`drumlin audit`: whether the audit log is as it was written."""

from __future__ import annotations

from api.cli.shared import DATA, DataOption, JsonOption, expect_folder


def audit(data: DataOption = DATA, json: JsonOption = False) -> None:
    """Check that no line of the audit log was changed or taken out since it was written."""
    from api.cli.shared import print_json
    from api.http.audit import verify

    expect_folder(data)
    entries = verify(data)
    if json:
        print_json({"entries": entries, "whole": True})
    elif not entries:
        print(f"{data} has no audit log: nobody has commanded a rig or changed a record there.")
    else:
        print(f"The audit log of {data} is as it was written: {entries} entries.")
