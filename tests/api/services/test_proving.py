"""The proving at the desk and over HTTP: done, kept with dates, laid over the rig file."""

from __future__ import annotations

import json
from datetime import date, timedelta
from pathlib import Path

import httpx
import pytest
from typer.testing import CliRunner

from api.cli.main import app
from api.folders import MEMORY_NAME
from api.runtime.memory_file import write_memory
from api.services.proving import read_proving
from api.services.rig_in_force import CALIBRATION_NAME, in_force
from control.core.memory import AbsorberMemory, Memory
from daq.errors import DrumlinError, Refused, RigError
from daq.proving.calibration import CalibrationArm, DeadWeight, reference_force
from daq.proving.quick_checks import of_shunt, shunt_signal
from daq.rig.description import load_rig
from daq.wall_clock import today
from simulator.rig_and_truck.setup import nominal
from tests.api.fake_loop import RIG_FILE
from tests.daq.free_rolls import record_coast

RIG = load_rig(RIG_FILE)
SETUP = CalibrationArm(calibration_arm_m=1.2, cell_arm_m=0.6, latitude_deg=54.4, altitude_m=190.0)
MASSES = (0.0, 20.0, 40.0, 60.0, 80.0, 100.0, 120.0)


def weights(slope: float = 1500.0, sign: int = 1, zero: float = 250.0) -> list[DeadWeight]:
    """What a cell of that slope counts under seven masses, up and down."""
    found = []
    for rising, masses in ((True, MASSES), (False, MASSES[::-1])):
        for mass in masses:
            force = reference_force(SETUP, DeadWeight(mass, 0.0))
            found.append(DeadWeight(mass, zero + sign * force / slope / 4.0 * 2.0**23, rising))
    return found


def files(folder: Path, loads: list[DeadWeight]) -> list[str]:
    csv = "mass_kg,count,rising,side\n" + "".join(
        f"{one.mass_kg},{one.count:.2f},{int(one.rising)},{one.side}\n" for one in loads
    )
    (folder / "loads.csv").write_text(csv)
    (folder / "setup.toml").write_text("calibration_arm_m = 1.2\ncell_arm_m = 0.6\n")
    return ["--loads", str(folder / "loads.csv"), "--setup", str(folder / "setup.toml")]


def run(*words: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, ["prove", *words])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.output


@pytest.mark.parametrize(("absorber", "sign"), [("front-left", 1), ("front-right", -1)])
def test_dead_weights_give_slope_and_zero_for_arms_of_either_sign(
    data: Path, absorber: str, sign: int
) -> None:
    place = ["--data", str(data), "--rig", str(RIG_FILE)]
    code, told = run("dead-weight", absorber, *files(data, weights(1506.0, sign)), *place, "--json")
    assert code == 0
    values = json.loads(told)["proofs"][0]["values"]
    path = f"absorbers.{absorber}.cell"
    assert values[f"{path}.newton_per_mv_per_v"] == pytest.approx(1506.0, rel=1e-5)
    assert values[f"{path}.zero_count"] == pytest.approx(250.0, abs=0.5)
    kept = read_proving(data).latest()[0]
    assert kept.done == today().isoformat()
    assert date.fromisoformat(kept.due) == today() + timedelta(days=370)


def test_a_cell_that_does_not_follow_its_weights_fails_and_changes_nothing(data: Path) -> None:
    loads = weights()
    bent = [
        DeadWeight(one.mass_kg, one.count * (1.0 if one.rising else 1.01), one.rising)
        for one in loads
    ]
    code, told = run("dead-weight", "front-left", *files(data, bent), "--data", str(data))
    assert code == 1
    assert "FAILED" in told
    assert "hysteresis" in told
    assert read_proving(data).values() == {}
    with pytest.raises(Refused, match="No proof"):
        run("apply", "--data", str(data))


def test_without_the_column_rising_the_order_of_the_masses_says_it(data: Path) -> None:
    loads = weights()
    (data / "setup.toml").write_text("calibration_arm_m = 1.2\ncell_arm_m = 0.6\n")
    rows = "".join(f"{one.mass_kg},{one.count:.2f}\n" for one in loads)
    (data / "loads.csv").write_text("mass_kg,count\n" + rows)
    words = ["--loads", str(data / "loads.csv"), "--setup", str(data / "setup.toml")]
    code, told = run("dead-weight", "front-left", *words, "--data", str(data))
    assert code == 0, told


def test_status_says_why_a_proof_failed_although_its_figures_are_inside(data: Path) -> None:
    only_up = [one for one in weights() if one.rising]
    assert run("dead-weight", "front-left", *files(data, only_up), "--data", str(data))[0] == 1
    told = run("status", "--data", str(data))[1]
    assert "note: loads only rose" in told


def test_lines_and_apply_take_what_all_of_prove_takes(data: Path) -> None:
    place = ["--data", str(data), "--rig", str(RIG_FILE)]
    run("dead-weight", "rear-left", *files(data, weights(1491.0)), *place)
    both = [*place, "--json", "--units", "us"]
    lines = json.loads(run("lines", *both)[1])
    assert lines["values"]["absorbers.rear-left.cell.newton_per_mv_per_v"] == pytest.approx(
        1491.0, rel=1e-5
    )
    other = data / "other.toml"
    other.write_text(RIG_FILE.read_text().replace("Tarnhow demo rig", "Another rig"))
    with pytest.raises(Refused, match="is of the rig"):
        run("lines", "--data", str(data), "--rig", str(other))
    assert json.loads(run("apply", *both)[1])["file"].endswith(CALIBRATION_NAME)


def test_what_was_proven_is_laid_over_the_rig_file_at_the_next_start(data: Path) -> None:
    place = ["--data", str(data), "--rig", str(RIG_FILE)]
    assert in_force(RIG_FILE, data) == RIG_FILE
    assert run("dead-weight", "rear-left", *files(data, weights(1491.0)), *place)[0] == 0
    code, lines = run("lines", "--data", str(data))
    assert code == 0
    assert "newton_per_mv_per_v = 1491" in lines
    assert run("apply", *place)[0] == 0
    used = load_rig(in_force(RIG_FILE, data))
    assert used.absorbers[2].cell.newton_per_mv_per_v == pytest.approx(1491.0, rel=1e-5)
    assert used.absorbers[2].cell.calibrated_on == today().isoformat()
    assert used.absorbers[0] == RIG.absorbers[0]
    out = data / "new.toml"
    assert run("apply", *place, "--out", str(out))[0] == 0
    assert load_rig(out).absorbers == used.absorbers
    path = data / CALIBRATION_NAME
    path.write_text(path.read_text().replace("1491", "1400"))
    with pytest.raises(RigError, match="by hand"):
        in_force(RIG_FILE, data)


def test_a_calibration_of_another_rig_is_refused(data: Path) -> None:
    place = ["--data", str(data), "--rig", str(RIG_FILE)]
    run("dead-weight", "rear-left", *files(data, weights()), *place)
    run("apply", *place)
    other = data / "other.toml"
    other.write_text(RIG_FILE.read_text().replace("Tarnhow demo rig", "Another rig"))
    with pytest.raises(DrumlinError, match="belongs to the rig"):
        in_force(other, data)


def test_status_tells_people_in_their_units_what_is_due(data: Path) -> None:
    remember_zeros(data)
    assert run("zero", "--data", str(data))[0] == 0
    code, metric = run("status", "--data", str(data))
    assert code == 1  # much was never proven
    assert "never" in metric
    assert "passed" in metric
    assert "limit 600 N" in metric
    assert "limit 134.9 lbf" in run("status", "--data", str(data), "--units", "us")[1]


def remember_zeros(data: Path) -> None:
    absorbers = {one.name: AbsorberMemory(zero_count=120.0) for one in RIG.absorbers}
    write_memory(data / MEMORY_NAME, Memory(absorbers=absorbers))


async def test_the_proving_over_http(browser: httpx.AsyncClient, data: Path) -> None:
    before = (await browser.get("/api/proving")).json()
    assert {one["state"] for one in before["standing"]} == {"never"}
    refused = await browser.post("/api/proving/zero", json={})
    assert refused.status_code == 409
    assert refused.json()["code"] == "zeros-missing"
    remember_zeros(data)
    assert (await browser.post("/api/proving/zero", json={})).status_code == 200
    loads = [
        {"mass_kg": one.mass_kg, "count": one.count, "rising": one.rising}
        for one in weights(1502.0)
    ]
    setup = {"calibration_arm_m": 1.2, "cell_arm_m": 0.6, "latitude_deg": 54.4}
    body = {"absorber": "front-left", "loads": loads, "setup": setup}
    made = await browser.post("/api/proving/dead-weight", json=body)
    assert made.status_code == 200
    assert made.json()["proofs"][0]["passed"]
    after = (await browser.get("/api/proving")).json()
    states = {(one["kind"], one["subject"]): one["state"] for one in after["standing"]}
    assert states["zero", "rear-right"] == "passed"
    assert states["dead-weight", "front-left"] == "passed"
    assert states["dead-weight", "front-right"] == "never"
    assert "newton_per_mv_per_v = 150" in after["lines"]
    applied = await browser.post("/api/proving/apply", json={})
    assert applied.status_code == 200
    assert (data / CALIBRATION_NAME).is_file()


def test_a_measured_diameter_is_kept_and_told_in_either_units(data: Path) -> None:
    place = ["--data", str(data), "--rig", str(RIG_FILE)]
    tape = ["--circumferences", "3142.4,3142.5,3142.4,3142.3mm", "--dials", "0.05,0.08mm"]
    code, told = run("diameter", "front", *tape, *place)
    assert code == 0
    assert "diameter: 1.00025" in told
    assert "mm (limit 0.254 mm" in told
    assert "roll_radius_m = 0.500" in told
    assert "in (limit 0.01 in" in run("diameter", "front", *tape, *place, "--units", "us")[1]
    assert run("apply", *place)[0] == 0
    assert load_rig(in_force(RIG_FILE, data)).roll_sets[0].roll_radius_m == pytest.approx(
        3.1424 / 6.283185307, rel=1e-6
    )
    rolled = run("diameter", "rear", "--distance", "62.84m", "--turns", "20", *place)[1]
    assert "fewer than four places" in rolled
    with pytest.raises(Refused, match="one kind of reading"):
        run("diameter", "front", *place)


def test_wheel_response_and_time_base_are_proven_from_one_run(data: Path) -> None:
    run_id = "20260101-000009-abcd"
    (data / "runs" / run_id).mkdir(parents=True)
    record_coast(
        data / "runs" / run_id / "raw.drm", RIG, RIG_FILE.read_text(), nominal(), 3, 25.0, 5.0,
        lambda s: 10.0 if s % 2.0 > 1.0 else 5.0,
    )  # fmt: skip
    place = ["--data", str(data), "--rig", str(RIG_FILE)]
    code, told = run("run-out", run_id, *place)
    assert code == 0
    assert "largest error of a pitch" in told
    code, told = run("response", run_id, *place)
    assert code == 1  # the coil was not forced
    assert "limit 0.1 s; 40 CFR 1066.245" in told
    code, told = run("time-base", run_id, *place)
    assert code == 1  # far too short
    assert "1066.230 asks for at least 1000 s" in told
    kinds = {proof.kind for proof in read_proving(data).latest()}
    assert kinds == {"run-out", "response", "time-base"}


async def test_a_diameter_over_http(browser: httpx.AsyncClient, data: Path) -> None:
    body = {"roll_set": "front", "circumferences_m": [3.1424] * 4, "dials_m": [5e-5]}
    made = await browser.post("/api/proving/diameter", json=body)
    assert made.status_code == 200, made.text
    assert made.json()["proofs"][0]["passed"]
    neither = await browser.post("/api/proving/diameter", json={"roll_set": "front"})
    assert neither.status_code == 409
    assert neither.json()["code"] == "diameter"
    assert read_proving(data).latest()[0].subject == "front"


async def test_coasts_of_recorded_runs_are_proven_over_http(
    browser: httpx.AsyncClient, data: Path
) -> None:
    runs = []
    for place, (start, end, current) in enumerate(
        ((30.0, 27.0, 0.0), (30.0, 14.0, 7.0), (30.0, 6.0, 10.0), (30.0, 6.0, 14.0))
    ):
        run_id = f"20260101-00000{place}-abcd"
        (data / "runs" / run_id).mkdir(parents=True)
        record_coast(
            data / "runs" / run_id / "raw.drm", RIG, RIG_FILE.read_text(), nominal(), place,
            start, end, lambda _s, a=current: a,  # type: ignore[misc]
        )  # fmt: skip
        runs.append(run_id)
    made = await browser.post("/api/proving/coasts", json={"runs": runs}, timeout=120.0)
    assert made.status_code == 200, made.text
    proofs = {(one["kind"], one["subject"]): one for one in made.json()["proofs"]}
    found = proofs["inertia", "rear"]["values"]["roll_sets.rear.base_inertia_kg"]
    assert found == pytest.approx(1650.0, rel=0.003)
    log = (await browser.get("/api/audit")).json()
    assert "prove-coasts" in str(log)
    missing = await browser.post("/api/proving/coasts", json={"runs": ["20200101-000000-abcd"]})
    assert missing.status_code == 409
    no_step = await browser.post("/api/proving/delay", json={"run": runs[0]}, timeout=120.0)
    assert no_step.json()["code"] == "alignment"


def test_the_days_check_is_one_short_coast_and_finds_a_wrong_arm(data: Path) -> None:
    run_id = "20260101-000010-abcd"
    (data / "runs" / run_id).mkdir(parents=True)
    record_coast(
        data / "runs" / run_id / "raw.drm", RIG, RIG_FILE.read_text(), nominal(), 3, 25.0, 6.0,
        lambda s: 4.0,
    )  # fmt: skip
    place = ["--data", str(data), "--rig", str(RIG_FILE)]
    code, told = run("daily", run_id, *place)
    assert code == 0, told
    assert "40 CFR 1066.275" in told
    (proof, *_) = [one for one in read_proving(data).latest() if one.kind == "daily"]
    assert date.fromisoformat(proof.due) - date.fromisoformat(proof.done) == timedelta(days=1)
    seconds = next(one for one in proof.figures if one.unit == "s")
    assert 3.0 < seconds.value < 180.0
    wrong = data / "wrong.toml"  # arms 3 % long
    wrong.write_text(RIG_FILE.read_text().replace("\narm_m = 0.60", "\narm_m = 0.618"))
    assert load_rig(wrong).absorbers[0].arm_m == pytest.approx(0.618)
    assert run("daily", run_id, "--data", str(data), "--rig", str(wrong))[0] == 1


def test_a_shunt_says_whether_the_cell_still_reads_as_calibrated() -> None:
    # 350 ohm with 43,575 ohm across one arm: 1 / (4 x 124.5 + 2) V/V = 2 mV/V, by hand
    assert shunt_signal(350.0, 43_575.0) == pytest.approx(2.0)
    cell = RIG.absorbers[0].cell
    step_n = 2.0 * cell.newton_per_mv_per_v
    name = RIG.absorbers[0].name

    def proof(closed_n: float, again_n: float = 3.0) -> bool:
        return of_shunt(RIG, name, 2.0, (3.0, closed_n, again_n), today()).passed

    assert proof(3.0 + step_n)
    assert proof(3.0 - step_n), "the sign is that of the arm it lies across"
    assert not proof(3.0 + 1.006 * step_n)
    assert not proof(3.0 + step_n, again_n=3.0 + 0.02 * cell.capacity_n)
    with pytest.raises(Refused):
        shunt_signal(350.0, 100.0)
    with pytest.raises(Refused):
        of_shunt(RIG, name, 1e-4, (0.0, 1.0, 0.0), today())


async def test_a_shunt_over_http_is_kept_with_its_due_date(browser: httpx.AsyncClient) -> None:
    cell = RIG.absorbers[0].cell
    body = {"absorber": RIG.absorbers[0].name, "shunt_ohm": 43_575.0, "open_n": 0.0,
            "closed_n": 2.0 * cell.newton_per_mv_per_v, "open_again_n": 0.0}  # fmt: skip
    made = await browser.post("/api/proving/shunt", json=body)
    assert made.status_code == 200, made.text
    standing = (await browser.get("/api/proving")).json()["standing"]
    (shown,) = [one for one in standing if one["kind"] == "shunt"]
    assert shown["state"] == "passed"
    assert date.fromisoformat(shown["due"]) - date.fromisoformat(shown["done"]) == timedelta(days=7)
