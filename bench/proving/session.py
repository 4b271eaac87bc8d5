"""One proving session of a shop: every procedure, on the simulated machine, through the product.

Data flow: CoastingRolls in virtual time -> recordings, counts and readings as people give them ->
api.services.proving, which `drumlin prove` and the HTTP routes call -> the record of proofs.
What the product refuses is noted by its code; the session goes on.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np

from api.folders import MEMORY_NAME
from api.runtime.memory_file import write_memory
from api.services import proving
from api.services.rig_in_force import in_force
from bench.proving.rigs import ShopRig, true_gravity
from bench.support.free_rolls import CoastingRolls
from control.core.memory import AbsorberMemory, Memory
from daq.errors import Refused
from daq.proving.quick_checks import shunt_signal
from daq.proving.record import Proof
from daq.proving.rolls import roll_radius
from daq.rig.description import Rig, load_rig
from daq.wire.frames import ChannelKind
from simulator.rig_and_truck import layout as at

CALIBRATION_ARM_M, ARM_SIGMA_M = 1.2, 2e-4
WEIGHTS_SIGMA = 1e-4
STEPS = (0, 1, 2, 3, 4, 5, 6, 5, 4, 3, 2, 1, 0)
READ_S = 0.24
SHUNT_OHM, BRIDGE_OHM = 43_575.0, 350.0
RATES_MPS2 = (1.0, 1.6, 2.5)  # of the loaded coasts


class ProvingSession:
    """The procedures of a day. `seconds` holds what each took on the machine's clock."""

    def __init__(self, shop: ShopRig, folder: Path, seed: int) -> None:
        self.shop, self.folder = shop, folder
        self.rig_file = folder / "rig.toml"
        self.rig_file.write_text(shop.text, encoding="utf-8")
        self.rig: Rig = load_rig(self.rig_file)
        self.rolls = CoastingRolls(self.rig, shop.text, shop.plant(seed))
        self.draw = np.random.default_rng([seed, 902])
        self.refused: list[str] = []
        self.seconds: dict[str, float] = {}
        self.coasts: list[Path] = []
        self._weights = 1.0 + WEIGHTS_SIGMA * float(self.draw.standard_normal())
        self._arm_m = CALIBRATION_ARM_M + ARM_SIGMA_M * float(self.draw.standard_normal())

    def run(self) -> None:
        """All procedures in the order that docs/proving.md gives."""
        self._do("zero", self._zero)
        self._do("wiring", self._wiring)
        for absorber in self.rig.absorbers:
            self._do("dead-weight", partial(self._dead_weight, absorber.name))
            self._do("shunt", partial(self._shunt, absorber.name))
        for roll_set in self.rig.roll_sets:
            self._do("diameter", partial(self._diameter, roll_set.name))
        self._do("coasts", self._coasts)
        self._do("run-out", self._run_out)
        self._do("delay", self._delay)
        self._do("daily", self._daily)
        self._do("zero", self._zero)

    def _do(self, kind: str, procedure: Callable[[], list[Proof]]) -> None:
        began_s = self.rolls.plant.now_s
        try:
            proving.keep(self.folder, self.rig, procedure())
        except Refused as refusal:
            self.refused.append(f"{kind}: {refusal.code}")
        took_s = self.rolls.plant.now_s - began_s
        self.seconds[kind] = self.seconds.get(kind, 0.0) + took_s

    def _rest(self, seconds: float) -> dict[str, float]:
        """Counts of the cells at rest, without the first tenths after whatever went before."""
        self.rolls.plant.spin(*(0.0 for _ in self.rig.roll_sets))
        self.rolls.counts(self._frames(0.3))
        return self.rolls.counts(self._frames(seconds))

    def _frames(self, seconds: float) -> int:
        return round(seconds * self.rolls.hello.frame_hz)

    def _zero(self) -> list[Proof]:
        counts = self._rest(1.0)
        cells = {name: AbsorberMemory(zero_count=count) for name, count in counts.items()}
        write_memory(self.folder / MEMORY_NAME, Memory(absorbers=cells))
        return proving.prove_zero(self.rig, self.folder)

    def _push(self, name: str, newton: float) -> None:
        """Put a steady force on the true cell that an absorber has."""
        names = [each.name for each in self.shop.setup.absorbers]
        self.rolls.plant.world.absorbers[names.index(name), at.A_DRIFT] += newton

    def _dead_weight(self, name: str) -> list[Proof]:
        shop = self.shop
        absorber = next(one for one in self.rig.absorbers if one.name == name)
        gravity = true_gravity(shop.latitude_deg, shop.altitude_m)
        level = math.cos(math.radians(0.5 * float(self.draw.standard_normal())))
        true_arm = next(one.arm_m for one in shop.setup.absorbers if one.name == name)
        most_kg = 0.7 * absorber.cell.capacity_n * absorber.arm_m / CALIBRATION_ARM_M / 9.81
        step_kg = round(most_kg / 6.0, 1)
        rows, hung_n = ["mass_kg,count,rising,side"], 0.0
        self._rest(0.1)
        for place, number in enumerate(STEPS):
            mass = number * step_kg
            true_kg = mass * self._weights
            moment = true_kg * gravity * (1.0 - 1.2 / 8000.0) * self._arm_m * level
            self._push(name, moment / true_arm - hung_n)
            hung_n = moment / true_arm
            self.rolls.counts(5)
            count = self.rolls.counts(self._frames(READ_S))[name]
            rows.append(f"{mass:.4f},{count:.3f},{int(place <= STEPS.index(6))},1")
        self._push(name, -hung_n)
        setup = f"calibration_arm_m = {CALIBRATION_ARM_M}\ncell_arm_m = {absorber.arm_m}\n"
        loads, how = proving.read_loads("\n".join(rows)), proving.read_setup(setup, self.rig)
        return proving.prove_dead_weight(self.rig, name, loads, how, "weights")

    def _shunt(self, name: str) -> list[Proof]:
        absorber = next(one for one in self.rig.absorbers if one.name == name)
        true = next(one for one in self.shop.setup.absorbers if one.name == name)
        cell = absorber.cell
        signal = shunt_signal(BRIDGE_OHM, SHUNT_OHM)
        step_n = signal / true.full_scale_mv_per_v * 2.0**23 / true.counts_per_n
        scale = absorber.arm_sign * cell.full_scale_mv_per_v / 2.0**23 * cell.newton_per_mv_per_v
        read = []
        for closes in (0.0, step_n, -step_n):
            self._push(name, closes)
            self.rolls.counts(5)
            read.append(self.rolls.counts(self._frames(READ_S))[name] * scale)
        return proving.prove_shunt(self.rig, name, signal, (read[0], read[1], read[2]))

    def _diameter(self, name: str) -> list[Proof]:
        """A steel tape, read to a tenth of a millimetre, at four places."""
        true = next(one for one in self.shop.setup.rolls if one.name == name)
        tape = 9e-5 * float(self.draw.standard_normal())
        around = [
            2.0 * math.pi * true.radius_m + tape + 3e-5 * float(self.draw.standard_normal())
            for _ in range(4)
        ]
        return proving.prove_diameter(self.rig, name, roll_radius(around), "tape")

    # --- recordings

    def _currents_for(self, rate_mps2: float, speed_mps: float = 18.0) -> list[float]:
        """A of every output so that its rolls slow down at about this rate, by the rig file."""
        found = []
        for absorber in self.rig.absorbers:
            roll_set = next(one for one in self.rig.roll_sets if one.name == absorber.roll_set)
            shaft = speed_mps / roll_set.roll_radius_m * absorber.gear_ratio
            turned = shaft / absorber.map.critical_speed_radps
            full_nm = absorber.map.peak_torque_nm * 2.0 / (turned + 1.0 / turned)
            wanted_n = roll_set.base_inertia_kg * rate_mps2
            wanted_n /= len(self.rig.absorbers_of(roll_set.name))
            share = min(wanted_n * roll_set.roll_radius_m / absorber.gear_ratio / full_nm, 0.8)
            found.append(absorber.map.rated_current_a * math.sqrt(share) * 0.75)
        return found

    def _record(
        self, start: float, end: float, current: Callable[[float], list[float]], most_s: float
    ) -> Path:
        zeros = self._rest(1.0)
        path = self.folder / f"{len(list(self.folder.glob('*.drm'))):02d}.drm"
        return self.rolls.coast(path, zeros, start, end, current, most_s)

    def _coasts(self) -> list[Proof]:
        none = [0.0] * len(self.rig.absorbers)
        cases = [(30.0, none, 20.0), (12.0, none, 20.0)]
        cases += [(30.0, self._currents_for(rate), 40.0) for rate in RATES_MPS2]
        cases.append((30.0, none, 20.0))
        for start, currents, most_s in cases:
            self.coasts.append(self._record(start, 6.0, partial(_steady, currents), most_s))
        return proving.prove_coasts(self.rig, self.coasts)

    def _run_out(self) -> list[Proof]:
        return proving.prove_run_out(self.rig, [self.coasts[0], self.coasts[-1]])

    def _delay(self) -> list[Proof]:
        currents = self._currents_for(2.0)
        none = [0.0] * len(currents)
        run = self._record(28.0, 6.0, lambda s: currents if s % 2.0 > 1.0 else none, 14.0)
        return proving.prove_delay(self.rig, run)

    def _daily(self) -> list[Proof]:
        """The check of a later day: what was proven is in force."""
        proving.write_overlay(self.rig, self.shop.text, self.folder)
        better = load_rig(in_force(self.rig_file, self.folder))
        return proving.prove_daily(better, self.coasts[-1])

    def _wiring(self) -> list[Proof]:
        """One absorber after the other is loaded."""
        currents = self._currents_for(2.0)
        outputs = self.rolls.hello.names(ChannelKind.OUTPUT)

        def alone(s: float) -> list[float]:
            turn, into = divmod(s - 1.0, 2.0)
            return [
                currents[place] if s > 1.0 and turn == place and into < 1.2 else 0.0
                for place in range(len(outputs))
            ]

        run = self._record(28.0, 6.0, alone, 1.0 + 2.0 * len(outputs))
        return proving.prove_wiring(self.rig, run)


def _steady(currents_a: list[float], _: float) -> list[float]:
    return currents_a
