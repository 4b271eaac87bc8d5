"""What bench.roadload stands on: free rolls pushed by a known force, the road's reference force
from true values, and what the coils could do at best.

Data flow: VirtualRig (core, wire, simulated rig without a truck, a drive from outside that pushes)
-> true speeds and forces each frame -> road load of 40 CFR 1066.210 with the true acceleration ->
force error. Nothing here is known to the core.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
from msgspec import structs

from api.rehearsal.virtual_rig import HOLDER, VirtualRig
from bench.support.rigs import drawn_setup
from control.core.commands import EaseOff, StartTest
from control.core.memory import Memory
from control.telemetry import State
from control.test_kinds.plans import Identification, Plan, RoadVehicle
from control.test_kinds.road_load import RoadLoad, force
from daq.errors import DrumlinError
from daq.quantities import MILE, POUND, POUND_FORCE
from daq.rig.description import Rig
from simulator.plant import Plant
from simulator.rig_and_truck import layout as at

RIG_FILE = Path(__file__).resolve().parents[2] / "rigs" / "tarnhow.toml"
Floats = npt.NDArray[np.float64]
MPH = MILE / 3600.0
# Rows DATA-01 (a pickup of the public US test-car list, 5,500 lb) and RL-08 (20,000 lb combined).
LBF_PER_MPH, LBF_PER_MPH2 = POUND_FORCE / MPH, POUND_FORCE / MPH**2
SMALL = RoadVehicle(
    a_n=50.93 * POUND_FORCE,
    b_n_per_mps=0.1598 * LBF_PER_MPH,
    c_n_per_mps2=0.04263 * LBF_PER_MPH2,
    mass_kg=5500 * POUND,
)
SMALL_SET = RoadVehicle(  # the same truck's set coefficients: its own losses are on the rolls
    a_n=32.72 * POUND_FORCE,
    b_n_per_mps=0.0762 * LBF_PER_MPH,
    c_n_per_mps2=0.04094 * LBF_PER_MPH2,
    mass_kg=5500 * POUND,
)
LARGE = RoadVehicle(
    a_n=SMALL.a_n,
    b_n_per_mps=SMALL.b_n_per_mps,
    c_n_per_mps2=SMALL.c_n_per_mps2,
    mass_kg=7500 * POUND,
    trailer_kg=12_500 * POUND,
    trailer_tyres=4,
    drag_area_change_m2=2.5,
)
LADEN = RoadVehicle(
    a_n=SMALL.a_n,
    b_n_per_mps=SMALL.b_n_per_mps,
    c_n_per_mps2=SMALL.c_n_per_mps2,
    mass_kg=7500 * POUND,
    cargo_kg=1100.0,
)


def plant_of(rig: Rig, seed: int, size: float = 0.0, truck: bool = False) -> Plant:
    """The simulated rig; calibration errors are `size` times draws of the rig file's sigmas.

    Absorber curves, lags and tooth wheels are drawn as usual: nothing states those exactly.
    """
    return Plant(replace(drawn_setup(rig, seed, size=size), on_rolls=truck), seed)


class FreeRolls(VirtualRig):
    """Core and a rig without a truck, joined by wire bytes; `push` stands for the truck."""

    def __init__(self, rig: Rig, seed: int, plant: Plant, memory: Memory | None = None) -> None:
        super().__init__(rig, seed, memory, plant)
        rolls = plant.world.roll_parameters
        self.base_kg = float(rolls[:, at.Q_MASS].sum())
        self._masses = rolls[:, at.Q_MASS].copy()

    def push(self, force_n: float) -> None:
        self.plant.world.inputs[at.I_PUSH] = force_n

    @property
    def speed(self) -> float:
        """True speed, mean over what turns, m/s."""
        speeds = self.plant.world.rolls[:, at.R_SPEED]
        return float(self._masses @ speeds) / self.base_kg

    @property
    def braking_n(self) -> float:
        """True force of absorbers and losses, N."""
        rolls = self.plant.world.rolls
        return float(rolls[:, at.R_ABSORBER].sum() + rolls[:, at.R_LOSS].sum())

    @property
    def losses_n(self) -> float:
        """True parasitic loss, N."""
        return float(self.plant.world.rolls[:, at.R_LOSS].sum())

    @property
    def absorbed_n(self) -> float:
        return float(self.plant.world.rolls[:, at.R_ABSORBER].sum())

    @property
    def drag_n(self) -> float:
        """What the absorbers take without current, N: less they cannot do."""
        world = self.plant.world
        newton = 0.0
        for k in range(len(world.absorbers)):
            p = world.absorber_parameters[k]
            roll = int(p[at.P_ROLL])
            lever = p[at.P_RATIO] / world.roll_parameters[roll, at.Q_RADIUS]
            speed = world.rolls[roll, at.R_SPEED] * lever
            newton += float(p[at.P_RESIDUAL] * speed / (abs(speed) + 1.0) * lever)
        return newton

    def learn_teeth(self, speed_mps: float = 15.0, seconds: float = 15.0) -> None:
        """Turn the rolls by the drive from outside until the tooth wheels are known."""
        self.drive_to(speed_mps)
        until_s = self.plant.now_s + seconds
        while self.plant.now_s < until_s:
            self.push(self.braking_n)
            self.advance()

    def drive_to(self, speed_mps: float, most_n: float = 9000.0) -> None:
        until_s = self.plant.now_s + 120.0
        while self.speed < speed_mps:
            self.push(most_n)
            self.advance()
            if self.plant.now_s > until_s:
                raise DrumlinError("The rolls did not come to speed.", "Look at the plant.")
        self.push(self.braking_n)

    def slow_to(self, speed_mps: float) -> None:
        """Brake the free rolls from outside, at 3 m/s2."""
        while self.speed > speed_mps + 0.1:
            self.push(-3.0 * self.base_kg)
            self.advance()
        self.push(self.braking_n)

    def start(self, plan: Plan, run_id: str = "bench") -> None:
        self.ask(StartTest(0, HOLDER, run_id, plan))

    def end(self) -> None:
        """Off the load and slow enough to begin anew."""
        if self.core.state is State.LOADED:
            self.ask(EaseOff(0, HOLDER))
        while self.core.state is State.EASING:
            self.push(self.braking_n)
            self.advance()


def prepared(rig: Rig, seed: int, size: float = 0.0) -> Memory:
    """What a rig in use knows of itself: tooth wheels learned, absorbers identified.

    On free rolls, by the project's own tests; the rotors are cold again afterwards.
    """
    rolls = FreeRolls(rig, seed, plant_of(rig, seed, size))
    rolls.make_ready()
    rolls.learn_teeth()
    rolls.start(Identification(from_mps=27.0, to_mps=4.0), "20260101-000000-identification")
    until_s = rolls.plant.now_s + 600.0
    while rolls.core.state is State.LOADED:
        test = rolls.core.test
        driving = test is not None and test.phase == "drive-up"
        rolls.push(12_000.0 if driving else 0.0)
        rolls.advance()
        if rolls.plant.now_s > until_s:
            raise DrumlinError("The identification did not end.", "Look at its phases.")
    rolls.end()
    memory = rolls.core.memory()
    if len(rolls.core.identified) != len(rig.absorbers):
        raise DrumlinError("The identification found nothing.", "Look at its summary.")
    cold = {
        name: structs.replace(one, rotor_k=293.15, heat=None)
        for name, one in memory.absorbers.items()
    }
    return structs.replace(memory, absorbers=cold, trip=None, loaded=False)


def road_n(load: RoadLoad, speed: float, acceleration: float, grade: float) -> float:
    """Reference force of 40 CFR 1066.210(d)(3), N."""
    return force(load, speed, acceleration, grade)


def coil_bound_s(
    rolls: FreeRolls, step_push_n: float, load: RoadLoad, grade: float, within_n: float
) -> float:
    """Seconds until the absorbers could give what the road asks, with the supplies all out.

    From the true state at this moment: the push steps, every supply goes to its own limit (forcing
    current, or none) at once, and the first moment is taken at which the truck's force error is
    within `within_n`. No measurement, no transport, no control: coil, field and supply limits.
    The state is put back as it was.
    """
    world = rolls.plant.world
    kept = world.save()
    before_push = float(world.inputs[at.I_PUSH])
    set_points = world.absorbers[:, at.A_SET_POINT].copy()
    rolls.push(before_push + step_push_n)
    error = _force_error(rolls, load, grade)
    up = error > 0.0  # the truck feels too little: more brake
    seconds = math.inf
    for frame in range(1, 1000):
        for k in range(len(world.absorbers)):
            most = rolls.rig.absorbers[k].forcing_a
            world.absorbers[k, at.A_SET_POINT] = most if up else 0.0
        world.advance(0.0)
        now = _force_error(rolls, load, grade)
        inside = now <= within_n if up else now >= -within_n
        if inside:
            edge = within_n if up else -within_n
            part = (error - edge) / (error - now) if error != now else 1.0
            seconds = (frame - 1 + min(max(part, 0.0), 1.0)) * world.period_s
            break
        error = now
    world.restore(kept)
    world.absorbers[:, at.A_SET_POINT] = set_points
    rolls.push(before_push)
    return seconds


def _force_error(rolls: FreeRolls, load: RoadLoad, grade: float) -> float:
    """Road load at the acceleration the true forces give, less the push, N; above 0: too little
    brake, the truck runs away lighter than the road would let it."""
    push = float(rolls.plant.world.inputs[at.I_PUSH])
    acceleration = (push - rolls.braking_n) / rolls.base_kg
    return road_n(load, rolls.speed, acceleration, grade) - push
