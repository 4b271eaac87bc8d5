"""Local gravity of 40 CFR 1065.630 (rows GRAV-01 to 03)."""

from __future__ import annotations

import pytest

from daq.rig.gravity import buoyancy_factor, dead_weight_torque, local_gravity


@pytest.mark.parametrize(
    ("latitude", "g"),
    [
        (45, 9.8061992026),  # GRAV-01: worked example of 1065.630(b), seen
        (0, 9.7803267715),  # GRAV-02: computed
        (30, 9.7932487037),
        (40, 9.8016982965),
        (60, 9.8191783851),
        (90, 9.8321863684),
    ],
)
def test_gravity_by_latitude(latitude: float, g: float) -> None:
    assert local_gravity(latitude) == pytest.approx(g, abs=1e-9)
    assert local_gravity(-latitude) == local_gravity(latitude)


def test_dead_weight_torque() -> None:
    # GRAV-03: computed
    torque = dead_weight_torque(100.0, 0.7500, local_gravity(40.0))
    assert torque == pytest.approx(735.127372, abs=1e-6)
    in_air = dead_weight_torque(100.0, 0.75, local_gravity(40.0), buoyancy_factor(1.2, 8000.0))
    assert in_air / torque == pytest.approx(0.99985, abs=1e-12)


def test_altitude_takes_a_little_off() -> None:
    # free-air gradient, from memory
    assert local_gravity(45, 1000) - local_gravity(45) == pytest.approx(-3.086e-3, rel=1e-9)


def test_a_latitude_beyond_the_pole_is_no_latitude() -> None:
    with pytest.raises(ValueError, match="latitude"):
        local_gravity(90.1)
    with pytest.raises(ValueError, match="denser"):
        buoyancy_factor(1.2, 1.0)
