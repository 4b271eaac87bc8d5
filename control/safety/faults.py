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


class TripLatch(msgspec.Struct, frozen=True):
    """The first cause of a trip; later causes do not overwrite it."""

    code: str
    text: str
    remedy: str
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
    text: str
    remedy: str
    release: Release = Release.RAMP


_ROWS = (
    # --- link, front end, host ------------------------------------------------------------
    Fault("link-lost", "no frame from the front end", "no sample for 100 ms on the host's clock", 110,
          Effect.TRIP, "The front end is silent.",
          "It takes the load off by itself. Check cable and power, then reset."),
    Fault("frames-lost", "frames from the front end are missing", "over 10 % lost within 1 s", 1000,
          Effect.EASE, "Many frames from the front end are lost.",
          "Check cable, connectors, grounding and other users of the port."),
    Fault("front-end-restarted", "the front end rebooted", "a new boot id in its greeting", 50,
          Effect.TRIP, "The front end restarted.",
          "Find out why (supply, watchdog), then reset.", Release.AT_ONCE),
    Fault("session-lost", "the front end is in another session", "greeting with a session not ours",
          50, Effect.TRIP, "Somebody else opened a session with the front end.",
          "Make sure one loop only uses this port, then reset."),
    Fault("wire-mismatch", "protocol or channels do not fit", "greeting checked against rig file", 50,
          Effect.TRIP, "The front end does not fit the rig file.",
          "Compare firmware and rig.toml; see the message for the channel."),
    Fault("set-points-refused", "the front end refuses set points", "its notice", 50,
          Effect.TRIP, "The front end refuses our set points.",
          "See the detail; if it returns, restart the front end and reset."),
    Fault("permission-lapsed", "our set points arrive too late", "it is easing, and no set point was taken for the rig's validity", 100,
          Effect.EASE, "The front end eased off because set points came late.",
          "Check the computer's load and the cable, then make ready again."),
    Fault("frames-contradict", "frames from the front end contradict themselves",
          "an invariant of the wire broken in 5 frames within 100 ms; each is dropped whole", 110,
          Effect.TRIP, "Frames from the front end contradict themselves.",
          "See the detail; check the front end's firmware and inputs, then reset."),
    Fault("clock-jump", "device time and sequence disagree", "frame time against sequence: 50 ms within a second, at once or frame by frame", 1010,
          Effect.TRIP, "The front end's clock jumped.", "Restart the front end, then reset."),
    Fault("loop-late", "the loop was late", "over 100 ms between two steps on the host's clock", 110,
          Effect.EASE, "The loop stood still for more than 0.1 s.",
          "Close other work on this computer; see the loop's health."),
    Fault("host-restarted", "the loop restarted under load", "memory says load was on", 0,
          Effect.TRIP, "The loop restarted while load was on.",
          "Find out why it stopped, check the truck, then reset."),
    Fault("recorder-failed", "raw data cannot be written", "told by the recorder", 600,
          Effect.EASE, "The recorder cannot write.", "Free disk space or mend the disk."),
    Fault("disk-low", "little disk space", "told by the recorder", 1000,
          Effect.REFUSE, "The disk is nearly full.", "Free some space before the next test."),
    Fault("disk-full", "the last disk space is left for ending in order", "told by the recorder", 1100,
          Effect.EASE, "The disk is full: the test ends in order while it can still be recorded.",
          "Free disk space, then evaluate the run; it was closed whole."),
    Fault("memory-failed", "what must survive a restart cannot be written", "told by the loop", 1100,
          Effect.REFUSE, "A trip would not survive a restart: the rig's memory cannot be written.",
          "Free disk space or mend the disk; see the detail."),
    Fault("service-gone", "the service process is dead", "no reader on the local channel", 1100,
          Effect.REFUSE, "The page's process is gone; the load loop goes on without it.",
          "It is started again by itself; under load the helm expires and the load eases off."),
    Fault("calibration-due", "a load cell's calibration is out of date",
          "date in rig.toml, limits.calibration_days; told by the loop", 1100,
          Effect.REFUSE, "A load cell's calibration is not in date.",
          "Calibrate by dead weight and enter slope and date in rig.toml."),
    # --- people ---------------------------------------------------------------------------
    Fault("stop-chain-open", "the hardwired stop chain is open", "digital input", 10,
          Effect.TRIP, "The stop chain is open.",
          "Find who opened it and why, close it, then reset.", Release.AT_ONCE),
    Fault("tie-downs-open", "tie-downs not acknowledged at their switch, no load",
          "digital input", 10, Effect.REFUSE, "The tie-down switch is not set.",
          "Check every strap, then set the switch."),
    Fault("tie-downs-opened", "tie-down switch opened under load", "digital input for 50 ms", 60,
          Effect.EASE, "The tie-down switch opened under load.",
          "Lift off, come to a stop, check every strap."),
    Fault("helm-expired", "the person at the helm is gone", "no heartbeat for limits.helm_expiry_s",
          10, Effect.EASE, "Nobody keeps the helm any more.", "Take the helm again."),
    Fault("set-point-beyond-rig", "the test asks for more than the rig may",
          "the running set point against limits, each frame", 10,
          Effect.EASE, "The running test's set point is beyond the rig.",
          "Choose a lower set point, or learn the ratio again in the gear of the test."),
    # --- speed ----------------------------------------------------------------------------
    Fault("speed-lost", "no roll speed", "speed reading missing for 20 ms", 30,
          Effect.TRIP, "A roll speed is missing.",
          "Check the tooth sensor's gap, cable and channel. It is believed again once its roll turns."),
    Fault("speed-suspect", "roll speed noisy or contradicted", "speed reading suspect for 100 ms", 110,
          Effect.EASE, "A roll speed cannot be trusted.",
          "Check the tooth wheel for dirt and the sensor for play."),
    Fault("speed-frozen", "roll speed does not move", "same value for 500 ms under load", 510,
          Effect.TRIP, "A roll speed is frozen.", "Check the tooth sensor and its channel."),
    Fault("speeds-disagree", "loaded roll sets far apart", "over 25 % and 1 m/s apart for 2 s under load", 2010,
          Effect.EASE, "The roll sets turn at different speeds.",
          "Check tyres, transfer case and the truck's position."),
    Fault("engine-speed-lost", "no engine speed in a hold by engine speed",
          "reading missing for 200 ms", 210, Effect.EASE, "Engine speed is missing.",
          "Check the pickup, or learn the ratio of the gear."),
    # --- force ----------------------------------------------------------------------------
    Fault("cell-lost", "load cell open or converter silent", "reading missing for 20 ms", 30,
          Effect.TRIP, "A load cell gives no reading.", "Check its cable and excitation."),
    Fault("cell-suspect", "load cell saturated or doubted", "reading suspect for 100 ms", 110,
          Effect.EASE, "A load cell cannot be trusted.", "Check range, arm and cable."),
    Fault("cell-noisy", "load cell jumps as no arm can",
          "mean step between frames over 4 % of capacity plus 10 per second, for 50 ms", 150,
          Effect.EASE, "A load cell's reading jumps about.",
          "Check its cable, shield and plug, and what runs beside it."),
    Fault("cell-frozen", "load cell does not move", "same value for 500 ms under load", 510,
          Effect.EASE, "A load cell is frozen.", "Check the converter and its cable."),
    Fault("cell-drifted", "force without load", "over 2 % of capacity for 2 s, no current, standing",
          2010, Effect.REFUSE, "A load cell shows force although nothing loads it.",
          "Take zeros; if it returns, check arm and cell."),
    # --- absorbers ------------------------------------------------------------------------
    Fault("current-not-following", "coil current not as commanded",
          "off the coil model by over 3 A and 15 % for 300 ms", 500,
          Effect.EASE, "A supply does not follow its set point.",
          "Check the supply, its fuses and the coil."),
    Fault("current-stuck-on", "coil current although none is asked", "over 2 A, 1 s after zero", 1010,
          Effect.TRIP, "A coil carries current that nobody asked for.",
          "Open the stop chain and check the supply."),
    Fault("absorber-weak", "force far below the map, or none",
          "under 40 % of the map for 1 s, current following", 1010,
          Effect.EASE, "An absorber gives far less force than it should.",
          "Let it cool; check gap, coils and arm."),
    Fault("absorber-reversed", "force against the sign of braking",
          "under -3 % of capacity for 200 ms with current", 210,
          Effect.TRIP, "An absorber's force has the wrong sign.",
          "Check arm_sign in rig.toml and the cell's wiring."),
    Fault("rotor-warm", "rotor above its warning temperature", "sensor or heat model", 1000,
          Effect.WARN, "A rotor is hot.", "Plan a pause; load moves to cooler absorbers."),
    Fault("rotor-near-limit", "an absorber is kept below what is asked by its heat", "heat guard", 1000,
          Effect.WARN, "Heat limits an absorber.", "Ease the pedal, or end the test soon."),
    Fault("rotor-overloaded", "heat has kept load below the demand for long",
          "heat guard biting with load missing for 30 s", 31_000,
          Effect.EASE, "The absorbers cannot take this load any longer.",
          "Let them cool with the fans running; ask for less, or for pauses."),
    Fault("rotor-hot", "rotor at its limit", "sensor or heat model", 1000,
          Effect.EASE, "A rotor has reached its limit.", "Let it cool with the fans running."),
    Fault("rotor-cooling", "rotor was at its limit and is not yet below re-entry", "heat guard", 1000,
          Effect.REFUSE, "A rotor cools down from its limit.",
          "Wait until it is below its re-entry temperature; let it turn slowly with its fan."),
    Fault("rotor-sensor-slipped", "a rotor sensor contradicts the work done",
          "outside 5 sigma of the heat model for 30 s", 32_000,
          Effect.WARN, "A rotor sensor tells what the work does not explain.",
          "Check its place and sight; until then the heat model alone keeps the rotor safe."),
    Fault("rotor-sensor-failed", "a rotor sensor gives nothing usable",
          "silent, or outside 200 to 1500 K, for 10 s", 12_000,
          Effect.WARN, "A rotor sensor is not usable.",
          "Check it; until then the heat model alone keeps the rotor safe, with a wider margin."),
    Fault("fan-missing", "an absorber's fan does not turn", "its switch, 2 s after it was asked for",
          2300, Effect.HOLD, "An absorber's fan does not turn.",
          "Ease off before the rotor gets hot; check fan, fuse and switch."),
    # --- surroundings -----------------------------------------------------------------------
    Fault("sensor-silent", "a weather sensor gives no value",
          "its reading missing (silent for 3 x max_age_s, or not a number) for 1 s", 1300,
          Effect.REFUSE, "A weather sensor gives no value.",
          "Check the sensor or its topic; or take it out of rig.toml."),
    Fault("weather-out-of-range", "weather no place has", "a weather reading beyond reason for 1 s",
          1300, Effect.REFUSE, "A weather reading cannot be right.",
          "Check the sensor and its unit in rig.toml: results are corrected by it."),
    Fault("tyre-slip", "the tyres slip on the rolls",
          "over 10 % from the learned ratio for 0.4 s, in a test by engine speed whose gear was in",
          810,
          Effect.EASE, "The tyres slip on the rolls.",
          "Lift off; check straps, pressure and tread; ask for less force."),
    # --- limits of the running plan ---------------------------------------------------------
    Fault("channel-limit-warned", "a channel beyond a limit of the plan that warns",
          "the plan's limit, for its `for_s` (1 s unless given)", 1300,
          Effect.WARN, "A channel is beyond a limit of the plan.",
          "Watch it; the detail names it. The warning ends when it is back by its hysteresis."),
    Fault("channel-limit-ended", "a channel beyond a limit of the plan that ends the test",
          "the plan's limit, for its `for_s` (1 s unless given)", 1300,
          Effect.WARN, "A channel beyond a limit of the plan ends the test in order.",
          "Let it come back inside before the next test, or change the limit."),
    Fault("channel-limit", "a channel beyond a limit of the plan that eases off",
          "the plan's limit, for its `for_s` (1 s unless given)", 1300,
          Effect.EASE, "A channel is beyond a limit of the plan: the load comes off.",
          "Find out why; let it come back inside before the next test."),
    Fault("channel-limit-lost", "a channel with a limit of the plan gives no value",
          "its reading missing (silent for 3 x max_age_s, or not a number) for 1 s", 1300,
          Effect.EASE, "A channel that the plan limits gives no value.",
          "Check its sensor or topic; without it the limit protects nothing."),
    # --- envelope -------------------------------------------------------------------------
    Fault("over-speed", "rolls faster than the rig allows", "limits.max_speed_mps exceeded for 50 ms",
          60, Effect.HOLD, "The rolls turn too fast.", "Lift off the pedal."),
    Fault("over-speed-far", "rolls far too fast", "5 % over limits.max_speed_mps for 50 ms", 60,
          Effect.TRIP, "The rolls turn far too fast.", "Lift off and brake gently."),
    Fault("over-force", "force above the rig's limit", "5 % over limits.max_force_n for 50 ms", 60,
          Effect.EASE, "The force is above what the rig allows.", "Ask for less."),
    Fault("over-power", "power above the rig's limit", "5 % over limits.max_power_w for 50 ms", 60,
          Effect.EASE, "The power is above what the rig allows.", "Ask for less."),
)  # fmt: skip

TABLE: Mapping[str, Fault] = MappingProxyType({row.code: row for row in _ROWS})


class FaultRegister:
    """Which faults are active, since when, and the latched trip."""

    __slots__ = ("_active", "trip")

    def __init__(self, trip: TripLatch | None = None) -> None:
        self._active: dict[str, tuple[float, str]] = {}
        self.trip = trip

    @property
    def any_active(self) -> bool:
        return bool(self._active)

    def update(self, codes: Mapping[str, str] | Iterable[str], time_s: float) -> list[Event]:
        """Replace the active set; a mapping gives a detail per code. Returns what changed."""
        details = codes if isinstance(codes, Mapping) else dict.fromkeys(codes, "")
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

    def text_of(self, fault: Fault) -> str:
        """The fault's text with the detail it has now, such as which absorber it is."""
        detail = self._active.get(fault.code, (0.0, ""))[1]
        return f"{fault.text} ({detail})" if detail else fault.text

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
    def _view_of(code: str, since_s: float, detail: str, *, active: bool) -> FaultView:
        row = TABLE[code]
        text = f"{row.text} ({detail})" if detail else row.text
        return FaultView(code, row.effect.name.lower(), text, row.remedy, since_s, active)


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
            row.text,
            row.remedy,
        )
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    print(render(), end="")
