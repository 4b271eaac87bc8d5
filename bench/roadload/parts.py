"""The parts of the bench that run in processes of their own: each begins with what is `Known`."""

from __future__ import annotations

from typing import Any

import msgspec
from msgspec import structs

from bench.roadload.rates import accelerations, coastdown
from bench.roadload.road import LARGE, SMALL, FreeRolls, plant_of, prepared
from bench.roadload.steps import StepCase, plain_tuned, repeated
from bench.roadload.traces import RoadTrace, drive_trace
from control.core.memory import Memory
from control.test_kinds.plans import RoadVehicle
from control.test_kinds.simulated_road import road_load_of
from daq.rig.description import Rig
from simulator.plant import Plant

REPEATS = 3  # of each step
TRUCKS = (("large truck", LARGE), ("small truck", SMALL))


class Known(msgspec.Struct, frozen=True):
    """What every part of the bench begins with."""

    rig: Rig
    seed: int
    quick: bool
    memory: Memory

    def rolls(self) -> FreeRolls:
        """Free rolls of the rig without calibration errors, ready."""
        rolls = FreeRolls(self.rig, self.seed, plant_of(self.rig, self.seed), self.memory)
        rolls.make_ready()
        return rolls


def _with_true_loss(rig: Rig, plant: Plant) -> Rig:
    """The rig file as it would be after a loss run without error."""
    roll_sets = tuple(
        structs.replace(told, loss_n=true.loss_n)
        for told, true in zip(rig.roll_sets, plant.setup.rolls, strict=True)
    )
    return structs.replace(rig, roll_sets=roll_sets)


def step_of(known: Known, case: StepCase) -> dict[str, Any]:
    """One of the steps, with the plain form beside it where that is due."""
    told = repeated(case, known.rolls(), 1 if known.quick else REPEATS)
    if case.plain and (not known.quick or case.push_n > 0.0):
        told["plain_settle_ms"] = plain_tuned(case, known.rig, known.seed, known.quick)
    return told


def rates_of(known: Known, mph_per_s: float) -> list[dict[str, Any]]:
    return accelerations(known.rolls(), (mph_per_s,), LARGE)


def coast_of(known: Known, name: str, vehicle: RoadVehicle) -> dict[str, Any]:
    return coastdown(name, vehicle, known.rolls(), known.quick)


def drawn_of(known: Known, number: int) -> list[dict[str, Any]]:
    """Coastdowns on one rig of drawn calibration errors, its loss as stated and as it truly is."""
    rig, seed = known.rig, known.seed + number
    # Learned wheels and maps belong to the rig that they were learned on; a seed's wheels and
    # curves are the same whatever its calibration errors.
    memory = known.memory if number == 0 else prepared(rig, seed, 1.0)
    plant = plant_of(rig, seed, 1.0)
    off_n = sum(
        true.loss_n[0] - told.loss_n[0]
        for true, told in zip(plant.setup.rolls, rig.roll_sets, strict=True)
    )
    rows = []
    for name, vehicle in TRUCKS[: 1 if known.quick else 2]:
        row: dict[str, Any] = {"rig": seed, "case": name}
        for key, stated in (
            ("worst_share", rig),
            ("worst_share_losses_known", _with_true_loss(rig, plant)),
        ):
            rolls = FreeRolls(stated, seed, plant_of(rig, seed, 1.0), memory)
            rolls.make_ready()
            row[key] = coastdown(name, vehicle, rolls, known.quick)["worst_share"]
        row["loss_error_n"] = off_n
        row["felt_loss_error_n"] = off_n * road_load_of(vehicle).effective_mass_kg / rolls.base_kg
        rows.append(row)
    return rows


def trace_of(known: Known, trace: RoadTrace) -> dict[str, Any]:
    return drive_trace(trace, known.rig, known.seed, known.memory)
