"""Identification of the absorbers: the fit on rows of its own, and the whole test on the stand."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest

from control.absorber.identification import (
    COIL,
    ROTOR,
    ROW_COLUMNS,
    SENT,
    SHAFT,
    START,
    TORQUE,
    Fit,
    coil_lag,
)
from control.absorber.identified import date_of, described
from control.absorber.map import map_row, torque_at
from control.core.commands import AcceptTuneUp, DropIdentified, DropTuneUp, Park, StartTest
from control.core.core import Core
from control.core.memory import Memory
from control.load_loop.loop import LoadLoop
from control.load_loop.tuning import OBSERVER_SHARE
from control.telemetry import State
from control.test_kinds.plans import Identification
from daq.errors import Refused
from tests.control.control_stand import HOLDER, Stand, tarnhow

RUN_ID = "20261104-101500-beef"
FRAME_S = 0.002


@pytest.fixture(scope="module")
def identified() -> Stand:
    """The stand's brakes (another curve, 6 % weaker, other critical speed), identified."""
    stand = Stand().ready()
    stand.speeds = [28.0, 28.0]
    stand.frames(0.3)
    plan = Identification(from_mps=27.0, to_mps=4.0, step_s=0.4, coasts=1)
    assert stand.ask(StartTest(0, HOLDER, RUN_ID, plan)).accepted
    for _ in range(60_000):
        test = stand.core.test
        if test is None:
            break
        stand.drive_n = 9000.0 if test.phase == "drive-up" else 0.0
        stand.frame()
        if test.phase == "drive-up":  # a locked transfer case; coasting, nothing couples the rolls
            stand.speeds = [sum(stand.speeds) / 2.0] * 2
    assert stand.core.state in (State.EASING, State.READY), stand.fault_codes()
    return stand


def test_the_map_is_far_better_after_the_test_than_before(identified: Stand) -> None:
    found = identified.core.identified
    assert sorted(found) == ["front-left", "front-right", "rear-left", "rear-right"]
    for one in found.values():
        assert one.error_before_percent > 4.0
        assert one.error_percent < 1.0
    loads = identified.core.loads
    for current in (8.0, 15.0, 22.0, 29.0):
        for shaft in (40.0, 80.0, 120.0, 160.0):
            truth = identified.torque(current, shaft)
            assert torque_at(loads.maps[0], current, shaft, 293.15) == pytest.approx(
                truth, rel=0.03, abs=8.0
            )


def test_lags_drag_and_the_dead_zone_are_found(identified: Stand) -> None:
    for one in identified.core.identified.values():
        assert one.coil_lag_s == pytest.approx(0.15, rel=0.03)
        assert one.field_lag_s < 0.003, "the stand's force follows its current at once"
        assert one.map.residual_torque_nm == pytest.approx(4.0, abs=2.0)
        assert one.map.critical_speed_radps == pytest.approx(128.0, rel=0.06)
        # A tenth of the peak: 2 x / (1 + x^2) = 0.1 at x = 0.0501.
        assert one.dead_below_mps == pytest.approx(0.0501 * 128.0 / 6.4, rel=0.08)
        assert one.date == "2026-11-04"


def test_what_was_found_is_kept_over_a_restart(identified: Stand) -> None:
    memory = identified.core.memory()
    assert msgspec.json.decode(msgspec.json.encode(memory), type=Memory) == memory
    again = LoadLoop(
        identified.rig,
        identified={
            name: one.identified
            for name, one in memory.absorbers.items()
            if one.identified is not None
        },
    )
    assert (
        again.plant_parameters().coil_lag_s == identified.core.loads.plant_parameters().coil_lag_s
    )


def test_margins_and_the_truck_are_told_when_the_run_ends(identified: Stand) -> None:
    ended = identified.kinds("run-ended")[-1].data
    assert ended["valid"] is True
    assert float(ended["gain_margin"]) > 1.0
    assert float(ended["phase_margin_deg"]) > 30.0
    assert "advised_observer_share" in ended


def test_currents_stay_within_the_gate_s_limits(identified: Stand) -> None:
    limits = [round(100.0 * one.forcing_a) for one in identified.rig.absorbers]
    for point in identified.set_points:
        if point is not None:
            assert all(a <= b for a, b in zip(point.currents, limits, strict=True))


def test_an_edited_rig_file_is_newer_than_what_was_found(identified: Stand) -> None:
    absorber = identified.rig.absorbers[0]
    found = identified.core.identified[absorber.name]
    assert described(absorber, found).map == found.map
    edited = msgspec.structs.replace(
        absorber, map=msgspec.structs.replace(absorber.map, peak_torque_nm=1200.0)
    )
    assert described(edited, found) == edited
    assert described(absorber, None) == absorber


def rows_of_a_coil(lag_s: float, flight: int) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    rows = np.zeros((4000, ROW_COLUMNS))
    coil, decay = 0.0, math.exp(-FRAME_S / lag_s)
    sent = [25.0 if (k // 200) % 2 else 5.0 for k in range(4000)]
    for k in range(4000):
        rows[k, COIL], rows[k, SENT] = coil, sent[k]
        applied = sent[min(k - flight, 3999)] if k >= flight else 0.0
        coil = applied + (coil - applied) * decay
    rows[0, START] = 1.0
    return rows


def test_the_coil_s_lag_is_found_whatever_the_transport_takes() -> None:
    for lag_s, flight in ((0.1, -1), (0.12, 0), (0.15, 3), (0.25, 5)):
        found = coil_lag(rows_of_a_coil(lag_s, flight), FRAME_S, 30.0)
        assert found is not None
        assert found[0] == pytest.approx(lag_s, rel=1e-6)


def test_a_current_that_never_moves_tells_no_lag() -> None:
    assert coil_lag(np.zeros((2000, ROW_COLUMNS)), FRAME_S, 30.0) is None


def test_too_few_rows_are_refused_with_what_to_do() -> None:
    absorber = tarnhow().absorbers[0]
    fit = Fit(absorber, np.zeros((10, ROW_COLUMNS)), FRAME_S, 6.4, 2.5, np.ones(17))
    with pytest.raises(Refused, match="Only 10 frames"):
        list(fit.steps())


def test_a_cold_rotor_leaves_the_fade_as_described_and_says_so() -> None:
    absorber = tarnhow().absorbers[0]
    loads = LoadLoop(tarnhow())
    rows = rows_of_a_coil(0.15, 2)
    rows[:, SHAFT] = np.linspace(180.0, 20.0, len(rows))
    rows[:, ROTOR] = 293.15
    for row in rows:
        row[TORQUE] = 1.1 * torque_at(loads.maps[0], row[COIL], row[SHAFT], row[ROTOR])
    fit = Fit(absorber, rows, FRAME_S, 6.4, 0.0, loads.maps[0].copy())
    for _ in fit.steps():
        pass
    found = fit.result(RUN_ID)
    assert found.map.hot_fade_per_k == pytest.approx(absorber.map.hot_fade_per_k, rel=1e-3)
    assert found.sigma["hot_fade"] == pytest.approx(0.002, rel=0.05)
    assert found.map.peak_torque_nm * found.shape[-1] == pytest.approx(1100.0, rel=0.02)


def test_a_coast_too_short_to_tell_speed_from_current_is_refused() -> None:
    stand = Stand().ready()
    plan = Identification(from_mps=20.0, to_mps=16.0)
    answer = stand.ask(StartTest(0, HOLDER, RUN_ID, plan))
    assert not answer.accepted
    assert answer.code == "plan-coast"
    assert stand.core.state is State.READY


def test_a_run_id_tells_its_date() -> None:
    assert date_of(RUN_ID) == "2026-11-04"
    assert date_of("bench") == ""


def test_a_tune_up_is_advised_and_put_in_force_only_by_a_person(identified: Stand) -> None:
    core = identified.core
    advice = core.advice
    assert advice is not None
    assert advice.run_id == identified.kinds("run-ended")[-1].data["run_id"]
    before = core.loads.observer_share
    assert before == OBSERVER_SHARE
    identified.speeds = [0.0, 0.0]
    identified.drive_n = 0.0
    identified.frames(4.0)
    assert core.state is State.READY
    assert identified.ask(AcceptTuneUp(0, HOLDER, advice.run_id)).code == "not-parked"
    assert core.loads.observer_share == before
    assert identified.ask(Park(0, HOLDER)).accepted
    wrong = identified.ask(AcceptTuneUp(0, HOLDER, "another"))
    assert wrong.code == "advice-changed"
    assert core.loads.observer_share == before
    assert identified.ask(AcceptTuneUp(0, HOLDER, advice.run_id)).accepted
    assert core.loads.observer_share == pytest.approx(advice.advised_share)
    memory = msgspec.json.decode(msgspec.json.encode(core.memory()), type=Memory)
    again = Core(identified.rig, memory)
    assert again.loads.observer_share == pytest.approx(advice.advised_share)
    assert again.tuned is not None
    assert again.tuned.by == "Ada"
    assert identified.ask(DropTuneUp(0, HOLDER)).accepted
    assert core.loads.observer_share == before


def test_identified_maps_can_be_dropped_again(identified: Stand) -> None:
    core = identified.core
    name = identified.rig.absorbers[0].name
    assert identified.ask(DropIdentified(0, HOLDER, ("no-such",))).code == "no-absorber"
    assert identified.ask(DropIdentified(0, HOLDER, (name,))).accepted
    assert name not in core.identified
    assert len(core.identified) == len(identified.rig.absorbers) - 1
    assert core.loads.maps[0, :8] == pytest.approx(map_row(identified.rig.absorbers[0])[:8])
