"""Likely causes from proofs: each wrong by its own figures, nothing on a sound rig."""

from __future__ import annotations

from datetime import date

import msgspec
import pytest

from daq.measure.force.alignment import Alignment
from daq.proving.calibration import CalibrationArm, DeadWeight, calibrate, reference_force
from daq.proving.causes import Cause
from daq.proving.diagnosis import diagnose
from daq.proving.quick_checks import DailyCoast, of_daily, of_shunt
from daq.proving.record import (
    INERTIA,
    OFF,
    SIGMA,
    JudgedValue,
    Proof,
    Proving,
    of_dead_weight,
    of_delay,
    of_zeros,
    proof_of,
)
from daq.proving.rolls import of_diameter, roll_radius
from daq.rig.description import Rig, parse_rig
from tests.daq.synthetic import RIG_FILE

RIG = parse_rig(RIG_FILE.read_text(encoding="utf-8"))
TODAY = date(2026, 11, 30)
NAMES = [one.name for one in RIG.absorbers]
ARM = CalibrationArm(
    calibration_arm_m=1.2, cell_arm_m=0.6, latitude_deg=RIG.site.latitude_deg,
    altitude_m=RIG.site.altitude_m,
)  # fmt: skip


def weights(name: str, off: float = 0.0, setup: CalibrationArm = ARM, rig: Rig = RIG) -> Proof:
    """A dead-weight proof of a cell whose slope is off the rig file's by a share."""
    cell = next(one.cell for one in rig.absorbers if one.name == name)
    loads = []
    for rising, masses in ((True, range(0, 121, 20)), (False, range(120, -1, -20))):
        for mass in masses:
            force = reference_force(setup, DeadWeight(float(mass), 0.0))
            count = force / (cell.newton_per_mv_per_v * (1.0 + off)) / 4.0 * 2.0**23
            loads.append(DeadWeight(float(mass), count, rising))
    return of_dead_weight(rig, name, calibrate(loads, setup, cell), setup, TODAY, "test")


def shunt(name: str, off: float = 0.0) -> Proof:
    step = 2.0 * (1.0 + off) * RIG.absorbers[0].cell.newton_per_mv_per_v
    return of_shunt(RIG, name, 2.0, (0.0, step, 0.0), TODAY)


def inertia(off: float, name: str = "front") -> Proof:
    figures = [JudgedValue(OFF, off, "1"), JudgedValue(SIGMA, 0.0006, "1")]
    return proof_of(INERTIA, name, TODAY, figures, {}, (), "test")


def named(*proofs: Proof, rig: Rig = RIG) -> dict[str, Cause]:
    return {str(one.kind): one for one in diagnose(rig, Proving("r", proofs))}


def all_cells(off: float = 0.0) -> list[Proof]:
    return [weights(name, off) for name in NAMES] + [shunt(name) for name in NAMES]


def test_without_proofs_nothing_is_named() -> None:
    assert named() == {}


def test_a_sound_rig_stays_quiet() -> None:
    proofs = [*all_cells(0.0005), inertia(0.001), inertia(-0.0015, "rear")]
    assert named(*proofs) == {}


def test_one_cell_off_with_a_clean_shunt_is_its_arm() -> None:
    proofs = [*all_cells(), weights("rear-left", -0.005)]
    found = named(*proofs)
    assert set(found) == {"arm"}
    assert found["arm"].subject == "rear-left"
    assert "0.5970 m" in str(found["arm"].next_step)
    assert "sensitivity" in str(found["arm"].next_step), "what looks the same is said"


def test_an_arm_that_set_up_and_rig_file_state_differently_is_named() -> None:
    setup = msgspec.structs.replace(ARM, cell_arm_m=0.597)
    proof = weights("rear-left", setup=setup)
    assert not proof.passed, "with another arm in the rig file the slope would give a wrong torque"
    assert set(named(proof)) == {"arm"}


def test_dead_weights_and_shunt_off_alike_are_the_converter() -> None:
    proofs = [*all_cells(), weights("front-right", 0.005), shunt("front-right", -0.005)]
    found = named(*proofs)
    assert set(found) == {"converter-gain"}
    assert found["converter-gain"].subject == "front-right"
    alone = named(*all_cells(), shunt("front-right", -0.005))
    assert set(alone) == {"shunt-resistor"}, "dead weights found the cell as it was"


def test_all_cells_off_alike_is_the_latitude_where_one_can_explain_it() -> None:
    # g at 54.4 degrees is 9.8149; 0.3 % less is 9.7855, that of 18 degrees (GRS 80)
    found = named(*all_cells(0.003))
    assert set(found) == {"latitude"}
    told = str(found["latitude"].next_step)
    assert "54.4 degrees" in told
    assert "18 degrees" in told or "19 degrees" in told
    assert "would look the same" in told
    assert set(named(*all_cells(0.008))) == {"weights"}, "no place on earth has such a g"
    sound = [inertia(0.0005), inertia(-0.0005, "rear")]
    assert set(named(*all_cells(0.003), *sound)) == {"latitude"}, "the cells themselves are right"
    without = named(*[weights(name, 0.003) for name in NAMES])
    assert "not excluded" in str(without["latitude"].evidence)


def test_all_converters_off_alike_are_their_reference() -> None:
    proofs = [weights(name, 0.004) for name in NAMES] + [shunt(name, -0.004) for name in NAMES]
    found = named(*proofs)
    assert "latitude" not in found
    assert found["converter-gain"].subject == ""


def test_after_the_latitude_was_mended_it_is_not_named_again() -> None:
    wrong = msgspec.structs.replace(ARM, latitude_deg=10.0, altitude_m=0.0)
    right = msgspec.structs.replace(ARM, latitude_deg=54.4, altitude_m=190.0)
    first = [weights(name, -0.0034, wrong) for name in NAMES]
    assert "latitude" in named(*first)
    again = [weights(name, 0.0035, right) for name in NAMES]
    assert named(*first, *again) == {}


@pytest.mark.parametrize(("off", "expected"), [(0.02, {"inertia"}), (0.0019, set())])
def test_an_inertia_that_nothing_explains_is_named(off: float, expected: set[str]) -> None:
    assert set(named(*all_cells(), inertia(off))) == expected


def test_what_was_not_looked_at_stands_beside_the_inertia() -> None:
    assert "Neither" in str(named(inertia(0.02))["inertia"].evidence)
    tape = of_diameter(RIG, "front", roll_radius([3.14159] * 4), TODAY, "tape")
    told = str(named(inertia(0.02), *all_cells(), tape)["inertia"].evidence)
    assert "do not explain" in told


def test_an_arm_or_a_diameter_that_explains_the_inertia_keeps_it_from_being_named() -> None:
    # both cells of the set 2 % high: so is the force, and the inertia found with it
    cells = [weights("front-left", -0.02), weights("front-right", -0.02)]
    assert "inertia" not in named(*cells, inertia(0.0204))
    # a radius that is 1 % larger than stated: the inertia goes with its square
    tape = of_diameter(RIG, "front", roll_radius([3.14159 * 1.01] * 4), TODAY, "tape")
    assert "inertia" not in named(tape, inertia(0.0201))


def test_a_zero_that_moves_within_the_day_is_a_drifting_cell() -> None:
    counts = {name: 0.0 for name in NAMES}
    per_count = 4.0 / 2.0**23 * 1500.0
    first = of_zeros(RIG, counts, TODAY, "zeros")
    quiet = of_zeros(RIG, counts | {"rear-left": 2.0 / per_count}, TODAY, "zeros")
    moved = of_zeros(RIG, counts | {"rear-left": 4.0 / per_count}, TODAY, "zeros")
    assert named(*first, *quiet) == {}
    found = named(*first, *moved)
    assert set(found) == {"drifting-cell"}
    assert found["drifting-cell"].subject == "rear-left"
    next_day = of_zeros(RIG, counts | {"rear-left": 4.0 / per_count}, date(2026, 12, 1), "zeros")
    assert named(*first, *next_day) == {}, "from day to day a zero may move"


def test_a_daily_check_that_gets_better_by_repeating_was_of_cold_bearings() -> None:
    def check(force_n: float) -> list[Proof]:
        coast = DailyCoast(force_n, 150.0, 60.0, 25.0, 20.0)
        return of_daily(RIG, {"front": coast}, TODAY, "coast")

    assert set(named(*check(170.0), *check(163.0))) == {"cold-bearings"}
    assert named(*check(170.0), *check(170.0)) == {}, "what stays is no warming up"


def test_a_delay_is_named_beyond_its_uncertainty() -> None:
    def step(delay_s: float, sigma_s: float = 5e-5) -> list[Proof]:
        found = Alignment(delay_s, sigma_s, 1550.0, 0.0)
        return of_delay(RIG, {"front": found}, TODAY, "steps")

    assert set(named(*step(0.010))) == {"delay"}
    assert named(*step(0.001)) == {}
    assert named(*step(0.010, 0.004)) == {}
