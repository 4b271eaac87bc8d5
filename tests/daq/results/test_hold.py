"""The result of a hold says how steady it was and what the truck gave, without the take-up."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from daq.recording.reader import Recording
from daq.results.columns import Chunk, Replay, gather
from daq.results.kinds.hold import NEEDED, hold_result
from tests.daq.synthetic_run import FRAME_HZ, RunWriter, Truck, hello_for, record_run

RPM = 1900.0
ASKED = RPM * 2.0 * math.pi / 60.0
PER_RPM = 2.0 * math.pi / 60.0


def run_of(rpm: np.ndarray, power_w: np.ndarray | float = 150_000.0) -> Chunk:
    """Columns of a run whose engine speed is given frame by frame."""
    rows = rpm.size
    engine = rpm * PER_RPM
    power = np.broadcast_to(np.asarray(power_w, float), (rows,))
    return {
        "time_s": 50.0 + np.arange(rows) / FRAME_HZ,
        "frames_lost": np.zeros(rows, "u4"),
        "set_point": np.full(rows, ASKED),
        "engine_speed_radps": engine,
        "engine_speed_quality": np.zeros(rows, "u1"),
        "speed_mps": engine / 10.0,
        "power_w": power.astype("f4"),
        "torque_nm": (power / engine).astype("f4"),
    }


def ramp_and_hold(hold_s: float, ramp_s: float = 4.0, rpm: float = RPM) -> np.ndarray:
    """Up from 1000 rpm in a straight line, then held exactly."""
    ramp = np.linspace(1_000.0, rpm, round(ramp_s * FRAME_HZ), endpoint=False)
    return np.concatenate([ramp, np.full(round(hold_s * FRAME_HZ), rpm)])


def test_mean_and_deviation_are_those_of_the_settled_part_alone() -> None:
    rpm = ramp_and_hold(20.0)
    settled = np.arange(rpm.size) / FRAME_HZ >= 10.0
    wave = 3.0 * np.sin(2.0 * np.pi * 2.0 * np.arange(rpm.size) / FRAME_HZ)
    rpm = rpm + np.where(settled, wave, 0.0)
    result = hold_result(run_of(rpm), rpm=RPM, settle_s=6.5)
    assert result.reached
    assert result.set_rpm == pytest.approx(RPM)
    assert result.mean_rpm == pytest.approx(RPM, abs=0.02)
    # standard deviation of a sine of amplitude 3: 3 / sqrt(2)
    assert result.std_rpm == pytest.approx(3.0 / math.sqrt(2.0), rel=2e-3)
    assert result.std_rpm_pct == pytest.approx(100.0 * 3.0 / math.sqrt(2.0) / RPM, rel=2e-3)
    assert result.worst_rpm_error == pytest.approx(3.0, rel=1e-3)
    assert result.in_tolerance == pytest.approx(1.0)


def test_the_clock_starts_half_a_second_after_coming_within_a_percent() -> None:
    result = hold_result(run_of(ramp_and_hold(20.0)), rpm=RPM, settle_s=5.0)
    # within 1 % at 1881 rpm: 4 s x 881/900 after the start; then 0.5 s of staying there
    assert result.take_up_s == pytest.approx(4.0 * 881.0 / 900.0 + 0.5, abs=0.004)
    assert result.seconds == pytest.approx(24.0 - result.take_up_s - 5.0, abs=0.004)
    assert result.frames == round(result.seconds * FRAME_HZ)


def test_passing_through_the_set_point_is_not_arriving() -> None:
    through = np.linspace(1_000.0, 3_000.0, 10 * FRAME_HZ)
    assert not hold_result(run_of(through), rpm=RPM).reached


def test_power_speed_and_torque_have_their_mean_and_deviation() -> None:
    rpm = ramp_and_hold(30.0)
    rng = np.random.default_rng(8)
    power = 150_000.0 + rng.normal(0.0, 500.0, rpm.size)
    result = hold_result(run_of(rpm, power), rpm=RPM, settle_s=5.0)
    assert result.mean_power_kw == pytest.approx(150.0, abs=0.03)
    assert result.std_power_kw == pytest.approx(0.5, rel=0.03)
    assert result.mean_torque_nm == pytest.approx(150_000.0 / ASKED, rel=3e-4)
    assert result.std_torque_nm == pytest.approx(500.0 / ASKED, rel=0.03)
    assert result.mean_speed_mps == pytest.approx(ASKED / 10.0)
    assert result.std_speed_mps == pytest.approx(0.0, abs=1e-9)


def test_torque_is_power_over_engine_speed_as_the_published_constant_says() -> None:
    """kW = N.m x rpm / 9549.296586 (check value U-05, computed from 60000 / 2 pi)."""
    result = hold_result(run_of(ramp_and_hold(20.0)), rpm=RPM)
    assert result.mean_torque_nm is not None
    assert result.mean_torque_nm * RPM / 9549.296586 == pytest.approx(150.0, rel=1e-6)


def test_time_in_tolerance_counts_frames_within_the_band_and_no_others() -> None:
    rpm = ramp_and_hold(20.0)
    rpm[-4 * FRAME_HZ :] *= 1.006  # the last four seconds outside half a percent
    result = hold_result(run_of(rpm), rpm=RPM, settle_s=5.0, tolerance=0.005)
    assert result.time_in_tolerance_s == pytest.approx(result.seconds - 4.0, abs=0.004)
    assert result.in_tolerance == pytest.approx(1.0 - 4.0 / result.seconds, abs=1e-3)
    wider = hold_result(run_of(rpm), rpm=RPM, settle_s=5.0, tolerance=0.007)
    assert wider.in_tolerance == pytest.approx(1.0)


def test_what_lost_frames_hid_does_not_count_as_held() -> None:
    columns = run_of(ramp_and_hold(20.0))
    keep = np.ones(columns["time_s"].size, bool)
    keep[-5 * FRAME_HZ : -3 * FRAME_HZ] = False
    columns = {name: values[keep] for name, values in columns.items()}
    columns["frames_lost"][-3 * FRAME_HZ] = 2 * FRAME_HZ
    result = hold_result(columns, rpm=RPM, settle_s=5.0)
    assert result.frames_lost == 2 * FRAME_HZ
    assert result.time_in_tolerance_s == pytest.approx(result.seconds - 2.0, abs=0.006)


def test_frames_without_a_value_are_counted_and_are_not_within() -> None:
    columns = run_of(ramp_and_hold(20.0))
    for name in ("engine_speed_radps", "torque_nm"):
        columns[name][-FRAME_HZ:] = np.nan
    columns["engine_speed_quality"][-FRAME_HZ:] = 3
    result = hold_result(columns, rpm=RPM, settle_s=5.0)
    assert result.frames_without_value == FRAME_HZ
    assert result.mean_rpm == pytest.approx(RPM)
    assert result.time_in_tolerance_s == pytest.approx(result.seconds - 1.0, abs=0.004)
    assert result.doubtful_share == pytest.approx(FRAME_HZ / result.frames)


def test_a_hold_of_roll_speed_is_judged_by_roll_speed() -> None:
    columns = run_of(ramp_and_hold(20.0))
    speed = ASKED / 10.0
    columns["set_point"][:] = speed
    columns["speed_mps"][-1] *= 1.004
    columns["engine_speed_radps"][:] = np.nan  # no engine speed at all
    columns["torque_nm"][:] = np.nan
    result = hold_result(columns, speed_mps=speed, settle_s=5.0)
    assert result.reached
    assert result.set_speed_mps == pytest.approx(speed)
    assert result.worst_speed_error_mps == pytest.approx(0.004 * speed, rel=1e-6)
    assert (result.set_rpm, result.mean_rpm, result.worst_rpm_error) == (None, None, None)
    assert (result.mean_torque_nm, result.std_torque_nm) == (None, None)
    assert result.mean_power_kw == pytest.approx(150.0)


def test_after_a_change_of_the_set_point_the_last_hold_is_reported() -> None:
    early = np.full(5 * FRAME_HZ, 2_100.0)  # there once before, at the start
    rpm = np.concatenate([early, ramp_and_hold(10.0), np.full(15 * FRAME_HZ, 2_100.0)])
    columns = run_of(rpm)
    columns["set_point"][: 5 * FRAME_HZ] = 2_100.0 * PER_RPM
    columns["set_point"][-15 * FRAME_HZ :] = 2_100.0 * PER_RPM
    result = hold_result(columns, rpm=RPM, settle_s=5.0)
    assert result.set_rpm == pytest.approx(2_100.0)
    assert result.mean_rpm == pytest.approx(2_100.0)
    assert result.seconds == pytest.approx(15.0 - 0.5 - 5.0, abs=0.006)


@pytest.mark.parametrize("seconds", [0.0, 0.3, 3.0])
def test_a_hold_that_ended_before_it_settled_has_no_figures(seconds: float) -> None:
    result = hold_result(run_of(ramp_and_hold(seconds)), rpm=RPM, settle_s=5.0)
    assert not result.reached
    assert result.mean_rpm is None
    assert result.in_tolerance is None


def test_a_run_without_a_frame_has_no_figures() -> None:
    empty = {name: values[:0] for name, values in run_of(ramp_and_hold(1.0)).items()}
    result = hold_result(empty, rpm=RPM)
    assert not result.reached
    assert result.set_rpm == pytest.approx(RPM)


def test_a_hold_has_exactly_one_set_point() -> None:
    columns = run_of(ramp_and_hold(1.0))
    with pytest.raises(ValueError, match="one set point"):
        hold_result(columns)
    with pytest.raises(ValueError, match="one set point"):
        hold_result(columns, rpm=RPM, speed_mps=20.0)


def test_a_recording_evaluates_to_what_was_put_in(tmp_path: Path) -> None:
    """From wire bytes to the result: 20 m/s, 1900 rpm, 800 N at each of four cells."""

    def play(run: RunWriter) -> None:
        truck = Truck(run.rig, 20.0, RPM, 800.0)
        run.received(hello_for(run.rig))
        for _ in range(6 * FRAME_HZ):
            run.received(truck.sample())

    path = tmp_path / "raw.drm"
    rig = record_run(path, play)
    columns = gather(Replay(Recording(path)).chunks())
    result = hold_result({name: columns[name] for name in NEEDED}, rpm=RPM, settle_s=2.0)
    force = 0.0
    for roll_set in rig.roll_sets:
        a, b, c = roll_set.loss_n
        force += a + b * 20.0 + c * 400.0
        for absorber in rig.absorbers_of(roll_set.name):
            force += 800.0 * absorber.arm_m * absorber.gear_ratio / roll_set.roll_radius_m
    assert result.mean_rpm == pytest.approx(RPM, rel=1e-5)
    assert result.mean_power_kw == pytest.approx(force * 20.0 / 1e3, rel=1e-4)
    assert result.mean_torque_nm == pytest.approx(force * 20.0 / ASKED, rel=1e-4)
    assert result.in_tolerance == pytest.approx(1.0)
