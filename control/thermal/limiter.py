"""Keeps a rotor below its limit without a step in load.

Data flow: estimated rim temperature with uncertainty, model and thresholds -> most power this
absorber may take now -> share moves load to cooler absorbers -> what no absorber may take is a
shortfall and asks for easing. Levels are reported, not hidden.

The cap: a rotor may warm towards its limit no faster than it could stop warming,

    C dT/dt <= C (limit - margin - T) / horizon
    =>   P <= losses(T) + C (limit - margin - T) / horizon,

so the cap meets the losses exactly at the limit less the margin, is continuous in temperature, and
load never falls in a step. Margin: 2.5 standard uncertainties, see `safety_margin`. A rotor that is
neither described well nor measured therefore gets less work, not less safety.
"""

from __future__ import annotations

import enum
import math

import msgspec

from control.thermal.rotor import BODY_KG, RIM_KG, lost_power, specific_heat
from control.thermal.rotor_observer import RotorObserver
from daq.kernel import jit
from daq.rig.description import RotorHeat

CAP_HORIZON_S = 40.0  # how gently the cap closes; load moves on this time scale
MARGIN_SIGMAS = 2.5
LEAST_RISE = 0.5  # of the rise to the limit: below it what errs is not yet a factor
LARGEST_MARGIN = 0.7  # of the way from the surroundings to the limit
DERATING_ACTIVE_AT = 0.95  # of the cap: then it decides what the absorber gives


class ThermalLevel(enum.IntEnum):
    COOL = 0
    WARM = 1  # above the warning threshold: say so, share away
    HOT = 2  # derating active: ask the driver and the test for less
    LIMIT = 3  # at the limit: ease off
    COOLING = 4  # has been at the limit; load returns only below the re-entry temperature


class PowerCap(msgspec.Struct, frozen=True):
    level: ThermalLevel
    power_w: float  # most power this absorber may take now
    rim_k: float  # the temperature that decided: the estimate, or a sensor that says more
    margin_k: float


@jit
def safety_margin(rise_k: float, sigma_k: float, limit_rise_k: float) -> float:
    """Kelvin to keep below the limit for an estimated rise with its standard uncertainty.

    What errs in a model are factors, so the true rise is taken as log-normal about the estimate:
    kept below the limit with MARGIN_SIGMAS standard deviations of its logarithm.
    """
    if limit_rise_k <= 0.0:
        return 0.0
    relative = MARGIN_SIGMAS * sigma_k / max(rise_k, LEAST_RISE * limit_rise_k)
    return limit_rise_k * min(1.0 - math.exp(-relative), LARGEST_MARGIN)


class ThermalLimiter:
    """One absorber's thermal permission, with memory of having been at the limit."""

    def __init__(self, heat: RotorHeat, cooling: bool = False) -> None:
        self._heat = heat
        self._cooling = cooling

    @property
    def cooling(self) -> bool:
        return self._cooling

    def judge(
        self,
        rotor: RotorObserver,
        radps: float,
        fan: bool,
        ambient_k: float,
        power_w: float,
        sensor_k: float = math.nan,
    ) -> PowerCap:
        """Level and cap for the present estimate. `power_w` only tells whether derating is active.

        `sensor_k`: the raw reading, used here whenever it is hotter than the estimate, even when
        the observer rejects it: a wrong warning costs less than an overheated rotor.
        """
        heat = self._heat
        rim, body, hub = rotor.temperatures_k
        hottest = sensor_k if sensor_k > rim else rim
        margin = safety_margin(rim - ambient_k, rotor.sigma_k, heat.limit_k - ambient_k)
        if hottest >= heat.limit_k:
            self._cooling = True
        elif hottest < heat.reentry_k:
            self._cooling = False
        if self._cooling:
            level = ThermalLevel.LIMIT if hottest >= heat.limit_k else ThermalLevel.COOLING
            return PowerCap(level, 0.0, hottest, margin)
        p = rotor.vector()
        lost = float(lost_power(p, rim, body, hub, radps, fan, ambient_k))
        store = float((p[RIM_KG] + p[BODY_KG]) * specific_heat(hottest))
        cap = max(0.0, lost + store * (heat.limit_k - margin - hottest) / CAP_HORIZON_S)
        level = ThermalLevel.WARM if hottest >= heat.warn_k else ThermalLevel.COOL
        if math.isfinite(power_w) and power_w > 0.0 and power_w >= DERATING_ACTIVE_AT * cap:
            level = ThermalLevel.HOT
        return PowerCap(level, cap, hottest, margin)
