"""Set points that did not arrive: the load must not rise when they arrive again."""

from __future__ import annotations

import pytest

from api.rehearsal.virtual_rig import HOLDER, VirtualRig
from control.core.commands import StartTest
from control.telemetry import State
from control.test_kinds.plans import SteadyHold
from daq.wire.frames import Permission
from simulator.rig_and_truck import layout as at
from tests.control.control_stand import Stand, tarnhow


def test_after_a_lapse_the_easing_begins_at_what_the_coils_carry() -> None:
    stand = Stand().loaded()
    flowing = list(stand.coils)
    stand.supply_follows = [0.1] * 4  # nothing of what is sent gets there ...
    stand.frames(0.05)
    stand.permission = Permission.EASING
    stand.frames(0.09)
    assert stand.core.state is State.LOADED, "a short lapse ends nothing"
    stand.permission = Permission.HELD
    stand.frames(0.05)
    assert max(stand.sent) > 2.0 * max(flowing), "so the loop asks for ever more"
    stand.permission = Permission.EASING
    carried = [coil + 0.5 for coil in stand.coils]
    stand.frames(0.11)
    stand.permission = Permission.HELD
    stand.supply_follows = [1.0] * 4  # ... and now it does again
    assert stand.core.state is State.EASING
    for _ in range(1000):
        stand.frame()
        assert all(coil <= most for coil, most in zip(stand.coils, carried, strict=True))


def rising() -> VirtualRig:
    """The simulated rig while load is taken up and the coils are forced."""
    rig = VirtualRig(tarnhow(), 3)
    rig.make_ready()
    rig.plant.driver.tell(gear=3, pedal=0.6)
    rig.advance_for(20.0)
    rig.ask(StartTest(0, HOLDER, "lapse", SteadyHold(seconds=60.0, speed_mps=8.0)))
    until_s = rig.plant.now_s + 5.0
    while not any(forced(rig)) and rig.plant.now_s < until_s:
        rig.advance()
    assert rig.core.state is State.LOADED
    return rig


def forced(rig: VirtualRig) -> list[bool]:
    """Which supplies are asked for far more than their coils carry."""
    asked = rig.plant.front_end.set_points_a
    return [ask > coil + 10.0 for ask, coil in zip(asked, coils(rig), strict=True)]


def coils(rig: VirtualRig) -> list[float]:
    names = rig.plant.truth_names
    row = rig.plant.world.truth_row
    return [float(row[place]) for place, name in enumerate(names) if name.endswith("_current_a")]


def braking_n(rig: VirtualRig) -> float:
    """What the absorbers take in truth, N."""
    return float(rig.plant.world.rolls[:, at.R_ABSORBER].sum())


def silent_host(rig: VirtualRig, seconds: float) -> list[float]:
    """The host sends nothing for a while and then takes what has gathered; coils meanwhile."""
    most = coils(rig)
    waiting = []
    until_s = rig.plant.now_s + seconds
    while rig.plant.now_s < until_s:
        waiting.append(rig.plant.advance())
        most = [max(pair) for pair in zip(most, coils(rig), strict=True)]
    for data in waiting:
        for frame in rig.deframer.feed(data):
            rig._hand_over(rig.core.step(frame, (), rig.plant.now_s))
    return most


@pytest.mark.parametrize("seconds", [0.03, 0.06, 0.3])
def test_a_forcing_set_point_that_none_follows_soon_adds_nothing_more(seconds: float) -> None:
    rig = rising()
    before = coils(rig)
    most = silent_host(rig, seconds)
    # 16 ms at the rate at which the gate lets a coil rise, and the frame on its way.
    gain_a = 0.018 * rig.rig.limits.current_rise_a_per_s
    assert all(now <= was + gain_a for now, was in zip(most, before, strict=True))
    taken_n = braking_n(rig)
    rig.advance_for(0.1)
    if seconds < 0.1:
        assert rig.core.state is State.LOADED, "the loop was back before anything was amiss"
        rig.advance_for(1.0)
        assert braking_n(rig) > 2.0 * taken_n, "and goes on taking up load"
    else:
        assert rig.core.state in (State.EASING, State.READY)
        codes = {event.data.get("code") for event in rig.events}
        assert codes & {"loop-late", "permission-lapsed"}
