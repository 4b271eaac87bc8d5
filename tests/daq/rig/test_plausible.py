"""A rig file with a value in the wrong unit is refused, and told which unit it likely was."""

from __future__ import annotations

import pytest

from daq.errors import RigError
from daq.rig.description import parse_rig
from tests.daq.synthetic import RIG_FILE

TEXT = RIG_FILE.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("right", "wrong", "key", "unit", "meant"),
    [
        ("roll_radius_m = 0.500", "roll_radius_m = 19.7", "roll_radius_m", "in", "0.50038"),
        ("roll_radius_m = 0.500", "roll_radius_m = 500.0", "roll_radius_m", "mm", "0.5"),
        ("arm_m = 0.60", "arm_m = 23.6", "arm_m", "in", "0.59944"),
        ("capacity_n = 3000.0", "capacity_n = 3.0", "capacity_n", "kN", "3000"),
        ("max_speed_mps = 50.0", "max_speed_mps = 180.0", "max_speed_mps", "km/h", "50"),
        ("altitude_m = 190.0", "altitude_m = 6500.0", "altitude_m", "ft", "1981.2"),
        ("peak_torque_nm = 1000.0", "peak_torque_nm = 200000.0", "peak_torque_nm", "", ""),
    ],
)
def test_a_value_beyond_any_rig_names_the_likely_slip(
    right: str, wrong: str, key: str, unit: str, meant: str
) -> None:
    assert right in TEXT
    with pytest.raises(RigError) as refused:
        parse_rig(TEXT.replace(right, wrong, 1), "rig.toml")
    assert key in refused.value.problem
    assert "beyond any rig" in refused.value.problem
    if unit:
        assert f"meant in {unit}, write {meant}" in refused.value.remedy
    else:
        assert "docs/rig.md" in refused.value.remedy


def test_the_demo_rig_is_plausible() -> None:
    parse_rig(TEXT, "rig.toml")
