"""Rig states as a table: which trigger leads where. Anything not in the table is refused.

Data flow: the core fires triggers (a person's command, a finished test, a fault); this module
says what the state becomes, or that the trigger means nothing there. Pure values, no side effects.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from types import MappingProxyType

from control.telemetry import State


class Trigger(enum.StrEnum):
    """What can move the rig from one state to another."""

    MAKE_READY = "make-ready"  # checks passed, somebody at the helm
    PARK = "park"  # by the helm, or because readiness was lost
    START = "start"  # a test begins
    EASE = "ease"  # command, finished plan, lost helm or a fault
    UNLOADED = "unloaded"  # the easing ramp has reached zero
    TRIP = "trip"  # a fault that latches
    RESET = "reset"  # by a person, with the cause gone


TRANSITIONS: Mapping[tuple[State, Trigger], State] = MappingProxyType(
    {
        (State.PARKED, Trigger.MAKE_READY): State.READY,
        (State.READY, Trigger.PARK): State.PARKED,
        (State.READY, Trigger.START): State.LOADED,
        (State.LOADED, Trigger.EASE): State.EASING,
        (State.EASING, Trigger.UNLOADED): State.READY,
        (State.PARKED, Trigger.TRIP): State.TRIPPED,
        (State.READY, Trigger.TRIP): State.TRIPPED,
        (State.LOADED, Trigger.TRIP): State.TRIPPED,
        (State.EASING, Trigger.TRIP): State.TRIPPED,
        (State.TRIPPED, Trigger.RESET): State.PARKED,
    }
)


def after(state: State, trigger: Trigger) -> State | None:
    """The state after `trigger`, or None when the trigger has no meaning in `state`."""
    return TRANSITIONS.get((state, trigger))
