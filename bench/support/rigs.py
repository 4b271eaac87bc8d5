"""Rigs drawn within what a rig file states about them, for the benches of accuracy.

Data flow: Rig and seed -> a simulated world whose true values differ from the file by normal draws
of exactly its sigmas: roll radius, base inertia, loss, cell slope, zero (after zeroing) and the
delay between force and speed. Absorber curves and heat differ too; no figure may depend on them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from msgspec import structs

from api.rehearsal.virtual_rig import VirtualRig
from control.core.memory import Memory
from daq.errors import DrumlinError
from daq.rig.description import Rig
from simulator.plant import Plant
from simulator.rig_and_truck import layout as at
from simulator.rig_and_truck.setup import Setup, nominal, tarnhow, tooth_angles

AT_CAPACITY = 0.97  # of the continuous current


def coil_shares(plant: Plant) -> dict[int, list[float]]:
    """By roll set: what each coil carries, in truth, over what it may carry for long."""
    found: dict[int, list[float]] = {}
    coils = plant.world.absorbers[:, at.A_CURRENT]
    for coil, absorber in zip(coils, plant.setup.absorbers, strict=True):
        found.setdefault(absorber.roll, []).append(float(coil) / absorber.max_current_a)
    return found


def full_sets(plant: Plant) -> list[int]:
    """Roll sets whose coils all carry, in truth, what they may."""
    return [roll for roll, each in coil_shares(plant).items() if min(each) >= AT_CAPACITY]


def advance_until(
    virtual: VirtualRig, reached: Callable[[], bool], within_s: float = 120.0
) -> None:
    """Let virtual time pass until something is reached. Raises DrumlinError when it is not."""
    until_s = virtual.plant.now_s + within_s
    while not reached():
        virtual.advance()
        if virtual.plant.now_s > until_s:
            raise DrumlinError("The truck did not get there.", "Look at its driver.")


def drawn_setup(rig: Rig, seed: int, *, size: float = 1.0) -> Setup:
    """True values around the rig file's; `size` scales the calibration errors, 0: none.

    What calibration does not cover (tooth wheels, absorber curves, lags, clock) is drawn as usual.
    """
    draw = np.random.default_rng([seed, 301])
    base = tarnhow(seed)
    perfect = nominal()

    def off() -> float:
        return size * float(draw.standard_normal())

    rolls = tuple(
        replace(
            roll,
            mass_kg=stated.base_inertia_kg + stated.base_inertia_sigma_kg * off(),
            radius_m=stated.roll_radius_m + stated.roll_radius_sigma_m * off(),
            loss_n=(
                stated.loss_n[0] + stated.loss_sigma_n * off(),
                stated.loss_n[1],
                stated.loss_n[2],
            ),
        )
        for roll, stated in zip(base.rolls, rig.roll_sets, strict=True)
    )
    absorbers = tuple(
        replace(absorber, arm_hz=exact.arm_hz, slope_error=stated.cell.relative_sigma * off())
        for absorber, exact, stated in zip(
            base.absorbers, perfect.absorbers, rig.absorbers, strict=True
        )
    )
    teeth = tuple(tooth_angles(roll, draw) for roll in rolls)
    return replace(base, rolls=(rolls[0], rolls[1]), absorbers=absorbers, teeth=teeth)


def misaligned(rig: Rig, seed: int, *, size: float = 1.0) -> Rig:
    """The rig as its file would state it with the delay of force against speed off by a draw."""
    draw = np.random.default_rng([seed, 303])
    late_s = {
        one.name: size * rig.uncertainty.alignment_sigma_s * float(draw.standard_normal())
        for one in rig.roll_sets
    }
    absorbers = tuple(
        structs.replace(
            absorber,
            cell=structs.replace(
                absorber.cell,
                filter_delay_s=max(0.0, absorber.cell.filter_delay_s + late_s[absorber.roll_set]),
            ),
        )
        for absorber in rig.absorbers
    )
    return structs.replace(rig, absorbers=absorbers)


class DrawnRig(VirtualRig):
    """Core and drawn rig joined by wire bytes."""

    def __init__(
        self, rig: Rig, seed: int, *, size: float = 1.0, memory: Memory | None = None
    ) -> None:
        self._draw = np.random.default_rng([seed, 302])
        self._size = size
        plant = Plant(drawn_setup(rig, seed, size=size), seed)
        super().__init__(misaligned(rig, seed, size=size), seed, memory, plant)

    def let_zeros_drift(self) -> None:
        """After zeroing: each cell's zero wanders off by one draw of its stated sigma."""
        rows = self.plant.world.absorbers
        for row, absorber in enumerate(self.rig.absorbers):
            rows[row, at.A_DRIFT] += (
                self._size * absorber.cell.zero_sigma_n * float(self._draw.standard_normal())
            )
