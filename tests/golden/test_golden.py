"""What an earlier version wrote still opens, by command and over HTTP: README.md has its story."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import httpx
import pytest
from typer.testing import CliRunner

from api.cli.main import app
from api.folders import MEMORY_NAME, RUNS_FOLDER
from api.http.app import create_app
from api.runtime.channel import SOCKET_NAME
from api.runtime.channel_client import ChannelClient
from api.runtime.memory_file import read_memory
from api.services.plan_files import load_plan
from api.services.rig_in_force import in_force
from api.settings import ServiceSection, Settings, StoreSection
from control.campaigns.campaign import Campaign
from control.core.core import Core
from daq.rig.description import load_rig

GOLDEN = Path(__file__).parent / "v1"
RIG = GOLDEN / "rig.toml"
TOKEN = "drum_TKHq_O8m49S_ybzkHf-a2Mykg29TzxcH--p2UbXaZHA"  # of tokens.json in v1, of nothing else
KINDS = {
    "20260314-150926-5358": "steady-hold",
    "20260314-151926-5358": "power-sweep",
    "20260314-152926-5358": "coastdown",
    "20260314-153926-5358": "spool-up",
    "20260314-154926-5358": "grade-climb",
}
HOLD = next(iter(KINDS))


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A copy, since opening may bring it to a newer form."""
    return Path(shutil.copytree(GOLDEN / "data", tmp_path / "data"))


def run(data: Path, *words: str, code: int = 0) -> str:
    """What a command prints."""
    done = CliRunner().invoke(app, [*words, "--data", str(data)])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    assert done.exit_code == code, done.output
    return done.stdout


def told(data: Path, *words: str, code: int = 0) -> Any:
    return json.loads(run(data, *words, "--json", code=code))


def main_of(result: dict[str, Any]) -> float:
    """The figure that answers what the run was for."""
    return next(float(one["value"]) for one in result["figures"] if one["name"] == result["main"])


def test_the_list_has_the_runs_with_vehicle_set_note_and_tag(data: Path) -> None:
    runs = {one["id"]: one for one in told(data, "runs", "list", "found")["runs"]}  # by the note
    assert {name: one["kind"] for name, one in runs.items()} == KINDS
    assert {one["vehicle"] for one in runs.values()} == {"Pickup"}
    assert {one["state"] for one in runs.values()} == {"closed"}
    assert all("golden" in one["tags"] for one in runs.values())
    (vehicle,) = told(data, "runs", "vehicle")["vehicles"]
    assert (vehicle["name"], vehicle["owner"], vehicle["runs"]) == ("Pickup", "Ada", 5)
    (kept,) = told(data, "runs", "set")["sets"]
    assert kept["name"] == "as found"
    assert sorted(kept["runs"]) == sorted(KINDS)[:2]


@pytest.mark.parametrize("run_id", KINDS)
def test_a_run_is_shown_reported_and_evaluated_again_to_the_same_answer(
    data: Path, run_id: str, tmp_path: Path
) -> None:
    recording = (data / RUNS_FOLDER / run_id / "raw.drm").read_bytes()
    shown = told(data, "runs", "show", run_id)
    before = shown["result"]
    assert KINDS[run_id] in run(data, "runs", "show", run_id)
    run(data, "runs", "reevaluate", run_id)
    again = told(data, "runs", "show", run_id)
    assert len(again["evaluations"]) == len(shown["evaluations"]) + 1
    after = again["result"]
    assert (
        (after["kind"], after["valid"])
        == (before["kind"], before["valid"])
        == (KINDS[run_id], True)
    )
    # Evaluations get better; the answer stays one of the same run.
    assert main_of(after) == pytest.approx(main_of(before), rel=0.05)
    assert (data / RUNS_FOLDER / run_id / "raw.drm").read_bytes() == recording
    for form in ("html", "pdf"):
        run(data, "runs", "report", run_id, "--to", str(tmp_path / f"report.{form}"))
        assert (tmp_path / f"report.{form}").stat().st_size > 10_000


@pytest.mark.parametrize("form", ["csv", "parquet", "mf4"])
def test_a_run_is_exported_from_the_columns_written_then(
    data: Path, form: str, tmp_path: Path
) -> None:
    target = tmp_path / f"run.{form}"
    run(data, "runs", "export", HOLD, "--to", str(target))
    assert target.stat().st_size > 10_000


@pytest.mark.parametrize("run_id", KINDS)
def test_a_recording_is_taken_in_anew(data: Path, run_id: str, tmp_path: Path) -> None:
    fresh = tmp_path / "fresh"
    fresh.mkdir()
    raw = data / RUNS_FOLDER / run_id / "raw.drm"
    taken = told(fresh, "runs", "import", str(raw), "--vehicle", "Pickup")
    assert taken["run_id"] == run_id
    anew = told(fresh, "runs", "show", run_id)["result"]
    assert (anew["kind"], anew["valid"]) == (KINDS[run_id], True)
    # From the columns written then comes what comes from the recording.
    run(data, "runs", "reevaluate", run_id)
    again = told(data, "runs", "show", run_id)["result"]
    assert main_of(again) == pytest.approx(main_of(anew), rel=1e-4)


def test_rig_file_memory_and_proofs_are_in_force(data: Path) -> None:
    rig = load_rig(in_force(RIG, data))
    assert rig.absorbers[0].cell.newton_per_mv_per_v == pytest.approx(1505.582)
    memory = read_memory(data / MEMORY_NAME)
    assert memory is not None
    kept = Core(rig, memory).memory()
    for name, absorber in memory.absorbers.items():
        assert kept.absorbers[name].zero_count == absorber.zero_count
        assert kept.absorbers[name].gain == absorber.gain
    assert kept.teeth.keys() == memory.teeth.keys()
    assert kept.ratio_per_m == memory.ratio_per_m
    status = told(data, "prove", "status", "--rig", str(RIG), code=1)  # much was never proven
    passed = {one["kind"] for one in status["standing"] if one["state"] == "passed"}
    assert {"zero", "dead-weight"} <= passed
    for command in ("heat", "absorbers"):
        assert run(data, command, "--rig", str(RIG))


@pytest.mark.parametrize("path", sorted(GOLDEN.glob("plans/*.toml")), ids=lambda path: path.stem)
def test_a_plan_of_then_is_read(path: Path) -> None:
    plan = load_plan(path)
    assert isinstance(plan, Campaign) == (path.stem == "a-b-a")


async def test_the_service_serves_it_to_the_token_made_then(data: Path) -> None:
    settings = Settings(RIG, data, ServiceSection(), None, StoreSection(min_free_mb=0))
    app = create_app(settings, ChannelClient(data / SOCKET_NAME))
    transport = httpx.ASGITransport(app, client=("192.0.2.7", 50000))
    headers = {"Authorization": f"Bearer {TOKEN}", "Drumlin-Client": "page-0001"}
    async with (
        app.router.lifespan_context(app),
        httpx.AsyncClient(
            transport=transport, base_url="http://127.0.0.1:8440", headers=headers
        ) as browser,
    ):
        listed = await browser.get("/api/runs")
        assert listed.status_code == 200, listed.text
        assert {one["id"]: one["kind"] for one in listed.json()["runs"]} == KINDS
        for run_id, kind in KINDS.items():
            result = await browser.get(f"/api/runs/{run_id}/result")
            assert result.status_code == 200, result.text
            assert result.json()["kind"] == kind
        evaluations = (await browser.get(f"/api/runs/{HOLD}/evaluations")).json()
        assert len(evaluations["evaluations"]) == 2
        samples = await browser.get(f"/api/runs/{HOLD}/samples", params={"columns": "power_w"})
        assert samples.status_code == 200, samples.text
        assert (await browser.get("/api/sets")).json()["sets"][0]["name"] == "as found"
