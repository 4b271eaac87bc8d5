"""Set points that did not arrive: the load must not rise when they arrive again."""

from __future__ import annotations

from control.telemetry import State
from daq.wire.frames import Permission
from tests.control.control_stand import Stand


def test_after_a_lapse_the_easing_begins_at_what_the_coils_carry() -> None:
    stand = Stand().loaded()
    flowing = list(stand.coils)
    stand.supply_follows = [0.1] * 4  # nothing of what is sent gets there ...
    stand.frames(0.09)
    assert max(stand.sent) > 2.0 * max(flowing), "so the loop asks for ever more"
    stand.permission = Permission.EASING
    carried = [coil + 0.5 for coil in stand.coils]
    stand.frame()
    stand.permission = Permission.HELD
    stand.supply_follows = [1.0] * 4  # ... and now it does again
    assert stand.core.state is State.EASING
    for _ in range(1000):
        stand.frame()
        assert all(coil <= most for coil, most in zip(stand.coils, carried, strict=True))
