"""Keeps a rotor below its limit without a step in load.

Data flow: estimated rim temperature with uncertainty, model and thresholds -> most power this
absorber may take now -> share moves load to cooler absorbers -> what no absorber may take is a
shortfall and asks for easing. Levels are reported, not hidden.

The cap: a rotor may warm towards its limit no faster than it could stop warming,

    C dT/dt <= C (limit - margin - T) / horizon
    =>   P <= cooling(T) + C (limit - margin - T) / horizon,

so the cap meets the sustainable power exactly at the limit, is continuous in temperature, and
load never falls in a step. Margin: two standard uncertainties of the temperature.
"""

from __future__ import annotations

import enum
import math

import msgspec

from control.heat import RIM_KG, specific_heat, sustainable_power
from control.heat_observer import RotorObserver
from daq.rig import RotorHeat

CAP_HORIZON_S = 25.0  # how gently the cap closes; load moves on this time scale
LARGEST_MARGIN_K = 40.0


class HeatLevel(enum.IntEnum):
    COOL = 0
    WARM = 1  # above the warning threshold: say so, share away
    HOT = 2  # the cap bites: ask the driver and the test for less
    LIMIT = 3  # at the limit: ease off
    COOLING = 4  # has been at the limit; load returns only below the re-entry temperature


class HeatCap(msgspec.Struct, frozen=True):
    level: HeatLevel
    power_w: float  # most power this absorber may take now (inf when cool)


class HeatGuard:
    """One absorber's thermal permission, with memory of having been at the limit."""

    def __init__(self, heat: RotorHeat, cooling: bool = False) -> None:
        self._heat = heat
        self._cooling = cooling

    @property
    def cooling(self) -> bool:
        return self._cooling

    def judge(
        self, rotor: RotorObserver, radps: float, fan: bool, ambient_k: float, asked_w: float
    ) -> HeatCap:
        """Level and cap for the present estimate. `asked_w` decides only whether the cap bites."""
        rim = rotor.rim_k
        margin = min(2.0 * rotor.sigma_k, LARGEST_MARGIN_K)
        if rim >= self._heat.limit_k:
            self._cooling = True
        elif rim < self._heat.reentry_k:
            self._cooling = False
        if self._cooling:
            return HeatCap(HeatLevel.LIMIT if rim >= self._heat.limit_k else HeatLevel.COOLING, 0.0)
        p = rotor.vector()
        room = self._heat.limit_k - margin - rim
        keep = float(sustainable_power(p, max(rim, ambient_k), radps, fan, ambient_k))
        store = float(p[RIM_KG] * specific_heat(rim)) * room / CAP_HORIZON_S
        cap = max(0.0, keep + store)
        level = HeatLevel.WARM if rim >= self._heat.warn_k else HeatLevel.COOL
        if rim >= self._heat.warn_k and math.isfinite(asked_w) and asked_w > cap:
            level = HeatLevel.HOT
        return HeatCap(level, cap)
