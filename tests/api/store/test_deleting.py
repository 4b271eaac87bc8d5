"""A run goes for good only with a person's name and a reason, and a tombstone stays."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
from typer.testing import CliRunner

from api.cli.main import app
from api.folders import RAW_NAME, run_folder
from api.http.audit import tail
from api.store import vehicle_records
from api.store.catalogue import Catalogue, NewRun, Note, Search
from api.store.deleting import delete_run, tombstone_of
from api.store.importing import Looked, take_in
from api.store.run_lifecycle import _recorded
from api.store.schema import RunState
from daq.errors import NoSuchRun, Refused, StoreError
from tests.api.harness import StartService
from tests.api.recorded import RUN_ID

OTHER = "20260314-160000-abcd"
WHO = {"name": "Ada Hill", "reason": "The wrong truck was on the rolls."}


def add(data: Path, catalogue: Catalogue, run_id: str, state: RunState = RunState.CLOSED) -> None:
    folder = run_folder(data, run_id)
    folder.mkdir(parents=True)
    (folder / RAW_NAME).write_bytes(b"recording")
    catalogue.begin_run(NewRun(run_id, "Tarnhow", "f", "steady-hold", "2026-03-14T15:09:26+00:00"))
    catalogue.add_note(run_id, Note("2026-03-14", "Ada", "a note about axles"))
    catalogue.set_tags(run_id, ["axles"])
    if state is not RunState.RECORDING:
        catalogue.close_run(run_id, state, {})


@pytest.fixture
def catalogue(data: Path) -> Catalogue:
    opened = Catalogue.open(data)
    add(data, opened, RUN_ID)
    add(data, opened, OTHER)
    return opened


@pytest.fixture(autouse=True)
def closed_again(catalogue: Catalogue) -> object:
    yield
    catalogue.close()


def test_a_deleted_run_is_gone_everywhere_and_its_tombstone_says_who_and_why(
    data: Path, catalogue: Catalogue
) -> None:
    members = vehicle_records.RunSet("axles", "", "2026-03-14", (RUN_ID, OTHER))
    vehicle_records.put_set(catalogue, members)
    told = delete_run(data, catalogue, RUN_ID, "Ada Hill", WHO["reason"], "tablet")
    assert tombstone_of(data, RUN_ID) == told
    assert (told.name, told.holder, told.kind) == ("Ada Hill", "tablet", "steady-hold")
    assert told.raw_sha256 == hashlib.sha256(b"recording").hexdigest()
    assert not run_folder(data, RUN_ID).exists()
    assert catalogue.run(RUN_ID) is None
    assert [run.id for run in catalogue.find(Search("axles"))] == [OTHER]
    assert vehicle_records.all_sets(catalogue)[0].runs == (OTHER,)
    with pytest.raises(NoSuchRun):
        delete_run(data, catalogue, RUN_ID, "Ada Hill", WHO["reason"], "tablet")


@pytest.mark.parametrize(("name", "reason"), [("", "a good reason"), ("Ada", "  no  ")])
def test_without_a_name_or_a_reason_nothing_is_deleted(
    data: Path, catalogue: Catalogue, name: str, reason: str
) -> None:
    with pytest.raises(Refused) as refused:
        delete_run(data, catalogue, RUN_ID, name, reason, "tablet")
    assert refused.value.code == "who-and-why"
    assert catalogue.run(RUN_ID) is not None


@pytest.mark.parametrize("state", [RunState.RECORDING, RunState.CLOSING])
def test_a_run_that_is_still_written_stays(
    data: Path, catalogue: Catalogue, state: RunState
) -> None:
    open_run = "20260314-170000-abcd"
    add(data, catalogue, open_run, state)
    with pytest.raises(Refused, match="still being"):
        delete_run(data, catalogue, open_run, "Ada", WHO["reason"], "tablet")
    with pytest.raises(Refused, match="campaign"):
        delete_run(data, catalogue, RUN_ID, "Ada", WHO["reason"], "tablet", [RUN_ID])
    assert run_folder(data, RUN_ID).exists()


def test_cut_off_in_the_middle_it_is_finished_by_asking_again(
    data: Path, catalogue: Catalogue, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(_: Path) -> None:
        raise OSError(30, "Read-only file system")

    with monkeypatch.context() as broken:
        broken.setattr("api.store.deleting.shutil.rmtree", fail)
        with pytest.raises(StoreError, match="could not be deleted"):
            delete_run(data, catalogue, RUN_ID, "Ada", WHO["reason"], "tablet")
    # What was left is not found anew by a service that starts meanwhile.
    assert _recorded(data / "runs", data / "deleted") == [OTHER]
    delete_run(data, catalogue, RUN_ID, "Ben", "to finish it", "tablet")
    assert not run_folder(data, RUN_ID).exists()
    told = tombstone_of(data, RUN_ID)
    assert told is not None
    assert told.name == "Ada", "the first tombstone stays"


def test_a_link_in_place_of_a_folder_is_taken_away_and_what_it_points_to_stays(
    data: Path, catalogue: Catalogue, tmp_path: Path
) -> None:
    elsewhere = tmp_path / "elsewhere"
    run_folder(data, RUN_ID).rename(elsewhere)
    run_folder(data, RUN_ID).symlink_to(elsewhere)
    delete_run(data, catalogue, RUN_ID, "Ada", WHO["reason"], "tablet")
    assert (elsewhere / RAW_NAME).exists()


def test_a_deleted_run_does_not_come_back_by_import(data: Path, catalogue: Catalogue) -> None:
    delete_run(data, catalogue, RUN_ID, "Ada", WHO["reason"], "tablet")
    source = data / "raw.drm"
    source.write_bytes(b"recording")
    with pytest.raises(Refused, match="was deleted by Ada"):
        take_in(data / "runs", catalogue, source, Looked(RUN_ID, "Tarnhow", "f"))
    assert source.exists()


async def test_over_http_only_who_maintains_deletes_and_it_is_in_the_audit_log(
    start_service: StartService, data: Path
) -> None:
    service = await start_service()
    async with service.browser() as browser:
        address = f"/api/runs/{RUN_ID}/delete"
        for body in ({"name": "Ada"}, {**WHO, "name": "Ada\n"}, {**WHO, "reason": "x"}):
            assert (await browser.post(address, json=body)).status_code == 422
        answer = await browser.post(address, json=WHO)
        assert answer.status_code == 200
        assert answer.json()["reason"] == WHO["reason"]
        assert (await browser.get(f"/api/runs/{RUN_ID}")).status_code == 404
        assert (await browser.post(address, json=WHO)).status_code == 404
    entry = tail(data, 1)[0]
    assert (entry.what, entry.detail["name"], entry.reason) == (
        "delete-run", WHO["name"], WHO["reason"],
    )  # fmt: skip


def test_the_command_line_asks_before_it_deletes(data: Path, catalogue: Catalogue) -> None:
    words = ["runs", "delete", RUN_ID, "--name", "Ada", "--reason", WHO["reason"]]
    words += ["--data", str(data)]
    assert CliRunner().invoke(app, words, input="n\n").exit_code != 0
    assert catalogue.run(RUN_ID) is not None
    said = CliRunner().invoke(app, words, input="y\n")
    assert said.exit_code == 0, said.output
    assert catalogue.run(RUN_ID) is None
    told = tombstone_of(data, RUN_ID)
    assert told is not None
    assert told.holder.endswith("on this computer")
    assert CliRunner().invoke(app, [*words[:2], "last", *words[3:], "--yes"]).exit_code != 0
