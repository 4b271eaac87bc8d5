"""A rehearsal through the front end's image on an emulated chip, for tests and bench.firmware."""

from __future__ import annotations

import functools
import importlib.util
import json
import subprocess
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import msgspec

from bench.firmware.core import FIRMWARE, configuration_of
from daq.front_end.configuration import Configuration, SlowWiring, record
from daq.rig.description import Rig
from simulator.emulated_plant import EmulatedPlant
from simulator.front_end.board import SLOW_CHANNELS
from simulator.front_end.emulated_board import Firmware
from simulator.rig_and_truck.setup import Setup, tarnhow

BAUD = 2_000_000
# Value = scale x volt + offset, so that 0 to 4 V carry what these channels may show.
SLOW_SCALES = (
    (25.0, -20.0), (40.0, 10.0), (30.0, 0.0), (50.0, 0.0),
    (100.0, -20.0), (30.0, 0.0), (200.0, 0.0), (200.0, 0.0),
)  # fmt: skip
EMULATOR = FIRMWARE / "emulator"


def build_module() -> ModuleType:
    """firmware/build.py, which is a program of its own and no part of a package."""
    spec = importlib.util.spec_from_file_location("firmware_build", FIRMWARE / "build.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@functools.cache
def built(out: Path) -> dict[str, int]:
    """Build the image into `out` and have the emulator's one package there; sizes in bytes."""
    sizes: dict[str, int] = build_module().build(out)
    if not (EMULATOR / "node_modules" / "rp2040js").exists():
        command = ["npm", "ci", "--silent", "--prefix", str(EMULATOR)]
        subprocess.run(command, check=True, capture_output=True)
    return sizes


def configuration(setup: Setup) -> Configuration:
    """What the chip is told on the simulated rig."""
    plain = configuration_of(setup, BAUD)
    wheels = tuple(msgspec.structs.replace(each, least_pulse_us=5.0) for each in plain.wheels)
    slow = tuple(
        SlowWiring(name, unit, at, *SLOW_SCALES[at])
        for at, (name, unit) in enumerate(SLOW_CHANNELS)
    )
    return msgspec.structs.replace(
        plain, wheels=wheels, slow=slow, excitation_input=4, excitation_low=3_000_000,
        excitation_high=7_000_000,
    )  # fmt: skip


def emulated_plant(rig: Rig, seed: int, out: Path) -> EmulatedPlant:
    """The usual simulated rig behind the chip, at the rig file's frame rate. Close it after use."""
    setup = tarnhow(seed)
    setup = replace(setup, front_end=replace(setup.front_end, frame_hz=rig.frame_hz))
    told = configuration(setup)
    sizes = json.loads((out / "front-end.json").read_text())
    firmware = Firmware(
        out / "front-end.bin",
        sizes["ram_bytes"],
        record(told),
        told.baud,
        told.outputs[0].output_full_a,
        told.outputs[0].read_full_a,
        SLOW_SCALES,
    )
    return EmulatedPlant(setup, seed, firmware)
