"""Recordings of free rolls on the simulated rig: coasts and step tests, as runs leave them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from bench.support.free_rolls import CoastingRolls
from daq.rig.description import Rig
from simulator.plant import Plant
from simulator.rig_and_truck.setup import Setup


def record_coast(
    path: Path,
    rig: Rig,
    rig_text: str,
    setup: Setup,
    seed: int,
    start_mps: float,
    end_mps: float,
    current_a: Callable[[float], float],
) -> Path:
    """Spin the rolls up without a truck, let them run out under a current over time, record it."""
    rolls = CoastingRolls(rig, rig_text, Plant(setup, seed))
    zeros = rolls.counts(500)
    count = len(rig.absorbers)
    return rolls.coast(path, zeros, start_mps, end_mps, lambda s: (current_a(s),) * count)
