"""Plans: strict, versioned, in trade units in files, and refused with a reason when impossible."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import msgspec
import pytest

from api.services.plan_files import load_plan, plan_from
from control.campaigns.campaign import Campaign
from control.test_kinds.kinds import KINDS, check_begin, check_plan, make_test
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
    StartConditions,
    SteadyHold,
    SteppedMap,
    kind_of,
)
from daq.errors import DrumlinError, Refused
from tests.control.control_stand import Stand, tarnhow

ROOT = Path(__file__).parents[3]
RIG = tarnhow()
TRUCK = RoadVehicle(a_n=230.0, mass_kg=3600.0, c_n_per_mps2=0.95)
HILL = Grade(percent=4.0)
GOOD: tuple[Plan, ...] = (
    SteadyHold(seconds=60.0, power_w=80_000.0),
    SteppedMap(points_rpm=(1500.0, 2000.0)),
    PowerSweep(from_rpm=1500.0, to_rpm=3000.0, rpm_per_s=150.0),
    SpoolUp(rpm=1500.0),
    GradeClimb(TRUCK, HILL, target_mps=18.0, seconds=60.0),
    SpeedTrace(TRUCK, points=((0.0, 0.0), (10.0, 8.0))),
    Coastdown(from_mps=25.0, to_mps=5.0),
    SnapSmoke(),
)


def test_there_are_eight_kinds_and_each_plan_comes_back_from_json_as_it_was() -> None:
    assert len(GOOD) == 8
    assert {kind_of(plan) for plan in GOOD} | {"identification"} == set(KINDS)
    for plan in GOOD:
        check_plan(plan, RIG, None, engine_speed=True)
        again = msgspec.json.decode(msgspec.json.encode(plan), type=Plan)
        assert again == plan
        assert kind_of(again) in KINDS


@pytest.mark.parametrize("path", sorted((ROOT / "plans").glob("*.toml")), ids=lambda p: p.stem)
def test_every_example_plan_can_be_run_on_the_demo_rig(path: Path) -> None:
    plan = load_plan(path)
    one = plan.plan if isinstance(plan, Campaign) else plan
    check_plan(one, RIG, None, engine_speed=True)


def test_a_file_may_use_trade_units() -> None:
    plan = plan_from(
        {"kind": "steady-hold", "minutes": 2, "speed_kmh": 72, "begin": {"rotor_below_c": 150}},
        Path(),
    )
    assert isinstance(plan, SteadyHold)
    assert (plan.seconds, plan.speed_mps) == (120.0, pytest.approx(20.0))
    assert plan.begin.rotor_below_k == pytest.approx(423.15)
    climb = load_plan(ROOT / "plans" / "grade-climb.toml")
    assert isinstance(climb, GradeClimb)
    # Row RL-02: the same coefficients in SI.
    assert climb.vehicle.a_n == pytest.approx(226.54792686521725, rel=1e-12)
    assert climb.vehicle.b_n_per_mps == pytest.approx(1.5900720609310752, rel=1e-12)
    assert climb.vehicle.c_n_per_mps2 == pytest.approx(0.9488749464351989, rel=1e-12)


@pytest.mark.parametrize(
    ("data", "word"),
    [
        ({"kind": "steady-hold", "seconds": 60, "rpm": 1900, "rmp": 1}, "rmp"),
        ({"kind": "steady-hold", "rpm": 1900}, "seconds"),
        ({"kind": "steady-hold", "seconds": 60, "rpm": 1900, "schema": 3}, "schema"),
        ({"kind": "steady-hold", "seconds": -1, "rpm": 1900}, "seconds"),
        ({"kind": "tug-of-war"}, "tug-of-war"),
        ({"seconds": 60}, "kind"),
        ({"kind": "grade-climb", "target_mps": 18, "grade": {}, "vehicle": {"a_n": 1}}, "mass_kg"),
        (
            {"kind": "grade-climb", "target_mps": 18, "grade": {},
             "vehicle": {"a_n": 1, "mass_kg": -3000}},
            "mass_kg",
        ),
        ({"kind": "steady-hold", "seconds": 60, "speed_mps": 20, "speed_kmh": 72}, "twice"),
        ({"kind": "steady-hold", "seconds": 60, "speed_kmh": "fast"}, "speed_kmh"),
    ],
)  # fmt: skip
def test_a_plan_that_is_wrong_names_the_field(data: dict[str, Any], word: str) -> None:
    with pytest.raises(DrumlinError, match=word):
        plan_from(data, Path())


@pytest.mark.parametrize(
    ("plan", "code"),
    [
        (SteadyHold(seconds=60.0), "plan-set-point"),
        (SteadyHold(seconds=60.0, rpm=1900.0, force_n=3000.0), "plan-set-point"),
        (SteadyHold(seconds=60.0, force_n=30_000.0), "set-point-beyond-rig"),
        (SteadyHold(seconds=60.0, power_w=900_000.0), "set-point-beyond-rig"),
        (SteadyHold(seconds=math.nan, rpm=1900.0), "plan-number"),
        (SteadyHold(seconds=5.0, rpm=1900.0, settle_s=5.0), "plan-settle"),
        (SteppedMap(), "plan-points"),
        (SteppedMap(points_mps=(20.0, 70.0)), "set-point-beyond-rig"),
        (PowerSweep(from_rpm=1500.0, to_rpm=3000.0), "plan-sweep"),
        (PowerSweep(from_rpm=1500.0, to_rpm=1600.0, rpm_per_s=150.0), "plan-sweep"),
        (PowerSweep(from_mps=1.0, to_mps=30.0, mps_per_s=1.0), "set-point-too-slow"),
        (SpoolUp(), "plan-set-point"),
        (GradeClimb(TRUCK, Grade(percent=80.0), 18.0, seconds=60.0), "grade"),
        (GradeClimb(TRUCK, Grade(), 18.0, seconds=60.0), "grade"),
        (GradeClimb(TRUCK, Grade(percent=3.0, by_time=((0.0, 1.0), (9.0, 2.0))), 18.0), "grade"),
        (GradeClimb(TRUCK, HILL, 18.0), "plan-end"),
        (GradeClimb(TRUCK, Grade(file="hill.gpx"), 18.0), "route"),
        (GradeClimb(TRUCK, Grade(by_distance=((0.0, 1.0), (0.0, 2.0))), 18.0), "points"),
        (GradeClimb(TRUCK, Grade(by_distance=((0.0, math.nan), (9.0, 2.0))), 18.0), "plan-number"),
        (
            GradeClimb(RoadVehicle(a_n=-9000.0, mass_kg=3000.0), HILL, 18.0, seconds=9.0),
            "road-load",
        ),
        (
            GradeClimb(RoadVehicle(a_n=200.0, mass_kg=math.inf), HILL, 18.0, seconds=9.0),
            "plan-number",
        ),
        (SpeedTrace(TRUCK), "trace"),
        (SpeedTrace(TRUCK, points=((0.0, 0.0), (5.0, 60.0))), "set-point-beyond-rig"),
        (Coastdown(from_mps=10.0, to_mps=20.0), "plan-coast"),
        (Coastdown(from_mps=60.0, to_mps=20.0), "set-point-beyond-rig"),
        (Coastdown(from_mps=25.0, to_mps=9.0, force_n=500.0, vehicle=TRUCK), "plan-coast"),
    ],
)
def test_what_the_rig_cannot_do_is_refused_before_anything_changes(plan: Plan, code: str) -> None:
    with pytest.raises(Refused) as caught:
        check_plan(plan, RIG, None, engine_speed=True)
    assert caught.value.code == code
    assert caught.value.remedy


def test_plans_by_engine_speed_need_one_and_a_smoke_test_needs_it_measured() -> None:
    for plan in GOOD[1:4]:
        with pytest.raises(Refused) as caught:
            check_plan(plan, RIG, None, engine_speed=False)
        assert caught.value.code == "no-engine-speed"
        check_plan(plan, RIG, 9.5, engine_speed=False)
    with pytest.raises(Refused, match="neutral"):
        check_plan(SnapSmoke(), RIG, 9.5, engine_speed=False)


def test_a_condition_to_begin_that_is_not_measured_is_not_taken_as_met() -> None:
    stand = Stand().ready()
    stand.frames(0.1)
    measured = stand.core.measured
    assert measured is not None
    check_begin(SteadyHold(seconds=30.0, speed_mps=20.0), measured, RIG)
    with pytest.raises(Refused) as caught:
        check_begin(
            SteadyHold(seconds=30.0, speed_mps=20.0, begin=StartConditions(oil_above_k=340.0)),
            measured,
            RIG,
        )
    assert caught.value.code == "condition-unknown"


def test_snaps_do_not_begin_while_the_rolls_turn() -> None:
    stand = Stand().ready()
    stand.frames(0.1)
    assert stand.core.measured is not None
    check_begin(SnapSmoke(), stand.core.measured, RIG)
    stand.speeds = [0.0, 5.0]
    stand.frames(0.1)
    with pytest.raises(Refused) as caught:
        check_begin(SnapSmoke(), stand.core.measured, RIG)
    assert caught.value.code == "rolls-turning"


def test_every_kind_says_what_to_do_in_each_of_its_phases() -> None:
    for plan in GOOD:
        test = make_test("run-1", plan, RIG)
        for phase, _ in test.describe.phases:
            said = str(test.instruction(phase))
            assert said
            assert "{" not in said
        view = test.view(0.0)
        assert view.kind == kind_of(plan)
        assert len(view.next_phases) == len(test.describe.phases) - 1
        assert test.describe.void


def test_the_page_about_plans_names_every_kind_field_phase_and_void() -> None:
    page = (ROOT / "docs" / "plans.md").read_text(encoding="utf-8")
    for plan in GOOD:
        describe = KINDS[kind_of(plan)].describe
        assert f"`{kind_of(plan)}`" in page
        for phase, _ in describe.phases:
            assert f"**{phase}**" in page
        for code, _ in describe.void:
            assert f"`{code}`" in page
    for struct in (
        *(type(plan) for plan in GOOD),
        StartConditions,
        ChannelLimit,
        RoadVehicle,
        Grade,
    ):
        for name in struct.__struct_fields__:
            assert f"`{name}`" in page or name in ("schema", "begin", "limits"), name
