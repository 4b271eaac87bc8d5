"""Weather beside the rig: water vapour, dry pressure, air density, standard atmosphere.

Data flow: slow channels (temperature, pressure, humidity) -> Weather -> vapour and dry pressure for
power correction (daq.results.correction), air density for road load, buoyancy of weights and
coastdown. SI throughout: kelvin, pascal, relative humidity as a ratio 0..1.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import msgspec

from daq.errors import Refused
from daq.readings import Quality, Reading
from daq.rig.description import SlowChannel
from daq.texts.message import say

ZERO_CELSIUS_K = 273.15
TRIPLE_POINT_K = 273.16
GAS_CONSTANT = 8.314472  # J/(mol K), the value CIPM-2007 is stated with
DRY_AIR_J_PER_KG_K = 287.055  # ideal-gas constant of dry air, J/(kg K)
WATER_J_PER_KG_K = 461.52  # of water vapour
WATER_TO_AIR = 0.621945  # molar mass ratio, ASHRAE Fundamentals 2017 chapter 1


class Weather(msgspec.Struct, frozen=True):
    """Air beside the rig, with standard uncertainties of the three instruments.

    The default uncertainties are those of an ordinary shop weather station; the recommended
    accuracies of 40 CFR 1065.205 Table 1 are of the same order.
    """

    temperature_k: float
    pressure_pa: float  # total, at the rig, not reduced to sea level
    relative_humidity: float  # 0..1
    temperature_sigma_k: float = 0.5
    pressure_sigma_pa: float = 100.0
    humidity_sigma: float = 0.03


def check_weather(weather: Weather) -> Weather:
    """The same weather when it can be real air on Earth; raises Refused (code "weather") if not."""
    if not 223.15 <= weather.temperature_k <= 333.15:
        raise Refused(
            say("air-temperature-cannot-be-right", temperature_k=weather.temperature_k),
            say("check-temperature-sensor-and-its-unit"),
            "weather",
        )
    if not 50_000.0 <= weather.pressure_pa <= 110_000.0:
        raise Refused(
            say("air-pressure-cannot-be-right", pressure_pa=weather.pressure_pa),
            say("give-pressure-at-rig-not-reduced"),
            "weather",
        )
    if not 0.0 <= weather.relative_humidity <= 1.0:
        raise Refused(
            say(
                "relative-humidity-cannot-be-right",
                humidity_percent=100 * weather.relative_humidity,
            ),
            say("check-humidity-sensor-and-its-unit"),
            "weather",
        )
    return weather


def weather_of(
    channels: Sequence[SlowChannel], slow: Mapping[str, Reading], **sigmas: float
) -> Weather:
    """Weather from the slow channels whose `meaning` is ambient-temperature, pressure, humidity.

    `sigmas` replace the default uncertainties of Weather by name. Raises Refused (code "weather")
    naming the channel that is not described, missing or stale: weather is never guessed.
    """
    values = []
    for meaning in ("ambient-temperature", "pressure", "humidity"):
        channel = next((one for one in channels if one.meaning == meaning), None)
        if channel is None:
            raise Refused(
                say("rig-has-no-slow-channel-for", meaning=meaning),
                say("describe-one-with-meaning-or-use", meaning=meaning),
                "weather",
            )
        reading = slow.get(channel.name)
        if reading is None or reading.quality is not Quality.GOOD:
            raise Refused(
                say("there-is-no-fresh-value-of", channel=channel.name, meaning=meaning),
                say("check-sensor-or-use-no-power"),
                "weather",
            )
        values.append(reading.value)
    return check_weather(Weather(values[0], values[1], values[2], **sigmas))


def saturation_pressure_pa(temperature_k: float) -> float:
    """Water vapour pressure over liquid water, Pa; 40 CFR 1065.645(a), 0 to 100 degC."""
    ratio = temperature_k / TRIPLE_POINT_K
    log10_kpa = (
        10.79574 * (1 - 1 / ratio)
        - 5.02800 * math.log10(ratio)
        + 1.50475e-4 * (1 - 10 ** (-8.2969 * (ratio - 1)))
        + 0.42873e-3 * (10 ** (4.76955 * (1 - 1 / ratio)) - 1)
        - 0.2138602
    )
    return 1000.0 * float(10**log10_kpa)


def vapour_pressure_pa(temperature_k: float, relative_humidity: float) -> float:
    """Partial pressure of water vapour, Pa; 40 CFR 1065.645(c).

    Humidity is taken over liquid water also below freezing, as humidity sensors report it.
    """
    return relative_humidity * saturation_pressure_pa(temperature_k)


def dewpoint_k(vapour_pa: float) -> float:
    """Dewpoint in kelvin of a vapour pressure in Pa; 40 CFR 1065.645(d)."""
    if not vapour_pa > 0:
        raise ValueError("vapour pressure must be positive")
    log = math.log(vapour_pa)
    upper = 2.0798233e2 - 2.0156028e1 * log + 4.6778925e-1 * log**2 - 9.2288067e-6 * log**3
    lower = 1 - 1.3319669e-1 * log + 5.6577518e-3 * log**2 - 7.5172865e-5 * log**3
    return upper / lower


def dry_pressure_pa(weather: Weather) -> float:
    """Total pressure less water vapour, Pa: the pressure that burns fuel."""
    return weather.pressure_pa - vapour_pressure_pa(
        weather.temperature_k, weather.relative_humidity
    )


def saturation_pressure_cipm_pa(temperature_k: float) -> float:
    """Saturation vapour pressure as CIPM-2007 states it, Pa."""
    T = temperature_k
    return math.exp(1.2378847e-5 * T * T - 1.9121316e-2 * T + 33.93711047 - 6343.1645 / T)


def air_density(weather: Weather) -> float:
    """Density of moist air, kg/m3; CIPM-2007 (Metrologia 45 (2008) 149-155), 400 ppm CO2.

    The formula is stated for 15 to 27 degC and 60 to 110 kPa with a relative standard uncertainty
    of 2.2e-5; outside it stays within 0.005 % of a reference equation of state in our tests.
    """
    T, p = weather.temperature_k, weather.pressure_pa
    t = T - ZERO_CELSIUS_K
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t * t
    x = weather.relative_humidity * enhancement * saturation_pressure_cipm_pa(T) / p
    first = (
        1.58123e-6
        - 2.9331e-8 * t
        + 1.1043e-10 * t * t
        + (5.707e-6 - 2.051e-8 * t) * x
        + (1.9898e-4 - 2.376e-6 * t) * x * x
    )
    compressibility = 1 - p / T * first + (p / T) ** 2 * (1.83e-11 - 0.765e-8 * x * x)
    dry_molar, water_molar = 28.96546e-3, 18.01528e-3
    return (
        p
        * dry_molar
        / (compressibility * GAS_CONSTANT * T)
        * (1 - x * (1 - water_molar / dry_molar))
    )
