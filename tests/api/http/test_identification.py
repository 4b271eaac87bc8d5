"""Identification over HTTP and on the command line: what was found, and accepting a tune-up."""

from __future__ import annotations

import json
from pathlib import Path

import httpx
import msgspec
import pytest
from typer.testing import CliRunner

from api.cli.main import app
from api.folders import MEMORY_NAME
from api.runtime.memory_file import write_memory
from control.absorber.identified import AcceptedTuneUp, Advice, Identified
from control.core.commands import AcceptTuneUp, DropIdentified, DropTuneUp
from control.core.memory import AbsorberMemory, Memory
from control.load_loop.tuning import OBSERVER_SHARE
from daq.rig.description import load_rig
from tests.api.fake_loop import RIG_FILE, FakeLoop

RUN = "20261103-101010-abcd"
ADVICE = Advice(RUN, "2026-11-03", 0.75, 1.5, 77.0, None, 0.9, 1.4, 60.0, 0.004, 1.3, 50.0, 0.05)


def remember(data: Path, tuned: AcceptedTuneUp | None = None) -> Identified:
    """A memory in which the first absorber was found 10 % stronger than described."""
    absorber = load_rig(RIG_FILE).absorbers[0]
    stronger = msgspec.structs.replace(
        absorber.map, peak_torque_nm=1.1 * absorber.map.peak_torque_nm
    )
    found = Identified(
        RUN, "2026-11-03", stronger, 0.16, 0.011, (1.0,) * 9,
        absorber.map, absorber.coil_lag_s, absorber.field_lag_s,
        3.0, 40.0, 0.5, 9.0, 2.1, {"peak": 0.01}, 9000, 20.0, 180.0, 290.0, 340.0,
    )  # fmt: skip
    memory = Memory(
        absorbers={absorber.name: AbsorberMemory(identified=found)}, advice=ADVICE, tuned=tuned
    )
    write_memory(data / MEMORY_NAME, memory)
    return found


async def test_what_was_found_is_told_with_its_map_beside_the_rig_files(
    data: Path, browser: httpx.AsyncClient
) -> None:
    remember(data)
    told = (await browser.get("/api/identification")).json()
    first, *others = told["absorbers"]
    assert first["in_force"] is True
    assert first["identified"]["date"] == "2026-11-03"
    assert first["identified"]["error_before_percent"] == 9.0
    assert all(one["identified"] is None and not one["in_force"] for one in others)
    drag = load_rig(RIG_FILE).absorbers[0].map.residual_torque_nm
    for point in first["points"]:
        more = (point["torque_nm"] - drag) / (point["described_nm"] - drag)
        assert more == pytest.approx(1.1)
    assert told["advice"]["advised_share"] == 0.9
    assert told["advice"]["delay_margin_s"] is None  # never gets there: kept, and told as null
    assert told["in_force"] is None
    assert told["observer_share"] == told["usual_share"] == OBSERVER_SHARE


async def test_nothing_found_yet_is_an_answer_too(browser: httpx.AsyncClient) -> None:
    told = (await browser.get("/api/identification")).json()
    assert told["advice"] is None
    assert [one["identified"] for one in told["absorbers"]] == [None] * 4


async def test_accepting_and_going_back_are_commands_to_the_loop(
    fake_loop: FakeLoop, browser: httpx.AsyncClient
) -> None:
    ways = (
        ("tune-up/accept", {"run_id": RUN}, AcceptTuneUp),
        ("tune-up/drop", {}, DropTuneUp),
        ("drop", {"absorbers": ["front-left"]}, DropIdentified),
    )
    for path, body, kind in ways:
        reply = await browser.post(f"/api/identification/{path}", json=body)
        assert reply.status_code == 200, reply.text
        assert type(fake_loop.commands[-1]) is kind
    assert fake_loop.commands[-3].run_id == RUN  # type: ignore[union-attr]
    assert fake_loop.commands[-1].absorbers == ("front-left",)  # type: ignore[union-attr]
    fake_loop.refuse("advice-changed", "It is not the newest.", "Read it again.")
    reply = await browser.post("/api/identification/tune-up/accept", json={"run_id": "other"})
    assert reply.json()["code"] == "advice-changed"


async def test_a_tune_up_is_not_accepted_without_saying_whose(browser: httpx.AsyncClient) -> None:
    reply = await browser.post("/api/identification/tune-up/accept", json={})
    assert reply.status_code == 422


def test_the_command_line_reads_the_same(data: Path) -> None:
    remember(data, AcceptedTuneUp(RUN, 0.9, "Ada"))
    runner = CliRunner()
    told = runner.invoke(app, ["absorbers", "--rig", str(RIG_FILE), "--data", str(data), "--json"])
    assert json.loads(told.stdout)["in_force"] == {
        "run_id": RUN, "observer_share": 0.9, "by": "Ada",
    }  # fmt: skip
    words = runner.invoke(app, ["absorbers", "--rig", str(RIG_FILE), "--data", str(data)]).stdout
    assert "front-left: identified 2026-11-03" in words
    assert "rear-left: not identified" in words
    assert "accepted by Ada" in words
