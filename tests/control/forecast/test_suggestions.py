"""A suggestion is given only when the same question, asked again with it, answers yes.

And time permitted goes the way physics goes: never longer for more power, a hotter start or a
warmer room, never shorter for rolls that turn faster at the same power.
"""

from __future__ import annotations

import itertools
import math

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as some

from bench.heat.questions import question, random_heat
from control.forecast.answer import answer
from control.forecast.duty import Expected
from control.forecast.endurance import MAP_HORIZON_S, endurance_map
from control.forecast.rig_heat import RigHeat
from control.test_kinds.plans import SteadyHold
from control.thermal.record import RotorRecord
from control.thermal.rotor import model_of
from control.thermal.rotor_observer import RotorObserver
from daq.quantities import HORSEPOWER, MILE, UnitSystem
from daq.rig.description import Rig
from daq.texts.message import render
from tests.control.control_stand import tarnhow

RIG = tarnhow()
MPH = MILE / 3600.0


def test_a_power_that_was_suggested_passes_when_it_is_asked_for_in_the_units_it_was_told_in() -> (
    None
):
    heat = RigHeat(RIG, {}, 298.15)
    plan = SteadyHold(seconds=1200.0, speed_mps=60 * MPH)
    told = answer(plan, heat, Expected(450e3), UnitSystem.US)
    assert not told.possible
    less = next(one for one in told.suggestions if one.kind == "less-power")
    horsepower = float(render(less.text, UnitSystem.US).split("at most ")[1].split(" hp")[0])
    again = answer(plan, heat, Expected(horsepower * HORSEPOWER), UnitSystem.US)
    assert again.possible, again.text
    assert not answer(plan, heat, Expected(1.1 * less.value)).possible  # and it is not far too low


@settings(max_examples=25, deadline=None)
@given(some.integers(0, 10**6))
def test_every_suggestion_answers_yes_when_it_is_asked_for(seed: int) -> None:
    heat = random_heat(RIG, seed)
    plan, expected = question(seed)
    told = answer(plan, heat, expected, UnitSystem.US if seed % 2 else UnitSystem.METRIC)
    for one in told.suggestions:
        again = answer(plan, heat, expected, change=one.change)
        assert again.possible, (one.text, again.text)


def _times(rig: Rig, heat: RigHeat, speeds: tuple[float, ...], watt: float) -> list[float]:
    told = endurance_map(heat, speeds, (watt,))
    return [
        seconds
        for seconds, most in zip(told.permitted_s[0], told.torque_power_w, strict=True)
        if most > watt
    ]


def test_the_same_power_lasts_longer_where_the_rolls_turn_faster() -> None:
    vague = tuple(  # rotors of a mass that nobody knows, as a rig file says when it says nothing
        msgspec.structs.replace(
            one, heat=msgspec.structs.replace(one.heat, mass_relative_sigma=0.3)
        )
        for one in RIG.absorbers
    )
    rig = msgspec.structs.replace(RIG, absorbers=vague)
    heat = RigHeat(rig, {}, 298.15)
    times = _times(rig, heat, tuple(MPH * each for each in (22, 40, 60, 80, 110)), 125e3)
    assert len(times) == 5
    assert times == sorted(times)
    assert times[-1] > 1.5 * times[0]


@settings(max_examples=10, deadline=None)
@given(some.integers(0, 10**6), some.floats(40e3, 250e3))
def test_time_permitted_grows_with_speed_and_falls_with_power_and_heat(
    seed: int, watt: float
) -> None:
    heat = random_heat(RIG, seed)
    slack = 9.0  # two steps of the map, and a share of a rounding
    speeds = (12.0, 20.0, 30.0, 40.0)
    times = _times(RIG, heat, speeds, watt)
    assert all(later >= 0.99 * sooner - slack for sooner, later in itertools.pairwise(times))
    more = _times(RIG, heat, speeds, 1.15 * watt)
    assert all(
        a >= b - slack for a, b in zip(times[-len(more) :] if more else [], more, strict=True)
    )
    warmer = RigHeat(RIG, {}, heat.ambient_k + 10.0)
    cooler = RigHeat(RIG, {}, heat.ambient_k)
    assert all(
        a >= b - slack
        for a, b in zip(
            _times(RIG, cooler, speeds, watt), _times(RIG, warmer, speeds, watt), strict=True
        )
    )


def test_what_passes_for_long_passes_for_a_part_of_it() -> None:
    heat = RigHeat(RIG, {}, 298.15)
    told = answer(SteadyHold(seconds=1200.0, speed_mps=25.0), heat, Expected(200e3))
    until = told.limited_after_s
    for share in (0.3, 0.6, 0.95):
        plan = SteadyHold(seconds=share * until, speed_mps=25.0)
        assert answer(plan, heat, Expected(200e3)).possible


@pytest.mark.parametrize("mph", [22.0, 60.0, 100.0])
def test_the_forecast_limits_when_the_guard_would(mph: float) -> None:
    """The answer keeps below the limit what the guard keeps at that time, not at the end."""
    from control.thermal.limiter import ThermalLimiter

    rig = msgspec.structs.replace(
        RIG,
        absorbers=tuple(
            msgspec.structs.replace(one, heat=msgspec.structs.replace(one.heat, sensor=""))
            for one in RIG.absorbers
        ),
    )
    power, speed = 125e3, mph * MPH
    heat = RigHeat(rig, {}, 298.15)
    said = answer(SteadyHold(seconds=3600.0, speed_mps=speed), heat, Expected(power))
    described = rig.absorbers[0].heat
    one = RotorObserver(model_of(described), 298.15, None, 1.0, 30.0, described.mass_relative_sigma)
    guard, seconds = ThermalLimiter(described), 0.0
    radps = speed * rig.absorbers[0].gear_ratio / rig.roll_sets[0].roll_radius_m
    while seconds < 3600.0:
        cap = guard.judge(one, radps, True, 298.15, power / 4.0)
        if cap.power_w < power / 4.0:
            break
        one.predict(0.5, power / 4.0, radps, True, 298.15)
        seconds += 0.5
    assert said.limited_after_s == pytest.approx(seconds, rel=0.04)


def test_a_hotter_start_never_lasts_longer() -> None:
    def starting(kelvin: float) -> float:
        kept = {}
        for absorber in RIG.absorbers:
            observer = RotorObserver(model_of(absorber.heat), kelvin)
            kept[absorber.name] = RotorRecord(observer.memory())
        found = answer(
            SteadyHold(seconds=3600.0, speed_mps=25.0), RigHeat(RIG, kept, 298.15), Expected(150e3)
        )
        return MAP_HORIZON_S if math.isnan(found.limited_after_s) else found.limited_after_s

    times = [starting(kelvin) for kelvin in (298.0, 350.0, 400.0, 450.0, 500.0)]
    assert times == sorted(times, reverse=True)
