"""`drumlin runs ...` as a person or a script meets it: what it prints and its exit codes."""

from __future__ import annotations

import contextlib
import json
from pathlib import Path
from typing import Any

import msgspec
import pytest
from typer.testing import CliRunner

from api.cli.runs import runs
from api.store.catalogue import Catalogue, NewRun
from api.store.closing.evaluating import write_evaluation
from api.store.closing.evaluations import read_evaluation
from api.store.schema import RunState
from daq.errors import DrumlinError
from tests.api.recorded import RUN_ID


@pytest.fixture
def recording(recorded_hold: Path) -> Path:
    return recorded_hold / "raw.drm"


@pytest.fixture
def data(recording: Path, tmp_path: Path) -> Path:
    """A data directory that has taken in one recording."""
    assert told(tmp_path, "import", str(recording), "--vehicle", "Two")["run_id"] == RUN_ID
    return tmp_path


def call(data: Path, *words: str) -> Any:
    """The command's outcome; errors raised on purpose pass through, as `main` handles them."""
    result = CliRunner().invoke(runs, [*words, "--data", str(data)])
    if isinstance(result.exception, DrumlinError):
        raise result.exception
    return result


def told(data: Path, *words: str, code: int = 0) -> Any:
    """The one JSON object that a command prints with --json."""
    result = call(data, *words, "--json")
    assert result.exit_code == code, result.output
    return json.loads(result.stdout)


def test_a_run_is_listed_shown_and_annotated(data: Path) -> None:
    assert [run["id"] for run in told(data, "list", "two")["runs"]] == [RUN_ID]
    assert told(data, "list", "nobody")["runs"] == []
    assert told(data, "tag", "last", "baseline")["tags"] == ["baseline", "imported"]
    assert told(data, "tag", RUN_ID, "--remove", "imported")["tags"] == ["baseline"]
    told(data, "note", "last", "Straps at 4 kN.")
    shown = told(data, "show", "last")
    assert shown["run"]["notes"][0]["text"] == "Straps at 4 kN."
    assert shown["result"]["kind"] == "steady-hold"
    text = call(data, "show", "last").output
    assert "Mean wheel power" in text
    assert "Straps at 4 kN." in text


def test_markup_in_names_is_shown_and_not_obeyed(data: Path) -> None:
    told(data, "note", "last", "[red]loud[/red] [nonsense")
    with contextlib.closing(Catalogue.open(data)) as catalogue:
        catalogue.set_vehicle(RUN_ID, "[/] Two")
    shown = call(data, "show", "last").output
    assert "[red]loud[/red] [nonsense" in shown
    assert "[/] Two" in shown


def test_what_would_command_the_terminal_is_shown_and_not_obeyed(data: Path) -> None:
    told(data, "note", "last", "gone \x1b[2J\x9b2J\u202eback\r")
    shown = call(data, "show", "last").output
    assert "gone \\x1b[2J\\x9b2J\\u202eback\\r" in shown


def test_owners_and_sets_find_runs(data: Path) -> None:
    told(data, "vehicle", "Two", "--owner", "Ada")
    assert [run["id"] for run in told(data, "list", "--owner", "Ada")["runs"]] == [RUN_ID]
    told(data, "set", "check", RUN_ID)
    assert [run["id"] for run in told(data, "list", "--set", "check")["runs"]] == [RUN_ID]
    told(data, "vehicle", "Two", "--idle-rpm", "650", "--max-rpm", "2600")
    listed = call(data, "vehicle").output
    assert "Ada" in listed
    assert "650 to 2600" in listed
    assert told(data, "vehicle", "Two", "--forget")["vehicles"][0]["owner"] == ""


def test_evaluating_again_adds_a_number(data: Path) -> None:
    made = told(data, "reevaluate", "last", "--settings", '{"settle_s": 2.0}')["evaluated"]
    assert [(one["number"], one["valid"]) for one in made] == [(2, True)]
    assert len(told(data, "show", "last")["evaluations"]) == 2
    first = told(data, "show", "last", "--number", "1")
    assert first["result"]["made"]["settings"]["settle_s"] is None
    with pytest.raises(DrumlinError, match="cannot be used"):
        call(data, "reevaluate", "last", "--settings", '{"smoothness": 3}')
    unfuelled = told(data, "reevaluate", "last", "--settings", '{"rule": "un-r85-diesel"}', code=1)
    assert "fuel rate" in unfuelled["evaluated"][0]["not_corrected"]


def test_reports_and_exports_are_files(data: Path) -> None:
    for form, begins in (("pdf", b"%PDF"), ("html", b"<!doctype html>")):
        target = data / f"report.{form}"
        told(data, "report", "last", "--format", form, "--to", str(target))
        assert target.read_bytes().startswith(begins)
        told(data, "report", "last", "--format", form, "--to", str(target), "--units", "us")
        assert form == "pdf" or b" hp (95 % interval)" in target.read_bytes()
    target = data / "run.csv"
    made = told(data, "export", "last", "--columns", "power_w", "--to", str(target))
    assert made["rows"] == target.read_text().count("\n") - 5
    with pytest.raises(DrumlinError, match="No form of export"):
        call(data, "export", "last", "--to", str(data / "run.xlsx"))


@pytest.mark.parametrize(
    ("command", "name", "begins"),
    [
        ("report", "run.html", b"<!doctype html>"),
        ("report", "run.pdf", b"%PDF"),
        ("report", "run", b"%PDF"),
        ("export", "run.csv", b"# run "),
        ("export", "run.parquet", b"PAR1"),
        ("export", "run.mf4", b"MDF     "),
    ],
)
def test_the_name_of_the_file_says_what_goes_into_it(
    data: Path, command: str, name: str, begins: bytes
) -> None:
    told(data, command, "last", "--to", str(data / name))
    assert (data / name).read_bytes().startswith(begins)


def test_a_run_without_a_result_says_why(data: Path) -> None:
    run_id = "20260301-000000-000c"
    with contextlib.closing(Catalogue.open(data)) as catalogue:
        catalogue.begin_run(NewRun(run_id, "r", "f", "steady-hold", "2026-03-01T00:00:00+00:00"))
        (data / "runs" / run_id).mkdir()
        with pytest.raises(DrumlinError, match="no result yet"):
            call(data, "show", run_id)
        catalogue.close_run(run_id, RunState.FAILED, {"reason": "The recording has no header."})
    with pytest.raises(
        DrumlinError, match=r"could not be evaluated: The recording has no header\."
    ):
        call(data, "show", run_id)


def check_runs(data: Path, *factors: float) -> list[str]:
    """Runs whose main figure is that of the recording times a factor."""
    result = read_evaluation(data / "runs" / RUN_ID)
    catalogue = Catalogue.open(data)
    ids = [f"202602{number + 1:02d}-000000-000c" for number in range(len(factors))]
    for run_id, factor in zip(ids, factors, strict=True):
        figures = [
            msgspec.structs.replace(one, value=one.value * factor) if one.value else one
            for one in result.figures
        ]
        (data / "runs" / run_id).mkdir()
        catalogue.begin_run(NewRun(run_id, "r", "f", "steady-hold", "2026-02-01T00:00:00+00:00"))
        write_evaluation(
            data / "runs" / run_id, 1, msgspec.structs.replace(result, figures=figures)
        )
    catalogue.close()
    return ids


def test_a_chart_of_check_runs_ends_with_one_when_the_rig_has_drifted(data: Path) -> None:
    steady = [1.0, 1.001] * 4
    ids = check_runs(data, *steady, 1.0, 1.02)
    told(data, "set", "alike", *ids[:9])
    told(data, "set", "drifted", *ids)
    assert told(data, "chart", "alike")["chart"]["findings"] == []
    found = told(data, "chart", "drifted", code=1)["chart"]["findings"]
    assert {(one["index"], one["rule"]) for one in found} >= {(9, "beyond limits")}
    text = call(data, "chart", "drifted").output
    for words in ("Run 10 lies beyond three sigma.", "By run 10 the rig reads steadily higher."):
        assert f"{ids[9]}: {words}" in text


def test_a_comparison_writes_its_report(data: Path) -> None:
    ids = check_runs(data, 1.0, 1.001, 0.999, 1.03, 1.031, 1.029)
    sides = ("--before", ",".join(ids[:3]), "--after", ",".join(ids[3:]))
    target = data / "change.html"
    assert told(data, "compare", *sides, "--report", str(target))["verdict"] == "gained"
    assert "Gained: +3.0 %" in target.read_text(encoding="utf-8")
    with pytest.raises(DrumlinError, match="no report form"):
        call(data, "compare", *sides, "--report", str(data / "change.docx"))


def test_what_cannot_be_done_says_what_to_do(data: Path, tmp_path: Path) -> None:
    with pytest.raises(DrumlinError, match="runs list"):
        call(data, "show", "20200101-000000-abcd")
    with pytest.raises(DrumlinError, match="no data directory"):
        call(tmp_path / "none", "list")
    for command in ("report", "export"):
        suffix = "pdf" if command == "report" else "csv"
        with pytest.raises(DrumlinError, match="cannot be written") as refused:
            call(data, command, "last", "--to", str(data / "none" / f"out.{suffix}"))
        assert "room" not in str(refused.value.remedy)
    with pytest.raises(DrumlinError) as refused:
        call(data, "export", "last", "--columns", "nothing", "--to", str(data / "x.csv"))
    assert "power_w" in str(refused.value.remedy)
    with pytest.raises(DrumlinError, match="here already"):
        call(data, "import", str(data / "runs" / RUN_ID / "raw.drm"))
    with pytest.raises(DrumlinError, match="both sides"):
        call(data, "compare", "--before", "last", "--after", "last")


def test_a_void_run_ends_with_one(data: Path) -> None:
    path = data / "runs" / RUN_ID / "events.json"
    path.write_text("[]")  # as though the recording had been cut off
    made = told(data, "reevaluate", "last", code=1)
    assert made["evaluated"][0]["valid"] is False
    assert told(data, "show", "last", code=1)["result"]["void"]
