"""Plant and wire without our core, and simple-pid on it: the plain rival of bench.hold."""

from __future__ import annotations

from collections.abc import Callable

from simple_pid import PID

from bench.hold.cases import (
    AFTER_S,
    SETTLE_S,
    STEADY_S,
    Figures,
    HoldCase,
    SpeedRecord,
    approach,
    learn_teeth,
    roll_speeds,
)
from control.absorber.map import map_row, torque_at
from daq.measure.chain import Chain
from daq.measure.speed.estimator import DELAY_S
from daq.rig.description import Rig
from daq.wire.codec import encode
from daq.wire.deframer import Deframer, Direction
from daq.wire.frames import AskIdentity, Hello, Sample, SetPoint
from simulator.plant import Plant


class Bare:
    """Plant and wire without our core: a controller gives four set points per frame."""

    def __init__(self, rig: Rig, seed: int) -> None:
        self.rig = rig
        self.plant = Plant(seed=seed)
        self.sequence = 0
        self.hello: Hello | None = None
        self.plant.receive(encode(AskIdentity(1)))
        deframer = Deframer(Direction.FROM_FRONT_END)
        for frame in deframer.feed(self.plant.advance()):
            if isinstance(frame, Hello):
                self.hello = frame

    def frame(self, currents_a: list[float] | None) -> Sample:
        if currents_a is not None:
            self.sequence = (self.sequence + 1) & 0xFFFF
            steps = tuple(int(min(max(a, 0.0), 60.0) * 100.0) for a in currents_a)
            self.plant.receive(encode(SetPoint(1, self.sequence, 100, 0, steps)))
        sample = self.plant.step()  # encoding the sample would change nothing
        if sample is None:
            raise RuntimeError("the simulated front end dropped a frame without being told to")
        return sample


Answer = Callable[[Sample], list[float]]


def bare_run(bare: Bare, case: HoldCase, control: Answer, watch: Answer, chain: Chain) -> Figures:
    plant = bare.plant
    currents: list[float] | None = [0.0] * 4
    learn_teeth(plant, case, lambda: watch(bare.frame(currents)))
    chain.learn_teeth(False)
    approach(plant, case)
    while roll_speeds(plant)[1] < case.speed_mps - 1.0:
        watch(bare.frame(currents))
    trace = SpeedRecord(case.speed_mps)
    frames = round(SETTLE_S * bare.rig.frame_hz)
    steady = round(STEADY_S * bare.rig.frame_hz)
    after = round(AFTER_S * bare.rig.frame_hz)
    for k in range(frames + steady + after):
        if k == frames + steady:
            plant.driver.follow(case.script(), plant.now_s)
        sample = bare.frame(currents)
        currents = control(sample)
        if k >= frames + steady:
            trace.after.append(roll_speeds(plant))
        elif k >= frames:
            trace.before.append(roll_speeds(plant))
    return trace.figures(1.0 / bare.rig.frame_hz)


def pid(case: HoldCase, rig: Rig, seed: int, derivative: bool) -> Figures:
    """simple-pid per roll set, SIMC-tuned at the operating point from the rig file's numbers."""
    bare = Bare(rig, seed)
    if bare.hello is None:
        raise RuntimeError("the simulated front end did not greet")
    chain = Chain(rig, bare.hello)
    frame_s = 1.0 / rig.frame_hz
    loops: list[PID] = []
    clock = [0.0]
    for roll_set in rig.roll_sets:
        absorbers = rig.absorbers_of(roll_set.name)
        row = map_row(absorbers[0])
        lever = absorbers[0].gear_ratio / roll_set.roll_radius_m
        shaft = case.speed_mps * lever
        amps = 15.0
        above = torque_at(row, amps + 0.5, shaft, 293.15)
        slope = above - torque_at(row, amps - 0.5, shaft, 293.15)
        gain = len(absorbers) * slope * lever / roll_set.base_inertia_kg  # (m/s2) per A
        lag = absorbers[0].coil_lag_s
        dead = DELAY_S + 1.5 * frame_s
        if derivative:  # integrating with lag: series form, then parallel
            tuned = 1.0 / (gain * 2.0 * dead)
            reset = 8.0 * dead
            kp, ki, kd = tuned * (1.0 + lag / reset), tuned / reset, tuned * lag
        else:  # half rule: half of the lag counts as dead time
            dead += 0.5 * lag
            kp = 1.0 / (gain * 2.0 * dead)
            ki, kd = kp / (8.0 * dead), 0.0
        loop = PID(
            -kp, -ki, -kd, setpoint=case.speed_mps, sample_time=None, output_limits=(0.0, 60.0),
            differential_on_measurement=True, time_fn=lambda: clock[0],
        )  # fmt: skip
        loops.append(loop)

    def control(sample: Sample) -> list[float]:
        measured = chain.update(sample)
        clock[0] += frame_s
        currents = []
        for r, roll_set in enumerate(measured.roll_sets):
            amps = loops[r](roll_set.speed.value, dt=frame_s) or 0.0
            currents += [amps, amps]
        return currents

    def watch(sample: Sample) -> list[float]:
        chain.update(sample)
        return []

    return bare_run(bare, case, control, watch, chain)
