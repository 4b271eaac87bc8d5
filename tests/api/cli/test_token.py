"""`drumlin token ...` as a script meets it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from typer.testing import CliRunner

from api.cli.main import app


def told(data: Path, *words: str) -> Any:
    done = CliRunner().invoke(app, ["token", *words, "--data", str(data), "--json"])
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def test_tokens_are_made_listed_and_revoked_as_json(tmp_path: Path) -> None:
    made = told(tmp_path, "add", "Ann", "--role", "maintain")
    assert made["token"].startswith("drum_")
    (listed,) = told(tmp_path, "list")["tokens"]
    assert (listed["id"], listed["role"], listed["revoked"]) == (made["id"], "maintain", "")
    assert "token" not in listed
    assert told(tmp_path, "revoke", "Ann")["revoked"] != ""
