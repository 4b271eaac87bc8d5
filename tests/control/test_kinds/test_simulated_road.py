"""The simulated road: forces against published rows, inertia, shortfall, trace band, climb time.

The stand of tests.control.control_stand gives rolls and a truck that pushes with a known force.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from control.core.commands import StartTest
from control.load_loop.loop import Output
from control.test_kinds.climb import ClimbTest
from control.test_kinds.plans import Grade, GradeClimb, RoadVehicle, SpeedTrace
from control.test_kinds.road_load import force
from control.test_kinds.simulated_road import Profile, VirtualTruck, road_load_of
from control.test_kinds.trace import TraceTest
from daq.measure.measured import Measured
from daq.quantities import MILE, POUND
from daq.results.kinds.cycles import load_trace
from tests.control.control_stand import HOLDER, Stand, tarnhow

RIG = tarnhow()
MPH = MILE / 3600.0
LBF = 4.4482216152605
PICKUP = RoadVehicle(
    a_n=50.93 * LBF,
    b_n_per_mps=0.1598 * LBF / MPH,
    c_n_per_mps2=0.04263 * LBF / MPH**2,
    mass_kg=5500 * POUND,
)
UDDS = Path(__file__).parents[2] / "data" / "udds.csv"


def test_the_road_asks_for_the_force_of_the_regulation() -> None:
    # Row RL-05 (40 CFR 1066.210(d)(3)): 3688.951186 N with inertia, 1824.967956 N of it.
    truck = VirtualTruck(PICKUP, Grade(percent=5.0), RIG)
    assert truck.load.effective_mass_kg == pytest.approx(2721.558035, abs=1e-6)
    assert truck.road_n(45 * MPH, 5.0) == pytest.approx(3688.951186 - 1824.967956, rel=1e-7)
    for grade in (-8.0, 0.0, 12.0):
        for v in (3.0, 20.0, 40.0):
            load = road_load_of(PICKUP)
            assert truck.road_n(v, grade) == pytest.approx(force(load, v, 0.0, grade), rel=1e-12)


def test_a_tow_hold_takes_its_published_force() -> None:
    # Row RL-08: W = 20,000 lbf on 6 % at 40 mph: 1323.284387 lbf.
    heavy = RoadVehicle(**{**{n: getattr(PICKUP, n) for n in PICKUP.__struct_fields__},
                       "mass_kg": 20_000 * POUND})  # fmt: skip
    truck = VirtualTruck(heavy, Grade(percent=6.0), RIG)
    assert truck.road_n(40 * MPH, 6.0) / LBF == pytest.approx(1323.284387, rel=1e-6)


def test_cargo_trailer_wind_and_air_change_the_road_as_they_should() -> None:
    base = road_load_of(PICKUP)
    loaded = road_load_of(
        RoadVehicle(PICKUP.a_n, PICKUP.mass_kg, PICKUP.b_n_per_mps, PICKUP.c_n_per_mps2,
                cargo_kg=400.0, trailer_kg=3000.0, trailer_tyres=4, drag_area_change_m2=2.0)
    )  # fmt: skip
    assert loaded.mass_kg == pytest.approx(base.mass_kg + 3400.0)
    assert loaded.effective_mass_kg == pytest.approx(base.effective_mass_kg + 3400.0 + 4 * 56.7)
    assert loaded.c_n_per_mps2 == pytest.approx(base.c_n_per_mps2 + 1.17)  # rho/2 x 2 m2
    windy = VirtualTruck(
        RoadVehicle(a_n=0.0, mass_kg=3000.0, c_n_per_mps2=1.0, headwind_mps=5.0, air_kg_m3=0.585),
        Grade(percent=0.0), RIG,
    )  # fmt: skip
    assert windy.road_n(20.0, 0.0) == pytest.approx(0.5 * 25.0**2)


def test_a_profile_is_linear_between_its_points_and_flat_beyond() -> None:
    grade = Profile(((0.0, 0.0), (100.0, 4.0), (300.0, -2.0)))
    for x, y in ((-5.0, 0.0), (50.0, 2.0), (100.0, 4.0), (250.0, -0.5), (400.0, -2.0), (10.0, 0.4)):
        assert grade(x) == pytest.approx(y)


def _stand_on(plan: GradeClimb | SpeedTrace, speed_mps: float, drive_n: float) -> Stand:
    stand = Stand().ready()
    stand.speeds = [speed_mps, speed_mps]
    stand.frames(0.3)
    stand.drive_n = drive_n
    answer = stand.ask(StartTest(0, HOLDER, "run-1", plan))
    assert answer.accepted, answer
    return stand


def _gained_mps(
    stand: Stand, vehicle: RoadVehicle, drive_n: float, seconds: float
) -> tuple[float, float]:
    """Speed the rolls gain in the next seconds, and that a truck on its road would."""
    load = road_load_of(vehicle)
    begin = sum(stand.speeds) / 2
    v = begin
    for _ in range(round(seconds / stand.dt)):
        stand.frame()
        v += (drive_n - force(load, v)) / load.effective_mass_kg * stand.dt
    return sum(stand.speeds) / 2 - begin, v - begin


@pytest.mark.parametrize(("mass_kg", "drive_n"), [(3800.0, 6000.0), (9000.0, 9000.0)])
def test_the_rolls_speed_up_as_a_truck_of_that_mass_would(mass_kg: float, drive_n: float) -> None:
    # 40 CFR 1066.265 asks for an acceleration error of at most 1 %.
    vehicle = RoadVehicle(a_n=400.0, mass_kg=mass_kg, c_n_per_mps2=1.0)
    plan = GradeClimb(vehicle, Grade(percent=0.0), target_mps=45.0, seconds=60.0)
    stand = _stand_on(plan, 12.0, drive_n)
    stand.frames(3.0)
    got, wanted = _gained_mps(stand, vehicle, drive_n, 4.0)
    assert got == pytest.approx(wanted, rel=0.01)
    assert abs(stand.speeds[0] - stand.speeds[1]) < 0.083  # 0.3 km/h between unlinked roll sets


def test_what_only_a_motor_could_give_is_told_as_shortfall() -> None:
    # A light car on heavy rolls, engine pulling hard: 3,200 kg of rolls cannot speed up so fast.
    light = RoadVehicle(a_n=100.0, mass_kg=1200.0)
    plan = GradeClimb(light, Grade(percent=0.0), target_mps=45.0, seconds=60.0)
    stand = _stand_on(plan, 10.0, 3000.0)
    stand.frames(3.0)
    test = stand.core.test
    assert test is not None
    load = road_load_of(light)
    losses = sum(stand.loss(r) for r in range(2))
    # v' of the truck by its own mass; the rolls need 3,200 kg x v' and lose some.
    mean = sum(stand.speeds) / 2
    accel = (3000.0 - force(load, mean)) / load.effective_mass_kg
    missing = 3200.0 * accel - (3000.0 - losses)
    assert missing > 3000.0
    assert test.shortfall_n == pytest.approx(missing, rel=0.1)
    view = stand.core.telemetry().test
    assert view is not None  # live, in newtons and in seconds
    assert view.shortfall_n == pytest.approx(test.shortfall_n)
    assert 0.5 < view.shortfall_s < 4.0
    summary = test.summary()
    assert summary["shortfall_s"] == pytest.approx(view.shortfall_s)
    assert summary["shortfall_ns"] == pytest.approx(view.shortfall_ns)


def test_a_truck_rolling_downhill_cannot_be_pushed_and_says_so() -> None:
    plan = GradeClimb(PICKUP, Grade(percent=-8.0), target_mps=20.0, seconds=60.0)
    stand = _stand_on(plan, 20.0, 350.0)
    stand.frames(3.0)  # approach on the level, then the hill
    test = stand.core.test
    assert isinstance(test, ClimbTest)
    assert test.phase == "climb"
    stand.drive_n = 0.0
    stand.frames(1.0)
    assert test.shortfall_n > 1000.0
    assert all(coil < 1.0 for coil in stand.coils)


def _drive(test: ClimbTest | TraceTest, speed_mps: float, seconds: float, dt: float) -> None:
    """Step a test with rolls at one speed; readings are not needed for what is looked at."""
    stand = Stand().ready()
    stand.speeds = [speed_mps, speed_mps]
    stand.frames(0.02)
    measured = stand.core.measured
    assert isinstance(measured, Measured)
    output = Output(0.0, speed_mps, speed_mps, 3000.0, (0.0,) * 4)
    for _ in range(round(seconds / dt)):
        if test.done:
            return
        test.update(measured, output, dt, False)


def test_eleven_miles_at_forty_mph_take_sixteen_and_a_half_minutes() -> None:
    # Row TOW-03.
    plan = GradeClimb(PICKUP, Grade(percent=6.0262), target_mps=40 * MPH, distance_m=11 * MILE)
    test = ClimbTest("run-1", plan, RIG)
    _drive(test, 40 * MPH, 1100.0, 0.02)
    assert test.done
    told = test.summary()
    assert told["elapsed_s"] == pytest.approx(16.5 * 60.0, abs=0.5)
    assert told["keeps_up"] is True
    assert told["climbed_m"] == pytest.approx(11 * MILE * 0.060262, rel=1e-3)


def test_a_climb_that_falls_behind_says_for_how_long() -> None:
    plan = GradeClimb(PICKUP, Grade(percent=6.0), target_mps=18.0, seconds=30.0)
    test = ClimbTest("run-1", plan, RIG)
    _drive(test, 18.0, 11.0, 0.02)  # one second of approach
    _drive(test, 15.0, 12.0, 0.02)
    _drive(test, 17.5, 20.0, 0.02)
    told = test.summary()
    assert told["valid"] is True
    assert told["keeps_up"] is False
    assert told["longest_below_s"] == pytest.approx(12.0, abs=0.1)
    assert told["kept_up_s"] == pytest.approx(18.0, abs=0.1)


def _udds_test() -> TraceTest:
    trace = load_trace(UDDS)
    points = tuple(zip(trace.time_s.tolist(), trace.speed_mps.tolist(), strict=True))
    return TraceTest("run-1", SpeedTrace(PICKUP, points=points, countdown_s=0.1), RIG)


def test_the_drivers_aid_shows_the_published_trace_and_band() -> None:
    test = _udds_test()
    # Rows DC-20 and DC-21 (40 CFR 1066.425(b)), mph.
    for time_s, speed in ((21.0, 3.0), (50.0, 22.6), (240.0, 56.7), (1000.0, 23.5)):
        assert test.speed_at(time_s) / MPH == pytest.approx(speed, abs=0.05)
    test.enter("trace")
    rows = ((50.0, 19.3, 24.7), (125.0, 0.0, 4.2), (240.0, 54.6, 58.7), (1000.0, 20.7, 26.0))
    for time_s, low, high in rows:
        test.elapsed_s = time_s
        view = test.view(0.0)
        assert view.band_low_mps / MPH == pytest.approx(low, abs=0.06)
        assert view.band_high_mps / MPH == pytest.approx(high, abs=0.06)
        times = [ahead for ahead, _ in view.ahead]
        assert times[0] == 0.0
        assert times[-1] == pytest.approx(6.0, abs=0.3)
        for ahead, speed in view.ahead:
            assert speed == pytest.approx(test.speed_at(time_s + ahead))


def test_two_seconds_outside_the_band_are_allowed_and_more_are_void() -> None:
    flat = SpeedTrace(PICKUP, points=((0.0, 10.0), (60.0, 10.0)), countdown_s=0.1)
    for seconds, void in ((1.9, ""), (2.2, "out-of-band")):
        test = TraceTest("run-1", flat, RIG)
        _drive(test, 10.0, 5.0, 0.01)
        _drive(test, 11.0, seconds, 0.01)  # 2.0 mph is 0.894 m/s
        _drive(test, 10.0, 60.0, 0.01)
        told = test.summary()
        assert told["void"] == void
        assert told["excursions"] == 1
        assert told["longest_excursion_s"] == pytest.approx(seconds, abs=0.02)
        assert np.isfinite(told["speed_error_rms_mps"])  # type: ignore[arg-type]


def test_a_truck_in_neutral_feels_its_road_though_nobody_drives() -> None:
    # Nothing but the road and the losses slows it: there is no drive to share the load after.
    vehicle = RoadVehicle(a_n=250.0, mass_kg=3000.0, c_n_per_mps2=0.9)
    plan = GradeClimb(vehicle, Grade(percent=0.0), target_mps=45.0, seconds=60.0)
    stand = _stand_on(plan, 16.0, 0.0)
    stand.frames(3.0)
    got, wanted = _gained_mps(stand, vehicle, 0.0, 6.0)
    assert got == pytest.approx(wanted, rel=0.03)
    assert abs(stand.speeds[0] - stand.speeds[1]) < 0.02
