"""Heat of the whole rig, live: levels, sharing, advice, fans, restart, what it leaves behind."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest

from control.core.commands import MakeReady, StartTest
from control.core.memory import Memory
from control.load_loop.constants import CAPACITY_SLEW_S
from control.load_loop.loop import LoadLoop
from control.safety.faults import TABLE, Effect
from control.telemetry import State
from control.test_kinds.plans import SteadyHold
from control.thermal.limiter import MARGIN_SIGMAS, ThermalLevel, ThermalLimiter, safety_margin
from control.thermal.manager import EVERY_S, OVERLOADED_AFTER_S, ThermalManager
from control.thermal.record import RotorRecord
from control.thermal.rotor import model_of
from control.thermal.rotor_observer import Headroom, RotorObserver
from control.thermal.usage import AbsorberUsage, capacity_trend, day_of, due, with_capacity
from daq.measure.measured import Measured
from daq.readings import Quality, Reading, Unit
from daq.rig.description import ServiceIntervals
from tests.control.control_stand import HOLD_20, HOLDER, Stand, tarnhow

RIG = tarnhow()
AMBIENT_K = 295.0


def measured(time_s: float, **slow: float) -> Measured:
    """Only what the keeper looks at."""
    readings = {
        name.replace("_", "-"): Reading(value, Unit.KELVIN, time_s, Quality.GOOD)
        for name, value in slow.items()
    }
    nothing = Reading(math.nan, Unit.RADIAN_PER_SECOND, time_s, Quality.MISSING)
    return Measured(
        time_s=time_s, sequence=0, frames_lost=0, roll_sets=(), absorbers=(), engine_speed=nothing,
        engine_speed_source="", slow=readings, stop_chain_closed=True, tie_downs=True,
        digital={}, permission=0, permission_left_s=0.0, last_set_point=0,
    )  # fmt: skip


class Bench:
    """A keeper fed with work by hand, `power_w` per absorber at the shaft speed `radps`."""

    def __init__(self, records: dict[str, RotorRecord] | None = None, off_s: float = 0.0) -> None:
        self.loads = LoadLoop(RIG)
        self.keeper = ThermalManager(RIG, records, off_s, self.loads)
        self.time_s = 10.0
        self.caps: list[float] = []

    def work(
        self, seconds: float, power_w: float, radps: float = 140.0, fans: bool = True,
        shortfall_n: float = 0.0, **slow: float,
    ) -> Bench:  # fmt: skip
        count = len(RIG.absorbers)
        for _ in range(round(seconds / EVERY_S)):
            for place in range(count):
                self.time_s += EVERY_S / count
                self.loads.absorbers["work_s"] += EVERY_S / count
                self.loads.absorbers["work_j"] += power_w * EVERY_S / count
                self.loads.absorbers["work_rad"] += radps * EVERY_S / count
                self.keeper.turn(
                    measured(self.time_s, ambient_temperature=AMBIENT_K, **slow), fans,
                    shortfall_n, power_w > 0.0,
                )  # fmt: skip
                if place == 0:
                    self.caps.append(self.keeper.view(0, 0.0, 0.0).cap_w)
        return self


def hot_records(kelvin: float, cooling: bool = False) -> dict[str, RotorRecord]:
    kept = RotorObserver(model_of(RIG.absorbers[0].heat), kelvin).memory()
    return {absorber.name: RotorRecord(kept, cooling) for absorber in RIG.absorbers}


def test_headroom_falls_with_work_and_names_who_limits() -> None:
    bench = Bench().work(20.0, 60e3, rotor_rear_left=300.0, rotor_rear_right=300.0)
    first = bench.keeper.view(0, 0.0, 0.0)
    bench.work(60.0, 60e3)
    later = bench.keeper.view(0, 0.0, 0.0)
    assert 0.0 < later.headroom_s < first.headroom_s < 3600.0
    assert first.headroom_s - later.headroom_s == pytest.approx(60.0, rel=0.2)
    assert later.headroom_low_s <= later.headroom_s <= later.headroom_high_s
    assert later.capacity_nm != later.capacity_cold_nm
    shown = bench.keeper.summary(())
    assert shown.hottest in {absorber.name for absorber in RIG.absorbers}
    assert shown.headroom_s == min(
        bench.keeper.view(place, 0.0, 0.0).headroom_s for place in range(4)
    )


def test_a_load_that_comes_and_goes_never_shows_a_headroom_of_nothing_between() -> None:
    """A sweep's power rises from none and is gone again: no alarm that is false a second later."""
    bench = Bench(hot_records(393.0)).work(10.0, 0.0)
    shown = []
    for turns, power_w in (
        (5, 60e3),
        (7, 0.0),
        (6, 110e3),
        (5, 0.0),
        (8, 90e3),
        (5, 0.0),
        (9, 70e3),
    ):
        for _ in range(turns):
            bench.work(EVERY_S, power_w)
            views = [bench.keeper.view(place, 0.0, 0.0) for place in range(4)]
            shown += [(view.headroom_low_s, view.headroom_s, power_w) for view in views]
    for low_s, best_s, power_w in shown:
        assert low_s > 0.2 * min(best_s, 600.0), (low_s, best_s, power_w)


def test_a_pause_gives_headroom_back() -> None:
    bench = Bench(hot_records(480.0)).work(40.0, 60e3)
    view = bench.keeper.view(0, 0.0, 0.0)
    assert view.after_pause_s > 1.3 * view.headroom_s
    assert view.pause_s == 300.0


def test_headroom_at_the_plans_power_differs_from_that_at_present() -> None:
    bench = Bench(hot_records(400.0))
    bench.keeper.begin_run("20260101-000000-abcd", 4 * 80e3, 22.0)
    bench.work(30.0, 40e3)
    view = bench.keeper.view(0, 0.0, 0.0)
    assert 0.0 < view.plan_headroom_s < view.headroom_s


def test_where_the_plan_leaves_power_open_the_most_of_the_run_counts() -> None:
    bench = Bench(hot_records(400.0))
    bench.keeper.begin_run("20260101-000000-abcd")
    bench.work(10.0, 80e3).work(30.0, 30e3)
    view = bench.keeper.view(0, 0.0, 0.0)
    assert 0.0 < view.plan_headroom_s < view.headroom_s


def test_load_moves_from_the_hot_absorber_to_the_cool_one_without_a_jump() -> None:
    loads = LoadLoop(RIG)
    cool = RotorObserver(model_of(RIG.absorbers[0].heat), 320.0).memory()
    hot = RotorObserver(model_of(RIG.absorbers[0].heat), 590.0).memory()
    records = {"front-left": RotorRecord(hot), "front-right": RotorRecord(cool)}
    bench = Bench(records)
    weights = []
    for _ in range(120):
        bench.work(EVERY_S, 20e3)
        weights.append([float(bench.loads.absorbers["weight_goal"][place]) for place in (0, 1)])
    assert weights[-1][0] < 0.4 * weights[-1][1]
    steps = np.abs(np.diff(np.array(weights), axis=0))
    assert steps.max() <= 0.021
    assert loads.absorbers["headroom_weight"][0] == 1.0


def test_the_cap_takes_load_off_gently_in_the_compiled_step() -> None:
    stand = Stand().loaded()
    loads = stand.core.loads
    stand.core.heat.slot_frames = 10**9
    stand.core._heat_countdown = 10**9
    before = stand.core.telemetry().absorbers[0].asked_n
    for place in range(4):
        loads.set_heat(place, 300.0, 0.0, 1.0)
    forces = []
    for _ in range(round((CAPACITY_SLEW_S + 1.0) / stand.dt)):
        stand.frame()
        forces.append(stand.core.telemetry().absorbers[0].asked_n)
        if stand.core.state is not State.LOADED:
            break
    falls = -np.diff(np.array([before, *forces]))
    most_n = RIG.roll_sets[0].max_force_n
    assert falls.max() <= 3.0 * most_n * stand.dt / CAPACITY_SLEW_S
    if stand.core.state is State.LOADED:
        assert forces[-1] < 20.0


def test_near_its_limit_the_driver_is_asked_to_ease_and_then_the_load_comes_off() -> None:
    bench = Bench(hot_records(600.0)).work(5.0, 90e3, shortfall_n=2000.0)
    assert "rotor-near-limit" in bench.keeper.codes
    assert "Ease the pedal" in str(bench.keeper.advice())
    assert "rotor-overloaded" not in bench.keeper.codes
    bench.work(OVERLOADED_AFTER_S + 2.0, 90e3, shortfall_n=2000.0)
    assert {"rotor-overloaded", "rotor-hot"} & set(bench.keeper.codes)
    assert TABLE["rotor-overloaded"].effect is Effect.EASE
    assert TABLE["rotor-near-limit"].effect is Effect.WARN


def test_a_cap_that_leaves_nothing_missing_eases_nothing_off() -> None:
    bench = Bench(hot_records(590.0))
    for _ in range(200):
        cap = bench.keeper.view(0, 0.0, 0.0).cap_w
        bench.work(EVERY_S, min(0.97 * cap, 60e3))
    assert "rotor-overloaded" not in bench.keeper.codes


def test_a_rig_that_cools_from_its_limit_refuses_to_start_until_reentry() -> None:
    memory = Stand().ready().core.memory()
    hot = {
        name: msgspec.structs.replace(one, heat=hot_records(560.0, cooling=True)[name])
        for name, one in memory.absorbers.items()
    }
    stand = Stand(msgspec.structs.replace(memory, absorbers=hot)).connect()
    stand.frames(3.0)
    assert "rotor-cooling" in stand.fault_codes()
    cool = {
        name: msgspec.structs.replace(one, heat=hot_records(400.0, cooling=True)[name])
        for name, one in memory.absorbers.items()
    }
    again = Stand(msgspec.structs.replace(memory, absorbers=cool)).connect()
    again.frames(3.0)
    assert "rotor-cooling" not in again.fault_codes()


def test_a_start_is_refused_with_the_reason_while_a_rotor_cools() -> None:
    stand = Stand().ready()
    stand.core.heat._rotors[0].guard = ThermalLimiter(RIG.absorbers[0].heat, cooling=True)
    stand.core.heat._rotors[0].observer.begin_at(560.0)
    stand.frames(1.5)
    answer = stand.ask(StartTest(0, HOLDER, "run", HOLD_20))
    assert answer.code == "rotor-cooling"
    assert "re-entry" in str(answer.remedy)


def test_a_sensor_that_contradicts_the_work_is_told_and_one_out_of_range_too() -> None:
    bench = Bench().work(60.0, 20e3, rotor_rear_left=300.0, rotor_rear_right=300.0)
    bench.work(60.0, 50e3, rotor_rear_left=250.0, rotor_rear_right=9999.0)
    assert bench.keeper.codes["rotor-sensor-slipped"] == "rear-left"
    assert bench.keeper.codes["rotor-sensor-failed"] == "rear-right"
    assert TABLE["rotor-sensor-slipped"].effect is Effect.WARN


def test_a_silent_rotor_sensor_fails_and_the_model_goes_on() -> None:
    bench = Bench().work(60.0, 20e3, rotor_rear_left=300.0, rotor_rear_right=300.0)
    before = bench.keeper.rim_k(2)
    bench.work(30.0, 50e3)
    assert bench.keeper.codes["rotor-sensor-failed"]
    assert bench.keeper.rim_k(2) > before


def test_a_sensor_hotter_than_the_model_is_obeyed_even_when_it_is_not_believed() -> None:
    bench = Bench().work(60.0, 20e3, rotor_rear_left=300.0, rotor_rear_right=300.0)
    bench.work(2.0, 20e3, rotor_rear_left=630.0, rotor_rear_right=300.0)
    assert "rotor-hot" in bench.keeper.codes
    assert bench.keeper.view(2, 0.0, 0.0).cap_w == 0.0
    assert bench.keeper.rim_k(2) < 400.0


def test_fans_run_on_until_the_rotors_are_cool_and_say_how_long() -> None:
    bench = Bench(hot_records(520.0)).work(5.0, 0.0, radps=30.0)
    assert bench.keeper.hot_fans == {"fan-front", "fan-rear"}
    left = bench.keeper.summary(()).cooling_s
    assert 60.0 < left < 3600.0
    bench.work(left + 60.0, 0.0, radps=30.0)
    assert bench.keeper.hot_fans == set()
    assert bench.keeper.summary(()).cooling_s == 0.0


def test_the_core_keeps_the_fans_on_for_hot_rotors_after_the_fixed_time() -> None:
    memory = Stand().ready().core.memory()
    hot = {
        name: msgspec.structs.replace(one, heat=hot_records(500.0)[name])
        for name, one in memory.absorbers.items()
    }
    stand = Stand(msgspec.structs.replace(memory, absorbers=hot)).connect()
    stand.frames(2.0)
    assert stand.core.telemetry().heat.fans == ("fan-front", "fan-rear")  # type: ignore[union-attr]
    cool = Stand(memory).connect()
    cool.frames(2.0)
    assert cool.core.telemetry().heat.fans == ()  # type: ignore[union-attr]


def test_temperature_and_what_was_learned_survive_a_restart_cooled_by_the_time_off() -> None:
    records = Bench().work(120.0, 60e3).keeper.records()
    at_once = Bench(records).keeper
    hour = Bench(records, off_s=3600.0).keeper
    name = RIG.absorbers[0].name
    assert at_once.rim_k(0) == pytest.approx(records[name].rotor.rim_k)
    assert 290.0 < hour.rim_k(0) < at_once.rim_k(0) - 30.0
    assert hour.records()[name].rotor.learned == records[name].rotor.learned
    assert hour.view(0, 0.0, 0.0).rotor_sigma_k > 0.2 * (at_once.rim_k(0) - hour.rim_k(0))


def test_the_memory_goes_through_its_file_format() -> None:
    memory = Stand().ready().core.memory()
    assert msgspec.json.decode(msgspec.json.encode(memory), type=Memory) == memory


def test_a_gap_without_frames_counts_as_cooling_not_as_work() -> None:
    bench = Bench(hot_records(500.0)).work(5.0, 0.0)
    before = bench.keeper.rim_k(0)
    bench.time_s += 120.0
    bench.work(1.0, 0.0)
    assert bench.keeper.rim_k(0) < before - 5.0


def test_the_sums_of_a_life_and_the_hottest_moment_of_a_run_are_kept() -> None:
    bench = Bench()
    bench.keeper.begin_run("20260301-101500-aaaa")
    bench.work(100.0, 50e3)
    bench.keeper.end_run()
    life = bench.keeper.records()[RIG.absorbers[0].name].life
    assert life.energy_j == pytest.approx(5e6, rel=0.02)
    assert life.turning_s == pytest.approx(100.0, abs=1.0)
    assert life.hottest[0].run_id == "20260301-101500-aaaa"
    assert life.hottest[0].rim_k == pytest.approx(bench.keeper.rim_k(0), abs=2.0)


def test_how_the_last_run_shared_its_power_is_kept_and_foretells_the_next() -> None:
    bench = Bench()
    bench.keeper.begin_run("20260101-000000-abcd")
    for _ in range(8):
        bench.loads.absorbers["work_s"] += 0.5
        bench.loads.absorbers["work_j"] += 0.5 * np.array([20e3, 20e3, 60e3, 60e3])
        bench.loads.absorbers["work_rad"] += 0.5 * 140.0
        for _ in range(4):
            bench.time_s += 0.125
            bench.keeper.turn(measured(bench.time_s), True, 0.0, True)
    bench.keeper.end_run()
    shares = [record.run_share for record in bench.keeper.records().values()]
    assert shares == pytest.approx([0.125, 0.125, 0.375, 0.375], abs=0.01)
    again = ThermalManager(RIG, bench.keeper.records(), 0.0, LoadLoop(RIG))
    again.begin_run("20260101-000100-abcd", 160e3, 20.0)
    work = [again._plan_work(rotor) for rotor in again._rotors]
    assert [one[0] for one in work if one] == pytest.approx([20e3, 20e3, 60e3, 60e3], rel=0.05)
    again.begin_run("20260101-000200-abcd")
    again.end_run()  # no work worth the name: what was known stays
    kept = [record.run_share for record in again.records().values()]
    assert kept == pytest.approx(shares)


def test_who_may_get_there_is_named_before_who_never_does() -> None:
    bench = Bench().work(2.0, 20e3)
    a, b = bench.keeper._rotors[0], bench.keeper._rotors[1]
    for rotor in bench.keeper._rotors:
        rotor.headroom = Headroom(math.inf, math.inf, math.inf)
    a.headroom = Headroom(math.inf, 1800.0, math.inf)
    assert bench.keeper.summary(()).hottest == a.absorber.name
    b.headroom = Headroom(1700.0, 1500.0, 2000.0)
    assert bench.keeper.summary(()).hottest == b.absorber.name


def test_a_fade_over_months_and_served_hours_are_due() -> None:
    heat = msgspec.structs.replace(
        RIG.absorbers[0].heat, service=ServiceIntervals(every_h=100.0, every_gj=1.0, fade=0.1)
    )
    absorber = msgspec.structs.replace(RIG.absorbers[0], heat=heat)
    life = AbsorberUsage(turning_s=99.0 * 3600.0)
    assert due(absorber, life) == ()
    life = msgspec.structs.replace(life, turning_s=101.0 * 3600.0, energy_j=2e9)
    for month in range(1, 13):
        life = with_capacity(life, f"2025{month:02d}15-120000-abcd", 1.0 - 0.015 * month)
    notes = " ".join(map(str, due(absorber, life)))
    assert "101 h" in notes
    assert "GJ" in notes
    assert "torque 1" in notes
    trend = capacity_trend(life)
    assert trend is not None
    assert trend.per_year == pytest.approx(-0.18, abs=0.01)


def test_days_between_run_ids_are_those_of_the_calendar() -> None:
    first, leap = day_of("20240228-000000-aaaa"), day_of("20240301-000000-aaaa")
    assert first is not None
    assert leap is not None
    assert leap - first == 2
    assert day_of("no date") is None


def test_an_estimate_that_is_less_sure_keeps_more_distance() -> None:
    sure, unsure = safety_margin(300.0, 3.0, 330.0), safety_margin(300.0, 60.0, 330.0)
    assert sure == pytest.approx(330.0 * (1.0 - math.exp(-MARGIN_SIGMAS * 0.01)))
    assert sure < unsure < 330.0


def test_a_weighed_rotor_is_kept_less_far_from_its_limit_than_one_of_guessed_mass() -> None:
    margins = []
    for sigma in (0.3, 0.1):
        observer = RotorObserver(model_of(RIG.absorbers[0].heat), AMBIENT_K, mass_sigma=sigma)
        for _ in range(240):
            observer.predict(1.0, 60e3, 140.0, True, AMBIENT_K)
        heat = RIG.absorbers[0].heat
        rise = observer.rim_k - AMBIENT_K
        margins.append(safety_margin(rise, observer.sigma_k, heat.limit_k - AMBIENT_K))
    assert margins[1] < 0.85 * margins[0]
    assert margins[1] > 20.0  # its cooling is still not known


def test_without_any_sensor_a_rotor_cooler_described_than_it_is_stays_below_its_limit() -> None:
    # The true rotor stores a quarter less and sheds a third less than the rig file says.
    described = model_of(RIG.absorbers[0].heat)
    true = msgspec.structs.replace(
        described, rim_kg=0.75 * described.rim_kg, body_kg=0.75 * described.body_kg,
        still_w_per_k=0.67 * described.still_w_per_k,
        windage_w_per_k_per_radps=0.67 * described.windage_w_per_k_per_radps,
    )  # fmt: skip
    truth, observer = RotorObserver(true, AMBIENT_K), RotorObserver(described, AMBIENT_K)
    guard = ThermalLimiter(RIG.absorbers[0].heat)
    peak, levels, power = 0.0, set(), 0.0
    for _ in range(2400):
        cap = guard.judge(observer, 140.0, True, AMBIENT_K, power)
        power = min(90e3, cap.power_w)
        levels.add(cap.level)
        truth.predict(EVERY_S, power, 140.0, True, AMBIENT_K)
        observer.predict(EVERY_S, power, 140.0, True, AMBIENT_K)
        peak = max(peak, truth.rim_k)
    assert peak < RIG.absorbers[0].heat.limit_k + 10.0
    assert ThermalLevel.HOT in levels


def test_the_plan_tells_the_keeper_its_power_when_it_names_one() -> None:
    stand = Stand().ready()
    plan = SteadyHold(seconds=60.0, settle_s=1.0, power_w=120e3)
    stand.ask(StartTest(0, HOLDER, "20260101-000000-abcd", plan))
    assert math.isnan(stand.core.heat._plan_w)  # at a speed nobody has said
    assert stand.ask(MakeReady(0, HOLDER)).accepted is False
