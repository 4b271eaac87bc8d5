"""Faults as one table: condition, how it is detected and how soon, effect, text, next step.

Data flow: control.safety.fault_detection and the core say which codes are active -> Register keeps who is active
since when, the severest effect and the first cause -> telemetry, events and the state machine.
`python -m control.safety.faults` prints docs/faults.md.

Effects: warn (said, nothing is taken away) < refuse (a test cannot start) < hold (load stays where it is, no increase, no progress)
< ease (load comes off along the easing ramp) < trip (load comes off, latched until reset).
"""

# ruff: noqa: E501 - rows of the table read best on few lines

from __future__ import annotations

import enum
from collections.abc import Iterable, Mapping
from types import MappingProxyType

import msgspec

from control.telemetry import Event, FaultView
from daq.texts.message import Message, Text, say


class TripLatch(msgspec.Struct, frozen=True):
    """The first cause of a trip; later causes do not overwrite it."""

    code: str
    text: Text
    remedy: Text
    time_s: float  # device time, as a label only


class Effect(enum.IntEnum):
    NONE = 0
    WARN = 1
    REFUSE = 2
    HOLD = 3
    EASE = 4
    TRIP = 5


class Release(enum.StrEnum):
    """How a trip takes the load off."""

    RAMP = "ramp"  # along the easing ramp, by the host or by the front end
    AT_ONCE = "at once"  # zero: the supplies are off anyway


class Fault(msgspec.Struct, frozen=True):
    code: str
    condition: str
    detection: str
    within_ms: int  # from the condition to the effect
    effect: Effect
    release: Release = Release.RAMP

    @property
    def text(self) -> Message:
        return say(f"fault.{self.code}")

    @property
    def remedy(self) -> Message:
        """What to do next."""
        return say(f"fault.{self.code}.remedy")


_ROWS = (
    # --- link, front end, host ------------------------------------------------------------
    Fault("link-lost", "no frame from the front end", "no sample for 100 ms on the host's clock", 110,
          Effect.TRIP),
    Fault("frames-lost", "frames from the front end are missing", "over 10 % lost within 1 s", 1000,
          Effect.EASE),
    Fault("front-end-restarted", "the front end rebooted", "a new boot id in its greeting", 50,
          Effect.TRIP, Release.AT_ONCE),
    Fault("session-lost", "the front end is in another session", "greeting with a session not ours",
          50, Effect.TRIP),
    Fault("wire-mismatch", "protocol or channels do not fit", "greeting checked against rig file", 50,
          Effect.TRIP),
    Fault("set-points-refused", "the front end refuses set points", "its notice", 50,
          Effect.TRIP),
    Fault("permission-lapsed", "our set points arrive too late", "it is easing, and no set point was taken for the rig's validity", 100,
          Effect.EASE),
    Fault("frames-contradict", "frames from the front end contradict themselves",
          "an invariant of the wire broken in 5 frames within 100 ms; each is dropped whole", 110,
          Effect.TRIP),
    Fault("clock-jump", "device time and sequence disagree", "frame time against sequence: 50 ms within a second, at once or frame by frame", 1010,
          Effect.TRIP),
    Fault("loop-late", "the loop was late", "over 100 ms between two steps on the host's clock, or samples over 30 ms old for so long", 160,
          Effect.EASE),
    Fault("host-restarted", "the loop restarted under load", "memory says load was on", 0,
          Effect.TRIP),
    Fault("recorder-failed", "raw data cannot be written", "told by the recorder", 600,
          Effect.EASE),
    Fault("disk-low", "little disk space", "told by the recorder", 1000,
          Effect.REFUSE),
    Fault("disk-full", "the last disk space is left for ending in order", "told by the recorder", 1100,
          Effect.EASE),
    Fault("memory-failed", "what must survive a restart cannot be written", "told by the loop", 1100,
          Effect.REFUSE),
    Fault("service-gone", "the service process is dead", "no reader on the local channel", 1100,
          Effect.REFUSE),
    Fault("calibration-due", "a load cell's calibration is out of date",
          "date in rig.toml, limits.calibration_days; told by the loop", 1100,
          Effect.REFUSE),
    # --- people ---------------------------------------------------------------------------
    Fault("stop-chain-open", "the hardwired stop chain is open", "digital input", 10,
          Effect.TRIP, Release.AT_ONCE),
    Fault("tie-downs-open", "tie-downs not acknowledged at their switch, no load",
          "digital input", 10, Effect.REFUSE),
    Fault("tie-downs-opened", "tie-down switch opened under load", "digital input for 50 ms", 60,
          Effect.EASE),
    Fault("helm-expired", "the person at the helm is gone", "no heartbeat for limits.helm_expiry_s",
          10, Effect.EASE),
    Fault("set-point-beyond-rig", "the test asks for more than the rig may",
          "the running set point against limits, each frame", 10,
          Effect.EASE),
    # --- speed ----------------------------------------------------------------------------
    Fault("speed-lost", "no roll speed", "speed reading missing for 20 ms", 30,
          Effect.TRIP),
    Fault("speed-suspect", "roll speed noisy or contradicted", "speed reading suspect for 100 ms", 110,
          Effect.EASE),
    Fault("speed-frozen", "roll speed does not move", "same value for 500 ms under load", 510,
          Effect.TRIP),
    Fault("speeds-disagree", "loaded roll sets far apart", "over 25 % and 1 m/s apart for 2 s under load", 2010,
          Effect.EASE),
    Fault("engine-speed-lost", "no engine speed in a hold by engine speed",
          "reading missing for 200 ms", 210, Effect.EASE),
    # --- force ----------------------------------------------------------------------------
    Fault("cell-lost", "load cell open or converter silent", "reading missing for 20 ms", 30,
          Effect.TRIP),
    Fault("cell-suspect", "load cell saturated or doubted", "reading suspect for 100 ms", 110,
          Effect.EASE),
    Fault("cell-noisy", "load cell jumps as no arm can",
          "mean step between frames over 4 % of capacity plus 10 per second, for 50 ms", 150,
          Effect.EASE),
    Fault("cell-frozen", "load cell does not move", "same count 100 times, then for 100 ms", 310,
          Effect.EASE),
    Fault("cell-drifted", "force without load", "over 2 % of capacity for 2 s, no current, standing",
          2010, Effect.REFUSE),
    # --- absorbers ------------------------------------------------------------------------
    Fault("current-not-following", "coil current not as commanded",
          "off the coil model by over 3 A and 15 % for 300 ms", 500,
          Effect.EASE),
    Fault("current-stuck-on", "coil current although none is asked", "over 2 A, 1 s after zero", 1010,
          Effect.TRIP),
    Fault("absorber-weak", "force far below the map, or none",
          "under 40 % of the map for 1 s, current following", 1010,
          Effect.EASE),
    Fault("absorber-reversed", "force against the sign of braking",
          "under -3 % of capacity for 200 ms with current", 210,
          Effect.TRIP),
    Fault("rotor-warm", "rotor above its warning temperature", "sensor or heat model", 1000,
          Effect.WARN),
    Fault("rotor-near-limit", "an absorber is kept below what is asked by its heat", "heat guard", 1000,
          Effect.WARN),
    Fault("rotor-overloaded", "heat has kept load below the demand for long",
          "heat guard biting with load missing for 30 s", 31_000,
          Effect.EASE),
    Fault("rotor-hot", "rotor at its limit", "sensor or heat model", 1000,
          Effect.EASE),
    Fault("rotor-cooling", "rotor was at its limit and is not yet below re-entry", "heat guard", 1000,
          Effect.REFUSE),
    Fault("rotor-sensor-slipped", "a rotor sensor contradicts the work done",
          "outside 5 sigma of the heat model for 30 s", 32_000,
          Effect.WARN),
    Fault("rotor-sensor-failed", "a rotor sensor gives nothing usable",
          "silent, or outside 200 to 1500 K, for 10 s", 12_000,
          Effect.WARN),
    Fault("fan-missing", "an absorber's fan does not turn", "its switch, 2 s after it was asked for",
          2300, Effect.HOLD),
    # --- surroundings -----------------------------------------------------------------------
    Fault("sensor-silent", "a weather sensor gives no value",
          "its reading missing (silent for 3 x max_age_s, or not a number) for 1 s", 1300,
          Effect.REFUSE),
    Fault("weather-out-of-range", "weather no place has", "a weather reading beyond reason for 1 s",
          1300, Effect.REFUSE),
    Fault("tyre-slip", "the tyres slip on the rolls",
          "over 10 % from the learned ratio for 0.4 s, in a test by engine speed whose gear was in",
          810,
          Effect.EASE),
    # --- limits of the running plan ---------------------------------------------------------
    Fault("channel-limit-warned", "a channel beyond a limit of the plan that warns",
          "the plan's limit, for its `for_s` (1 s unless given)", 1300,
          Effect.WARN),
    Fault("channel-limit-ended", "a channel beyond a limit of the plan that ends the test",
          "the plan's limit, for its `for_s` (1 s unless given)", 1300,
          Effect.WARN),
    Fault("channel-limit", "a channel beyond a limit of the plan that eases off",
          "the plan's limit, for its `for_s` (1 s unless given)", 1300,
          Effect.EASE),
    Fault("channel-limit-lost", "a channel with a limit of the plan gives no value",
          "its reading missing (silent for 3 x max_age_s, or not a number) for 1 s", 1300,
          Effect.EASE),
    # --- envelope -------------------------------------------------------------------------
    Fault("over-speed", "rolls faster than the rig allows", "limits.max_speed_mps exceeded for 50 ms",
          60, Effect.HOLD),
    Fault("over-speed-far", "rolls far too fast", "5 % over limits.max_speed_mps for 50 ms", 60,
          Effect.TRIP),
    Fault("over-force", "force above the rig's limit", "5 % over limits.max_force_n for 50 ms", 60,
          Effect.EASE),
    Fault("over-power", "power above the rig's limit", "5 % over limits.max_power_w for 50 ms", 60,
          Effect.EASE),
)  # fmt: skip

TABLE: Mapping[str, Fault] = MappingProxyType({row.code: row for row in _ROWS})


class FaultRegister:
    """Which faults are active, since when, and the latched trip."""

    __slots__ = ("_active", "trip")

    def __init__(self, trip: TripLatch | None = None) -> None:
        self._active: dict[str, tuple[float, Text]] = {}
        self.trip = trip

    @property
    def any_active(self) -> bool:
        return bool(self._active)

    def update(self, codes: Mapping[str, Text] | Iterable[str], time_s: float) -> list[Event]:
        """Replace the active set; a mapping gives a detail per code. Returns what changed."""
        details: Mapping[str, Text] = (
            codes if isinstance(codes, Mapping) else dict.fromkeys(codes, "")
        )
        if not details and not self._active:
            return []
        events: list[Event] = []
        for code in [code for code in self._active if code not in details]:
            since_s, _ = self._active.pop(code)
            row = TABLE[code]
            events.append(
                Event(
                    time_s,
                    "fault-cleared",
                    row.text,
                    {"code": code, "lasted_s": time_s - since_s},
                )
            )
        for code, detail in details.items():
            if code in self._active:
                continue
            row = TABLE[code]
            self._active[code] = (time_s, detail)
            events.append(
                Event(
                    time_s,
                    "fault",
                    row.text,
                    {
                        "code": code,
                        "effect": row.effect.name.lower(),
                        "detail": detail,
                        "remedy": row.remedy,
                    },
                )
            )
        return events

    def severest(self) -> Fault | None:
        """The active fault that decides; of equals, the one active longest."""
        worst: Fault | None = None
        for code in self._active:
            row = TABLE[code]
            if worst is None or row.effect > worst.effect:
                worst = row
        return worst

    def latch(self, fault: Fault, time_s: float) -> bool:
        """Keep the first cause. True when this was the first."""
        if self.trip is not None:
            return False
        self.trip = TripLatch(fault.code, self.text_of(fault), fault.remedy, time_s)
        return True

    def text_of(self, fault: Fault) -> Text:
        """The fault's text with the detail it has now, such as which absorber it is."""
        return _detailed(fault, self._active.get(fault.code, (0.0, ""))[1])

    def reset(self) -> None:
        self.trip = None

    def view(self) -> tuple[FaultView, ...]:
        """For people: active faults, severest first, and the latched cause even when it is gone."""
        rows = sorted(self._active, key=lambda code: -TABLE[code].effect)
        views = [self._view_of(code, *self._active[code], active=True) for code in rows]
        if self.trip is not None and self.trip.code not in self._active:
            views.insert(
                0,
                FaultView(
                    self.trip.code,
                    "trip",
                    self.trip.text,
                    self.trip.remedy,
                    self.trip.time_s,
                    active=False,
                ),
            )
        return tuple(views)

    @staticmethod
    def _view_of(code: str, since_s: float, detail: Text, *, active: bool) -> FaultView:
        row = TABLE[code]
        return FaultView(
            code, row.effect.name.lower(), _detailed(row, detail), row.remedy, since_s, active
        )


def _detailed(fault: Fault, detail: Text) -> Text:
    return say("with-detail", text=fault.text, detail=detail) if detail else fault.text


def render() -> str:
    """docs/faults.md: the table as a page."""
    lines = [
        "# Faults",
        "",
        "Written by `python -m control.safety.faults` from the table in "
        "`control/safety/faults.py`; do not edit.",
        "The severest effect wins: warn (said, nothing taken away) < refuse (a test cannot start)",
        "< hold (load stays, no increase) < ease (load comes off along the easing ramp) < trip (load",
        "comes off, latched until a person resets it with the cause gone). A trip keeps its first",
        "cause, across restarts too.",
        "A software stop is not an emergency stop: the hardwired stop chain comes first, and local",
        "codes, the machine's maker and licensed practice come before this page.",
        "",
        "| code | condition | detected by | within | effect | a trip unloads | what it says | next step |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for row in _ROWS:
        release = row.release.value if row.effect is Effect.TRIP else ""
        cells = (
            f"`{row.code}`",
            row.condition,
            row.detection,
            f"{row.within_ms} ms",
            row.effect.name.lower(),
            release,
            str(row.text),
            str(row.remedy),
        )
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    print(render(), end="")
