"""The current supply of one absorber, by kind: what it does with a set point, as the rig file says.

Data flow: `[absorbers.supply]` of rig.toml -> one struct per kind -> control, which takes from it
how fast and how finely a current can be set. docs/rig.md explains every key.

Two families. One sets a voltage: the set point is the current at which the coil would settle, and
the coil follows with its own lag. The other regulates the coil's current: the set point is the
current itself. `forcing_a` of the absorber is the ceiling of both: as a set point for the first, as
the voltage reserve (the current at which the coil would settle under full voltage) for the second.
"""

from __future__ import annotations

import math
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

Positive = Annotated[float, Meta(gt=0)]
NotNegative = Annotated[float, Meta(ge=0)]


class _Supply(
    msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="kind", kw_only=True
):
    """What every kind has."""

    floor_a: NotNegative = 0.0  # a set point below it gives no current
    resolution_a: Annotated[float, Meta(ge=0.01)] = 0.01  # step of the set point that it resolves
    delay_s: Annotated[float, Meta(ge=0, le=0.1)] = 0.0  # from the set point taken to its action

    @property
    def kind(self) -> str:
        """The rig file's word for it."""
        return str(self.__struct_config__.tag)

    @property
    def regulates(self) -> bool:
        """It regulates the coil's current; otherwise it sets a voltage and the coil follows."""
        return False

    @property
    def reverses(self) -> bool:
        """It drives a current down by reversed voltage; otherwise a current only runs down."""
        return False

    @property
    def acts_every_s(self) -> float:
        """Time between two moments at which it can act, s; 0: at any time."""
        return 0.0

    def lag_s(self, coil_lag_s: float) -> float:
        """Time constant from set point to coil current for small changes, s."""
        return coil_lag_s

    @property
    def dead_s(self) -> float:
        """Mean time from a set point to the moment it acts, s."""
        return self.delay_s + 0.5 * self.acts_every_s


class Voltage(_Supply, frozen=True, tag="voltage"):
    """Sets any voltage from zero to the ceiling at once. What a rig file without a supply means."""


class PhaseControlled(_Supply, frozen=True, tag="phase-controlled"):
    """A thyristor bridge: fires once in a half wave; the current falls only by freewheeling."""

    mains_hz: Literal[50, 60] = 50
    wave: Literal["full", "half"] = "full"

    @property
    def acts_every_s(self) -> float:
        return 1.0 / (self.mains_hz * (2 if self.wave == "full" else 1))


class Chopper(_Supply, frozen=True, tag="chopper"):
    """A switched supply with a current loop of its own."""

    bandwidth_hz: Positive = 30.0  # of its current loop, -3 dB, for small changes
    slew_a_per_s: NotNegative = 0.0  # fastest change that it makes; 0: as its voltage allows
    reversed_voltage: bool = False

    @property
    def regulates(self) -> bool:
        return True

    @property
    def reverses(self) -> bool:
        return self.reversed_voltage

    def lag_s(self, coil_lag_s: float) -> float:
        return 1.0 / (2.0 * math.pi * self.bandwidth_hz)


class Amplifier(_Supply, frozen=True, tag="amplifier"):
    """A current amplifier behind an analog command of 0 to 10 V or 4 to 20 mA."""

    signal: Literal["0-10V", "4-20mA"] = "0-10V"
    response_s: Positive = 0.02  # its time constant from command to current
    offset_a: NotNegative = 0.0  # most by which its current is off, at any command
    reversed_voltage: bool = False

    @property
    def regulates(self) -> bool:
        return True

    @property
    def reverses(self) -> bool:
        return self.reversed_voltage

    def lag_s(self, coil_lag_s: float) -> float:
        return self.response_s


Supply = Voltage | PhaseControlled | Chopper | Amplifier
