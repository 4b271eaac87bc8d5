"""The rotor heat model against published closed forms and against itself."""

from __future__ import annotations

import math

import numpy as np
import pytest

from control.thermal.rotor import (
    RotorModel,
    advance,
    model_of,
    specific_heat,
    sustainable_power,
    time_to,
)
from daq.rig.description import RotorHeat

CELSIUS = 273.15


def rested(
    model: RotorModel,
    start_k: tuple[float, float, float],
    pause_s: float,
    radps: float,
    fan: bool,
    ambient_k: float,
) -> list[float]:
    """Rim, body and hub temperature after a pause without load."""
    state = np.array(start_k)
    advance(model.vector(), state, pause_s, 0.0, radps, fan, ambient_k)
    return state.tolist()


def plain(mass_kg: float = 50.0, film: float = 0.0, radiating_m2: float = 0.0) -> RotorModel:
    """A rotor without inner gradient: enormous conduction between its two halves."""
    return RotorModel(
        rim_kg=mass_kg / 2, body_kg=mass_kg / 2, rim_share=0.5, conduction_w_per_k=5000.0,
        still_w_per_k=film, windage_w_per_k_per_radps=0.0, radiating_m2=radiating_m2,
        body_cooling=0.5,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("celsius", "expected"),
    [(20, 439.8018), (100, 487.62), (200, 529.76), (300, 564.74), (400, 605.88), (500, 666.50)],
)
def test_specific_heat_of_steel_is_the_published_polynomial(
    celsius: float, expected: float
) -> None:
    # EC-08: EN 1993-1-2 section 3.4.1.2 (seen in a secondary copy). The source rounds to 2 digits.
    assert specific_heat(celsius + CELSIUS) == pytest.approx(expected, abs=6e-3)


@pytest.mark.parametrize(("joule", "celsius"), [(2e6, 105.711), (8e6, 329.953)])
def test_adiabatic_rotor_warms_by_its_enthalpy(joule: float, celsius: float) -> None:
    # EC-10: 50 kg from 20 degC, computed from EN 1993-1-2.
    model = plain()
    state = np.array([20 + CELSIUS] * 3)
    advance(model.vector(), state, 100.0, joule / 100.0, 0.0, False, 20 + CELSIUS)
    assert state[:2].mean() - CELSIUS == pytest.approx(celsius, abs=0.02)


@pytest.mark.parametrize(("celsius", "watt"), [(150, 979.450), (300, 3990.208), (500, 13889.757)])
def test_radiation_alone_holds_a_rotor_at_the_published_power(celsius: float, watt: float) -> None:
    # EC-12: Stefan-Boltzmann, emissivity 0.7, 1 m2, surroundings 20 degC; the sustainable power of
    # a rotor that only radiates is exactly that. Radiation leaves the rim, conduction is ample.
    model = plain(radiating_m2=0.7)
    held = sustainable_power(model.vector(), celsius + CELSIUS, 0.0, False, 20 + CELSIUS)
    assert held == pytest.approx(watt, abs=1e-3)


def test_cooling_follows_the_exponential_of_constant_properties() -> None:
    # EC-13: tau 120 s, 300 to 20 degC, after 60 s 189.828585 degC. The model's heat capacity moves
    # with temperature, so the check uses small spans around 300 degC and the same law.
    c = specific_heat(300 + CELSIUS)
    film = 50.0 * c / 120.0
    model = plain(film=film)
    ambient = 290.0 + CELSIUS
    state = np.array([300 + CELSIUS] * 3)
    advance(model.vector(), state, 60.0, 0.0, 0.0, False, ambient)
    share = (state[:2].mean() - ambient) / 10.0
    published = (189.828585 - 20.0) / 280.0
    assert share == pytest.approx(published, abs=2e-3)


def test_time_to_limit_agrees_with_the_forward_model() -> None:
    model = model_of(RotorHeat(mass_kg=75.0))
    p = model.vector()
    limit = 350 + CELSIUS
    seconds = time_to(p, 320.0, 310.0, 305.0, limit, 60e3, 130.0, False, 293.15, 7200.0)
    state = np.array([320.0, 310.0, 305.0])
    advance(p, state, seconds, 60e3, 130.0, False, 293.15)
    assert 10.0 < seconds < 2000.0
    assert state[0] == pytest.approx(limit, abs=0.5)


def test_work_below_the_sustainable_power_may_go_on_for_ever() -> None:
    p = model_of(RotorHeat(mass_kg=75.0)).vector()
    limit = 350 + CELSIUS
    held = sustainable_power(p, limit, 130.0, False, 293.15)
    assert math.isinf(
        time_to(p, 300.0, 300.0, 300.0, limit, 0.98 * held, 130.0, False, 293.15, 14400.0)
    )
    assert time_to(p, 300.0, 300.0, 300.0, limit, 1.05 * held, 130.0, False, 293.15, 1e6) < 1e6


def test_a_rotor_at_its_limit_has_no_time_left() -> None:
    p = model_of(RotorHeat()).vector()
    assert time_to(p, 700.0, 600.0, 500.0, 650.0, 1e4, 100.0, False, 293.15, 3600.0) == 0.0


def test_a_rotor_cools_while_the_rig_is_off_and_never_below_ambient() -> None:
    model = model_of(RotorHeat())
    after_hour = rested(model, (600.0, 550.0, 450.0), 3600.0, 0.0, False, 293.15)
    after_day = rested(model, (600.0, 550.0, 450.0), 86400.0, 0.0, False, 293.15)
    assert 293.15 < after_hour[0] < 450.0
    assert after_day[0] == pytest.approx(293.15, abs=0.5)


def test_turning_and_fan_cool_faster_than_rest() -> None:
    model = model_of(RotorHeat())
    still = rested(model, (600.0, 550.0, 450.0), 300.0, 0.0, False, 293.15)[0]
    turning = rested(model, (600.0, 550.0, 450.0), 300.0, 130.0, False, 293.15)[0]
    blown = rested(model, (600.0, 550.0, 450.0), 300.0, 130.0, True, 293.15)[0]
    assert blown < turning < still
