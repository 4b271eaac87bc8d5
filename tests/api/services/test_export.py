"""Exports, each opened by a library nobody here wrote, and compared value by value."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import msgspec
import numpy as np
import pandas as pd
import pytest
from asammdf import MDF

from api.services.export import EXPORT_KEY, export
from api.services.export_forms import ExportForm, ExportUnits, ExportWish, form_of
from api.store.closing.evaluating import evaluate_folder, write_evaluation
from api.store.closing.evaluations import read_evaluation
from daq.errors import RecordingError, Refused
from daq.quantities import HORSEPOWER
from daq.results.correction import Rule
from daq.results.result import EvaluationSettings
from daq.results.series.columns import slug
from daq.rig.description import load_rig, parse_rig
from tests.api.fake_loop import RIG_FILE
from tests.api.recorded import RUN_ID
from tests.daq.parquet_columns import read_columns

WISH = ExportWish(vehicle="Blue tractor")


@pytest.fixture(scope="module")
def closed(closed_hold: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a recorded hold, closed as the service closes it."""
    return Path(shutil.copytree(closed_hold, tmp_path_factory.mktemp("closed") / RUN_ID))


@pytest.fixture
def folder(closed: Path, tmp_path: Path) -> Path:
    """A copy that a test may evaluate again."""
    copy = tmp_path / "kept" / RUN_ID
    shutil.copytree(closed, copy)
    return copy


def lines_of(path: Path) -> list[str]:
    """Text lines, split at the one kind of line end there is."""
    body = path.read_bytes()
    assert b"\r" not in body
    return body.decode().split("\n")


def test_every_exported_row_balances_in_every_roll_set(closed: Path, tmp_path: Path) -> None:
    """Sum of absorbers = roll set; absorber + loss + inertia = tractive; tractive x speed = power.

    Rows are stored to 24 bits: a few millinewtons.
    """
    rows = export(closed, ExportForm.PARQUET, tmp_path / "run.parquet")
    table = duckdb.sql(f"select * from '{tmp_path / 'run.parquet'}'").fetchnumpy()
    rig = load_rig(RIG_FILE)
    power = np.zeros(rows)
    checked = 0
    for one in rig.roll_sets:
        name = f"rolls_{slug(one.name)}"
        of = {key: np.asarray(table[f"{name}_{key}"], float) for key in (
            "absorber_force_n", "loss_force_n", "inertia_force_n", "tractive_force_n", "power_w",
            "speed_mps", "acceleration_mps2",
        )}  # fmt: skip
        absorbers = sum(
            np.asarray(table[f"absorber_{slug(each.name)}_force_n"], float)
            for each in rig.absorbers_of(one.name)
        )
        known = np.isfinite(of["tractive_force_n"])
        checked += int(known.sum())
        balance = of["absorber_force_n"] + of["loss_force_n"] + of["inertia_force_n"]
        for off in (
            absorbers - of["absorber_force_n"],
            balance - of["tractive_force_n"],
            one.base_inertia_kg * of["acceleration_mps2"] - of["inertia_force_n"],
        ):
            assert float(np.max(np.abs(off[known]))) < 0.01
        assert of["power_w"][known] == pytest.approx(
            (of["tractive_force_n"] * of["speed_mps"])[known], rel=1e-6, abs=0.01
        )
        power += of["power_w"]
    assert checked > 1.9 * rows
    known = np.isfinite(power)
    assert np.asarray(table["power_w"], float)[known] == pytest.approx(power[known], rel=1e-6)


def test_the_exported_power_is_the_one_that_was_evaluated(closed: Path, tmp_path: Path) -> None:
    export(closed, ExportForm.PARQUET, tmp_path / "run.parquet")
    result = read_evaluation(closed)
    phase = next(one for one in result.phases if one.name == "hold")
    with duckdb.connect() as base:
        found = base.execute(
            "with run as (select *, time_s - min(time_s) over () as at_s from read_parquet(?)) "
            "select avg(power_w) from run where at_s > ? + 1e-9 and at_s <= ? + 1e-9",
            [str(tmp_path / "run.parquet"), phase.begin_s, phase.end_s],
        ).fetchone()
    figure = result.figure("mean_power")
    assert figure is not None
    assert found is not None
    assert found[0] == pytest.approx(figure.value, rel=1e-6)


def test_duckdb_and_pandas_read_the_csv_as_it_is(closed: Path, tmp_path: Path) -> None:
    target = tmp_path / "run.csv"
    rows = export(closed, ExportForm.CSV, target, WISH)
    kept = read_columns(closed / "run.parquet")
    lines = lines_of(target)
    assert lines[0].startswith(f"# run {RUN_ID}; vehicle Blue tractor; first row 2026-03-14T15:09")
    assert "evaluation 1 by Drumlin" in lines[1]
    assert "correction none" in lines[1]
    assert "power_w W" in lines[3]
    by_duck = duckdb.sql(f"select * from read_csv('{target}')")
    types = dict(zip(by_duck.columns, by_duck.types, strict=True))
    assert str(types["utc"]).startswith("TIMESTAMP")
    assert str(types["power_w"]) == "DOUBLE"
    values = by_duck.fetchnumpy()
    by_pandas = pd.read_csv(target, comment="#", parse_dates=["utc"])
    assert len(by_pandas) == rows == len(kept["time_s"]) == len(values["time_s"])
    for name in ("time_s", "power_w", "speed_mps", "absorber_front_left_force_n", "set_point"):
        true = np.asarray(kept[name], float)
        got = np.ma.filled(np.ma.asarray(values[name], float), np.nan)
        np.testing.assert_allclose(got, true, rtol=1e-6, atol=1e-6)
        np.testing.assert_allclose(by_pandas[name].to_numpy(float), true, rtol=1e-6, atol=1e-6)
    first = by_pandas["utc"][0].timestamp()
    assert first == pytest.approx(float(kept["utc_s"][0]), abs=1e-5)


def test_the_parquet_says_what_it_shows_and_keeps_every_value(closed: Path, tmp_path: Path) -> None:
    import pyarrow.parquet as pq

    target = tmp_path / "run.parquet"
    export(closed, ExportForm.PARQUET, target, WISH)
    told = msgspec.json.decode((pq.read_metadata(target).metadata or {})[EXPORT_KEY])
    assert (told["run_id"], told["vehicle"], told["evaluation"]) == (RUN_ID, "Blue tractor", 1)
    frame = pd.read_parquet(target)
    kept = read_columns(closed / "run.parquet")
    assert str(frame["utc"].dtype) == "datetime64[us, UTC]"
    for name, true in kept.items():
        if name != "utc_s":
            np.testing.assert_array_equal(frame[name].to_numpy(), true)
    assert pq.read_schema(target).field("power_w").metadata[b"unit"] == b"W"


def test_the_mdf4_starts_when_the_run_did(
    closed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("api.services.export.BATCH_ROWS", 1000)  # several blocks
    target = tmp_path / "run.mf4"
    rows = export(closed, ExportForm.MDF4, target, WISH)
    kept = read_columns(closed / "run.parquet")
    with MDF(target) as mdf:
        started = mdf.header.start_time.astimezone(UTC)
        first = datetime.fromtimestamp(float(kept["utc_s"][0]), UTC)
        assert abs((started - first).total_seconds()) < 0.002
        assert "Blue tractor" in mdf.header.comment
        assert RUN_ID in mdf.header.comment
        assert "evaluation 1" in mdf.header.comment
        for name, unit in (("power_w", "W"), ("speed_mps", "m/s"), ("utc_s", "s")):
            signal = mdf.get(name)
            assert signal.unit == unit
            assert len(signal.samples) == rows
            np.testing.assert_array_equal(signal.samples, kept[name])
            np.testing.assert_allclose(
                signal.timestamps, kept["time_s"] - kept["time_s"][0], atol=1e-9
            )


def test_an_export_shows_the_evaluation_that_was_asked_for(folder: Path, tmp_path: Path) -> None:
    """Cells said to be 2 % more sensitive: the columns are measured again with that rig file."""
    text = RIG_FILE.read_text(encoding="utf-8").replace("= 1500.0\ncapacity", "= 1530.0\ncapacity")
    again = evaluate_folder(folder, rig=parse_rig(text, "other"))
    write_evaluation(folder, 2, again, text)

    def mean(number: int) -> float:
        target = tmp_path / f"{number}.csv"
        export(folder, ExportForm.CSV, target, ExportWish(("rolls_rear_absorber_force_n",), number))
        assert f"evaluation {number or 2} by" in lines_of(target)[1]
        frame = pd.read_csv(target, comment="#")
        return float(frame["rolls_rear_absorber_force_n"].mean())

    assert mean(2) / mean(1) == pytest.approx(1.02, rel=1e-3)
    assert mean(0) == mean(2)
    (folder / "evaluations" / "0002.toml").unlink()  # as kept before rig files were
    with pytest.raises(RecordingError, match="was not kept"):
        mean(2)
    with pytest.raises(RecordingError, match="number 9"):
        mean(9)


def test_a_corrected_evaluation_has_both_numbers_in_every_row(folder: Path, tmp_path: Path) -> None:
    settings = EvaluationSettings(rule=Rule.J607_SPARK, diesel=False)
    corrected = evaluate_folder(folder, settings)
    assert corrected.correction is not None
    write_evaluation(folder, 2, corrected)
    target = tmp_path / "run.csv"
    export(folder, ExportForm.CSV, target, ExportWish(("power_w", "torque_nm")))
    factor = corrected.correction.factor
    assert f"correction j607-spark factor {factor:.4f}" in lines_of(target)[1]
    frame = pd.read_csv(target, comment="#")
    for observed, beside in (
        ("power_w", "power_corrected_w"), ("torque_nm", "torque_corrected_nm")
    ):  # fmt: skip
        known = frame[observed].notna()
        assert frame[beside][known].to_numpy() == pytest.approx(
            factor * frame[observed][known].to_numpy(), rel=1e-5
        )


def test_units_and_rows_are_those_that_were_asked_for(closed: Path, tmp_path: Path) -> None:
    target = tmp_path / "run.csv"
    wish = ExportWish(("power_w", "speed_mps", "frames_lost"), units=ExportUnits.US, hz=10.0)
    rows = export(closed, ExportForm.CSV, target, wish)
    kept = read_columns(closed / "run.parquet")
    frame = pd.read_csv(target, comment="#")
    assert rows == len(frame) == len(kept["time_s"]) // 50
    assert "mean of 50 frames each" in lines_of(target)[2]
    assert "power_hp hp" in lines_of(target)[3]
    watts = np.asarray(kept["power_w"], float)[-1000:]
    blocks = np.asarray(kept["power_w"], float)[: rows * 50].reshape(-1, 50).mean(axis=1)
    assert watts.size
    known = np.isfinite(blocks)
    assert frame["power_hp"][known].to_numpy() == pytest.approx(
        blocks[known] / HORSEPOWER, rel=1e-5
    )
    miles = np.asarray(kept["speed_mps"], float)[: rows * 50].reshape(-1, 50).mean(axis=1) / 0.44704
    known = np.isfinite(miles)
    assert frame["speed_mph"][known].to_numpy() == pytest.approx(miles[known], rel=1e-5)


def test_curves_are_a_table(closed: Path, tmp_path: Path) -> None:
    target = tmp_path / "run.curves.csv"
    assert form_of("", target) is ExportForm.CURVES
    export(closed, ExportForm.CURVES, target, ExportWish(units=ExportUnits.METRIC))
    frame = pd.read_csv(target, comment="#")
    result = read_evaluation(closed)
    power = result.curve("power")
    assert power is not None
    assert list(frame.columns) == ["time [s]", "engine speed [rpm]", "wheel power [kW]"]
    assert frame["wheel power [kW]"].to_numpy()[-3] == pytest.approx(
        (power.value[-3] or 0.0) / 1e3, rel=1e-5
    )


@pytest.mark.parametrize("name", ["run.xlsx", "run.txt"])
def test_a_form_that_is_none_is_refused_with_those_there_are(name: str) -> None:
    with pytest.raises(Refused) as by_name:
        form_of("", Path(name))
    with pytest.raises(Refused) as by_word:
        form_of(name, None)
    for refused in (by_name, by_word):
        assert "mdf4" in str(refused.value.remedy)
        assert "parquet" in str(refused.value.remedy)


def test_an_export_that_cannot_be_leaves_nothing_behind(closed: Path, tmp_path: Path) -> None:
    with pytest.raises(Refused, match="no_such"):
        export(closed, ExportForm.CSV, tmp_path / "out", ExportWish(("no_such",)))
    with pytest.raises(Refused, match="no samples"):
        export(tmp_path, ExportForm.CSV, tmp_path / "out")
    assert list(tmp_path.iterdir()) == []
