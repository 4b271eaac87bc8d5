"""The answer before the test, by heat, and the endurance map."""

from __future__ import annotations

import math

import msgspec
import pytest

from control.forecast.answer import answer
from control.forecast.duty import DutySegment, Expected, duty_segments, heaviest_segment
from control.forecast.endurance import MAP_HORIZON_S, endurance_map
from control.forecast.rig_heat import RigHeat
from control.test_kinds.plans import (
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
    SteppedMap,
)
from control.thermal.record import RotorRecord
from control.thermal.rotor import model_of
from control.thermal.rotor_observer import PRIOR_SIGMA, SIZE, RotorObserver
from daq.errors import Refused
from tests.control.control_stand import tarnhow

RIG = tarnhow()
AMBIENT_K = 295.15
TRUCK = RoadVehicle(a_n=300.0, mass_kg=3600.0, b_n_per_mps=5.0, c_n_per_mps2=0.6)


def known(kelvin: float = AMBIENT_K, **others: float) -> RigHeat:
    """A rig whose rotors are known well, at the temperatures given."""
    records = {}
    for absorber in RIG.absorbers:
        observer = RotorObserver(model_of(absorber.heat), kelvin)
        observer.covariance[:] = 0.0
        for index in range(SIZE):
            observer.covariance[index, index] = 1e-6
        observer.x[:3] = others.get(absorber.name.replace("-", "_"), kelvin)
        records[absorber.name] = RotorRecord(observer.memory())
    return RigHeat(RIG, records, AMBIENT_K)


def hold(seconds: float, power_w: float, speed: float = 22.0) -> tuple[Plan, Expected]:
    return SteadyHold(seconds=seconds, speed_mps=speed), Expected(power_w=power_w)


def test_a_short_hold_is_possible_and_a_long_one_is_limited_by_a_named_absorber() -> None:
    heat = known()
    short = answer(*_swap(hold(60.0, 200e3), heat))
    assert short.possible
    assert short.limiting == ""
    assert short.suggestions == ()
    long = answer(*_swap(hold(1800.0, 200e3), heat))
    assert not long.possible
    assert long.limiting in {absorber.name for absorber in RIG.absorbers}
    assert 60.0 < long.limited_after_s < 1800.0
    assert long.limiting in str(long.text)


def _swap(work: tuple[Plan, Expected], heat: RigHeat) -> tuple[Plan, RigHeat, Expected]:
    return work[0], heat, work[1]


def test_a_hotter_rotor_limits_sooner_and_the_answer_says_where_it_starts() -> None:
    plan, expected = hold(900.0, 200e3)
    cold = answer(plan, known(), expected)
    hot = answer(plan, known(front_left=540.0, front_right=540.0), expected)
    assert hot.limited_after_s < cold.limited_after_s
    assert hot.limiting.startswith("front")
    assert hot.rotors[0].start_k == pytest.approx(540.0)
    assert any(one.kind == "cool-first" for one in hot.suggestions) or not cold.possible


def test_an_unlearned_rotor_is_given_less_than_a_known_one() -> None:
    plan, expected = hold(900.0, 220e3)
    unknown = answer(plan, RigHeat(RIG, {}, AMBIENT_K), expected)
    assert unknown.rotors[0].margin_k > answer(plan, known(), expected).rotors[0].margin_k
    assert unknown.limited_after_s < answer(plan, known(), expected).limited_after_s


def test_every_suggestion_holds_when_it_is_tried() -> None:
    heat = known()
    plan, expected = hold(1200.0, 160e3)
    told = answer(plan, heat, expected)
    assert not told.possible
    by_kind = {one.kind: one for one in told.suggestions}
    assert {"shorter", "less-power"} <= set(by_kind)
    less = answer(*_swap(hold(1200.0, 0.99 * by_kind["less-power"].value), heat))
    assert less.possible
    more = answer(*_swap(hold(1200.0, 1.05 * by_kind["less-power"].value), heat))
    assert not more.possible
    shorter = answer(*_swap(hold(by_kind["shorter"].value - 5.0, 160e3), heat))
    assert shorter.possible
    if "faster-rolls" in by_kind:
        assert answer(*_swap(hold(1200.0, 160e3, by_kind["faster-rolls"].value), heat)).possible


def test_pauses_are_proposed_where_they_help() -> None:
    plan, expected = hold(600.0, 220e3)
    told = answer(plan, known(), expected)
    assert not told.possible
    pauses = next(one for one in told.suggestions if one.kind == "pauses")
    assert 2 <= pauses.value <= 10
    assert "parts" in str(pauses.text)


def test_another_split_is_proposed_where_one_roll_set_carries_too_much() -> None:
    heat = known()
    heat.share((0.15, 0.85))
    plan, expected = hold(400.0, 140e3)
    told = answer(plan, heat, expected)
    assert not told.possible
    split = next(one for one in told.suggestions if one.kind == "split")
    assert 0.15 < split.value < 0.6
    heat.share((split.value, 1.0 - split.value))
    assert answer(plan, heat, expected).possible
    heat.share((split.value - 0.05, 1.05 - split.value))
    assert not answer(plan, heat, expected).possible  # it is the nearest that will do


def test_a_slower_climb_is_proposed_for_a_climb_that_is_too_hard() -> None:
    plan = GradeClimb(
        vehicle=msgspec.structs.replace(TRUCK, trailer_kg=6000.0, trailer_tyres=8),
        grade=Grade(percent=7.0), target_mps=22.0, seconds=1800.0,
    )  # fmt: skip
    told = answer(plan, known(), Expected())
    assert not told.possible
    slower = next(one for one in told.suggestions if one.kind == "slower")
    assert slower.value < 22.0


def test_power_beyond_the_torque_at_that_speed_is_not_blamed_on_heat() -> None:
    plan, expected = hold(60.0, 300e3, 5.0)
    told = answer(plan, known(), expected)
    assert not told.possible
    assert not math.isnan(told.short_of_torque_after_s)
    assert "cannot take this power at this speed" in str(told.text)


def test_the_rotor_follows_the_model_it_was_given() -> None:
    heat = known()
    found = heat.through((DutySegment(120.0, 120e3, 22.0),))
    alone = RotorObserver(model_of(RIG.absorbers[0].heat), AMBIENT_K)
    for _ in range(120):
        alone.predict(1.0, 30e3, 22.0 * 3.2 / 0.5, True, AMBIENT_K)
    assert found.peaks_k[0] == pytest.approx(alone.rim_k, abs=1.0)
    assert found.energy_j == pytest.approx(120.0 * 120e3, rel=1e-3)


def test_the_map_permits_less_time_at_more_power_and_none_beyond_the_torque() -> None:
    told = endurance_map(known(), (5.0, 15.0, 30.0), (20e3, 80e3, 160e3, 240e3, 320e3))
    for column in range(3):
        times = [row[column] for row in told.permitted_s]
        assert times == sorted(times, reverse=True)
    assert told.permitted_s[0][1] == MAP_HORIZON_S
    for speed, most in zip((0, 1, 2), told.torque_power_w, strict=True):
        for power, row in zip(told.powers_w, told.permitted_s, strict=True):
            assert (row[speed] == 0.0) == (power > most)
    assert told.limiting[3][2] in {absorber.name for absorber in RIG.absorbers}


PLANS: tuple[tuple[Plan, float], ...] = (
    (SteppedMap(points_rpm=(1500.0, 2000.0), settle_s=3.0, average_s=10.0), 2 * 21.0),
    (PowerSweep(from_rpm=1200.0, to_rpm=2700.0, rpm_per_s=150.0, full_pedal_s=2.0), 12.0),
    (SpoolUp(rpm=1800.0, settle_s=3.0, seconds=6.0), 9.0),
    (
        GradeClimb(vehicle=TRUCK, grade=Grade(percent=5.0), target_mps=20.0, distance_m=4000.0),
        200.0,
    ),
    (SpeedTrace(vehicle=TRUCK, points=((0.0, 0.0), (20.0, 20.0), (60.0, 20.0))), 60.0),
    (SnapSmoke(idle_s=10.0, most_snaps=9), 90.0),
    (SteadyHold(seconds=30.0, force_n=5000.0), 30.0),
)  # fmt: skip


@pytest.mark.parametrize(("plan", "seconds"), PLANS)
def test_every_kind_of_plan_has_its_work(plan: Plan, seconds: float) -> None:
    expected = Expected(power_w=150e3, speed_mps=20.0, ratio_per_m=9.5)
    works = duty_segments(plan, RIG, expected)
    assert sum(work.seconds for work in works) == pytest.approx(seconds)
    assert all(work.power_w >= 0.0 for work in works)
    assert heaviest_segment(plan, RIG, expected) in works


def test_a_coast_lasts_as_long_as_its_force_and_inertia_say() -> None:
    plan = Coastdown(from_mps=30.0, to_mps=10.0, force_n=3000.0)
    works = duty_segments(plan, RIG, Expected())
    inertia = sum(one.base_inertia_kg for one in RIG.roll_sets)
    assert sum(work.seconds for work in works) == pytest.approx(inertia * 20.0 / 3000.0)


def test_the_absorbers_take_the_road_less_what_inertia_and_losses_take() -> None:
    climb = GradeClimb(
        vehicle=TRUCK, grade=Grade(percent=5.0), target_mps=20.0, seconds=10.0
    )  # fmt: skip
    (work,) = duty_segments(climb, RIG, Expected())
    # 40 CFR 1066.210(d)(3) with the truck's numbers, less the rolls' own losses at 20 m/s.
    slope = math.atan(0.05)
    road = 300.0 * math.cos(slope) + 100.0 + 0.6 * 400.0 + 3600.0 * 9.80665 * math.sin(slope)
    losses = 62.0 + 22.0 + 8.4 + 70.0 + 25.0 + 9.2
    assert work.power_w == pytest.approx((road - losses) * 20.0, rel=1e-4)


def test_what_a_plan_leaves_open_must_be_said() -> None:
    with pytest.raises(Refused, match="power"):
        duty_segments(SteadyHold(seconds=10.0, speed_mps=20.0), RIG, Expected())
    with pytest.raises(Refused, match="engine speed"):
        duty_segments(SteadyHold(seconds=10.0, rpm=2000.0), RIG, Expected(power_w=1e5))
    with pytest.raises(Refused, match="how fast"):
        duty_segments(SteadyHold(seconds=10.0, power_w=1e5), RIG, Expected())
    assert heaviest_segment(SteadyHold(seconds=10.0, speed_mps=20.0), RIG, Expected()) is None


def test_a_trace_of_absurd_length_is_refused_instead_of_being_computed() -> None:
    plan = SpeedTrace(vehicle=TRUCK, points=((0.0, 10.0), (1e9, 10.0)))
    with pytest.raises(Refused):
        answer(plan, known(), Expected())


def test_the_priors_cover_every_learned_number() -> None:
    assert len(PRIOR_SIGMA) == SIZE - 3
