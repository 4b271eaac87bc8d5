"""The chain on the simulated rig: what it reads against what is true there.

The simulator owns the truth; only bytes cross over. "Nominal" is the rig exactly as its rig file
says, so that what remains is the chain's own error.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest

from daq.measure.chain import Chain
from daq.measure.measured import Measured
from daq.readings import Quality, Reading
from daq.wire.codec import encode
from daq.wire.deframer import Deframer
from daq.wire.frames import AskIdentity, Hello, Sample, SetPoint, Slow
from simulator.plant import Plant
from simulator.rig_and_truck.setup import nominal, tarnhow
from tests.daq.synthetic import tarnhow as rig_file


@dataclass
class Drive:
    """A run on the simulator with the truth beside it."""

    plant: Plant
    chain: Chain
    made: list[Measured]
    true_time: np.ndarray
    truth: np.ndarray

    def errors(
        self, pick: Callable[[Measured], Reading], name: str, start_s: float, end_s: float
    ) -> tuple[np.ndarray, np.ndarray]:
        """(reading - truth at the reading's own time, truth) between two true times."""
        offset = self.made[100].time_s - self.true_time[100]
        chosen = [m for m in self.made if start_s < m.time_s - offset < end_s]
        values = np.array([pick(m).value for m in chosen])
        times = np.array([pick(m).time_s for m in chosen]) - offset
        column = self.truth[:, self.plant.truth_names.index(name)]
        true = np.interp(times, self.true_time, column)
        return values - true, true


def drive(
    plant: Plant,
    seconds: float,
    pedal: Callable[[float], float],
    amps: Callable[[float, float], float],
) -> Drive:
    deframer = Deframer()
    chain: Chain | None = None
    made: list[Measured] = []
    times, truths = [], []
    plant.driver.tell(pedal=0.0)
    for k in range(int(seconds * 500)):
        t = k * 0.002
        if k % 5 == 0:
            plant.driver.tell(pedal=pedal(t))
        for frame in deframer.feed(plant.advance()):
            if isinstance(frame, Hello) and chain is None:
                chain = Chain(rig_file(), frame)
                plant.receive(encode(AskIdentity(7)))
            elif isinstance(frame, Sample) and chain is not None:
                made.append(chain.update(frame))
                times.append(plant.now_s)
                truths.append(plant.truth_row())
            elif isinstance(frame, Slow) and chain is not None:
                chain.slow(frame)
        speed = made[-1].roll_sets[1].speed.value if made else 0.0
        current = round(amps(t, speed) * 100)
        plant.receive(encode(SetPoint(7, (k + 1) & 0xFFFF, 100, 3, (current,) * 4)))
    assert chain is not None
    return Drive(plant, chain, made, np.array(times), np.array(truths))


def _held_at_20_with_steps() -> Callable[[float, float], float]:
    reach = [0.0]

    def amps(t: float, speed: float) -> float:
        if not speed > 15.0:
            return 0.0
        error = speed - 20.0
        reach[0] = min(max(0.0, reach[0] + 0.004 * error), 30.0)
        step = 3.0 if t > 18.0 and t % 2.0 > 1.0 else 0.0
        return min(max(10.0 * error + reach[0], 0.0) + step, 30.0)

    return amps


@pytest.fixture(scope="module")
def held() -> Drive:
    """Speeding up to 20 m/s, held there from about 14 s, steps of 3 A every second from 18 s."""
    return drive(
        Plant(nominal(), seed=3), 26.0, lambda t: min(t / 10, 0.6), _held_at_20_with_steps()
    )


def test_speed_is_true_at_its_own_time(held: Drive) -> None:
    for place, name in enumerate(("front", "rear")):
        error, _ = held.errors(
            lambda m, p=place: m.roll_sets[p].speed, f"{name}_speed_mps", 16.0, 26.0
        )
        assert abs(error.mean()) < 1e-4
        assert error.std() < 1e-3  # 0.05 permille of 20 m/s


def test_acceleration_stays_true_while_the_load_steps(held: Drive) -> None:
    error, _ = held.errors(
        lambda m: m.roll_sets[0].acceleration, "front_acceleration_mps2", 18.0, 26.0
    )
    assert abs(error.mean()) < 2e-3
    assert error.std() < 0.03


def test_tractive_force_is_true_while_the_load_steps(held: Drive) -> None:
    for place, name in enumerate(("front", "rear")):
        error, true = held.errors(
            lambda m, p=place: m.roll_sets[p].tractive_force, f"{name}_tractive_n", 18.0, 26.0
        )
        assert true.mean() > 2000.0
        assert abs(error.mean()) < 1e-3 * true.mean()
        assert error.std() < 60.0  # single frames, not smoothed


def test_power_of_a_perfect_rig_is_true_within_a_tenth_of_a_per_cent(held: Drive) -> None:
    power = np.array([sum(r.power.value for r in m.roll_sets) for m in held.made if m.time_s > 0])
    front, front_true = held.errors(lambda m: m.roll_sets[0].power, "power_w", 16.0, 26.0)
    rear, _ = held.errors(lambda m: m.roll_sets[1].power, "power_w", 16.0, 26.0)
    total = front + rear + front_true  # (front - true) + (rear - true) + true
    assert abs(total.mean()) < 1e-3 * front_true.mean()
    assert np.isfinite(power[500:]).all()


def test_engine_speed_is_that_of_the_engine(held: Drive) -> None:
    error, true = held.errors(lambda m: m.engine_speed, "engine_radps", 16.0, 26.0)
    assert abs(error.mean()) < 1e-4 * true.mean()
    assert held.made[-1].engine_speed_source == "pickup"


def test_nothing_was_taken_for_a_fault_on_a_healthy_rig(held: Drive) -> None:
    state = held.chain.wheels.state
    assert (state[:2, 8:11] == 0).all()  # extra, missing, relocks
    for m in held.made[2500:]:
        assert all(r.power.quality is Quality.GOOD for r in m.roll_sets)
        assert all(a.force.quality is Quality.GOOD for a in m.absorbers)


def test_pitch_errors_and_run_out_of_the_works_rig_are_learned() -> None:
    run = drive(
        Plant(tarnhow(2), seed=2), 30.0, lambda t: min(t / 10, 0.5), _held_at_20_with_steps()
    )
    early, _ = run.errors(lambda m: m.roll_sets[1].speed, "rear_speed_mps", 8.0, 8.5)
    late, _ = run.errors(lambda m: m.roll_sets[1].speed, "rear_speed_mps", 26.0, 30.0)
    learner = run.chain.wheels.learners[1]
    assert learner.blocks > 20
    assert learner.restarts == 0
    assert late.std() < 2e-3
    assert (late - late.mean()).std() < 1e-3
    assert early.size > 0


@pytest.mark.parametrize(
    ("kind", "amount", "least_good"),
    [("doubled", 0.3, 0.99), ("missing", 0.05, 0.99), ("extra", 20.0, 0.97), ("noisy", 2e-5, 0.99)],
)
def test_a_flawed_tooth_sensor_is_read_through(kind: str, amount: float, least_good: float) -> None:
    plant = Plant(nominal(), seed=4)
    plant.break_it("wheel", kind, "rear", amount, after_s=12.0)
    run = drive(plant, 16.0, lambda t: min(t / 10, 0.6), _held_at_20_with_steps())
    error, _ = run.errors(lambda m: m.roll_sets[1].speed, "rear_speed_mps", 12.5, 16.0)
    close = np.abs(error) < 0.1
    assert close.mean() > least_good
    late = [m for m in run.made if m.time_s - run.made[0].time_s > 12.5]
    good = np.array([m.roll_sets[1].speed.quality is Quality.GOOD for m in late])
    assert good.mean() > least_good


@pytest.mark.parametrize(("kind", "amount"), [("off", 0.0), ("wrong", 0.5), ("garbage", 400.0)])
def test_a_broken_tooth_sensor_is_never_believed(kind: str, amount: float) -> None:
    plant = Plant(nominal(), seed=5)
    plant.break_it("wheel", kind, "rear", amount, after_s=12.0)
    run = drive(plant, 15.0, lambda t: min(t / 10, 0.6), lambda _t, _v: 12.0 if _t > 9 else 0.0)
    error, _ = run.errors(lambda m: m.roll_sets[1].speed, "rear_speed_mps", 12.2, 15.0)
    late = [m for m in run.made if m.time_s - run.made[0].time_s + 0.002 > 12.2]
    good = np.array([m.roll_sets[1].speed.quality is Quality.GOOD for m in late])[-len(error) :]
    wrong = ~(np.abs(error) < 0.5)
    assert wrong.mean() > 0.5  # the fault is real
    assert (good & wrong[-len(good) :]).mean() < 0.02


def test_a_recording_that_begins_under_load_is_read_with_the_teeth_known_before() -> None:
    """Works rig, free rolls. A chain that starts in the middle finds the wheel's phase by itself
    from the table it is given, and learns nothing else: as live, where a speed loop holds on."""
    plant = Plant(tarnhow(3), seed=3)
    plant.put_truck(False)
    plant.world.spin(25.0, 25.0)
    deframer = Deframer()
    hello: Hello | None = None
    before: Chain | None = None
    after: dict[str, Chain] = {}
    errors: dict[str, list[float]] = {"with": [], "without": []}
    plant.receive(encode(AskIdentity(7)))
    for k in range(9000):
        for frame in deframer.feed(plant.advance()):
            if isinstance(frame, Hello) and before is None:
                hello, before = frame, Chain(rig_file(), frame)
            elif isinstance(frame, Sample) and before is not None:
                if k < 6000:
                    before.update(frame)
                elif not after:
                    assert hello is not None
                    after = {name: Chain(rig_file(), hello) for name in errors}
                    after["with"].restore_tooth_tables(before.tooth_tables())
                    for chain in after.values():
                        chain.learn_teeth(False)
                for name, chain in after.items():
                    measured = chain.update(frame)
                    if k > 7500:  # some turns later
                        true = plant.truth()
                        late = 0.025 * true["rear_acceleration_mps2"]
                        speed = measured.roll_sets[1].speed.value
                        errors[name].append(speed - (true["rear_speed_mps"] - late))
    spread = {name: float(np.std(values)) for name, values in errors.items()}
    assert spread["with"] < 0.5 * spread["without"]
    assert spread["with"] < 0.001
