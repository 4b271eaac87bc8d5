"""A hold rehearsed through real wire bytes, judged by the simulator's truth."""

from __future__ import annotations

import json
from pathlib import Path

from api.rehearsal.rehearse import PlanSettings, rehearse
from control.test_kinds.plans import SteadyHold
from tests.api.launch.running import run

RIG = Path(__file__).parents[3] / "rigs" / "tarnhow.toml"


def test_a_hold_at_1900_rpm_is_steady_and_its_power_true() -> None:
    done = run(
        "rehearse", "steady-hold", "--rpm", "1900", "--minutes", "1", "--json", timeout_s=300
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["set_rpm"] == 1900.0
    # The first issue's measure: 0.3 % standard deviation once settled, mean power within 1 %.
    assert told["std_rpm"] < 0.003 * 1900.0
    assert abs(told["mean_rpm"] - 1900.0) < 0.003 * 1900.0
    assert abs(told["true_mean_rpm"] - told["mean_rpm"]) < 0.003 * 1900.0
    assert abs(told["mean_power_kw"] / told["true_mean_power_kw"] - 1.0) < 0.01
    assert told["worst_rpm_error"] >= told["std_rpm"] > 0.0
    assert told["frames_lost"] == 0
    assert told["valid"] is True
    assert told["state_at_end"] == "ready"
    assert told["first_cause"] == ""
    assert told["simulated_s"] > 60.0


def test_the_same_seed_gives_the_same_rehearsal_and_another_seed_another() -> None:
    plan = SteadyHold(seconds=6.0, rpm=1500.0, settle_s=2.0)
    first, same, other = (
        {name: value for name, value in told.items() if "wall" not in name}
        for told in (rehearse(PlanSettings(RIG, plan, seed=seed)) for seed in (1, 1, 2))
    )
    assert first == same
    for name in ("std_rpm", "mean_power_kw"):
        assert first[name] != other[name]
