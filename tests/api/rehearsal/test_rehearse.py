"""Plans rehearsed on the simulated rig over wire bytes, judged by its truth and by physics."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from api.cli.main import app
from api.examples import PLANS
from api.rehearsal.plan_options import PlanOptions, plan_of
from api.rehearsal.rehearse import PlanSettings, rehearse
from api.services.plan_files import load_plan
from control.campaigns.campaign import Campaign, ConditionBands
from control.test_kinds.plans import (
    ChannelLimit,
    Coastdown,
    Grade,
    GradeClimb,
    Plan,
    PowerSweep,
    RoadVehicle,
    SnapSmoke,
    SpeedTrace,
    SpoolUp,
    SteadyHold,
)
from daq.errors import DrumlinError

RIG = Path(__file__).parents[3] / "rigs" / "tarnhow.toml"
TRUCK = RoadVehicle(a_n=226.5, b_n_per_mps=1.59, c_n_per_mps2=0.949, mass_kg=3600.0)


def go(plan: Plan | Campaign, **more: Any) -> dict[str, Any]:
    told: dict[str, Any] = rehearse(PlanSettings(RIG, plan, **more))
    assert told["frames_lost"] == 0
    assert told["first_cause"] == ""
    return told


def test_a_sweep_keeps_its_rate_and_finds_the_power_that_was_there() -> None:
    told = go(PowerSweep(from_rpm=1800.0, to_rpm=2600.0, rpm_per_s=200.0))
    assert told["void"] == ""
    assert told["mean_rate"] == pytest.approx(200.0, rel=0.06)
    assert told["peak_power_w"] == pytest.approx(told["true_highest_power_w"], rel=0.02)


def test_a_rotor_that_reaches_a_limit_of_the_plan_ends_a_hold_that_counts() -> None:
    limit = ChannelLimit("rotor-rear-left", above=60.0, unit="degC", does="end")
    told = go(SteadyHold(seconds=60.0, settle_s=2.0, rpm=1900.0, limits=(limit,)))
    assert told["void"] == ""
    assert told["valid"] is True
    assert 2.0 < told["elapsed_s"] < 55.0
    assert told["reason"] == "channel-limit-ended"
    assert told["hottest_rotor_k"] == pytest.approx(333.15, abs=10.0)


@pytest.mark.parametrize("long_s", [300.0, 1.0])
def test_a_climb_takes_the_power_of_its_road(
    long_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At the rig's frame rate, and at that of long tests."""
    monkeypatch.setattr("api.rehearsal.virtual_rig.LONG_S", long_s)
    plan = GradeClimb(TRUCK, Grade(percent=5.0), target_mps=16.0, seconds=25.0)
    told = go(plan)
    assert told["frame_hz"] == (500 if long_s > 25.0 else 100)
    assert told["void"] == ""
    assert told["keeps_up"] is True
    # one window: what the test states and what the simulator says of it
    assert told["mean_power_w"] == pytest.approx(told["true_mean_power_w"], rel=5e-3)
    v = told["mean_speed_mps"]
    # 40 CFR 1066.210(d)(3) at that speed, and what went into the simulated mass meanwhile.
    slope = (1.0 + 0.05**2) ** 0.5
    road = 226.5 / slope + 1.59 * v + 0.949 * v * v + 3600.0 * 9.80665 * 0.05 / slope
    stored = (
        0.5 * (3600.0 + 4 * 56.7) * (told["last_speed_mps"] ** 2 - told["first_speed_mps"] ** 2)
    )
    asked = road * v + stored / told["elapsed_s"]
    assert told["mean_power_w"] == pytest.approx(asked, rel=0.01)
    assert told["work_j"] == pytest.approx(asked * told["elapsed_s"], rel=0.01)
    assert told["true_roll_sets_apart_mps"] < 0.1


def test_a_driver_keeps_a_gentle_trace_within_its_band() -> None:
    points = ((0.0, 0.0), (4.0, 0.0), (14.0, 11.0), (24.0, 12.0), (34.0, 12.0))
    told = go(SpeedTrace(TRUCK, points=points, countdown_s=1.0))
    assert told["void"] == ""
    # Trapezium of the points: 5 x 11 + 115 + 120 m.
    assert told["distance_m"] == pytest.approx(290.0, rel=0.03)


def test_a_spool_up_comes_from_light_to_full() -> None:
    told = go(SpoolUp(rpm=1600.0, settle_s=1.0, seconds=4.0))
    assert told["void"] == ""
    assert told["full_tractive_n"] > 4.0 * told["light_tractive_n"]
    assert 0.0 <= told["t10_s"] < told["t50_s"] < told["t90_s"] < 4.0


def test_a_coast_in_neutral_has_the_drag_of_rolls_and_wheels() -> None:
    told = go(Coastdown(from_mps=16.0, to_mps=14.0, interval_mps=1.0))
    assert told["void"] == ""
    # Stated losses of the rig at 15 m/s and the simulated tyres' rolling resistance (0.013 of
    # 38 kN) are the floor; axles and unexcited rotors come on top.
    floor = 132.0 + 2.35 * 15.0 + 0.044 * 15.0**2 + 0.013 * 38_000.0
    assert floor < told["interval_1_force_n"] < 1.5 * floor


def test_three_snaps_agree_on_a_smoke_channel_that_is_quick_enough() -> None:
    told = go(SnapSmoke(idle_s=5.0, probe_s=1.0))
    assert told["void"] == ""
    assert told["snaps"] == 3
    assert told["spread_percent"] <= 5.0
    assert told["mean_percent"] > 1.0
    assert told["smoke_values_per_s"] == pytest.approx(20.0, abs=0.5)
    assert told["smoke_slow"] is False


def test_a_campaign_alternates_and_waits() -> None:
    plan = PowerSweep(from_rpm=1800.0, to_rpm=2300.0, rpm_per_s=250.0, full_pedal_s=1.0)
    told = go(Campaign(plan, ("A", "B"), repeats=1, alike=ConditionBands(pause_s=10.0)))
    assert told["complete"] is True
    assert [run["setup"] for run in told["runs"]] == ["A", "B"]
    assert told["runs"][1]["waited_s"] >= 5.0


def test_options_that_make_no_plan_are_refused_with_the_remedy() -> None:
    with pytest.raises(DrumlinError, match="steady-hold, stepped-map"):
        plan_of("tug-of-war", PlanOptions())
    with pytest.raises(DrumlinError, match="exactly one"):
        rehearse(PlanSettings(RIG, plan_of("steady-hold", PlanOptions(rpm=1900.0, force_n=300.0))))
    with pytest.raises(DrumlinError, match="--trace"):
        plan_of("speed-trace", PlanOptions())
    with pytest.raises(DrumlinError, match="pedal"):
        rehearse(PlanSettings(RIG, plan_of("power-sweep", PlanOptions()), pedal_pct=0.0))


def told_by_command(*words: str) -> tuple[int, dict[str, object]]:
    found = CliRunner().invoke(app, ["rehearse", *words, "--json"])
    return found.exit_code, json.loads(found.stdout)


@pytest.mark.parametrize(
    ("result", "code"),
    [
        ({"valid": True, "void": ""}, 0),
        ({"valid": False, "void": "ended-early"}, 1),
        ({"void": "shortfall"}, 1),  # nothing said that it counts
    ],
)
def test_a_rehearsal_that_would_not_count_ends_with_the_code_for_it(
    monkeypatch: pytest.MonkeyPatch, result: dict[str, object], code: int
) -> None:
    monkeypatch.setattr("api.rehearsal.rehearse.rehearse", lambda _: dict(result))
    found = CliRunner().invoke(app, ["rehearse", "steady-hold", "--speed", "70km/h", "--json"])
    assert found.exit_code == code
    if code:
        assert f"would not count: {result['void']}" in found.output


def test_the_heat_answer_knows_the_gear_that_the_rehearsal_ran_in(tmp_path: Path) -> None:
    plan = tmp_path / "sweep.toml"
    plan.write_text('kind = "power-sweep"\nfrom_rpm = 1600\nto_rpm = 2000\nrpm_per_s = 100\n')
    _, told = told_by_command(str(plan))
    heat = told["heat"]
    assert isinstance(heat, dict)
    assert heat["possible"] is True, heat["text"]


def test_every_example_campaign_can_give_a_gain() -> None:
    """A comparison needs two valid runs of each set-up."""
    for path in sorted(PLANS.glob("*.toml")):
        plan = load_plan(path)
        if isinstance(plan, Campaign) and len(set(plan.setups)) > 1:
            runs = plan.setups * plan.repeats
            assert min(runs.count(one) for one in runs) >= 2, path.name
