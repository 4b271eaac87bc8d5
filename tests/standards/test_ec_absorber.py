"""Eddy-current absorber and rotor heat: the closed forms control uses (rows EC-01 to 13)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad

from control.absorber import map
from control.thermal import rotor
from daq.rig.description import load_rig

CELSIUS = 273.15
RIG = Path(__file__).parents[2] / "rigs" / "tarnhow.toml"


@pytest.mark.parametrize(
    ("x", "share"),
    [
        (0.1, 0.198020),
        (0.2, 0.384615),
        (0.25, 0.470588),
        (0.5, 0.8),
        (0.8, 0.975610),
        (1, 1),
        (1.25, 0.975610),
        (2, 0.8),
        (4, 0.470588),
        (5, 0.384615),
        (10, 0.198020),
    ],
)
def test_torque_over_speed(x: float, share: float) -> None:
    # EC-01: model of Smythe 1942, Schieber 1974, Wouterse 1991, from memory; computed
    assert map.speed_factor(120.0 * x, 120.0) == pytest.approx(share, abs=1e-6)
    assert map.speed_factor(120.0 / x, 120.0) == pytest.approx(share, abs=1e-6)


@pytest.mark.parametrize("x", [0.626789, 1.595433])
def test_edges_of_the_strong_band(x: float) -> None:
    # EC-02: computed: where nine tenths of the peak are reached
    assert map.speed_factor(x, 1.0) == pytest.approx(0.9, abs=1e-6)


def test_slope_near_standstill_and_power_far_above() -> None:
    # EC-03: computed: dT/dw = 2 Tmax/wc; T w tends to 2 Tmax wc
    assert map.speed_factor(1e-6, 120.0) / 1e-6 == pytest.approx(2 / 120.0, rel=1e-9)
    assert map.speed_factor(1e9, 120.0) * 1e9 == pytest.approx(2 * 120.0, rel=1e-9)


@pytest.mark.parametrize(
    ("r", "shares"),
    [
        (1.39, (0.733026, 0.948126, 1.271485)),
        (1.9, (0.541370, 0.824295, 1.506741)),
        (2.5, (0.413355, 0.689655, 1.639344)),
    ],
)
def test_hot_rotor(r: float, shares: tuple[float, float, float]) -> None:
    # EC-06: computed: critical speed scales with resistivity, the peak stays
    rig = load_rig(RIG)
    row = map.map_row(rig.absorbers[0])
    row[map.RESIDUAL] = 0.0
    critical = row[map.CRITICAL]
    cold = map.COLD_K
    hot = cold + (r - 1) / row[map.FADE]
    for x, share in zip((0.2, 1.0, 3.0), shares, strict=True):
        ratio = map.torque_at(row, 10.0, x * critical, hot) / map.torque_at(
            row, 10.0, x * critical, cold
        )
        assert ratio == pytest.approx(share, abs=1e-6)


@pytest.mark.parametrize(
    ("celsius", "joule"),
    [(20, 439.8018), (100, 487.62), (200, 529.76), (300, 564.74), (400, 605.88), (500, 666.50)],
)
def test_specific_heat_of_steel(celsius: float, joule: float) -> None:
    # EC-08: EN 1993-1-2 3.4.1.2, seen (secondary)
    assert rotor.specific_heat(CELSIUS + celsius) == pytest.approx(joule, abs=5e-3)


@pytest.mark.parametrize(("celsius", "joule"), [(300, 142920.318), (500, 264745.651)])
def test_enthalpy_rise(celsius: float, joule: float) -> None:
    # EC-09: computed; the integral of the specific heat that the product uses
    rise, _ = quad(rotor.specific_heat, CELSIUS + 20, CELSIUS + celsius)
    assert rise == pytest.approx(joule, abs=1e-3)


@pytest.mark.parametrize(("megajoule", "celsius"), [(2, 105.711), (8, 329.953)])
def test_adiabatic_rotor(megajoule: float, celsius: float) -> None:
    # EC-10: computed; 50 kg from 20 degC, by the product's own integration without losses
    model = rotor.RotorModel(50.0, 50.0, 1.0, 0.0, 0.0, 0.0, 0.0)
    state = np.array([CELSIUS + 20, CELSIUS + 20, CELSIUS + 20])
    for _ in range(200):
        rotor.advance(model.vector(), state, 1.0, megajoule * 1e6 / 200, 0.0, False, CELSIUS + 20)
    assert state[0] - CELSIUS == pytest.approx(celsius, abs=2e-3)
    assert state[1] == CELSIUS + 20


@pytest.mark.parametrize(("celsius", "watt"), [(150, 979.450), (300, 3990.208), (500, 13889.757)])
def test_radiation(celsius: float, watt: float) -> None:
    # EC-12: Stefan-Boltzmann; emissivity 0.7 (Eurocode value, memory), 1 m2, surroundings 20 degC
    model = rotor.RotorModel(50.0, 50.0, 1.0, 0.0, 0.0, 0.0, 0.7)
    hot = CELSIUS + celsius
    rate, _, _ = rotor.flows(model.vector(), hot, hot, hot, 0.0, 0.0, False, CELSIUS + 20)
    assert -rate * 50.0 * rotor.specific_heat(hot) == pytest.approx(watt, abs=1e-3)


def test_cooling_in_air_follows_its_time_constant() -> None:
    # EC-13: 300 to 20 degC, tau 120 s, after 60 s: 189.828585 degC; computed for constant heat
    # capacity, so the film is scaled along with steel's capacity at each step here
    state = np.array([CELSIUS + 300, CELSIUS + 300])
    for _ in range(600):
        film = 50.0 * rotor.specific_heat(float(state[0])) / 120.0
        model = rotor.RotorModel(50.0, 50.0, 1.0, 0.0, film, 0.0, 0.0, body_cooling=0.0)
        rotor.advance(model.vector(), state, 0.1, 0.0, 0.0, False, CELSIUS + 20)
    assert state[0] - CELSIUS == pytest.approx(189.828585, abs=0.02)
    assert state[1] == CELSIUS + 300
