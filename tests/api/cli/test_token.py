"""`drumlin token ...` as a script meets it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from api.cli.main import app
from api.http.entry import tokens
from daq.errors import DrumlinError
from tests.api.stepped import WallClock


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


def refusal(data: Path, *words: str) -> DrumlinError:
    done = CliRunner().invoke(app, ["token", *words, "--data", str(data)])
    assert isinstance(done.exception, DrumlinError)
    return done.exception


def test_the_first_token_is_a_maintainers(tmp_path: Path) -> None:
    problem = refusal(tmp_path, "add", "Bob")
    assert "role maintain" in str(problem.problem)
    assert str(tmp_path) in str(problem.remedy)
    assert told(tmp_path, "list")["tokens"] == []
    told(tmp_path, "add", "Ann", "--role", "maintain")
    assert told(tmp_path, "add", "Bob")["role"] == "operate"


@pytest.mark.parametrize(
    "words", [("add", "Ann", "--role", "maintain"), ("list",), ("revoke", "A")]
)
def test_a_data_directory_that_is_not_there_is_said(tmp_path: Path, words: tuple[str, ...]) -> None:
    assert "no data directory" in refusal(tmp_path / "dta", *words).problem
    assert not (tmp_path / "dta").exists()


def test_a_token_ends_when_its_days_are_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told(tmp_path, "add", "Ann", "--role", "maintain")
    made = told(tmp_path, "add", "Guest", "--days", "2")
    uptime_s = 0.0
    book = tokens.TokenBook(tmp_path, lambda: uptime_s)
    assert book.find(made["token"]) is not None
    assert book.is_valid(made["id"])
    WallClock(monkeypatch).off_s = uptime_s = 3 * 86_400.0
    assert book.find(made["token"]) is None
    assert not book.is_valid(made["id"])
    listed = CliRunner().invoke(app, ["token", "list", "--data", str(tmp_path)]).output
    assert "expired" in listed
    told(tmp_path, "add", "Guest")  # its name is free again
