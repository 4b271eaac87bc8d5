"""Supplies of every kind: as a rig file names them, and as the simulator has them.

The two are written apart, as everything true is: the description says what its maker states, the
simulated supply is what it is. `SUPPLIES` pairs them by name for benches and tests over kinds.
"""

from __future__ import annotations

from dataclasses import replace

from msgspec import structs

from daq.rig.description import Rig
from daq.rig.supply import Amplifier, Chopper, PhaseControlled, Supply, Voltage
from simulator.rig_and_truck.setup import Setup, TrueSupply

SUPPLIES: dict[str, tuple[Supply, TrueSupply]] = {
    "voltage": (Voltage(), TrueSupply()),
    "full wave, 50 Hz": (PhaseControlled(mains_hz=50), TrueSupply("phase-controlled", 50.0)),
    "full wave, 60 Hz": (PhaseControlled(mains_hz=60), TrueSupply("phase-controlled", 60.0)),
    "half wave, 50 Hz": (
        PhaseControlled(mains_hz=50, wave="half"),
        TrueSupply("phase-controlled", 50.0, full_wave=False),
    ),
    "half wave, 60 Hz": (
        PhaseControlled(mains_hz=60, wave="half"),
        TrueSupply("phase-controlled", 60.0, full_wave=False),
    ),
    "chopper, 30 Hz": (
        Chopper(bandwidth_hz=30.0),
        TrueSupply("regulates", rate_per_s=205.0),
    ),
    "chopper, 30 Hz, reversing": (
        Chopper(bandwidth_hz=30.0, slew_a_per_s=400.0, reversed_voltage=True),
        TrueSupply("regulates", rate_per_s=175.0, slew_a_per_s=390.0, reverses=True),
    ),
    "amplifier, 0-10 V": (
        Amplifier(
            signal="0-10V", response_s=0.03, offset_a=0.1, resolution_a=0.02, delay_s=0.004,
            floor_a=0.2,
        ),
        TrueSupply(
            "regulates", rate_per_s=31.0, offset_a=0.06, step_a=0.015, delay_s=0.004, floor_a=0.15
        ),
    ),
    "amplifier, 4-20 mA, reversing": (
        Amplifier(
            signal="4-20mA", response_s=0.02, offset_a=0.1, resolution_a=0.02, delay_s=0.002,
            reversed_voltage=True,
        ),
        TrueSupply(
            "regulates", rate_per_s=54.0, offset_a=-0.07, step_a=0.015, delay_s=0.002,
            reverses=True,
        ),
    ),
}  # fmt: skip


def described_with(rig: Rig, name: str) -> Rig:
    """The rig file with every absorber on a supply of that kind."""
    supply = SUPPLIES[name][0]
    absorbers = tuple(structs.replace(one, supply=supply) for one in rig.absorbers)
    return structs.replace(rig, absorbers=absorbers)


def true_with(setup: Setup, name: str) -> Setup:
    """The simulated rig with every absorber on such a supply."""
    supply = SUPPLIES[name][1]
    return replace(setup, absorbers=tuple(replace(one, supply=supply) for one in setup.absorbers))
