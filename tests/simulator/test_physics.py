"""The simulator's own formulas against published closed forms."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest

from simulator.rig_and_truck import layout as at
from simulator.rig_and_truck.physics import (
    brake_curve,
    coil_step,
    copper_ratio,
    crossing_time,
    heat_step,
    radiated,
    solve_driveline,
    squared_flux,
    steel_specific_heat,
    tyre_force,
)


# Smythe 1942, Schieber 1974, Wouterse 1991 (forms from memory), figures computed.
@pytest.mark.parametrize(
    ("ratio", "share"),
    [
        (0.1, 0.198020), (0.2, 0.384615), (0.25, 0.470588), (0.5, 0.8), (0.8, 0.975610), (1.0, 1.0),
        (1.25, 0.975610), (2.0, 0.8), (4.0, 0.470588), (5.0, 0.384615), (10.0, 0.198020),
    ],
)  # fmt: skip
def test_brake_torque_over_speed_follows_the_published_curve(ratio: float, share: float) -> None:
    assert brake_curve(ratio * 120.0, 120.0) == pytest.approx(share, abs=1e-6)


def test_nine_tenths_of_peak_torque_span_the_published_band() -> None:
    # Computed from the same form.
    assert brake_curve(0.626789 * 120.0, 120.0) == pytest.approx(0.9, abs=1e-6)
    assert brake_curve(1.595433 * 120.0, 120.0) == pytest.approx(0.9, abs=1e-6)


def test_brake_torque_rises_by_twice_peak_over_critical_speed_from_rest() -> None:
    assert brake_curve(1e-4, 120.0) / 1e-4 == pytest.approx(2.0 / 120.0, rel=1e-9)


@pytest.mark.parametrize(
    ("resistivity_ratio", "shares"),
    [
        (1.39, (0.733026, 0.948126, 1.271485)),
        (1.9, (0.541370, 0.824295, 1.506741)),
        (2.5, (0.413355, 0.689655, 1.639344)),
    ],
)
def test_a_hot_rotor_moves_the_critical_speed(
    resistivity_ratio: float, shares: tuple[float, float, float]
) -> None:
    # Computed: critical speed scales with resistivity, peak torque unchanged.
    for speed, share in zip((0.2, 1.0, 3.0), shares, strict=True):
        hot = brake_curve(speed * 120.0, resistivity_ratio * 120.0)
        assert hot / brake_curve(speed * 120.0, 120.0) == pytest.approx(share, abs=1e-6)


def test_torque_rises_with_the_square_of_a_small_current() -> None:
    # The unsaturated limit of the same published model.
    assert squared_flux(0.2, 24.0) / squared_flux(0.1, 24.0) == pytest.approx(4.0, rel=1e-6)


def test_saturation_bends_the_square_over() -> None:
    doubled = squared_flux(30.0, 24.0) / squared_flux(15.0, 24.0)
    assert 1.5 < doubled < 3.0


# EN 1993-1-2, 3.4.1.2 (seen in a secondary copy).
@pytest.mark.parametrize(
    ("celsius", "heat"),
    [(20, 439.8018), (100, 487.62), (200, 529.76), (300, 564.74), (400, 605.88), (500, 666.50)],
)
def test_specific_heat_of_steel_follows_the_eurocode(celsius: float, heat: float) -> None:
    assert steel_specific_heat(celsius + 273.15) == pytest.approx(heat, abs=5e-3)


# Stefan-Boltzmann, emissivity 0.7 (Eurocode value, from memory), 1 m2, surroundings 20 degC.
@pytest.mark.parametrize(("celsius", "watt"), [(150, 979.450), (300, 3990.208), (500, 13889.757)])
def test_radiation_follows_stefan_and_boltzmann(celsius: float, watt: float) -> None:
    assert radiated(celsius + 273.15, 293.15, 1.0, 0.7) == pytest.approx(watt, abs=1e-3)


def _insulated(kilograms: float) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    state, parameters = np.zeros(at.A_COUNT), np.zeros(at.P_COUNT)
    state[[at.A_SKIN, at.A_BULK, at.A_HUB]] = 293.15
    parameters[at.P_SKIN_KG] = 0.15 * kilograms
    parameters[at.P_BULK_KG] = 0.65 * kilograms
    parameters[at.P_HUB_KG] = 0.20 * kilograms
    parameters[at.P_SKIN_BULK] = 2000.0
    parameters[at.P_BULK_HUB] = 800.0
    parameters[at.P_WIND_POWER] = 0.8
    return state, parameters


@pytest.mark.parametrize(("joule", "celsius"), [(2e6, 105.711), (8e6, 329.953)])
def test_an_insulated_rotor_ends_at_the_published_temperature(joule: float, celsius: float) -> None:
    # 50 kg of steel from 20 degC, computed from EN 1993-1-2; a fifth of a kelvin is allowed for
    # the step of the integration.
    state, parameters = _insulated(50.0)
    dt, heating_s = 0.01, 20.0
    for _ in range(round(heating_s / dt)):
        heat_step(state, parameters, joule / heating_s, 0.0, 293.15, dt)
    gradient = state[at.A_SKIN] - state[at.A_HUB]
    for _ in range(round(120.0 / dt)):
        heat_step(state, parameters, 0.0, 0.0, 293.15, dt)
    assert gradient > 10.0  # heat has to travel: richer than one lump
    for node in (at.A_SKIN, at.A_BULK, at.A_HUB):
        assert state[node] - 273.15 == pytest.approx(celsius, abs=0.2)


def test_a_coil_settles_where_its_heat_leaves_as_fast_as_it_arises() -> None:
    state, parameters = _insulated(50.0)
    state[[at.A_COIL, at.A_CORE]] = 293.15
    parameters[[at.P_COIL_OHM, at.P_COIL_STORE, at.P_CORE_STORE]] = 1.2, 5800.0, 7400.0
    parameters[[at.P_COIL_CORE, at.P_CORE_AIR]] = 70.0, 17.0
    state[at.A_CURRENT] = 25.0
    for _ in range(50_000):
        coil_step(state, parameters, 293.15, 0.5)
    # through core and air in series: rise = i2 R20 (1 + a rise) / G
    g = 1.0 / (1.0 / 70.0 + 1.0 / 17.0)
    heat = 25.0**2 * 1.2
    assert state[at.A_COIL] - 293.15 == pytest.approx(heat / (g - heat * 0.00393), rel=1e-6)
    # EC-14: copper 100 K warmer has 1.393 times the resistance (coefficient from memory)
    assert copper_ratio(393.15) == pytest.approx(1.393, abs=1e-9)
    assert state[at.A_WARM] == copper_ratio(state[at.A_COIL])


def test_the_fan_and_the_speed_cool_a_rotor() -> None:
    ends = []
    for fan, speed in ((0.0, 0.0), (1.0, 0.0), (0.0, 130.0), (1.0, 130.0)):
        state, parameters = _insulated(75.0)
        state[[at.A_SKIN, at.A_BULK, at.A_HUB]] = 573.15
        state[at.A_SPEED] = speed
        parameters[[at.P_STILL, at.P_STILL_FAN]] = 3.5, 4.5
        parameters[[at.P_WIND, at.P_WIND_FAN]] = 0.78, 1.2
        for _ in range(6000):
            heat_step(state, parameters, 0.0, fan, 293.15, 0.01)
        ends.append(state[at.A_BULK])
    assert ends == sorted(ends, reverse=True)
    assert ends[0] - ends[-1] > 15.0


def test_a_tyre_grips_in_proportion_to_small_slip_and_no_more_than_its_friction() -> None:
    small = tyre_force(0.002, 18_000.0, 0.95, 1.5, 12.0, 0.0)
    assert tyre_force(0.004, 18_000.0, 0.95, 1.5, 12.0, 0.0) == pytest.approx(2 * small, rel=0.01)
    slips = np.linspace(0.0, 1.0, 200)
    forces = [tyre_force(slip, 18_000.0, 0.95, 1.5, 12.0, 0.0) for slip in slips]
    assert max(forces) == pytest.approx(0.95 * 18_000.0, rel=0.01)
    assert forces[-1] < max(forces)  # spinning grips less than slipping
    assert tyre_force(0.02, 0.0, 0.95, 1.5, 12.0, 0.0) == 0.0


def test_an_edge_is_crossed_when_the_equation_of_motion_says() -> None:
    for speed, acceleration in ((40.0, 0.0), (40.0, 6.0), (0.0, 3.0), (40.0, -6.0)):
        at_s = crossing_time(0.01, speed, acceleration)
        covered = speed * at_s + 0.5 * acceleration * at_s**2
        assert covered == pytest.approx(0.01, rel=1e-12)


def _driveline(
    lock: float, gear: float, case: float, torque: float
) -> tuple[list[float], list[float]]:
    speeds = np.array([200.0, 150.0, 40.0, 42.0])
    clutches = np.zeros(4)
    torques = np.array([torque, 0.0, -500.0, -500.0])
    inertias = np.array([0.5, 0.2, 1.1, 1.1])
    for _ in range(4000):
        solve_driveline(
            speeds, torques, inertias, 5e-4, 3.73, 0.42, lock, gear, case, clutches,
        )  # fmt: skip
    return speeds.tolist(), clutches.tolist()


def test_closed_clutches_hold_engine_and_axles_at_the_ratio() -> None:
    speeds, _ = _driveline(1e4, 1e4, 1e4, 300.0)
    assert speeds[0] == pytest.approx(speeds[1], rel=1e-5)
    assert speeds[2] == pytest.approx(speeds[3], rel=1e-5)
    assert speeds[1] == pytest.approx(3.73 * speeds[2], rel=1e-5)


def test_an_open_transfer_case_lets_the_axles_turn_apart() -> None:
    speeds, clutches = _driveline(1e4, 1e4, 0.0, 300.0)
    assert clutches[2] == 0.0
    assert abs(speeds[2] - speeds[3]) > 1.0
    mean = 0.42 * speeds[2] + 0.58 * speeds[3]
    assert speeds[1] == pytest.approx(3.73 * mean, rel=1e-5)


def test_a_clutch_slips_at_its_capacity() -> None:
    speeds, clutches = _driveline(100.0, 1e4, 1e4, 800.0)
    assert clutches[0] == pytest.approx(100.0)
    assert speeds[0] > speeds[1] + 100.0


def test_an_open_gear_carries_nothing() -> None:
    _, clutches = _driveline(1e4, 0.0, 1e4, 300.0)
    assert clutches[1] == 0.0
    assert not math.isnan(clutches[0])


def test_a_slipping_lock_up_does_not_tear_the_gear_open() -> None:
    speeds = np.array([230.0, 120.0, 32.2, 32.2])
    clutches = np.zeros(4)
    torques = np.array([800.0, 900.0, -1600.0, -1600.0])
    inertias = np.array([0.5, 0.2, 1.1, 1.1])
    solve_driveline(
        speeds, torques, inertias, 5e-4, 3.73, 0.42, 5.0, 2600.0, 7000.0, clutches,
    )  # fmt: skip
    assert clutches[0] == pytest.approx(5.0)
    assert abs(clutches[1]) < 2600.0
    assert speeds[1] == pytest.approx(3.73 * (0.42 * speeds[2] + 0.58 * speeds[3]), rel=1e-4)
