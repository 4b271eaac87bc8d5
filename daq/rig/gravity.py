"""Local acceleration of gravity, so that a kilogram of dead weight becomes the right newtons.

Data flow: site latitude (and altitude) of the rig file -> g -> daq.proving.calibration.
"""

from __future__ import annotations

import math

STANDARD_GRAVITY = 9.80665  # m/s2, conventional; the ag of 40 CFR 1066.210


def local_gravity(latitude_deg: float, altitude_m: float = 0.0) -> float:
    """Acceleration of gravity in m/s2 at a latitude; 40 CFR 1065.630(b).

    `altitude_m` above 0 adds the free-air gradient of -3.086e-6 per second squared (geodesy, from
    memory), which the regulation leaves out: -0.06 % at 2000 m.
    """
    if not -90.0 <= latitude_deg <= 90.0:
        raise ValueError("latitude must lie between -90 and 90 degrees")
    s2 = math.sin(math.radians(latitude_deg)) ** 2
    series = 1 + 5.2790414e-3 * s2 + 2.32718e-5 * s2**2 + 1.262e-7 * s2**3 + 7e-10 * s2**4
    return 9.7803267715 * series - 3.086e-6 * altitude_m


def buoyancy_factor(air_kg_m3: float = 1.2, weight_kg_m3: float = 8000.0) -> float:
    """What is left of a weight's force in air: 1 - rho_air / rho_weight (0.99985 for steel)."""
    if not 0 <= air_kg_m3 < weight_kg_m3:
        raise ValueError("a dead weight must be denser than air")
    return 1.0 - air_kg_m3 / weight_kg_m3


def dead_weight_torque(
    mass_kg: float, arm_m: float, gravity_mps2: float, buoyancy: float = 1.0
) -> float:
    """Torque in N.m of a mass on a level arm; 40 CFR 1065.310."""
    return mass_kg * gravity_mps2 * buoyancy * arm_m
