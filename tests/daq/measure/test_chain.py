"""From sample frames to readings of the demo rig: values, times, qualities, refusals."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest

from daq.errors import Refused, WireError
from daq.measure import balance
from daq.measure.chain import CONDITIONS, Chain
from daq.measure.force import load_cell
from daq.measure.measured import Measured
from daq.measure.speed import estimator
from daq.readings import Quality, Unit
from daq.rig.description import EngineSpeedSource, SlowChannel
from daq.wire.frames import Channel, ChannelKind, Sample, Slow
from tests.daq.synthetic import RIG_FILE, FrontEnd, accelerated, edge_ticks, hello_for, tarnhow

RIG = tarnhow()


def _running(
    front_mps: float = 20.0,
    rear_mps: float = 20.0,
    accel: float = 0.0,
    seconds: float = 1.5,
    cell_n: float = 500.0,
    rpm: float = 1900.0,
) -> tuple[Chain, FrontEnd, list[Measured]]:
    board = FrontEnd(RIG)
    for wheel, v in enumerate((front_mps, rear_mps)):
        if v > 0.0:
            count = int((v * (seconds + 2) + 0.5 * accel * (seconds + 2) ** 2) / 0.0523)
            board.ticks[wheel] = edge_ticks(accelerated(v, accel), count, seed=wheel)
    pulses = np.arange(1, int((seconds + 2) * rpm / 30) + 1) * 30.0 / rpm
    board.ticks[2] = np.floor(pulses * 1e6).astype(np.int64)
    board.forces_n = [cell_n] * 4
    board.currents = [1000] * 4
    chain = Chain(RIG, hello_for(RIG))
    made = [chain.update(board.sample()) for _ in range(int(seconds * 500))]
    return chain, board, made


def _mean(made: list[Measured], roll_set: int, field: str) -> float:
    return float(np.mean([getattr(m.roll_sets[roll_set], field).value for m in made]))


def test_tractive_force_is_absorber_force_plus_loss_plus_inertia() -> None:
    _, _, made = _running(accel=2.0)
    for m in made[300:]:
        for r in m.roll_sets:
            total = r.absorber_force.value + r.loss_force.value + r.inertia_force.value
            assert r.tractive_force.value == pytest.approx(total, abs=1e-9)
            assert r.power.value == pytest.approx(total * r.speed.value)
            times = {
                reading.time_s for reading in (r.speed, r.acceleration, r.absorber_force, r.power)
            }
            assert times == {m.time_s - r.speed_delay_s}


def test_each_term_has_the_size_that_hand_calculation_gives() -> None:
    _, _, made = _running(accel=2.0, cell_n=500.0)
    settled = made[400:]
    # two absorbers of 500 N at 0.60 m, geared 3.2, on 0.5 m rolls: 2 x 1920 N
    assert _mean(settled, 0, "absorber_force") == pytest.approx(3840.0, rel=1e-4)
    v = _mean(settled, 1, "speed")
    assert _mean(settled, 1, "loss_force") == pytest.approx(70 + 1.25 * v + 0.023 * v * v, rel=1e-4)
    assert _mean(settled, 1, "inertia_force") == pytest.approx(1650 * 2.0, rel=0.01)
    a = made[-1].absorbers[2]
    assert a.torque.value == pytest.approx(300.0, rel=2e-3)
    assert a.speed_radps == pytest.approx(made[-1].roll_sets[1].speed.value / 0.5 * 3.2)
    assert a.current.value == 10.0
    assert all(x.cell_force.value > 0 for x in made[-1].absorbers)  # arms of either sign


def test_a_run_begun_above_half_a_turn_of_the_tick_has_no_time_below_zero() -> None:
    """Its recording begins with a greeting of long ago, and the tick wraps while it runs."""
    board = FrontEnd(RIG)
    board.forces_n = [0.0] * 4
    start = (1 << 32) - 500 * 2000 // 2  # of 1 MHz: wraps after half of the frames below
    chain = Chain(RIG, msgspec.structs.replace(hello_for(RIG), tick=5))
    times = []
    for _ in range(500):
        sample = board.sample()
        late = sample.__replace__(tick=(sample.tick + start) & 0xFFFF_FFFF)
        times.append(chain.update(late).time_s)
    assert times[0] == pytest.approx(start * 1e-6, abs=0.01)
    assert np.diff(times) == pytest.approx(0.002)


def test_units_times_and_qualities_of_a_running_rig_are_all_good() -> None:
    _, _, made = _running()
    m = made[-1]
    r, a = m.roll_sets[0], m.absorbers[0]
    assert [x.unit for x in (r.speed, r.acceleration, r.power)] == [
        Unit.METRE_PER_SECOND,
        Unit.METRE_PER_SECOND_2,
        Unit.WATT,
    ]
    readings = [getattr(r, name) for name in r.__struct_fields__]
    for reading in readings:
        if hasattr(reading, "quality"):
            assert reading.quality is Quality.GOOD
            assert math.isfinite(reading.sigma)
    assert a.cell_force.time_s == pytest.approx(m.time_s - a.force_delay_s)
    assert 0.005 < a.force_delay_s < 0.012
    assert m.stop_chain_closed
    assert m.tie_downs is True
    assert r.condition == a.condition == ""


def test_engine_speed_comes_from_the_pickup_then_the_ratio_then_nothing() -> None:
    chain, _, made = _running(rpm=1900.0)
    assert made[-1].engine_speed_source == "pickup"
    assert made[-1].engine_speed.value == pytest.approx(1900 * math.pi / 30, rel=1e-4)
    assert made[-1].overall_ratio.value == pytest.approx(1900 * math.pi / 30 / 20.0, rel=1e-3)
    ratio = chain.learn_ratio()
    assert ratio == pytest.approx(1900 * math.pi / 600, rel=1e-3)
    rig = msgspec.structs.replace(RIG, engine=EngineSpeedSource())
    board = FrontEnd(rig)
    board.ticks[0] = board.ticks[1] = edge_ticks(accelerated(20.0, 0.0), 900)
    without = Chain(rig, hello_for(rig))
    m = [without.update(board.sample()) for _ in range(300)][-1]
    assert m.engine_speed.quality is Quality.MISSING
    without.learned_ratio = ratio
    m = without.update(board.sample())
    assert m.engine_speed_source == "ratio"
    assert m.engine_speed.value == pytest.approx(1900 * math.pi / 30, rel=2e-3)


def test_engine_speed_from_a_slow_channel_is_in_radians_and_ages() -> None:
    channel = SlowChannel("engine-speed", "rev/min", topic="truck/rpm", max_age_s=0.2)
    rig = msgspec.structs.replace(
        RIG, engine=EngineSpeedSource(slow_channel="engine-speed"), slow=(*RIG.slow, channel)
    )
    board = FrontEnd(rig)
    chain = Chain(rig, hello_for(rig))
    chain.update(board.sample())
    chain.feed_slow("engine-speed", 1200.0, chain.now_s)
    m = chain.update(board.sample())
    assert m.engine_speed_source == "channel"
    assert m.engine_speed.value == pytest.approx(1200 * math.pi / 30)
    later = [chain.update(board.sample()) for _ in range(200)]
    assert later[150].engine_speed.quality is Quality.AGING
    gone = [chain.update(board.sample()) for _ in range(300)][-1]
    assert gone.engine_speed.quality is Quality.MISSING


def test_tyre_slip_is_seen_as_a_change_of_ratio_and_of_roll_speeds() -> None:
    chain, board, _ = _running(seconds=1.5)
    chain.learn_ratio()
    # the rear rolls fall 3 % behind: the tyres slip on them
    now = board.now
    board.ticks[1] = np.concatenate(
        [board.ticks[1][: board.passed[1]], now + edge_ticks(accelerated(19.4, 0.0), 500, seed=8)]
    )
    m = [chain.update(board.sample()) for _ in range(300)][-1]
    assert m.roll_difference.value == pytest.approx(20.0 / 19.4 - 1, abs=2e-3)
    assert m.slip.value == pytest.approx(0.0, abs=2e-3)  # the front still holds the ratio


def test_a_ratio_is_not_learned_without_an_engine_speed_or_from_a_shifting_box() -> None:
    board = FrontEnd(RIG)
    chain = Chain(RIG, hello_for(RIG))
    chain.update(board.sample())
    with pytest.raises(Refused) as refused:
        chain.learn_ratio()
    assert refused.value.code == "ratio-not-measured"
    chain, board, _ = _running(rpm=1900.0, seconds=1.0)
    board.ticks[2] = board.now + np.floor(np.arange(1, 200) * 30e6 / 1500.0).astype(np.int64)
    board.passed[2] = 0
    for _ in range(300):
        chain.update(board.sample())
    with pytest.raises(Refused) as refused:
        chain.learn_ratio()
    assert refused.value.code == "ratio-not-steady"


@pytest.mark.parametrize("without", ["front", "engine", "rear-left", "stop-chain", "barometer"])
def test_a_front_end_that_lacks_a_channel_is_refused_by_name(without: str) -> None:
    with pytest.raises(WireError, match=without) as refused:
        Chain(RIG, hello_for(RIG, without=(without,)))
    assert refused.value.remedy


def test_a_slow_channel_of_another_quantity_is_refused() -> None:
    hello = hello_for(RIG)
    channels = tuple(
        Channel(c.kind, c.name, "rev/min") if c.name == "barometer" else c for c in hello.channels
    )
    with pytest.raises(WireError, match="barometer"):
        Chain(RIG, msgspec.structs.replace(hello, channels=channels))


def test_slow_values_are_si_and_fade_from_good_to_aging_to_missing() -> None:
    chain = Chain(RIG, hello_for(RIG))
    board = FrontEnd(RIG)
    chain.update(board.sample())
    values = ((0, 21.5), (1, 99.1), (2, 45.0), (6, float("nan")), (200, 1.0))
    chain.slow(Slow(board.now, values))
    m = chain.update(board.sample())
    assert m.slow["ambient-temperature"].value == pytest.approx(294.65)
    assert m.slow["barometer"].value == pytest.approx(99_100.0)
    assert m.slow["humidity"].value == pytest.approx(0.45)
    assert m.slow["rotor-rear-left"].quality is Quality.MISSING
    assert m.slow["boost"].quality is Quality.MISSING
    fresh = m.slow
    for _ in range(500 * 6):
        m = chain.update(board.sample())
    assert m.slow["barometer"].quality is Quality.AGING
    for _ in range(500 * 10):
        m = chain.update(board.sample())
    assert m.slow["barometer"].quality is Quality.MISSING
    assert math.isnan(m.slow["barometer"].value)
    assert fresh["barometer"].quality is Quality.GOOD  # what was handed out stays as it was
    chain.feed_slow("barometer", 1.7e308, chain.now_s)  # finite, but not in pascals
    assert chain.update(board.sample()).slow["barometer"].quality is Quality.MISSING
    with pytest.raises(Refused):
        chain.feed_slow("no-such", 1.0, chain.now_s)


def test_a_bridge_fault_makes_force_and_power_missing_and_speed_stays_good() -> None:
    chain, board, _ = _running()
    board.flags[0] = 2
    m = chain.update(board.sample())
    assert m.absorbers[0].cell_force.quality is Quality.MISSING
    assert math.isnan(m.absorbers[0].force.value)
    assert "bridge" in m.absorbers[0].condition
    assert m.roll_sets[0].power.quality is Quality.MISSING
    assert m.roll_sets[0].speed.quality is Quality.GOOD
    assert m.roll_sets[1].power.quality is Quality.GOOD


def test_a_saturated_cell_is_suspect_and_so_is_the_power_made_of_it() -> None:
    chain, board, _ = _running()
    board.flags[3] = 1
    m = chain.update(board.sample())
    assert m.absorbers[3].force.quality is Quality.SUSPECT
    assert m.roll_sets[1].tractive_force.quality is Quality.SUSPECT
    assert m.roll_sets[0].tractive_force.quality is Quality.GOOD


def test_a_mute_tooth_sensor_is_missing_not_standing() -> None:
    chain, board, _ = _running()
    board.ticks[0] = board.ticks[0][: board.passed[0]]
    made = [chain.update(board.sample()) for _ in range(700)]
    assert made[30].roll_sets[0].speed.quality is Quality.MISSING
    assert made[-1].roll_sets[0].speed.quality is Quality.MISSING
    assert math.isnan(made[-1].roll_sets[0].power.value)
    assert made[-1].roll_sets[1].speed.quality is Quality.GOOD


def test_edges_that_stop_at_a_crawl_are_suspect_while_the_other_roll_set_runs_on() -> None:
    chain, board, _ = _running(front_mps=2.2, rear_mps=2.2, seconds=2.0, cell_n=0.0)
    board.ticks[0] = board.ticks[0][: board.passed[0]]
    m = [chain.update(board.sample()) for _ in range(200)][-1]
    assert m.roll_sets[0].speed.quality is not Quality.GOOD
    assert m.roll_sets[1].speed.quality is Quality.GOOD


def test_torque_without_edges_betrays_a_sensor_that_never_spoke() -> None:
    board = FrontEnd(RIG)
    chain = Chain(RIG, hello_for(RIG))
    board.ticks[1] = edge_ticks(accelerated(20.0, 0.0), 500)
    for _ in range(550):
        m = chain.update(board.sample())
    assert m.roll_sets[0].speed.quality is Quality.GOOD  # two-wheel drive: front rolls stand
    assert m.roll_sets[0].condition == "standing"
    board.forces_n[0] = 800.0
    board.currents[0] = 900
    for _ in range(60):
        m = chain.update(board.sample())
    assert m.roll_sets[0].speed.quality is Quality.MISSING


def test_zeros_are_taken_only_at_rest_and_only_from_steady_cells() -> None:
    board = FrontEnd(RIG)
    board.zero_counts = [400.0, -900.0, 1300.0, 0.0]
    chain = Chain(RIG, hello_for(RIG))
    for _ in range(500):
        chain.update(board.sample())
    with pytest.raises(Refused) as refused:
        chain.take_zeros()
    assert refused.value.code == "speed-not-known"
    for _ in range(1500):
        chain.update(board.sample())
    zeros = chain.take_zeros()
    assert zeros["front-right"] == pytest.approx(-900.0, abs=40.0)
    for _ in range(200):
        m = chain.update(board.sample())
    assert max(abs(a.cell_force.value) for a in m.absorbers) < 0.6
    for k in range(1500):
        board.forces_n[2] = 8.0 * math.sin(k * 0.002 * 1.5)  # somebody leans on an arm
        chain.update(board.sample())
    with pytest.raises(Refused, match="rear-left") as refused:
        chain.take_zeros()
    assert refused.value.code == "zero-not-stable"


def test_no_zero_is_taken_while_current_flows() -> None:
    board = FrontEnd(RIG)
    board.currents = [0, 0, 200, 0]
    chain = Chain(RIG, hello_for(RIG))
    for _ in range(2500):
        chain.update(board.sample())
    with pytest.raises(Refused) as refused:
        chain.take_zeros()
    assert refused.value.code == "current-on"


def test_an_arm_that_holds_weight_is_not_zeroed_away() -> None:
    board = FrontEnd(RIG)
    board.forces_n[1] = 900.0
    chain = Chain(RIG, hello_for(RIG))
    for _ in range(2500):
        chain.update(board.sample())
    with pytest.raises(Refused) as refused:
        chain.take_zeros()
    assert refused.value.code == "zero-too-far"


def test_a_cell_that_drifted_from_its_zero_is_suspect_until_the_zero_is_taken() -> None:
    board = FrontEnd(RIG)
    board.forces_n[2] = 40.0  # of 3000 N capacity; the limit is 15 N
    chain = Chain(RIG, hello_for(RIG))
    for _ in range(3000):
        m = chain.update(board.sample())
    assert m.absorbers[2].cell_force.quality is Quality.SUSPECT
    assert "zero" in m.absorbers[2].condition
    assert m.absorbers[3].cell_force.quality is Quality.GOOD
    chain.take_zeros()
    for _ in range(100):
        m = chain.update(board.sample())
    assert m.absorbers[2].cell_force.quality is Quality.GOOD


def test_zeros_of_absorbers_the_rig_no_longer_has_are_left_out() -> None:
    board = FrontEnd(RIG)
    board.zero_counts = [0.0, 0.0, 0.0, 500.0]
    chain = Chain(RIG, hello_for(RIG))
    chain.restore_zeros({"middle": 9000.0, "rear-right": 500.0})
    for _ in range(100):
        m = chain.update(board.sample())
    assert max(abs(a.cell_force.value) for a in m.absorbers) < 2.0


def test_a_frozen_converter_is_suspect() -> None:
    chain, board, _ = _running()
    board.frozen[1] = -700_000
    m = [chain.update(board.sample()) for _ in range(130)][-1]
    assert m.absorbers[1].force.quality is Quality.SUSPECT
    assert m.absorbers[1].condition == "count does not move"


def test_lost_frames_are_counted_and_time_stays_device_time() -> None:
    chain = Chain(RIG, hello_for(RIG))
    board = FrontEnd(RIG)
    first = chain.update(board.sample())
    for _ in range(4):
        board.sample()
    m = chain.update(board.sample())
    assert (first.frames_lost, m.frames_lost) == (0, 4)
    assert m.time_s - first.time_s == pytest.approx(0.010)
    assert chain.now_s == m.time_s


def test_device_time_goes_on_when_the_tick_runs_over() -> None:
    start = 0xFFFFFFFF - 5000
    chain = Chain(RIG, hello_for(RIG, tick=start))
    board = FrontEnd(RIG)
    board.now = start
    times = [chain.update(board.sample()).time_s for _ in range(10)]
    assert np.diff(times) == pytest.approx([0.002] * 9)


def test_digital_inputs_are_named_and_read() -> None:
    chain = Chain(RIG, hello_for(RIG))
    board = FrontEnd(RIG)
    board.digital = 2
    m = chain.update(board.sample())
    assert m.digital["stop-chain"] is False
    assert m.digital["tie-downs"] is True
    assert m.digital["fan-front-turns"] is m.digital["fan-rear-turns"] is False
    assert m.stop_chain_closed is False
    assert m.tie_downs is True


def test_learned_teeth_come_back_after_a_restart() -> None:
    chain, board, _ = _running(seconds=20.0)
    tables = chain.tooth_tables()
    assert set(tables) == {"front", "rear"}
    again = Chain(RIG, hello_for(RIG))
    again.restore_tooth_tables(tables)
    again.update(board.sample())
    assert again.tooth_tables() == tables  # kept as they are until the phase is found


def test_any_sample_of_the_right_shape_gives_readings_and_no_exception() -> None:
    rng = np.random.default_rng(3)
    chain = Chain(RIG, hello_for(RIG))
    now = 0
    for sequence in range(3000):
        now = (now + int(rng.integers(0, 6000))) & 0xFFFFFFFF
        if rng.random() < 0.01:
            now = int(rng.integers(0, 2**32))
        edges = tuple(
            tuple(int(t) for t in (now - rng.integers(0, 5000, rng.integers(0, 6))) & 0xFFFFFFFF)
            for _ in range(3)
        )
        m = chain.update(
            Sample(
                sequence, now, 1, 100, 0, int(rng.integers(0, 4)),
                tuple(int(t) for t in rng.integers(0, 65536, 3)), edges,
                tuple(int(c) for c in rng.integers(-(2**23), 2**23, 4)),
                tuple(int(f) for f in rng.integers(0, 8, 4)),
                tuple(int(c) for c in rng.integers(0, 65536, 4)),
            )
        )  # fmt: skip
        for r in m.roll_sets:
            if r.speed.quality is not Quality.MISSING:
                assert 0.0 <= r.speed.value < 2.0 * estimator.FASTEST_MPS
            else:
                assert math.isnan(r.speed.value)


def test_the_balance_reads_the_rows_that_speed_and_force_write() -> None:
    assert (balance.W_SPEED, balance.W_ACCEL, balance.W_SPEED_SD, balance.W_ACCEL_SD) == (
        estimator.SPEED, estimator.ACCEL, estimator.SPEED_SD, estimator.ACCEL_SD,
    )  # fmt: skip
    assert (balance.W_STATUS, balance.W_AGE) == (estimator.STATUS, estimator.AGE)
    assert (
        balance.W_MOVING, balance.W_STANDING, balance.W_OVERDUE, balance.W_LOST, balance.W_NOISY,
        balance.W_UNKNOWN,
    ) == (
        estimator.MOVING, estimator.STANDING, estimator.OVERDUE, estimator.LOST, estimator.NOISY,
        estimator.UNKNOWN,
    )  # fmt: skip
    assert (balance.C_FORCE, balance.C_FORCE_SD, balance.C_FAULTS, balance.C_ALIGNED) == (
        load_cell.FORCE, load_cell.FORCE_SD, load_cell.FAULTS, load_cell.ALIGNED,
    )  # fmt: skip
    assert balance.MISSING_FAULTS == load_cell.BRIDGE | load_cell.STALE
    assert balance.SUSPECT_FAULTS == (
        load_cell.SATURATED | load_cell.FROZEN | load_cell.OVERLOAD | load_cell.DRIFTED
    )
    assert ChannelKind.WHEEL == 1


def test_random_edges_are_suspect_or_missing_and_never_good() -> None:
    rng = np.random.default_rng(9)
    board = FrontEnd(RIG)
    board.ticks[0] = np.cumsum(rng.exponential(4000.0, 2000)).astype(np.int64)
    chain = Chain(RIG, hello_for(RIG))
    made = [chain.update(board.sample()) for _ in range(2500)]
    good = [m.roll_sets[0].speed.quality is Quality.GOOD for m in made[500:]]
    assert np.mean(good) < 0.1


def test_the_page_on_measurement_names_every_condition_and_the_declared_delays() -> None:
    page = (RIG_FILE.parents[1] / "docs" / "measurement.md").read_text()
    for condition in (*CONDITIONS.values(), "no edges while the other roll set runs on"):
        assert condition in page
    for bit, text in load_cell.FAULT_TEXTS.items():
        if bit != load_cell.NOT_FRESH:
            assert text.split(",")[0] in page
    assert f"{estimator.DELAY_S * 1e3:.0f} ms" in page
    chain = Chain(RIG, hello_for(RIG))
    assert f"{chain.cells.delays_s[0] * 1e3:.2f} ms on the demo rig" in page
    assert f"{load_cell.resonance_filter(38.0, 0.03, 500.0).delay_s * 1e3:.2f} ms" in page


def test_a_speed_is_missing_until_it_is_known_and_never_a_good_zero_while_rolls_turn() -> None:
    _, _, made = _running(front_mps=20.0, rear_mps=3.0)
    for m in made:
        for r, true in zip(m.roll_sets, (20.0, 3.0), strict=True):
            if r.speed.quality is Quality.MISSING:
                assert math.isnan(r.speed.value)
                assert r.condition == "not yet known"
            else:
                assert r.speed.value == pytest.approx(true, rel=0.1)
        if m.engine_speed.quality is Quality.GOOD:
            assert m.engine_speed.value == pytest.approx(1900.0 * math.pi / 30.0, rel=0.1)
    assert made[0].roll_sets[0].speed.quality is Quality.MISSING
    assert made[0].engine_speed.quality is Quality.MISSING
    assert [r.speed.quality for r in made[100].roll_sets] == [Quality.GOOD] * 2
    assert made[100].engine_speed.quality is Quality.GOOD


def test_rolls_count_as_standing_once_no_edge_has_come_for_a_second() -> None:
    _, _, made = _running(front_mps=0.0, rear_mps=0.0, rpm=1.0, cell_n=0.0)
    early, late = made[480], made[520]
    assert [r.speed.quality for r in early.roll_sets] == [Quality.MISSING] * 2
    assert [r.speed.quality for r in late.roll_sets] == [Quality.GOOD] * 2
    assert [r.speed.value for r in late.roll_sets] == [0.0, 0.0]
    # A mute pickup and a dead engine look alike.
    assert late.engine_speed.quality is Quality.MISSING
