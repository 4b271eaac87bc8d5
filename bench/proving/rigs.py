"""Random rigs, each with at most one wrong: a constant in its file, or a fault in the machine.

Data flow: seed and wrong -> rig file text (what the shop believes) and Setup with faults (what is
true). Sizes are drawn over what heavy chassis dynamometers have; within what the file states as its
own uncertainties the truth differs by normal draws of exactly those. The wrong comes on top.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import pi
from pathlib import Path

import numpy as np

from simulator.plant import Plant
from simulator.rig_and_truck.setup import (
    Setup,
    TrueAbsorber,
    TrueFrontEnd,
    TrueRollSet,
    tarnhow,
    tooth_angles,
)

RIG_FILE = Path(__file__).parents[2] / "rigs" / "tarnhow.toml"
HEALTHY = "none"
WRONGS = (
    "arm", "teeth", "inertia", "cold-bearings", "swapped-cells", "loose-wheel", "drifting-cell",
    "latitude", "delay", "converter-gain",
)  # fmt: skip
TEETH = (36, 40, 48, 60, 72, 80, 90, 100, 120, 128)
FRAME_HZ = 125  # the least costly that a front end may send
MOST_EDGES_HZ = 1600.0
SHIFT_EVERY_S, SHIFTS = 7.0, 60  # a loose wheel moves in its seat so often, over the session
LEAST_GRAVITY = 0.0018  # a wrong latitude that changes g by less hides in the cells' calibration

_HEADER = re.compile(r"^\[+([a-z_.]+)\]+$")
_KEY = re.compile(r"^([a-z_0-9]+) = ")


@dataclass(frozen=True)
class ShopRig:
    """A rig file, the machine it is about, and what is wrong between them."""

    text: str
    setup: Setup
    wrong: str
    where: str  # absorber, roll set; "" for all
    latitude_deg: float  # true
    altitude_m: float
    drift_n_per_s: float = 0.0
    shift_rad: float = 0.0

    def plant(self, seed: int) -> Plant:
        """The machine with its fault, at the start of a session."""
        plant = Plant(self.setup, seed)
        if self.wrong == "drifting-cell":
            plant.break_it("cell", "drift", self.where, self.drift_n_per_s)
        if self.wrong == "loose-wheel":
            for number in range(SHIFTS):
                after_s = number * SHIFT_EVERY_S
                plant.break_it(
                    "wheel", "shifted", self.where, self.shift_rad, after_s, SHIFT_EVERY_S
                )
        return plant


def true_gravity(latitude_deg: float, altitude_m: float) -> float:
    """m/s2 by the closed formula of the GRS 80 ellipsoid (Moritz; from memory) and the free air."""
    s2 = np.sin(np.radians(latitude_deg)) ** 2
    normal = 9.7803267715 * (1.0 + 0.001931851353 * s2) / np.sqrt(1.0 - 0.0066943800229 * s2)
    return float(normal) - 3.086e-6 * altitude_m


def rewritten(text: str, values: Mapping[str, object]) -> str:
    """A rig file with values exchanged, by paths such as `absorbers.front-left.cell.converter`."""
    left = dict(values)
    part, name, table, lines = "", "", "", []
    for line in text.splitlines():
        if found := _HEADER.match(line):
            path = found.group(1).split(".")
            if line.startswith("[["):
                name = ""
            part, table = path[0], path[1] if len(path) > 1 else ""
        elif found := _KEY.match(line):
            key = found.group(1)
            if key == "name" and part in ("roll_sets", "absorbers") and not table:
                name = line.split('"')[1]
            path_of = ".".join(one for one in (part, name, table, key) if one)
            if path_of in left:
                value = left.pop(path_of)
                shown = f'"{value}"' if isinstance(value, str) else f"{value}"
                lines.append(f"{key} = {shown}")
                continue
        lines.append(line)
    if left:
        raise KeyError(f"not in the rig file: {', '.join(left)}")
    return "\n".join(lines) + "\n"


def shop_rig(seed: int, wrong: str) -> ShopRig:
    """One rig of the given wrong. Everything random follows from the seed."""
    draw = np.random.default_rng([seed, 901])
    values: dict[str, object] = {"frame_hz": FRAME_HZ}
    latitude = float(draw.uniform(-60.0, 70.0))
    altitude = float(draw.uniform(0.0, 1500.0))
    values |= {"site.latitude_deg": round(latitude, 3), "site.altitude_m": round(altitude, 1)}
    base = tarnhow(seed)
    radius = float(draw.uniform(0.30, 0.65))
    fitting = [n for n in TEETH if n * 30.0 / (2.0 * pi * radius) < MOST_EDGES_HZ]
    teeth = int(draw.choice(fitting))
    filter_s = 0.001 * float(draw.integers(6, 21))
    jitter_s, pitch_error = float(draw.uniform(1e-6, 3e-6)), float(draw.uniform(4e-4, 2e-3))
    rolls = []
    for roll in base.rolls:
        mass = float(draw.uniform(700.0, 3500.0))
        loss = (
            float(draw.uniform(40.0, 120.0)), float(draw.uniform(0.5, 2.5)),
            float(draw.uniform(0.01, 0.04)),
        )  # fmt: skip
        sigma = 0.001 * mass
        values |= {
            f"roll_sets.{roll.name}.teeth": teeth,
            f"roll_sets.{roll.name}.roll_radius_m": radius,
            f"roll_sets.{roll.name}.base_inertia_kg": mass,
            f"roll_sets.{roll.name}.base_inertia_sigma_kg": sigma,
            f"roll_sets.{roll.name}.loss_n": list(loss),
        }
        rolls.append(
            replace(
                roll,
                mass_kg=mass + sigma * float(draw.standard_normal()),
                radius_m=radius + 1e-4 * float(draw.standard_normal()),
                loss_n=(loss[0] + 4.0 * float(draw.standard_normal()), loss[1], loss[2]),
                teeth=teeth, jitter_s=jitter_s, pitch_error=pitch_error,
                run_out=float(draw.uniform(2e-4, 1e-3)),
            )
        )  # fmt: skip
    arm, ratio = float(draw.uniform(0.40, 0.90)), float(draw.uniform(2.2, 4.2))
    peak, critical = float(draw.uniform(700.0, 1700.0)), float(draw.uniform(100.0, 150.0))
    per_mv = float(min(one for one in (1000, 1500, 2500, 5000) if 1.6 * one > peak / arm))
    absorbers = []
    for absorber in base.absorbers:
        path = f"absorbers.{absorber.name}"
        values |= {
            f"{path}.arm_m": arm, f"{path}.gear_ratio": ratio,
            f"{path}.map.peak_torque_nm": peak, f"{path}.map.critical_speed_radps": critical,
            f"{path}.cell.newton_per_mv_per_v": per_mv, f"{path}.cell.capacity_n": 2.0 * per_mv,
            f"{path}.cell.zero_sigma_n": 2.7e-4 * per_mv,
            f"{path}.cell.filter_delay_s": 0.5 * filter_s,
            f"{path}.cell.arm_resonance_hz": 38.0,
        }  # fmt: skip
        absorbers.append(
            replace(
                absorber, arm_m=arm, gear_ratio=ratio, filter_s=filter_s,
                peak_nm=absorber.peak_nm / 1000.0 * peak,
                critical_radps=absorber.critical_radps / 120.0 * critical,
                newton_per_mv_per_v=per_mv,
                noise_n=float(draw.uniform(0.5, 2.0)) * 1.7e-4 * per_mv,
                drift_n_per_root_h=2e-4 * per_mv,
            )
        )  # fmt: skip
    where = ""
    sign = 1.0 if draw.random() < 0.5 else -1.0
    one = str(draw.choice([each.name for each in absorbers]))
    a_set = str(draw.choice([each.name for each in rolls]))
    drift = shift = 0.0
    match wrong:
        case "arm":
            where = one
            values[f"absorbers.{one}.arm_m"] = arm * (1.0 + sign * 0.005)
        case "teeth":
            where = a_set
            values[f"roll_sets.{a_set}.teeth"] = teeth + round(sign)
        case "inertia":
            where = a_set
            stated = values[f"roll_sets.{a_set}.base_inertia_kg"]
            assert isinstance(stated, float)
            values[f"roll_sets.{a_set}.base_inertia_kg"] = stated * (1.0 + sign * 0.02)
        case "cold-bearings":
            share, time_s = float(draw.uniform(0.12, 0.3)), float(draw.uniform(250.0, 500.0))
            rolls = [
                replace(each, start_chill=1.0, chill_share=share, chill_s=time_s) for each in rolls
            ]
        case "swapped-cells":
            first, second = (str(each) for each in draw.choice(
                [each.name for each in absorbers], 2, replace=False
            ))  # fmt: skip
            where = f"{first},{second}"
            values[f"absorbers.{first}.cell.converter"] = second
            values[f"absorbers.{second}.cell.converter"] = first
        case "loose-wheel":
            where, shift = a_set, float(draw.uniform(6e-4, 2e-3))
        case "drifting-cell":
            where, drift = one, sign * float(draw.uniform(1.3e-5, 4e-5)) * per_mv
        case "latitude":
            true = true_gravity(latitude, altitude)
            wrong_deg = latitude
            while abs(true_gravity(wrong_deg, altitude) / true - 1.0) < LEAST_GRAVITY:
                wrong_deg = float(draw.uniform(-89.0, 89.0))
            values["site.latitude_deg"] = round(wrong_deg, 3)
        case "delay":
            where = a_set
            off = -0.010 if filter_s > 0.02 - 1e-9 and sign < 0.0 else 0.010
            for each in absorbers:
                if each.name.startswith(a_set):
                    key = f"absorbers.{each.name}.cell.filter_delay_s"
                    values[key] = 0.5 * filter_s + off
        case "converter-gain":
            where = one
            absorbers = [
                replace(each, full_scale_mv_per_v=each.full_scale_mv_per_v * (1.0 + sign * 0.005))
                if each.name == one else each
                for each in absorbers
            ]  # fmt: skip
    board = replace(base.front_end, frame_hz=FRAME_HZ, substep_s=0.001)
    return ShopRig(
        rewritten(RIG_FILE.read_text(encoding="utf-8"), values),
        _setup(base, rolls, absorbers, board, draw),
        wrong, where, latitude, altitude, drift, shift,
    )  # fmt: skip


def _setup(
    base: Setup,
    rolls: list[TrueRollSet],
    absorbers: list[TrueAbsorber],
    board: TrueFrontEnd,
    draw: np.random.Generator,
) -> Setup:
    teeth = tuple(tooth_angles(roll, draw) for roll in rolls)
    return replace(
        base, rolls=(rolls[0], rolls[1]), absorbers=tuple(absorbers), front_end=board, teeth=teeth,
        on_rolls=False,
    )  # fmt: skip
