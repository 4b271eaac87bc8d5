"""The supply of an absorber as the rig file names it."""

from __future__ import annotations

from pathlib import Path

import pytest

from daq.errors import RigError
from daq.rig.description import Rig, parse_rig
from daq.rig.supply import Amplifier, Chopper, PhaseControlled, Voltage

RIG = (Path(__file__).parents[3] / "rigs" / "tarnhow.toml").read_text()
FIRST = "[absorbers.cell]"


def with_supply(table: str) -> Rig:
    """The demo rig whose first absorber has this supply."""
    return parse_rig(RIG.replace(FIRST, f"[absorbers.supply]\n{table}\n\n{FIRST}", 1))


def test_a_rig_file_without_a_supply_has_one_that_sets_a_voltage() -> None:
    for absorber in parse_rig(RIG).absorbers:
        assert absorber.supply == Voltage()
        assert absorber.supply.kind == "voltage"
        assert not absorber.supply.regulates
        assert absorber.supply.lag_s(absorber.coil_lag_s) == absorber.coil_lag_s


@pytest.mark.parametrize(
    ("table", "expected", "acts_every_s"),
    [
        ('kind = "phase-controlled"\nmains_hz = 60', PhaseControlled(mains_hz=60), 1 / 120),
        ('kind = "phase-controlled"\nwave = "half"', PhaseControlled(wave="half"), 1 / 50),
        ('kind = "chopper"\nbandwidth_hz = 30.0', Chopper(), 0.0),
        (
            'kind = "amplifier"\nsignal = "4-20mA"\nreversed_voltage = true',
            Amplifier(signal="4-20mA", reversed_voltage=True),
            0.0,
        ),
    ],
)
def test_each_kind_is_read_with_its_own_keys(
    table: str, expected: object, acts_every_s: float
) -> None:
    supply = with_supply(table).absorbers[0].supply
    assert supply == expected
    assert supply.acts_every_s == pytest.approx(acts_every_s)


def test_a_supply_that_regulates_has_its_own_lag_whatever_the_coil_is() -> None:
    assert Chopper(bandwidth_hz=30.0).lag_s(0.15) == pytest.approx(0.005305, abs=1e-6)
    assert Amplifier(response_s=0.04).lag_s(0.15) == 0.04


@pytest.mark.parametrize(
    "table",
    [
        "floor_a = 1.0",
        'kind = "battery"',
        'kind = "chopper"\nmains_hz = 50',
        'kind = "phase-controlled"\nmains_hz = 55',
        'kind = "chopper"\nbandwidth_hz = 0.0',
        'kind = "voltage"\nfloor_a = 30.0',
    ],
)
def test_a_supply_that_cannot_be_is_refused(table: str) -> None:
    with pytest.raises(RigError):
        with_supply(table)
