"""Each fault of the menu does what the menu says, and nothing else does."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest

from daq.wire.frames import ConverterFlag, Permission, Sample, Slow
from simulator.faults import MENU, FaultKind, InjectedFault, Target
from simulator.plant import Plant
from simulator.rig_and_truck import layout as at
from simulator.rig_and_truck.setup import tarnhow
from tests.simulator.hosts import Host

FULL_SCALE = (1 << 23) - 1


def running(seed: int = 1, amperes: float = 10.0) -> Host:
    """Rolls coasting at 20 m/s in neutral, under 10 A."""
    plant = Plant(tarnhow(seed), seed=seed)
    plant.driver.tell(gear=0, brake=0.0)
    plant.spin(20.0, 20.0)
    host = Host(plant)
    host.run(0.1)
    host.open()
    host.run(1.0, [amperes] * 4)
    return host


def after(host: Host, seconds: float = 0.5, amperes: float = 10.0) -> list[Sample]:
    first = len(host.frames)
    host.run(seconds, [amperes] * 4)
    return host.of(Sample, first)


def edges_of(samples: list[Sample], wheel: int) -> list[int]:
    return [edge for sample in samples for edge in sample.edges[wheel]]


def counts_of(samples: list[Sample], cell: int) -> npt.NDArray[np.int64]:
    return np.array([sample.counts[cell] for sample in samples])


@pytest.fixture(scope="module")
def sound() -> list[Sample]:
    return after(running())


def test_every_kind_of_the_menu_can_be_planned_for_every_target() -> None:
    for target, kinds in MENU.items():
        for kind in kinds:
            InjectedFault(target, kind)
        with pytest.raises(ValueError, match="is one of"):
            InjectedFault(target, next(each for each in FaultKind if each not in kinds))


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("wheels", "off", "front"), "Faults are of"),
        (("wheel", "odd", "front"), "is one of"),
        (("wheel", "off", "middle"), "there is: front, rear, engine"),
        (("cell", "off", "front"), "front-left"),
    ],
)
def test_an_unknown_fault_is_refused_with_what_there_is(
    words: tuple[str, str, str], says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        Plant(tarnhow(1), seed=1).break_it(*words)


def test_a_fault_keeps_its_times_and_ends() -> None:
    host = running()
    host.plant.break_it("wheel", "off", "front", after_s=0.2, for_s=0.2)
    assert edges_of(after(host, 0.19), 0)
    assert not edges_of(after(host, 0.2)[6:], 0)
    assert len(edges_of(after(host, 0.2)[4:], 0)) > 50


@pytest.mark.parametrize("kind", ["off", "stuck"])
def test_a_dead_wheel_sensor_shows_no_edge(kind: str) -> None:
    host = running()
    host.plant.break_it("wheel", kind, "front")
    samples = after(host)
    assert not edges_of(samples, 0)
    assert edges_of(samples, 1)
    assert samples[-1].edge_totals[0] == samples[0].edge_totals[0]


@pytest.mark.parametrize(
    ("kind", "amount", "least", "most"),
    [
        ("extra", 100.0, 1.15, 1.40),
        ("missing", 0.2, 0.70, 0.90),
        ("doubled", 0.3, 1.15, 1.45),
        ("wrong", 0.5, 0.48, 0.52),
        ("intermittent", 0.5, 0.30, 0.70),
        ("noisy", 2e-5, 0.98, 1.02),
        ("delayed", 0.01, 0.90, 1.02),
    ],
)
def test_wheel_faults_change_the_number_of_edges_as_they_say(
    sound: list[Sample], kind: str, amount: float, least: float, most: float
) -> None:
    host = running()
    host.plant.break_it("wheel", kind, "rear", amount)
    samples = after(host)
    ratio = len(edges_of(samples, 1)) / len(edges_of(sound, 1))
    assert least < ratio < most
    assert edges_of(samples, 0) == edges_of(sound, 0)  # the other wheel is as it was
    grown = (samples[-1].edge_totals[1] - samples[0].edge_totals[1]) & 0xFFFF
    assert grown == len(edges_of(samples[1:], 1))


def test_a_noisy_wheel_jitters(sound: list[Sample]) -> None:
    host = running()
    host.plant.break_it("wheel", "noisy", "rear", 2e-5)
    noisy = np.diff(edges_of(after(host), 1), 2)  # twice: the coasting rolls slow down evenly
    assert np.std(noisy) > 4.0 * np.std(np.diff(edges_of(sound, 1), 2))


def test_garbage_edges_have_nothing_to_do_with_the_wheel() -> None:
    host = running()
    host.plant.break_it("wheel", "garbage", "front", 900.0)
    gaps = np.diff(edges_of(after(host), 0))
    assert np.std(gaps) > 0.5 * np.mean(gaps)


def test_a_stopped_converter_repeats_its_count_and_says_so() -> None:
    host = running()
    host.plant.break_it("cell", "off", "front-left")
    samples = after(host)
    assert len(set(counts_of(samples, 0)[1:])) == 1
    assert {sample.flags[0] for sample in samples} == {int(ConverterFlag.NOT_FRESH)}
    assert {sample.flags[1] for sample in samples} == {0}


def test_a_stuck_cell_repeats_its_count_silently() -> None:
    host = running()
    host.plant.break_it("cell", "stuck", "front-left")
    samples = after(host)
    assert len(set(counts_of(samples, 0))) == 1
    assert samples[-1].flags[0] == 0


def test_an_open_bridge_is_flagged_and_random() -> None:
    host = running()
    host.plant.break_it("cell", "open-bridge", "rear-left")
    samples = after(host)
    assert {sample.flags[2] for sample in samples} == {int(ConverterFlag.BRIDGE_FAULT)}
    assert np.std(counts_of(samples, 2)) > 1e6


def test_a_saturated_cell_is_flagged_at_the_end_of_its_range() -> None:
    host = running()
    host.plant.break_it("cell", "saturated", "rear-left")
    last = after(host)[-1]
    assert (last.counts[2], last.flags[2]) == (FULL_SCALE, int(ConverterFlag.SATURATED))


def test_a_drifting_cell_gains_force_over_time(sound: list[Sample]) -> None:
    host = running()
    host.plant.break_it("cell", "drift", "front-left", 100.0)
    shift = counts_of(after(host), 0) - counts_of(sound, 0)
    per_s = np.polyfit(np.arange(len(shift)) / 500.0, shift, 1)[0] / (2**23 / 6000.0)
    assert per_s == pytest.approx(100.0, rel=0.05)


@pytest.mark.parametrize(("kind", "factor"), [("wrong", 1.5), ("reversed", -1.0)])
def test_a_wrong_or_reversed_cell_scales_the_force_and_not_the_zero(
    sound: list[Sample], kind: str, factor: float
) -> None:
    host = running()
    host.plant.break_it("cell", kind, "front-right", 1.5)
    zero = host.plant.setup.absorbers[1].zero_counts
    healthy = counts_of(sound, 1).mean() - zero
    assert counts_of(after(host), 1).mean() - zero == pytest.approx(factor * healthy, rel=0.01)


def test_a_slow_and_a_delayed_cell_come_late() -> None:
    def half_way(kind: str) -> int:
        host = running(amperes=0.0)
        if kind:
            host.plant.break_it("cell", kind, "front-left", 0.25)
        low = counts_of(after(host, 0.3, 0.0), 0)[-1]
        counts = counts_of(after(host, 1.5, 15.0), 0)
        return int(np.argmax(counts > 0.5 * (low + counts[-1])))

    prompt = half_way("")
    assert half_way("delayed") == pytest.approx(prompt + 125, abs=8)
    assert half_way("slow") > prompt + 40


def test_a_noisy_cell_is_noisier_by_as_much_as_asked(sound: list[Sample]) -> None:
    host = running()
    host.plant.break_it("cell", "noisy", "front-left", 20.0)
    extra = counts_of(after(host), 0) - counts_of(sound, 0)
    assert np.std(extra) / (2**23 / 6000.0) == pytest.approx(20.0, rel=0.2)


def test_an_intermittent_cell_is_not_fresh_part_of_the_time() -> None:
    host = running()
    host.plant.break_it("cell", "intermittent", "front-left", 0.3)
    flags = [sample.flags[0] for sample in after(host, 1.0)]
    assert 0.2 < np.mean(np.array(flags) == int(ConverterFlag.NOT_FRESH)) < 0.4


def test_garbage_from_a_cell_fills_its_range() -> None:
    host = running()
    host.plant.break_it("cell", "garbage", "front-left")
    assert np.std(counts_of(after(host), 0)) > 1e6


def test_a_measured_current_can_fail_alone() -> None:
    host = running()
    host.plant.break_it("current", "off", "front-left")
    last = after(host)[-1]
    assert last.currents[0] == 0
    assert last.currents[1] == pytest.approx(1000, abs=10)
    assert host.plant.truth()["front-left_current_a"] == pytest.approx(10.0, abs=0.1)


def test_a_slow_channel_that_is_off_shows_no_value() -> None:
    host = running()
    host.plant.break_it("slow", "off", "barometer")
    first = len(host.frames)
    host.run(0.3, [10.0] * 4)
    values = dict(host.of(Slow, first)[-1].values)
    assert math.isnan(values[1])
    assert not math.isnan(values[0])


def test_a_slow_channel_with_the_wrong_scale_reads_wrong() -> None:
    host = running()
    host.plant.break_it("slow", "wrong", "barometer", 0.1)
    first = len(host.frames)
    host.run(0.3, [10.0] * 4)
    assert dict(host.of(Slow, first)[-1].values)[1] == pytest.approx(9.91, abs=0.1)


@pytest.mark.parametrize(
    ("kind", "amount", "share"),
    [("dead", 0.0, 0.0), ("weak", 0.4, 0.4), ("not-following", 0.5, 0.3)],
)
def test_a_failing_absorber_brakes_less(kind: str, amount: float, share: float) -> None:
    healthy = running()
    after(healthy)
    host = running()
    host.plant.break_it("absorber", kind, "rear-right", amount)
    after(host)
    ratio = (
        host.plant.truth()["rear-right_torque_nm"] / healthy.plant.truth()["rear-right_torque_nm"]
    )
    assert ratio == pytest.approx(share, abs=0.06)


def test_an_absorber_stuck_on_brakes_without_a_set_point() -> None:
    host = running(amperes=0.0)
    host.plant.break_it("absorber", "stuck-on", "rear-right", 12.0)
    last = after(host, 0.5, 0.0)[-1]
    assert last.currents[3] == pytest.approx(1200, abs=10)
    assert host.plant.truth()["rear-right_torque_nm"] > 100.0
    host.plant.faults.clear()
    after(host, 1.5, 0.0)
    assert host.plant.truth()["rear-right_torque_nm"] < 10.0


def test_a_reversed_arm_pulls_the_cell_the_other_way(sound: list[Sample]) -> None:
    host = running()
    host.plant.break_it("absorber", "reversed", "rear-right")
    zero = host.plant.setup.absorbers[3].zero_counts
    ratio = (counts_of(after(host), 3).mean() - zero) / (counts_of(sound, 3).mean() - zero)
    assert ratio == pytest.approx(-1.0, abs=0.01)


def test_frames_are_lost_at_the_rate_asked_and_the_sequence_shows_it() -> None:
    host = running()
    host.plant.break_it("line", "dropped", amount=0.2)
    samples = after(host, 2.0)
    assert 0.72 < len(samples) / 1000 < 0.88
    assert samples[-1].sequence - samples[0].sequence > len(samples)


def test_a_garbled_line_damages_frames_and_never_shows_a_wrong_value() -> None:
    host = running()
    host.plant.break_it("line", "garbled", amount=0.2)
    samples = after(host, 2.0)
    assert host.counters.damaged > 80
    twin = running()
    truth = {sample.sequence: sample.counts for sample in after(twin, 2.0)}
    assert len(samples) > 500
    assert all(truth[sample.sequence] == sample.counts for sample in samples)


@pytest.mark.parametrize(("target", "kind"), [("line", "off"), ("board", "silent")])
def test_a_silent_line_lets_the_board_ease_off_by_itself(target: str, kind: str) -> None:
    host = running()
    host.plant.break_it(target, kind, for_s=3.0)
    assert after(host, 2.5) == []
    assert host.plant.front_end.permission in {Permission.EASING, Permission.NONE}
    assert max(host.plant.front_end.set_points_a) < 0.1
    assert after(host, 1.0)  # it is there again


def test_the_boards_clock_can_jump() -> None:
    host = running()
    before = host.last.tick
    host.plant.break_it("board", "clock-jump", amount=5.0)
    assert (after(host, 0.01)[0].tick - before) & 0xFFFFFFFF == 5_000_000 + 2000


def test_open_inputs_show_as_open() -> None:
    host = running()
    host.plant.break_it("input", "open", "tie-downs", for_s=0.2)
    assert after(host, 0.1)[-1].digital & 3 == 1
    assert after(host, 0.3)[-1].digital & 3 == 3


def test_the_switch_of_a_fan_says_whether_it_turns() -> None:
    host = running()
    assert after(host, 0.1)[-1].digital >> 2 == host.plant.front_end.digital_out == 3
    host.plant.break_it("fan", "missing", "fan-rear")
    host.plant.break_it("input", "open", "fan-front-turns", after_s=0.2)
    assert after(host, 0.1)[-1].digital >> 2 == 1
    assert after(host, 0.3)[-1].digital >> 2 == 0


def test_a_missing_fan_does_not_cool() -> None:
    ends = []
    for broken in (False, True):
        host = running()
        rotors = host.plant.world.absorbers
        rotors[:, [at.A_SKIN, at.A_BULK, at.A_HUB]] = 573.15
        if broken:
            host.plant.break_it("fan", "missing", "fan-front")
        after(host, 5.0, 0.0)
        ends.append(rotors[:, at.A_BULK].copy())
    assert ends[1][0] > ends[0][0] + 0.1
    assert ends[1][2] == pytest.approx(ends[0][2], abs=1e-3)


def test_the_same_seed_breaks_the_same_way() -> None:
    def bytes_of(seed: int) -> bytes:
        plant = Plant(tarnhow(1), seed=seed)
        plant.spin(20.0, 20.0)
        plant.break_it("wheel", "missing", "front", 0.3)
        plant.break_it("line", "garbled", amount=0.2)
        return b"".join([plant.advance() for _ in range(300)])

    assert bytes_of(3) == bytes_of(3)
    assert bytes_of(3) != bytes_of(4)


def test_targets_of_the_menu_are_all_there() -> None:
    assert set(MENU) == set(Target)
