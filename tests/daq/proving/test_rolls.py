"""Diameter, tooth wheel, time base and response proven against the simulator's truth."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from bench.support.free_rolls import body
from daq.errors import Refused
from daq.proving.clock import ClockRate, Reference, against_host, against_pulses, of_time_base
from daq.proving.overlay import merged
from daq.proving.record import FRONT_END, TIME_BASE, Proving, standing
from daq.proving.response import of_response, responses
from daq.proving.rolls import of_diameter, of_run_out, roll_radius
from daq.proving.runs import Track, read_track
from daq.recording.reader import Record, Recording
from daq.recording.recorder import RecordKind
from daq.rig.description import parse_rig
from daq.wire.codec import encode
from daq.wire.frames import Channel, ChannelKind, Hello, ResetCause, Sample
from simulator.rig_and_truck.setup import nominal, tooth_angles
from tests.daq.free_rolls import record_coast
from tests.daq.synthetic import RIG_FILE

TEXT = RIG_FILE.read_text(encoding="utf-8")
RIG = parse_rig(TEXT)
TODAY = date(2026, 11, 25)


# --- diameter ------------------------------------------------------------------------------------


def test_circumferences_across_the_width_give_the_radius_and_its_uncertainty() -> None:
    around = [2.0 * math.pi * radius for radius in (0.50021, 0.50019, 0.50022, 0.50018)]
    proof = of_diameter(RIG, "rear", roll_radius(around, dials_m=[5e-5]), TODAY, "tape")
    assert proof.passed
    assert proof.values["roll_sets.rear.roll_radius_m"] == pytest.approx(0.5002, abs=1e-9)
    sigma = proof.values["roll_sets.rear.roll_radius_sigma_m"]
    assert isinstance(sigma, float)
    assert 1e-5 < sigma < 5e-5  # tape 0.015 mm and spread 0.009 mm in the radius
    assert any("coasts" in note for note in proof.notes)  # 0.04 % moves force and inertia
    laid = parse_rig(merged(TEXT, proof.values))
    assert laid.roll_sets[1].roll_radius_m == pytest.approx(0.5002)


def test_a_conical_roll_and_one_that_runs_out_fail() -> None:
    cone = roll_radius([3.1416, 3.1416, 3.1436, 3.1436])  # diameters 0.64 mm apart
    assert not of_diameter(RIG, "front", cone, TODAY, "tape").passed
    bent = roll_radius([3.1416] * 4, dials_m=[0.1e-3, 0.3e-3])
    assert not of_diameter(RIG, "front", bent, TODAY, "tape").passed


def test_a_distance_rolled_in_known_turns_gives_the_radius() -> None:
    found = roll_radius(distance_m=20.0 * math.pi, turns=20.0, reading_sigma_m=0.002)
    assert found.radius_m == pytest.approx(0.5)
    assert found.sigma_m == pytest.approx(0.002 / 20.0 / (2.0 * math.pi))


@pytest.mark.parametrize(
    ("around", "distance", "turns"),
    [([], math.nan, math.nan), ([3.14], 3.14, 1.0), ([3.14, -1.0], math.nan, math.nan),
     ([], 3.14, math.nan), ([], 3.14, 0.0)],
)  # fmt: skip
def test_readings_that_give_no_diameter_are_refused(
    around: list[float], distance: float, turns: float
) -> None:
    with pytest.raises(Refused):
        roll_radius(around, distance_m=distance, turns=turns)


def test_a_slip_of_the_unit_and_an_unknown_roll_are_refused() -> None:
    with pytest.raises(Refused, match="off the rig file"):
        of_diameter(RIG, "front", roll_radius([1.5708]), TODAY, "tape")
    with pytest.raises(Refused, match="no roll set"):
        of_diameter(RIG, "middle", roll_radius([3.1416]), TODAY, "tape")


# --- tooth wheel and response --------------------------------------------------------------------


@pytest.fixture(scope="module")
def stepped(tmp_path_factory: pytest.TempPathFactory) -> tuple[Track, np.ndarray]:
    """A coast with the load in steps, on wheels with pitch errors and run-out; the true angles."""
    base = nominal()
    front = replace(base.rolls[0], pitch_error=0.004, run_out=0.001)
    angles = tooth_angles(front, np.random.default_rng(8))
    setup = replace(base, rolls=(front, base.rolls[1]), teeth=(angles, base.teeth[1]))
    path = record_coast(
        tmp_path_factory.mktemp("steps") / "steps.drm", RIG, TEXT, setup, 4, 25.0, 9.0,
        lambda s: 10.0 if s % 2.0 > 1.0 else 5.0,
    )  # fmt: skip
    return read_track(Recording(path), RIG), angles


def test_the_wheel_report_is_that_of_the_true_wheel(stepped: tuple[Track, np.ndarray]) -> None:
    track, angles = stepped
    proofs = {one.subject: one for one in of_run_out(RIG, track.teeth, {}, TODAY, "coast")}
    said = {figure.name: figure.value for figure in proofs["front"].figures}
    pitch = 2.0 * math.pi / 60
    true = np.diff(np.append(angles, angles[0] + 2.0 * math.pi)) / pitch - 1.0
    assert said["largest error of a pitch"] == pytest.approx(np.max(np.abs(true)), rel=0.25)
    assert said["pitch errors, rms"] == pytest.approx(np.std(true), rel=0.1)
    # run-out of 0.001: the rolls seem to go 0.1 % faster and slower within a turn
    assert said["speed it would feign within a turn"] == pytest.approx(0.001, rel=0.2)
    assert proofs["front"].passed
    even = {figure.name: figure.value for figure in proofs["rear"].figures}
    assert even["largest error of a pitch"] < 0.3 * said["largest error of a pitch"]


def test_a_coil_without_forcing_is_too_slow_for_the_regulation(
    stepped: tuple[Track, np.ndarray],
) -> None:
    track, _ = stepped
    proofs = of_response(RIG, responses(track, RIG), TODAY, "coast")
    assert [one.subject for one in proofs] == ["front", "rear"]
    # The supply is asked for the final current at once, so the coil's lag of 0.15 s rules. Torque
    # goes with s(i) = x2/(1+x2), x = i/24: from 10 to 5 A within 10 % of the end when the current
    # is 5.28 A, after 0.15 ln(5/0.28) = 0.43 s; the field's 12 ms and the filter come on top.
    for proof in proofs:
        said = {figure.name: figure.value for figure in proof.figures}
        assert 0.38 < said["slowest settling, load going off"] < 0.50
        # from 5 to 10 A within 10 % of the torque: at 9.43 A, 0.15 ln(5/0.57) = 0.33 s
        assert 0.28 < said["slowest settling, load coming on"] < 0.40
        assert not proof.passed


def test_a_run_without_steps_proves_no_response(tmp_path: Path) -> None:
    path = record_coast(
        tmp_path / "coast.drm", RIG, TEXT, nominal(), 4, 25.0, 20.0, lambda _s: 8.0
    )  # fmt: skip
    with pytest.raises(Refused, match="steps of load"):
        responses(read_track(Recording(path), RIG), RIG)


# --- time base -----------------------------------------------------------------------------------


def frames(
    error: float, seconds: float, hz: float = 10.0, seed: int = 1, pulse_s: float = 1.0
) -> Iterator[Record]:
    """A session whose tick is fast by `error`, heard late by 0.2 ms and more; pulses on `pps`."""
    rng = np.random.default_rng(seed)
    hello = Hello(
        1, 0, ResetCause.POWER_ON, 1_000_000, 500, 9, 3, 0, 0, "test",
        (Channel(ChannelKind.WHEEL, "pps"),),
    )  # fmt: skip
    yield Record(RecordKind.RX, 0, body(encode(hello)))
    rate = 1e6 * (1.0 + error)
    total, next_pulse = 0, 0.5
    for k in range(round(seconds * hz)):
        true_s = 1.0 + k / hz
        edges = []
        while next_pulse <= true_s:
            edges.append(int(next_pulse * rate) & 0xFFFFFFFF)
            total += 1
            next_pulse += pulse_s
        sample = Sample(
            k & 0xFFFF, int(true_s * rate) & 0xFFFFFFFF, 0, 0, 0, 0, (total & 0xFFFF,),
            (tuple(edges),), (), (), (),
        )  # fmt: skip
        heard_s = true_s + 2e-4 + float(rng.exponential(5e-4))
        yield Record(RecordKind.RX, round(heard_s * 1e9), body(encode(sample)))


@pytest.mark.parametrize("error", [4e-6, -7e-6, 3e-5])
def test_the_tick_is_measured_against_the_hosts_clock(error: float) -> None:
    found = against_host(frames(error, 1200.0))
    assert found.error == pytest.approx(error, abs=4.0 * found.sigma + 1e-8)
    assert found.sigma < 1e-6
    proof = of_time_base(found, Reference.DISCIPLINED, TODAY, "test")
    assert proof.passed == (abs(error) < 1e-5)


def test_against_pulses_the_tick_is_known_to_the_eighth_digit() -> None:
    found = against_pulses(frames(4e-6, 1100.0), "pps")
    assert found.error == pytest.approx(4e-6, abs=2e-8)
    assert of_time_base(found, Reference.PULSE, TODAY, "test").passed


def test_neither_an_undisciplined_clock_nor_a_short_run_proves_the_time_base() -> None:
    fine = ClockRate(1e-6, 1e-7, 1200.0, 40, 1e-4)
    assert of_time_base(fine, Reference.DISCIPLINED, TODAY, "t").passed
    assert not of_time_base(fine, Reference.FREE, TODAY, "t").passed
    short = ClockRate(1e-6, 1e-7, 600.0, 40, 1e-4)
    assert not of_time_base(short, Reference.DISCIPLINED, TODAY, "t").passed
    with pytest.raises(Refused, match="too short"):
        against_host(frames(0.0, 10.0))


def test_what_is_no_pulse_per_second_is_refused() -> None:
    with pytest.raises(Refused, match="not one pulse"):
        against_pulses(frames(0.0, 100.0, pulse_s=0.25), "pps")
    with pytest.raises(Refused, match="no wheel channel"):
        against_pulses(frames(0.0, 100.0), "front")


def test_the_time_base_is_one_of_the_verifications_a_rig_needs() -> None:
    proof = of_time_base(ClockRate(1e-6, 1e-7, 1200.0, 40, 1e-4), Reference.PULSE, TODAY, "t")
    found = {
        (one.kind, one.subject): one.state for one in standing(RIG, Proving("r", (proof,)), TODAY)
    }
    assert found[TIME_BASE, FRONT_END] == "passed"
    assert found["diameter", "front"] == "never"
    assert found["response", "rear"] == "never"
