"""What the core tells the world: telemetry at each step and events when something changes.

Everything here is plain data; the service forwards it, the page and MQTT show it.
"""

from __future__ import annotations

import enum

import msgspec

from daq.measure.measured import Measured
from daq.rig.engine_range import EngineRange
from daq.texts.message import Text


class State(enum.StrEnum):
    PARKED = "parked"
    READY = "ready"
    LOADED = "loaded"
    EASING = "easing"
    TRIPPED = "tripped"


class HelmView(msgspec.Struct, frozen=True):
    holder: str  # "" when free
    name: str
    left_s: float  # until it expires
    asked_by: str = ""  # name of whoever asks for it, as they wish to be called
    asked_id: str = ""  # their id, TOKEN-NAME:CLIENT-ID: an offer goes to it and to no name


class FaultView(msgspec.Struct, frozen=True):
    code: str
    effect: str  # refuse | hold | ease | trip
    text: Text
    remedy: Text
    since_s: float
    active: bool


class TestView(msgspec.Struct, frozen=True):
    __test__ = False  # not a pytest class
    run_id: str
    kind: str
    phase: str
    instruction: Text  # what the driver should do now
    elapsed_s: float
    total_s: float  # NaN when open-ended
    set_point: float  # in `unit`
    unit: str
    measured: float
    error_relative: float
    shortfall_n: float  # asked for and not deliverable
    next_phases: tuple[Text, ...] = ()  # instructions of what comes later
    void: tuple[Text, ...] = ()  # why the run is void so far
    shortfall_ns: float = 0.0  # summed over the run, N s
    shortfall_s: float = 0.0  # for so long so far
    # For the driver's aid of traces: target and band now, look-ahead as (seconds from now, m/s).
    target_mps: float = float("nan")
    band_low_mps: float = float("nan")
    band_high_mps: float = float("nan")
    ahead: tuple[tuple[float, float], ...] = ()
    grade_percent: float = float("nan")
    distance_m: float = float("nan")
    target_power_w: float = float("nan")  # at the wheels, what the driver of a hold is to give


class AbsorberView(msgspec.Struct, frozen=True):
    name: str
    asked_n: float  # force at the roll surface asked of it
    set_point_a: float
    rotor_k: float  # NaN until the heat model runs
    headroom_s: float  # NaN when unknown, inf when it never gets there
    # 95 % intervals of the headroom: at present power, at the plan's, and at the plan's (without
    # one: the present) after `pause_s` of no load.
    rotor_sigma_k: float = float("nan")
    headroom_low_s: float = float("nan")
    headroom_high_s: float = float("nan")
    plan_headroom_s: float = float("nan")
    plan_headroom_low_s: float = float("nan")
    plan_headroom_high_s: float = float("nan")
    after_pause_s: float = float("nan")
    after_pause_low_s: float = float("nan")
    after_pause_high_s: float = float("nan")
    pause_s: float = float("nan")
    capacity_nm: float = float("nan")  # torque at its shaft, at this speed and temperature
    capacity_cold_nm: float = float("nan")  # the same with a cold rotor
    power_w: float = float("nan")  # absorbed, mean of the last interval
    cap_w: float = float("nan")  # most power the heat guard gives it now
    heat_level: str = ""  # cool | warm | hot | limit | cooling
    rotor_sensor: str = ""  # none | trusted | slipped | failed
    fan: bool = False  # its fan runs, as far as is known
    limited_by: str = "rotor"  # whose headroom it is: rotor or coil
    coil_k: float = float("nan")  # NaN: the rig file describes no coil
    coil_sigma_k: float = float("nan")
    coil_measured: bool = False  # by its voltage and current


class HeatView(msgspec.Struct, frozen=True):
    """The rig's heat at a glance."""

    hottest: str  # the absorber that limits
    level: str  # the worst of all
    headroom_s: float  # of the one that limits, at present power
    cooling_s: float  # until all rotors are below the after-run temperature; 0 under load
    ambient_k: float
    fans: tuple[str, ...] = ()  # asked to run now
    advice: Text = ""  # to the driver
    service: tuple[Text, ...] = ()  # maintenance that is due


class RunEnd(msgspec.Struct, frozen=True):
    """How the newest test of this loop ended, shown until the next one begins."""

    run_id: str
    kind: str
    code: str  # completed, eased-off, a fault's code, or a reason of the kind's own
    text: Text
    remedy: Text  # what to do next, "" when nothing needs to be done
    time_s: float  # device time of the end
    voids: tuple[Text, ...] = ()  # why the run does not count


class LoopHealth(msgspec.Struct, frozen=True):
    """Filled in by the loop process, NaN in virtual time."""

    period_p50_ms: float = float("nan")
    period_p99_ms: float = float("nan")
    period_max_ms: float = float("nan")
    overruns: int = 0
    frames: int = 0
    frames_lost: int = 0
    frames_contradicting: int = 0  # dropped because they cannot be (docs/wire.md, section 11)
    bytes_discarded: int = 0
    crc_failures: int = 0
    reconnects: int = 0
    link_up: bool = False
    recorder: str = "idle"
    round_trip_p50_ms: float = float("nan")  # of questions for the time
    clock_rate_ppm: float = float("nan")  # how much faster the host's clock runs than the device's
    clock_sigma_ms: float = float("nan")  # of host time told from device time
    clock_restarts: int = 0  # the mapping between the two began anew
    tasks: int = 0  # of the loop's event loop; flat, or something leaks


class Telemetry(msgspec.Struct, frozen=True):
    time_s: float
    state: State
    first_cause: str  # of the trip, "" when none
    helm: HelmView
    acknowledged: bool
    test: TestView | None
    measured: Measured | None  # None: no frame yet
    absorbers: tuple[AbsorberView, ...]
    faults: tuple[FaultView, ...]
    health: LoopHealth = LoopHealth()
    heat: HeatView | None = None
    vehicle: str = ""  # acknowledged on the rolls with the cautions; "" when none was named
    engine: EngineRange | None = None  # what a plan may ask of its engine
    zeros_missing: tuple[str, ...] = ()  # absorbers whose load cell has no zero yet
    ratio_known: bool = False  # the gear's ratio of engine to rolls was learned
    last_end: RunEnd | None = None  # None while a test runs, and before the first


class Event(msgspec.Struct, frozen=True):
    """Something changed. `kind`: state, helm, fault, fault-cleared, run-started, phase, set-point,
    run-ended, command, notice. `data` is small and JSON-able."""

    time_s: float
    kind: str
    text: Text
    data: dict[str, Text | float | int | bool]
