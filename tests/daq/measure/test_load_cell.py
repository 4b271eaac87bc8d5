"""Load cells: counts to newtons, resonance out, delay kept, faults noticed."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest
from scipy import signal

from daq.measure.force.load_cell import (
    ALIGNED,
    BRIDGE,
    FAULTS,
    FORCE,
    FORCE_SD,
    FROZEN,
    NOT_FRESH,
    OVERLOAD,
    SATURATED,
    STALE,
    CellBank,
    resonance_filter,
)
from daq.rig.description import LoadCell

FRAME_S = 0.002
CELL = LoadCell(
    converter="one",
    full_scale_mv_per_v=4.0,
    newton_per_mv_per_v=1500.0,
    capacity_n=3000.0,
    filter_delay_s=0.005,
    arm_resonance_hz=38.0,
    arm_damping=0.05,
)
PER_N = 2**23 / 4.0 / 1500.0


def _run(
    bank: CellBank,
    forces: np.ndarray,
    flags: np.ndarray | None = None,
    aligned_delay_s: float = 0.025,
    start: int = 0,
) -> np.ndarray:
    rows = []
    for k, force in enumerate(forces):
        now = (start + k + 1) * FRAME_S
        flag = 0 if flags is None else int(flags[k])
        out = bank.update(now, now - aligned_delay_s, (round(force * PER_N),), (flag,), (0,))
        rows.append(out[0].copy())
    return np.array(rows)


def test_millivolts_per_volt_become_newtons_by_zero_and_slope() -> None:
    cell = msgspec.structs.replace(CELL, zero_count=-1200.0, arm_resonance_hz=0.0)
    bank = CellBank((cell,), (1,), 500.0)
    count = round(2**23 / 4.0 * 1.25) - 1200  # 1.25 mV/V above zero
    out = bank.update(0.002, 0.0, (count,), (0,), (0,))
    assert out[0, FORCE] == pytest.approx(1875.0, abs=2e-3)


def test_an_arm_of_the_other_sign_brakes_positive_all_the_same() -> None:
    bank = CellBank((CELL, CELL), (1, -1), 500.0)
    out = bank.update(0.002, 0.0, (100_000, -100_000), (0, 0), (0, 1))
    assert out[0, FORCE] == pytest.approx(out[1, FORCE])
    assert out[0, FORCE] > 0


def test_the_resonance_filter_is_the_bilinear_form_of_its_transfer_function() -> None:
    section = resonance_filter(38.0, 0.05, 500.0)
    w0 = 2 * math.pi * 38.0
    k = w0 / math.tan(w0 / 1000.0)
    b, a = signal.bilinear([1.0, 2 * 0.05 * w0, w0**2], [1.0, 2 * 0.7 * w0, w0**2], fs=k / 2.0)
    assert (section.b0, section.b1, section.b2) == pytest.approx(tuple(b), rel=1e-9)
    assert (1.0, section.a1, section.a2) == pytest.approx(tuple(a), rel=1e-9)


def test_the_ringing_arm_comes_out_flat_with_the_declared_delay() -> None:
    # arm (38 Hz, damping 0.05) then filter: gain and delay up to 12 Hz
    section = resonance_filter(38.0, 0.05, 500.0)
    bank = CellBank((CELL,), (1,), 500.0)
    for hz in (0.5, 2.0, 5.0, 8.0, 12.0):
        s = 2j * math.pi * hz
        w0 = 2 * math.pi * 38.0
        arm = w0**2 / (s**2 + 2 * 0.05 * w0 * s + w0**2)
        z = np.exp(s / 500.0)
        passed = (section.b0 + section.b1 / z + section.b2 / z**2) / (
            1.0 + section.a1 / z + section.a2 / z**2
        )
        whole = arm * passed
        assert abs(whole) == pytest.approx(1.0, abs=0.01)
        delay = -np.angle(whole) / (2 * math.pi * hz)
        # phase in the band that matters: within 0.3 ms of the declared constant delay
        assert delay == pytest.approx(bank.delays_s[0] - CELL.filter_delay_s, abs=3e-4)


def test_ringing_is_taken_out_of_a_step() -> None:
    t = np.arange(1000) * FRAME_S
    w0, z = 2 * math.pi * 38.0, 0.05
    wd = w0 * math.sqrt(1 - z * z)
    late = np.maximum(t - 0.5, 0.0)
    step = 1000.0 * (
        1 - np.exp(-z * w0 * late) * (np.cos(wd * late) + z * w0 / wd * np.sin(wd * late))
    )
    rows = _run(CellBank((CELL,), (1,), 500.0), np.where(t < 0.5, 0.0, step))
    assert step.max() > 1800.0
    assert rows[:, FORCE].max() < 1060.0  # 4.6 % overshoot is that of damping 0.7 (CT-03)
    settled = rows[(t > 0.56) & (t < 0.9), FORCE]
    assert np.abs(settled - 1000.0).max() < 20.0


def test_the_aligned_force_is_that_of_the_time_asked() -> None:
    bank = CellBank((CELL,), (1,), 500.0)
    ramp = np.arange(500) * FRAME_S * 400.0  # N, 400 N/s as the converter gives it
    rows = _run(bank, ramp)
    now = (np.arange(500) + 1) * FRAME_S
    # what the converter gives at `now` is the true force of now - filter_delay_s; so the true
    # force at now - 25 ms is ramp(now - 25 ms + 5 ms + the arm's own delay)
    own = 0.05 / (math.pi * 38.0)
    true = 400.0 * (now - 0.025 + CELL.filter_delay_s + own - FRAME_S)
    assert np.abs(rows[100:, ALIGNED] - true[100:]).max() < 0.02


def test_alignment_survives_lost_frames() -> None:
    bank = CellBank((CELL,), (1,), 500.0)
    errors = []
    own = 0.05 / (math.pi * 38.0)
    for k in range(600):
        if k % 50 in (10, 11, 12, 30):
            continue
        now = (k + 1) * FRAME_S
        out = bank.update(now, now - 0.025, (round(400.0 * k * FRAME_S * PER_N),), (0,), (0,))
        if k > 150:
            true = 400.0 * (now - 0.025 + CELL.filter_delay_s + own - FRAME_S)
            errors.append(out[0, ALIGNED] - true)
    assert max(abs(e) for e in errors) < 0.05


def test_the_stated_sigma_follows_the_noise() -> None:
    rng = np.random.default_rng(1)
    quiet = _run(CellBank((CELL,), (1,), 500.0), rng.normal(0.0, 0.2, 1000))[-1, FORCE_SD]
    loud = _run(CellBank((CELL,), (1,), 500.0), rng.normal(0.0, 5.0, 1000))[-1, FORCE_SD]
    assert 10 < loud / quiet < 50
    assert loud == pytest.approx(5.0, rel=0.25)


def test_a_smooth_course_of_the_force_is_not_taken_for_noise() -> None:
    rng = np.random.default_rng(3)
    t = np.arange(1000) * FRAME_S
    course = 800.0 + 400.0 * np.sin(2.0 * math.pi * 3.0 * t)  # the load loop at work
    moving = _run(CellBank((CELL,), (1,), 500.0), course + rng.normal(0.0, 0.5, 1000))
    assert moving[-1, FORCE_SD] < 0.8


def test_every_way_a_cell_can_fail_is_told() -> None:
    rng = np.random.default_rng(2)
    forces = rng.normal(100.0, 0.3, 400)

    def faults_with(flag: int) -> int:
        flags = np.zeros(400, np.int64)
        flags[300:] = flag
        return int(_run(CellBank((CELL,), (1,), 500.0), forces, flags)[-1, FAULTS])

    assert faults_with(0) == 0
    assert faults_with(1) & SATURATED
    assert faults_with(2) & BRIDGE
    assert faults_with(4) & NOT_FRESH
    assert faults_with(4) & STALE  # 0.2 s without a conversion
    heavy = np.concatenate([forces, np.full(5, 3300.0)])
    assert int(_run(CellBank((CELL,), (1,), 500.0), heavy)[-1, FAULTS]) & OVERLOAD
    frozen = np.concatenate([forces, np.full(120, 100.0)])
    assert int(_run(CellBank((CELL,), (1,), 500.0), frozen)[-1, FAULTS]) & FROZEN


def test_a_converter_slower_than_the_frames_is_not_a_fault() -> None:
    rng = np.random.default_rng(3)
    forces = np.repeat(rng.normal(100.0, 0.3, 100), 4)
    flags = np.tile([0, 4, 4, 4], 100)
    faults = _run(CellBank((CELL,), (1,), 500.0), forces, flags)[:, FAULTS].astype(int)
    assert not np.any(faults & (STALE | FROZEN))


def test_garbage_during_saturation_does_not_ring_on_afterwards() -> None:
    rng = np.random.default_rng(4)
    forces = rng.normal(500.0, 0.2, 400)
    flags = np.zeros(400, np.int64)
    forces[200:210] = 5999.0
    flags[200:210] = 1
    rows = _run(CellBank((CELL,), (1,), 500.0), forces, flags)
    assert np.abs(rows[50:, FORCE] - 500.0).max() < 2.0


def test_a_new_zero_moves_the_reading_without_a_step() -> None:
    rng = np.random.default_rng(5)
    bank = CellBank((CELL,), (1,), 500.0)
    forces = rng.normal(30.0, 0.2, 600)
    _run(bank, forces[:300])
    bank.set_zero(0, 30.0 * PER_N)
    rows = _run(bank, forces[300:], start=300)
    assert np.abs(rows[:, FORCE]).max() < 1.0
    assert np.abs(rows[:, ALIGNED]).max() < 1.0


def test_a_resonance_the_frame_rate_cannot_show_gives_a_plain_wire() -> None:
    assert resonance_filter(300.0, 0.05, 500.0).delay_s == 0.0
    assert resonance_filter(0.0, 0.05, 500.0).b0 == 1.0
