"""What the core tells the world: telemetry at each step and events when something changes.

Everything here is plain data; the service forwards it, the page and MQTT show it.
"""

from __future__ import annotations

import enum

import msgspec

from daq.measured import Measured


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
    asked_by: str = ""  # name of whoever asks for it


class FaultView(msgspec.Struct, frozen=True):
    code: str
    effect: str  # refuse | hold | ease | trip
    text: str
    remedy: str
    since_s: float
    active: bool


class TestView(msgspec.Struct, frozen=True):
    __test__ = False  # not a pytest class
    run_id: str
    kind: str
    phase: str
    instruction: str  # what the driver should do now
    elapsed_s: float
    total_s: float  # NaN when open-ended
    set_point: float  # in `unit`
    unit: str
    measured: float
    error_relative: float
    shortfall_n: float  # asked for and not deliverable
    next_phases: tuple[str, ...] = ()  # instructions of what comes later
    void: tuple[str, ...] = ()  # why the run is void so far, in words
    shortfall_ns: float = 0.0  # summed over the run, N s
    # For the driver's aid of traces: target and band now, look-ahead as (seconds from now, m/s).
    target_mps: float = float("nan")
    band_low_mps: float = float("nan")
    band_high_mps: float = float("nan")
    ahead: tuple[tuple[float, float], ...] = ()
    grade_percent: float = float("nan")
    distance_m: float = float("nan")


class AbsorberView(msgspec.Struct, frozen=True):
    name: str
    asked_n: float  # force at the roll surface asked of it
    set_point_a: float
    rotor_k: float  # NaN until the heat model runs
    headroom_s: float  # NaN when unknown, inf when it never gets there


class LoopHealth(msgspec.Struct, frozen=True):
    """Filled in by the loop process, NaN in virtual time."""

    period_p50_ms: float = float("nan")
    period_p99_ms: float = float("nan")
    period_max_ms: float = float("nan")
    overruns: int = 0
    frames: int = 0
    frames_lost: int = 0
    bytes_discarded: int = 0
    crc_failures: int = 0
    reconnects: int = 0
    link_up: bool = False
    recorder: str = "idle"


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


class Event(msgspec.Struct, frozen=True):
    """Something changed. `kind`: state, helm, fault, fault-cleared, run-started, run-ended,
    command, notice. `data` is small and JSON-able."""

    time_s: float
    kind: str
    text: str
    data: dict[str, str | float | int | bool]
