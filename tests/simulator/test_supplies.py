"""What each kind of supply does with a coil, against closed forms."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from simulator.rig_and_truck import layout as at
from simulator.rig_and_truck.setup import TrueSupply, nominal
from simulator.rig_and_truck.world import World

LAG_S = 0.15


def world(supply: TrueSupply) -> World:
    """The nominal rig, truck off, with that supply on its first absorber; coils at 20 degC."""
    base = nominal()
    first = replace(base.absorbers[0], supply=supply)
    setup = replace(base, absorbers=(first, *base.absorbers[1:]), on_rolls=False)
    found = World(setup, 1)
    found.absorbers[:, at.A_WARM] = 1.0
    return found


def currents(one: World, asked_a: float, seconds: float) -> list[float]:
    """Current of the first coil after each frame."""
    flowing = []
    for _ in range(round(seconds / one.period_s)):
        one.supply([asked_a, 0.0, 0.0, 0.0])
        one.advance(0)
        flowing.append(float(one.absorbers[0, at.A_CURRENT]))
    return flowing


@pytest.mark.parametrize("full_wave", [True, False])
@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_a_phase_controlled_supply_gives_its_mean_with_the_ripple_of_its_wave(
    mains_hz: float, full_wave: bool
) -> None:
    one = world(TrueSupply("phase-controlled", mains_hz, full_wave))
    currents(one, 12.0, 1.5)
    last = currents(one, 12.0, 0.5)
    assert np.mean(last) == pytest.approx(12.0, rel=0.03)
    ripple = (max(last) - min(last)) / 12.0
    assert 0.005 < ripple < (0.1 if full_wave else 0.25)


def test_a_phase_controlled_supply_acts_no_sooner_than_its_next_wave() -> None:
    one = world(TrueSupply("phase-controlled", 50.0))
    currents(one, 12.0, 1.5)
    moments = []
    for offset in range(5):
        currents(one, 12.0, 0.1 + 0.002 * offset)
        calm = currents(one, 12.0, 0.02)[4::5]
        changed = currents(one, 30.0, 0.02)
        moments.append(next(k for k, now in enumerate(changed) if now > max(calm) + 0.3))
    assert max(moments) - min(moments) >= 2, "the same step acts at other times after it was asked"


@pytest.mark.parametrize(
    "supply", [TrueSupply("phase-controlled", 50.0), TrueSupply("regulates", rate_per_s=188.5)]
)
def test_without_reversed_voltage_a_current_only_runs_down_by_the_coils_lag(
    supply: TrueSupply,
) -> None:
    one = world(supply)
    begin = currents(one, 12.0, 2.0)[-1]
    then = currents(one, 0.0, 0.15 + 0.01)[-1]
    assert then >= begin * math.exp(-0.16 / LAG_S) * 0.99


def test_a_regulating_supply_follows_with_its_own_lag() -> None:
    """Check value of a first-order lag: 63.2 % after one time constant."""
    one = world(TrueSupply("regulates", rate_per_s=50.0))
    currents(one, 10.0, 1.0)
    assert currents(one, 11.0, 0.02)[-1] - 10.0 == pytest.approx(1.0 - math.exp(-1.0), abs=0.02)


def test_reversed_voltage_takes_a_current_down_faster_than_the_coil_would() -> None:
    one = world(TrueSupply("regulates", rate_per_s=188.5, reverses=True))
    begin = currents(one, 20.0, 1.0)[-1]
    assert currents(one, 0.0, 0.03)[-1] < 0.3 * begin < begin * math.exp(-0.03 / LAG_S)


def test_the_voltage_reserve_bounds_how_fast_a_regulating_supply_raises_a_current() -> None:
    one = world(TrueSupply("regulates", rate_per_s=500.0))
    rise = currents(one, 30.0, 0.01)[-1] / 0.01
    assert rise == pytest.approx(60.0 / LAG_S, rel=0.06)


def test_slew_floor_step_and_delay_are_kept() -> None:
    slow = world(TrueSupply("regulates", rate_per_s=500.0, slew_a_per_s=20.0))
    assert currents(slow, 20.0, 0.5)[-1] == pytest.approx(10.0, abs=0.2)
    coarse = world(TrueSupply("regulates", step_a=0.5, floor_a=2.0))
    assert currents(coarse, 5.2, 1.0)[-1] == pytest.approx(5.0, abs=0.01)
    assert currents(coarse, 1.9, 1.5)[-1] < 0.05
    late = world(TrueSupply("regulates", delay_s=0.02))
    seen = currents(late, 10.0, 0.05)
    assert seen[9] == 0.0
    assert seen[11] > 0.0
