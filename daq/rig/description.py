"""The rig description: what `rig.toml` says, checked, in SI units.

Data flow: file -> tomllib -> typed structs (unknown keys refused) -> cross checks -> Rig.
Everything else takes the Rig and never the file. docs/rig.md explains every key.
"""

from __future__ import annotations

import hashlib
import math
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import msgspec
from msgspec import Meta

from daq.errors import RigError
from daq.readings import Unit
from daq.rig.plausible import check_plausible
from daq.rig.supply import NotNegative, Positive, Supply, Voltage
from daq.rig.units import SCALES

LARGEST = 1e12  # no quantity of a rig comes near it
# Cells of a type differ so much in sensitivity: a 2 mV/V cell on a converter of 20 mV at 10 V may
# reach its capacity a little beyond the converter's end, which is seen as saturated.
CELL_SPREAD = 0.01
Name = Annotated[
    str, Meta(min_length=1, max_length=24, pattern=r"^[A-Za-z0-9][A-Za-z0-9 _-]*(?![\s\S])")
]


class LinkConfig(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    port: str = ""  # e.g. /dev/ttyACM0; may be given on the command line instead
    baud: Annotated[int, Meta(ge=9600, le=12_000_000)] = 2_000_000
    set_point_validity_ms: Annotated[int, Meta(ge=20, le=2000)] = 100


class RollSet(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Rolls on one shaft system with one tooth wheel."""

    name: Name
    wheel: Name  # wheel channel of the front end
    teeth: Annotated[int, Meta(ge=1, le=1024)]
    roll_radius_m: Positive
    base_inertia_kg: Positive  # at the roll surface
    loss_n: tuple[float, float, float] = (0.0, 0.0, 0.0)  # F = a + b v + c v^2, v in m/s
    roll_radius_sigma_m: NotNegative = 0.0001
    base_inertia_sigma_kg: NotNegative = 0.0
    loss_sigma_n: NotNegative = 0.0
    max_speed_mps: Positive = 60.0
    max_force_n: Positive = 30_000.0  # at the roll surface, all absorbers of the set together


class LoadCell(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Load cell of one absorber, behind a 24-bit converter.

    mV/V = (count - zero_count) * full_scale_mv_per_v / 2^23; force = mV/V * newton_per_mv_per_v.
    """

    converter: Name
    full_scale_mv_per_v: Positive = 4.0
    newton_per_mv_per_v: float = 10_000.0
    zero_count: float = 0.0
    capacity_n: Positive = 10_000.0
    filter_delay_s: NotNegative = 0.005  # converter filter, declared
    arm_resonance_hz: NotNegative = 0.0  # 0: none known
    arm_damping: Annotated[float, Meta(ge=0, le=0.5)] = 0.03  # of that resonance, ratio to critical
    relative_sigma: NotNegative = 0.0005  # calibration, 1 sigma of the slope
    zero_sigma_n: NotNegative = 1.0
    calibrated_on: str = ""  # ISO date of the last dead-weight calibration


class AbsorberMap(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """First guess of torque over current and speed, refined by identification (absorber.map).

    Torque at the absorber shaft = peak_torque_nm * s(i) * 2 / (w/wc + wc/w); s(i) rises with the
    square of current and bends over at `saturation_a`; rated_current_a gives s = 1.
    """

    peak_torque_nm: Positive
    critical_speed_radps: Positive
    rated_current_a: Positive
    saturation_a: Positive
    residual_torque_nm: NotNegative = 0.0
    hot_fade_per_k: NotNegative = 0.0008


class ServiceIntervals(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """When an absorber is due for a look; 0: not watched. Its maker knows the figures."""

    every_h: NotNegative = 0.0  # hours turned
    every_gj: NotNegative = 0.0  # energy absorbed
    warm_h: NotNegative = 0.0  # hours above warn_k
    fade: Annotated[float, Meta(ge=0, lt=1)] = 0.0  # loss of torque, share of the described map
    done_at_h: NotNegative = 0.0  # readings of the counters at the last service
    done_at_gj: NotNegative = 0.0


class CoilHeat(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """First guess of the coil's heat (thermal.coil); without a resistance it is not looked at."""

    resistance_ohm: NotNegative = 0.0  # at 20 degC; 0: coil heat is not looked at
    mass_kg: Positive = 30.0  # winding and the iron near it, counted as copper
    to_air_w_per_k: Positive = 14.0
    to_rotor_w_per_k: NotNegative = 0.0
    warn_k: Positive = 413.15
    limit_k: Positive = 433.15
    voltage: str = ""  # slow channel with the voltage at the coil, if any


class RotorHeat(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """First guess of the rotor's heat parameters, refined by learning (control.thermal.rotor)."""

    mass_kg: Positive = 60.0
    mass_relative_sigma: Annotated[float, Meta(gt=0, le=1)] = 0.3  # how well that is known
    area_m2: Positive = 1.2
    emissivity: Annotated[float, Meta(gt=0, le=1)] = 0.7
    still_w_per_k: NotNegative = 6.0
    windage_w_per_k_per_radps: NotNegative = 0.3
    warn_k: Positive = 553.15
    limit_k: Positive = 623.15
    reentry_k: Positive = 423.15
    sensor: str = ""  # slow channel with the rotor temperature, if any
    sensor_share: Annotated[float, Meta(ge=0, le=1)] = 1.0  # 1: sees the rim's face, 0: the body
    after_run_k: Positive = 373.15  # fans run on after load until the rim is below this
    service: ServiceIntervals = ServiceIntervals()
    coil: CoilHeat = CoilHeat()


class Absorber(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One eddy-current brake with its arm and load cell.

    The supply takes a set point in ampere; what it makes of it depends on its kind
    (daq.rig.supply). `forcing_a` is its ceiling, `coil_lag_s` the coil's own lag.
    """

    name: Name
    roll_set: Name
    output: Name
    arm_m: Positive
    cell: LoadCell
    map: AbsorberMap
    gear_ratio: Positive = 1.0  # absorber speed / roll speed
    arm_sign: Annotated[int, Meta(ge=-1, le=1)] = 1
    max_current_a: Positive = 30.0
    forcing_a: Positive = 60.0
    coil_lag_s: Positive = 0.15
    field_lag_s: NotNegative = 0.0  # of the force behind the coil current, identified
    supply: Supply = Voltage()
    fan: str = ""  # digital-out channel that drives its fan, if any
    fan_turns: str = ""  # digital input that is on while that fan turns, if any
    heat: RotorHeat = RotorHeat()


class EngineSpeedSource(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Where engine speed comes from: a pickup channel, a slow channel, else the learned ratio."""

    wheel: str = ""  # wheel channel of an engine pickup
    pulses_per_rev: Annotated[float, Meta(ge=0)] = 0.0
    slow_channel: str = ""  # slow channel or MQTT channel with rev/min


class SlowChannel(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A slow channel of the front end or one fed by MQTT (then `topic` is set)."""

    name: Name
    unit: str
    topic: str = ""
    max_age_s: Positive = 5.0
    meaning: str = (
        ""  # ambient-temperature, pressure, humidity, oil-temperature, smoke-opacity, boost, ...
    )


class DigitalInputs(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    stop_chain_closed: Name = "stop-chain"
    tie_downs: str = "tie-downs"
    doors_closed: str = ""


class Limits(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Operating envelope, enforced by the gate and the fault table."""

    max_speed_mps: Positive = 55.0
    max_force_n: Positive = 25_000.0  # whole rig, at the roll surface
    max_power_w: Positive = 600_000.0
    current_rise_a_per_s: Positive = 400.0
    current_fall_a_per_s: Positive = 400.0
    ease_off_s: Positive = 3.0  # from full load to none, in order
    helm_expiry_s: Positive = 3.0
    low_speed_mps: Positive = 1.5  # below it no load is asked for
    # Of an engine of which nothing is known (common practice, no source); a vehicle's own go first.
    engine_idle_rpm: Positive = 500.0
    engine_max_rpm: Positive = 5000.0
    calibration_days: NotNegative = 365.0  # a calibration holds for this long; 0: not looked at


class Site(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    latitude_deg: Annotated[float, Meta(ge=-90, le=90)] = 45.0
    altitude_m: float = 0.0


class Doubt(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What the uncertainty budget cannot know from single parts (daq.uncertainty.power)."""

    alignment_sigma_s: Annotated[float, Meta(ge=0, le=0.05)] = 0.0005  # left between force, speed
    shared_calibration: Annotated[float, Meta(ge=0, le=1)] = 0.0  # share of the slopes' variance


class Rig(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The machine, as described."""

    name: Annotated[str, Meta(min_length=1, max_length=80)]
    roll_sets: Annotated[tuple[RollSet, ...], Meta(min_length=1, max_length=4)]
    absorbers: Annotated[tuple[Absorber, ...], Meta(min_length=1, max_length=8)]
    frame_hz: Annotated[int, Meta(ge=100, le=1000)] = 500
    link: LinkConfig = LinkConfig()
    engine: EngineSpeedSource = EngineSpeedSource()
    slow: tuple[SlowChannel, ...] = ()
    inputs: DigitalInputs = DigitalInputs()
    limits: Limits = Limits()
    site: Site = Site()
    uncertainty: Doubt = Doubt()
    fingerprint: str = ""  # SHA-256 of the file's bytes, set by load_rig

    def absorbers_of(self, roll_set: str) -> tuple[Absorber, ...]:
        """The absorbers that act on one roll set, in file order."""
        return tuple(absorber for absorber in self.absorbers if absorber.roll_set == roll_set)


def parse_rig(text: str, source: str = "rig.toml") -> Rig:
    """Rig from TOML text. Raises RigError naming the key and the way to mend it."""
    try:
        raw = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        raise RigError(
            f"{source} is not valid TOML: {error}.", "Mend that line and start again."
        ) from None
    raw.pop("fingerprint", None)
    try:
        rig = msgspec.convert(raw, Rig)
    except (msgspec.ValidationError, OverflowError, RecursionError) as error:
        raise RigError(
            f"{source}: {error}.", "docs/rig.md lists every key, its unit and its range."
        ) from None
    _cross_check(rig, source)
    check_plausible(rig, source)
    digest = hashlib.sha256(text.encode()).hexdigest()
    return msgspec.structs.replace(rig, fingerprint=digest)


def load_rig(path: Path) -> Rig:
    """Rig from a file. Raises RigError when it is missing, unreadable or wrong."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise RigError(
            f"There is no rig file {path}.",
            "Give one with --rig; 'drumlin examples' has one to adapt.",
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise RigError(
            f"{path} cannot be read: {error}.", "Check the file and its rights."
        ) from None
    return parse_rig(text, str(path))


def _cross_check(rig: Rig, source: str) -> None:
    def fail(problem: str, remedy: str) -> None:
        raise RigError(f"{source}: {problem}", remedy)

    def unique(what: str, names: list[str]) -> None:
        for name in names:
            if names.count(name) > 1:
                fail(f"{what} '{name}' appears twice.", "Give each its own.")

    for number in _numbers(msgspec.to_builtins(rig)):
        if not math.isfinite(number) or abs(number) > LARGEST:
            fail("a number is not finite or beyond all measure.", "Replace it by a real value.")
    sets = [roll_set.name for roll_set in rig.roll_sets]
    unique("roll set", sets)
    unique("wheel", [roll_set.wheel for roll_set in rig.roll_sets])
    unique("absorber", [absorber.name for absorber in rig.absorbers])
    unique("output", [absorber.output for absorber in rig.absorbers])
    unique("converter", [absorber.cell.converter for absorber in rig.absorbers])
    unique("slow channel", [channel.name for channel in rig.slow])
    for absorber in rig.absorbers:
        if absorber.roll_set not in sets:
            fail(
                f"absorber '{absorber.name}' names the unknown roll set '{absorber.roll_set}'.",
                f"Use one of: {', '.join(sets)}.",
            )
        if absorber.arm_sign == 0:
            fail(f"absorber '{absorber.name}' has arm_sign 0.", "Use 1 or -1.")
        if absorber.forcing_a < absorber.max_current_a:
            fail(
                f"absorber '{absorber.name}': forcing_a is below max_current_a.",
                "Set forcing_a to the supply's ceiling, at least max_current_a.",
            )
        if absorber.supply.floor_a >= absorber.max_current_a:
            fail(
                f"absorber '{absorber.name}': supply.floor_a is not below max_current_a.",
                "Set floor_a to the smallest current that the supply gives.",
            )
        if not absorber.heat.reentry_k < absorber.heat.warn_k < absorber.heat.limit_k:
            fail(
                f"absorber '{absorber.name}': heat needs reentry_k < warn_k < limit_k.",
                "Temperatures are in kelvin; take them from the absorber's maker.",
            )
        cell = absorber.cell
        ends_at_n = cell.full_scale_mv_per_v * abs(cell.newton_per_mv_per_v)
        if ends_at_n < (1.0 - CELL_SPREAD) * cell.capacity_n:
            fail(
                f"absorber '{absorber.name}': its converter ends at "
                f"{ends_at_n:.0f} N, below the "
                f"cell's capacity of {cell.capacity_n:.0f} N.",
                "Check full_scale_mv_per_v, newton_per_mv_per_v and capacity_n.",
            )
        where = f"absorber '{absorber.name}': heat"
        _known_channel(rig, fail, absorber.heat.sensor, f"{where}.sensor")
        coil = absorber.heat.coil
        _known_channel(rig, fail, coil.voltage, f"{where}.coil.voltage")
        if not coil.warn_k < coil.limit_k:
            fail(
                f"absorber '{absorber.name}': heat.coil needs warn_k < limit_k.",
                "Temperatures are in kelvin; take them from the coil's maker.",
            )
    for roll_set in rig.roll_sets:
        if not rig.absorbers_of(roll_set.name):
            fail(f"roll set '{roll_set.name}' has no absorber.", "Describe one or remove the set.")
        a, b, c = roll_set.loss_n
        for share in range(11):
            v = roll_set.max_speed_mps * share / 10
            if a + v * (b + v * c) < 0.0:
                fail(
                    f"roll set '{roll_set.name}': loss_n is negative at {v:.1f} m/s.",
                    "Losses are never negative (40 CFR 1066.255): determine them again.",
                )
    for channel in rig.slow:
        if channel.unit not in SCALES:
            fail(
                f"slow channel '{channel.name}' has the unknown unit '{channel.unit}'.",
                f"Use one of: {', '.join(sorted(SCALES))}.",
            )
    engine = rig.engine
    if engine.wheel and engine.wheel in [roll_set.wheel for roll_set in rig.roll_sets]:
        fail(f"engine.wheel '{engine.wheel}' is the wheel of a roll set.", "Use another channel.")
    if engine.wheel and engine.pulses_per_rev <= 0.0:
        fail(
            "engine.wheel needs pulses_per_rev.", "Say how many pulses one engine revolution gives."
        )
    _known_channel(rig, fail, engine.slow_channel, "engine.slow_channel")
    for channel in rig.slow:
        is_engine = channel.name == engine.slow_channel
        if is_engine and SCALES[channel.unit].unit is not Unit.RADIAN_PER_SECOND:
            fail(
                f"engine.slow_channel '{channel.name}' is in '{channel.unit}'.",
                "Give an engine speed: rev/min or rad/s.",
            )


def _known_channel(rig: Rig, fail: Callable[[str, str], None], name: str, key: str) -> None:
    if name and name not in [channel.name for channel in rig.slow]:
        fail(
            f"{key} names the slow channel '{name}', which is not described.",
            "Describe it under [[slow]] or leave the key out.",
        )


def _numbers(node: object) -> list[float]:
    if isinstance(node, float):
        return [node]
    if isinstance(node, dict):
        return [number for value in node.values() for number in _numbers(value)]
    if isinstance(node, list | tuple):
        return [number for value in node for number in _numbers(value)]
    return []
