"""How well the coil model knows simulated coils: with their voltage, and as described alone.

Truth: the simulator's winding on its core (`coil_step`), beside a rotor. Part of bench.heat.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from control.thermal.coil import CoilObserver
from daq.rig.description import Absorber
from simulator.rig_and_truck import layout as at
from simulator.rig_and_truck.physics import coil_step, copper_ratio
from simulator.rig_and_truck.setup import random_absorbers
from simulator.rig_and_truck.world import World

Floats = npt.NDArray[np.float64]
AMBIENT_K = 295.15
TURN_S = 0.5
CURRENT_NOISE = 0.002  # of a reading, relative
VOLT_NOISE = 0.001
PARTS = 8  # of a duty: current and seconds drawn for each


def coils(seed: int, count: int, described: Absorber) -> dict[str, Any]:
    """Random duties on `count` coils: errors of their temperature beside what was stated."""
    errors: dict[str, list[float]] = {"measured": [], "described": []}
    sigmas: dict[str, list[float]] = {"measured": [], "described": []}
    number = 0
    while number < count:
        world = World(random_absorbers(seed * 1000 + number), seed)
        for index in range(len(world.absorbers)):
            rng = np.random.default_rng([seed, number, index, 7])
            state, parameters = world.absorbers[index], world.absorber_parameters[index]
            seen, blind = (
                CoilObserver(described.heat.coil, described.max_current_a, AMBIENT_K)
                for _ in range(2)
            )
            state[[at.A_COIL, at.A_CORE]] = AMBIENT_K
            for _ in range(PARTS):
                amps = float(rng.uniform(0.0, described.max_current_a))
                state[at.A_BULK] = float(rng.uniform(300.0, 600.0))
                for _ in range(int(rng.integers(100, 900))):
                    _turn(state, parameters, amps, rng, seen, blind)
                    for name, one in (("measured", seen), ("described", blind)):
                        errors[name].append(one.coil_k - float(state[at.A_COIL]))
                        sigmas[name].append(one.sigma_k)
            number += 1
    told: dict[str, Any] = {}
    for name, each in errors.items():
        values, stated = np.array(each), np.array(sigmas[name])
        told[name] = {
            "rms_k": float(np.sqrt(np.mean(values**2))),
            "worst_k": float(np.max(np.abs(values))),
            "inside_95": float(np.mean(np.abs(values) < 1.96 * stated)),
        }
    return told


def _turn(
    state: Floats, parameters: Floats, amps: float, rng: np.random.Generator,
    seen: CoilObserver, blind: CoilObserver,
) -> None:  # fmt: skip
    state[at.A_CURRENT] = amps
    for _ in range(5):
        coil_step(state, parameters, AMBIENT_K, TURN_S / 5.0)
    told = amps * (1.0 + float(rng.normal(0.0, CURRENT_NOISE)))
    ohm = parameters[at.P_COIL_OHM] * copper_ratio(state[at.A_COIL])
    volt = amps * ohm * (1.0 + float(rng.normal(0.0, VOLT_NOISE)))
    for one in (seen, blind):
        one.predict(TURN_S, told**2, AMBIENT_K, float(state[at.A_BULK]))
    seen.hear(float(volt), told, told**2)
