"""Quantities typed on the command line: any unit of the quantity, a bare number in the reader's."""

from __future__ import annotations

import pytest

from api.cli.amounts import amount, amounts
from api.services.proving import read_loads
from daq.errors import DrumlinError
from daq.quantities import UnitSystem

METRIC, US = UnitSystem.METRIC, UnitSystem.US


# Factors: NIST SP 811 appendix B (memory).
@pytest.mark.parametrize(
    ("text", "quantity", "units", "si"),
    [
        ("50mph", "speed", METRIC, 22.352),
        ("50 mph", "speed", METRIC, 22.352),
        ("50", "speed", US, 22.352),
        ("90", "speed", METRIC, 25.0),
        ("90kmh", "speed", US, 25.0),
        ("200hp", "power", METRIC, 149_139.97),
        ("1.5e2", "power", METRIC, 150_000.0),
        ("900lbf", "force", METRIC, 4003.3994),
        ("four", "mass", METRIC, None),
        ("8000", "mass", US, 3628.73896),
        ("0.004in", "small length", METRIC, 1.016e-4),
    ],
)
def test_a_quantity_is_read_in_its_unit(
    text: str, quantity: str, units: UnitSystem, si: float | None
) -> None:
    if si is None:
        with pytest.raises(DrumlinError, match="is not a mass"):
            amount(text, quantity, units, "--mass")
    else:
        assert amount(text, quantity, units, "--x") == pytest.approx(si, rel=1e-7)


def test_a_list_shares_the_unit_of_its_last_word() -> None:
    found = amounts("0,50,100lb", "mass", METRIC, "--masses")
    assert found == pytest.approx([0.0, 22.6796185, 45.359237])
    assert amounts("1,2", "mass", METRIC, "--masses") == [1.0, 2.0]
    assert amounts("", "mass", METRIC, "--masses") == []


def test_dead_weights_may_be_in_pounds() -> None:
    (load,) = read_loads("mass_lb,count\n100,5000\n")
    assert load.mass_kg == pytest.approx(45.359237)
