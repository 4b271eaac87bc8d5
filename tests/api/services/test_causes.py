"""A rig with something wrong, at the desk: what `drumlin prove` says the likely cause is."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import httpx
import pytest
from typer.testing import CliRunner

from api.cli.main import app
from api.folders import MEMORY_NAME
from api.runtime.memory_file import write_memory
from bench.support.free_rolls import CoastingRolls, Currents
from control.core.memory import AbsorberMemory, Memory
from daq.rig.description import load_rig
from simulator.plant import Plant
from simulator.rig_and_truck.setup import nominal, tooth_angles
from tests.api.fake_loop import RIG_FILE

TEXT = RIG_FILE.read_text(encoding="utf-8")


def run(*words: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, ["prove", *words])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.output


def causes(data: Path, *words: str) -> list[dict[str, str]]:
    """What a verification names, by its JSON; rig file in the data directory."""
    told = run(*words, "--data", str(data), "--rig", str(data / "rig.toml"), "--json")[1]
    found: list[dict[str, str]] = json.loads(told)["causes"]
    return found


def uneven(seed: int = 8) -> Plant:
    """The demo's rolls with tooth wheels as they come, sixty teeth each."""
    import numpy as np

    base = nominal()
    rolls = tuple(replace(one, pitch_error=0.001, run_out=0.0005) for one in base.rolls)
    draw = np.random.default_rng(seed)
    teeth = tuple(tooth_angles(one, draw) for one in rolls)
    return Plant(replace(base, rolls=(rolls[0], rolls[1]), teeth=teeth), seed)


def record(
    data: Path,
    plant: Plant,
    text: str = TEXT,
    current_a: Currents = lambda _: (0.0,) * 4,
    most_s: float = 6.5,
) -> str:
    (data / "rig.toml").write_text(text)
    plant.spin(0.0, 0.0)
    rolls = CoastingRolls(load_rig(data / "rig.toml"), text, plant)
    rolls.counts(100)  # the arms come to rest
    path = data / f"{len(list(data.glob('*.drm')))}.drm"
    return str(rolls.coast(path, rolls.counts(250), 25.0, 5.0, current_a, most_s))


def test_a_wrong_number_of_teeth_is_counted(data: Path) -> None:
    text = TEXT.replace("teeth = 60", "teeth = 59", 1)
    text = text.replace("teeth = 60", "teeth = 61", 1)
    found = causes(data, "run-out", record(data, uneven(), text))
    assert [(one["kind"], one["subject"]) for one in found] == [
        ("teeth", "front"), ("teeth", "rear"),
    ]  # fmt: skip
    for one in found:
        assert "after 60 teeth" in one["evidence"]
        assert "teeth = 60" in one["next_step"]


def test_a_wheel_that_moves_in_its_seat_is_loose_and_one_that_does_not_is_not(data: Path) -> None:
    plant = uneven()
    first = record(data, plant)
    assert causes(data, "run-out", first) == []
    plant.break_it("wheel", "shifted", "rear", 0.0008)
    second = record(data, plant)
    (found,) = causes(data, "run-out", first, second)
    assert (found["kind"], found["subject"]) == ("loose-wheel", "rear")
    assert "mrad" in found["evidence"]


def one_after_the_other(s: float) -> list[float]:
    turn, into = divmod(s - 0.7, 1.4)
    return [8.0 if s > 0.7 and turn == place and into < 0.85 else 0.0 for place in range(4)]


@pytest.mark.parametrize(
    ("first", "second", "told"),
    [
        ("front-left", "rear-left", "cells are exchanged"),
        ("front-left", "front-right", "cannot be told apart"),
    ],
)
def test_exchanged_cells_are_named(data: Path, first: str, second: str, told: str) -> None:
    exchanged = {first: second, second: first}
    text = "\n".join(
        f'converter = "{exchanged[name]}"'
        if line.startswith("converter = ") and (name := line.split('"')[1]) in exchanged
        else line
        for line in TEXT.splitlines()
    )
    (found,) = causes(data, "wiring", record(data, uneven(), text, one_after_the_other, 6.4))
    assert found["kind"] == "swapped-cells"
    assert found["subject"] == f"{first}, {second}"
    assert told in found["next_step"]


def test_exchanged_supplies_are_told_from_exchanged_cells(data: Path) -> None:
    text = TEXT.replace('output = "front-left"', 'output = "x"')
    text = text.replace('output = "rear-left"', 'output = "front-left"').replace(
        '"x"', '"rear-left"'
    )
    (found,) = causes(data, "wiring", record(data, uneven(), text, one_after_the_other, 6.4))
    assert found["kind"] == "swapped-cells"
    assert "supplies are exchanged" in found["next_step"]


def test_a_sound_wiring_passes_and_a_run_without_single_loads_is_refused(data: Path) -> None:
    alone = record(data, uneven(), TEXT, one_after_the_other, 6.4)
    place = ["--data", str(data), "--rig", str(data / "rig.toml")]
    code, told = run("wiring", alone, *place)
    assert code == 0, told
    assert "Likely causes" not in told
    together = record(data, uneven(), TEXT, lambda s: (8.0 if s > 1.0 else 0.0,) * 4, 4.0)
    result = CliRunner().invoke(app, ["prove", "wiring", together, *place])
    assert "no absorber was loaded alone" in str(result.exception)


def test_bearings_that_warm_up_from_check_to_check_were_cold(data: Path) -> None:
    base = nominal()
    rolls = tuple(
        replace(one, start_chill=1.0, chill_share=0.3, chill_s=15.0) for one in base.rolls
    )
    plant = Plant(replace(base, rolls=(rolls[0], rolls[1])), 3)
    first, again = record(data, plant, most_s=6.0), record(data, plant, most_s=6.0)
    assert causes(data, "daily", first) == []
    found = causes(data, "daily", again)
    assert {one["kind"] for one in found} == {"cold-bearings"}


async def test_status_and_http_name_a_drifting_cell(browser: httpx.AsyncClient, data: Path) -> None:
    def take(count: float) -> None:
        names = [one.name for one in load_rig(RIG_FILE).absorbers]
        cells = {name: AbsorberMemory(zero_count=count) for name in names[:1]}
        write_memory(data / MEMORY_NAME, Memory(absorbers=cells))

    take(100.0)
    assert (await browser.post("/api/proving/zero", json={})).json()["causes"] == []
    take(8000.0)  # 5.6 N
    made = (await browser.post("/api/proving/zero", json={})).json()
    (cause,) = made["causes"]
    assert cause["kind"] == "drifting-cell"
    assert cause["evidence_message"]["code"] == "cause-drift"
    assert (await browser.get("/api/proving")).json()["causes"] == made["causes"]
    told = run("status", "--data", str(data), "--rig", str(RIG_FILE), "--units", "us")[1]
    assert "Likely causes, by all proofs together:" in told
    assert "drifting-cell front-left" in told
    assert "lbf within the day" in told
    kept = json.loads((data / "proving.json").read_text())
    assert kept["causes"][0]["kind"] == "drifting-cell"
    assert "moved by" in kept["causes"][0]["evidence"]["text"], "the record outlives catalogues"
