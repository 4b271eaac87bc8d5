"""Power correction to reference weather by published rules, with its limits and its reason.

Data flow: Weather + engine facts + rule -> Correction (factor, inputs, flags, uncertainty), which
stays beside every corrected number. Observed power is never overwritten.

Rules are written from knowledge of the standards (docs/standards.md says which lines were seen);
the factor multiplies the observed power. A factor outside its rule's limits marks the correction
as not valid: the number may be looked at, and must not be quoted as corrected to that rule.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Callable
from typing import Annotated

import msgspec
from msgspec import Meta

from daq.errors import Refused
from daq.rig.weather import Weather, check_weather, dry_pressure_pa
from daq.texts.message import Text, say


class Rule(enum.StrEnum):
    """Published correction rules. The edition matters, so it is in the name."""

    NONE = "none"
    ISO_1585_SPARK = "iso-1585-spark"  # also UN R85, 80/1269/EEC
    J1349_1990_SPARK = "j1349-1990-spark"
    J1349_2004_SPARK = "j1349-2004-spark"
    J607_SPARK = "j607-spark"
    DIN_70020 = "din-70020"
    UN_R85_DIESEL = "un-r85-diesel"
    ISO_1585_DIESEL = "iso-1585-diesel"  # also J1349 compression ignition


class Charging(enum.StrEnum):
    """How a diesel gets its air: decides the exponents of the atmospheric factor."""

    NATURAL = "natural"  # naturally aspirated or mechanically supercharged
    TURBO = "turbo"  # turbocharged, uncooled or with air-to-air charge cooling
    TURBO_LIQUID_COOLED = "turbo-liquid-cooled"  # charge cooled by the engine's liquid


DIESEL_RULES = frozenset({Rule.UN_R85_DIESEL, Rule.ISO_1585_DIESEL})
SPARK_RULES = frozenset(
    {Rule.ISO_1585_SPARK, Rule.J1349_1990_SPARK, Rule.J1349_2004_SPARK, Rule.J607_SPARK}
)

WHY_NONE = say("no-correction-boosted-diesel-with-its")


class DieselFuel(msgspec.Struct, frozen=True):
    """What the engine factor of a diesel needs; ranges wider than any engine of a vehicle."""

    fuel_g_per_s: Annotated[float, Meta(ge=0.01, le=1000)]
    displacement_l: Annotated[float, Meta(ge=0.05, le=200)]
    speed_rpm: Annotated[float, Meta(ge=50, le=20_000)]
    # Absolute boost pressure / ambient pressure; 1 if unboosted.
    boost_ratio: Annotated[float, Meta(ge=0.5, le=10)] = 1.0
    strokes: Annotated[int, Meta(ge=2, le=4)] = 4


class CorrectionInput(msgspec.Struct, frozen=True):
    name: str
    value: float
    unit: str


class Correction(msgspec.Struct, frozen=True):
    """One correction as it is stored and printed beside the number it corrects."""

    rule: Rule
    title: str
    source: str
    factor: float
    sigma: float  # standard uncertainty of the factor from the weather instruments
    effects: tuple[CorrectionInput, ...]  # what one sigma of each instrument does to the factor
    inputs: tuple[CorrectionInput, ...]
    flags: tuple[Text, ...]
    valid: bool  # False: outside the rule's limits, must not be quoted as corrected


class _Limits(msgspec.Struct, frozen=True):
    factor: tuple[float, float] | None
    temperature_k: tuple[float, float] | None
    pressure_kpa: tuple[float, float] | None  # dry pressure


_TITLES = {
    Rule.NONE: ("no correction", ""),
    Rule.ISO_1585_SPARK: (
        "ISO 1585 / UN R85, positive ignition",
        "(99/p)^1.2 (T/298)^0.6; from memory, reference point seen in Reg. (EU) 134/2014",
    ),
    Rule.J1349_1990_SPARK: (
        "SAE J1349 (1990), spark ignition",
        "1.180 (99/p) sqrt(T/298) - 0.18; from memory",
    ),
    Rule.J1349_2004_SPARK: (
        "SAE J1349 (2004 on), spark ignition, 85 % mechanical efficiency",
        "(1/0.85)(99/p) sqrt(T/298) - (1/0.85 - 1); from memory",
    ),
    Rule.J607_SPARK: (
        "SAE J607, 60 degF and 29.92 inHg dry",
        "(101.325/p) sqrt(T/288.706); from memory",
    ),
    Rule.DIN_70020: (
        "DIN 70020 (old text, total pressure)",
        "(101.325/p) sqrt(T/293); from memory",
    ),
    Rule.UN_R85_DIESEL: (
        "UN R85, compression ignition",
        "fa^fm, fm after UN R85 Annex 5 5.4.2.2 (seen); exponents of fa from memory",
    ),
    Rule.ISO_1585_DIESEL: (
        "ISO 1585 / SAE J1349, compression ignition",
        "fa^fm, classes of charging seen in a secondary source; exponents from memory",
    ),
}

_LIMITS = {
    Rule.NONE: _Limits(None, None, None),
    Rule.ISO_1585_SPARK: _Limits((0.93, 1.07), (283.2, 318.2), None),
    Rule.J1349_1990_SPARK: _Limits(None, (288.15, 308.15), (90.0, 105.0)),
    Rule.J1349_2004_SPARK: _Limits(None, (288.15, 308.15), (90.0, 105.0)),
    Rule.J607_SPARK: _Limits(None, None, None),
    Rule.DIN_70020: _Limits(None, None, None),
    Rule.UN_R85_DIESEL: _Limits((0.9, 1.1), (283.0, 313.0), (80.0, 110.0)),
    Rule.ISO_1585_DIESEL: _Limits((0.9, 1.1), (283.0, 313.0), (80.0, 110.0)),
}


def spark_factor(rule: Rule, dry_kpa: float, temperature_k: float) -> float:
    """Factor of a spark-ignition rule at dry pressure in kPa and intake air in K."""
    ratio = 99.0 / dry_kpa
    if rule is Rule.ISO_1585_SPARK:
        return float(ratio**1.2 * (temperature_k / 298.0) ** 0.6)
    if rule is Rule.J1349_1990_SPARK:
        return 1.180 * ratio * math.sqrt(temperature_k / 298.0) - 0.18
    if rule is Rule.J1349_2004_SPARK:
        return friction_form(ratio * math.sqrt(temperature_k / 298.0), 0.85)
    if rule is Rule.J607_SPARK:
        return 101.325 / dry_kpa * math.sqrt(temperature_k / 288.706)
    if rule is Rule.DIN_70020:
        return 101.325 / dry_kpa * math.sqrt(temperature_k / 293.0)
    raise ValueError(f"{rule} is not a spark-ignition rule")


def friction_form(indicated_ratio: float, efficiency: float) -> float:
    """Factor on brake power when weather acts on indicated power and friction stays."""
    return indicated_ratio / efficiency - (1 / efficiency - 1)


def atmospheric_factor(
    rule: Rule, charging: Charging, dry_kpa: float, temperature_k: float
) -> float:
    """fa of a compression-ignition rule at dry pressure in kPa and intake air in K."""
    pressure, temperature = 99.0 / dry_kpa, temperature_k / 298.0
    if charging is Charging.NATURAL:
        return float(pressure * temperature**0.7)
    if rule is Rule.UN_R85_DIESEL:
        return float(pressure**0.7 * temperature**1.5)
    if charging is Charging.TURBO:
        return float(pressure**0.7 * temperature**1.2)
    return float(pressure**0.7 * temperature**0.7)


def specific_fuel_mg(fuel: DieselFuel) -> float:
    """q, fuel per litre of displacement and cycle, mg/(L cycle)."""
    z = {4: 120_000.0, 2: 60_000.0}.get(fuel.strokes)
    if z is None:
        raise ValueError("an engine has two or four strokes")
    return z * fuel.fuel_g_per_s / (fuel.displacement_l * fuel.speed_rpm)


def engine_factor(rule: Rule, qc_mg: float) -> float:
    """fm from qc in mg/(L cycle): how far a diesel's power follows the air."""
    if rule is Rule.UN_R85_DIESEL:
        low_end, low = 40.0, 0.3
    elif rule is Rule.ISO_1585_DIESEL:
        low_end, low = 37.2, 0.2
    else:
        raise ValueError(f"{rule} has no engine factor")
    if qc_mg < low_end:
        return low
    if qc_mg > 65.0:
        return 1.2
    return 0.036 * qc_mg - 1.14


def correction(
    rule: Rule,
    weather: Weather,
    *,
    charging: Charging = Charging.NATURAL,
    fuel: DieselFuel | None = None,
    boosted_diesel: bool = True,
) -> Correction:
    """The correction for this weather. Raises Refused when an input is impossible or missing."""
    check_weather(weather)
    title, source = _TITLES[rule]
    inputs = [
        CorrectionInput("air temperature", weather.temperature_k, "K"),
        CorrectionInput("air pressure", weather.pressure_pa, "Pa"),
        CorrectionInput("relative humidity", weather.relative_humidity, "1"),
        CorrectionInput("dry pressure", dry_pressure_pa(weather), "Pa"),
    ]
    if rule is Rule.NONE:
        reason = WHY_NONE if boosted_diesel else say("no-correction-was-asked-for")
        return Correction(rule, title, source, 1.0, 0.0, (), tuple(inputs), (reason,), True)
    flags: list[Text] = []
    if rule in DIESEL_RULES:
        fm, extra = _diesel_inputs(rule, charging, fuel, weather)
        inputs.extend(extra)
        if charging is not Charging.NATURAL:
            flags.append(say("take-with-care-boosted-diesel"))
    else:
        fm = 0.0

    def factor_at(air: Weather) -> float:
        kpa = dry_pressure_pa(air) / 1000.0
        if rule is Rule.DIN_70020:
            kpa = air.pressure_pa / 1000.0
        if rule in DIESEL_RULES:
            return float(atmospheric_factor(rule, charging, kpa, air.temperature_k) ** fm)
        return spark_factor(rule, kpa, air.temperature_k)

    factor = factor_at(weather)
    limits = _limit_flags(rule, factor, weather)
    effects = _effects(factor_at, weather)
    return Correction(
        rule,
        title,
        source,
        factor,
        math.hypot(*(effect.value for effect in effects)),
        effects,
        tuple(inputs),
        tuple(flags + limits),
        not limits,
    )


def default_rule(*, diesel: bool, boosted: bool) -> tuple[Rule, Text]:
    """The rule to offer first for an engine, and why."""
    if diesel and boosted:
        return Rule.NONE, WHY_NONE
    if diesel:
        return Rule.ISO_1585_DIESEL, say("unboosted-diesel-corrected-with-its-fuel")
    return Rule.ISO_1585_SPARK, say("spark-ignition-power-follows-dry-air")


def _diesel_inputs(
    rule: Rule, charging: Charging, fuel: DieselFuel | None, weather: Weather
) -> tuple[float, list[CorrectionInput]]:
    if fuel is None:
        raise Refused(
            say("diesel-correction-needs-fuel-rate-displacement"),
            say("give-them-with-vehicle-or-choose"),
            "correction",
        )
    numbers = (fuel.fuel_g_per_s, fuel.displacement_l, fuel.speed_rpm, fuel.boost_ratio)
    if not all(math.isfinite(number) and number > 0 for number in numbers):
        raise Refused(
            say("fuel-rate-displacement-engine-speed-boost"),
            say("check-vehicle-figures-their-units"),
            "correction",
        )
    q = specific_fuel_mg(fuel)
    qc = q / fuel.boost_ratio
    fm = engine_factor(rule, qc)
    fa = atmospheric_factor(rule, charging, dry_pressure_pa(weather) / 1000, weather.temperature_k)
    return fm, [
        CorrectionInput("fuel rate", fuel.fuel_g_per_s, "g/s"),
        CorrectionInput("displacement", fuel.displacement_l, "L"),
        CorrectionInput("engine speed", fuel.speed_rpm, "rpm"),
        CorrectionInput("boost ratio", fuel.boost_ratio, "1"),
        CorrectionInput("fuel per litre and cycle qc", qc, "mg"),
        CorrectionInput("engine factor fm", fm, "1"),
        CorrectionInput("atmospheric factor fa", fa, "1"),
    ]


def _limit_flags(rule: Rule, factor: float, weather: Weather) -> list[Text]:
    limits = _LIMITS[rule]
    flags: list[Text] = []
    if limits.factor and not limits.factor[0] <= factor <= limits.factor[1]:
        flags.append(
            say(
                "outside-rule-factor-allowed-repeat-test",
                factor=factor,
                low=limits.factor[0],
                high=limits.factor[1],
            )
        )
    if limits.temperature_k:
        low, high = limits.temperature_k
        if not low <= weather.temperature_k <= high:
            flags.append(
                say("outside-rule-air-k-allowed-k", air=weather.temperature_k, low=low, high=high)
            )
    if limits.pressure_kpa:
        low, high = limits.pressure_kpa
        dry_kpa = dry_pressure_pa(weather) / 1000
        if not low <= dry_kpa <= high:
            flags.append(
                say("outside-rule-dry-pressure-kpa-allowed", dry=dry_kpa, low=low, high=high)
            )
    return flags


def _effects(
    factor_at: Callable[[Weather], float], weather: Weather
) -> tuple[CorrectionInput, ...]:
    """Signed effect of one sigma of each instrument, by central differences."""

    def effect(name: str, field: str, sigma: float) -> CorrectionInput:
        value = getattr(weather, field)
        up = msgspec.structs.replace(weather, **{field: value + sigma / 2})
        down = msgspec.structs.replace(weather, **{field: value - sigma / 2})
        return CorrectionInput(name, factor_at(up) - factor_at(down), "1")

    return (
        effect("thermometer", "temperature_k", weather.temperature_sigma_k),
        effect("barometer", "pressure_pa", weather.pressure_sigma_pa),
        effect("hygrometer", "relative_humidity", weather.humidity_sigma),
    )
