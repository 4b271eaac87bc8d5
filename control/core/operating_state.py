"""The operating state of a rig: state machine, helm, faults and run, with their events.

Data flow: codes of faults and calls of control.core.command_handlers -> transitions of
control.core.states -> events. The frame's way from readings to a set point is control.core.core's,
which builds on this.
"""

from __future__ import annotations

import math

from control.absorber.identified import AcceptedTuneUp, Advice, Identified
from control.core.helm import Helm
from control.core.memory import Memory, found_in
from control.core.session import Session
from control.core.states import Trigger, after
from control.load_loop.loop import LoadLoop
from control.load_loop.tuning import OBSERVER_SHARE
from control.safety import gate
from control.safety.fans import FanControl
from control.safety.fault_detection import NOTHING
from control.safety.faults import TABLE, Effect, Fault, FaultRegister, Release
from control.telemetry import Event, RunEnd, State
from control.test_kinds.base import Test
from control.thermal.manager import ThermalManager
from daq.measure.measured import Measured
from daq.measure.rest import NO_CURRENT_A
from daq.rig.description import Rig
from daq.rig.engine_range import engine_range
from daq.texts.message import Text, say
from daq.wire.frames import Permission

LATE_S = 0.1  # no step for this long: the loop was late
TRIPS_WHEN_PARKED = frozenset({"current-stuck-on", "host-restarted"})


class OperatingState:
    """State of one rig and what moves it."""

    def __init__(
        self, rig: Rig, memory: Memory, session: Session, loads: LoadLoop, heat: ThermalManager
    ) -> None:
        self.rig = rig
        self.session = session
        self.loads = loads
        self.heat = heat
        self.state = State.PARKED
        self.helm = Helm(rig.limits.helm_expiry_s)
        self.faults = FaultRegister(memory.trip)
        self.acknowledged = False
        self.vehicle = ""  # acknowledged on the rolls
        self.engine = engine_range(rig)
        self.test: Test | None = None
        self.last_end: RunEnd | None = None
        self.ratio_per_m = memory.ratio_per_m
        self.ratio_of = memory.ratio_of
        self.zeros: dict[str, float] = {
            name: one.zero_count
            for name, one in memory.absorbers.items()
            if one.zero_count is not None
        }
        self.teeth = dict(memory.teeth)
        self.identified: dict[str, Identified] = found_in(memory)
        self.advice: Advice | None = memory.advice
        self.tuned: AcceptedTuneUp | None = memory.tuned
        if self.tuned is not None:
            loads.set_observer(self.tuned.observer_share)
        self.measured: Measured | None = None
        self.frames_lost = 0  # since this core began
        self._limits = gate.limits_of(rig)
        self._gate = gate.closed(self._limits)
        self._taken = -1  # the set point taken last and the device time when that was seen
        self._taken_s = -math.inf
        self._release = Release.RAMP
        self._zero_a = (0.0,) * len(rig.absorbers)
        self._fresh = False  # the demand starts from where the load is
        self._now_s = 0.0
        self._outside: dict[str, Text] = {}
        self._moment: dict[str, Text] = {}
        self._fan_control = FanControl(rig)
        self._events: list[Event] = []
        if self.faults.trip is not None:
            self.state = State.TRIPPED
        elif memory.loaded:
            self.faults.latch(TABLE["host-restarted"], 0.0)
            self.state = State.TRIPPED

    def _last_codes(self) -> dict[str, Text]:
        """Frame faults stay as they were while no frame comes."""
        own = {"link-lost", "helm-expired", "loop-late", *self._moment, *self._outside}
        return {
            view.code: ""
            for view in self.faults.view()
            if view.active and view.code not in own and self.session.live
        }

    def zeros_missing(self) -> tuple[str, ...]:
        """Absorbers whose load cell has no zero yet."""
        return tuple(one.name for one in self.rig.absorbers if one.name not in self.zeros)

    # ---- faults ----------------------------------------------------------------------------------

    def outside(self, code: str, active: bool, detail: Text = "") -> None:
        """A condition reported from outside the frames: recorder-failed, disk-low, and the like."""
        if code not in TABLE:
            raise KeyError(code)
        if active:
            self._outside[code] = detail
        else:
            self._outside.pop(code, None)

    def _add_own(
        self, codes: dict[str, Text], measured: Measured | None, late: bool, loaded: bool
    ) -> dict[str, Text]:
        helm_gone = self.state is State.LOADED and not self.helm.holder
        # A set point that forces is valid for less than the rig file says: its end alone only takes
        # the forcing away, and the next set point that arrives goes on from what flows.
        lapsed = (
            loaded
            and measured is not None
            and measured.permission == Permission.EASING
            and measured.time_s - self._taken_s
            >= 1e-3 * self._limits.validity_ms - 2.0 * self.loads.frame_s
        )
        limits = self.test.limits.codes if loaded and self.test is not None else {}
        if not (late or helm_gone or lapsed or limits or self._outside or self._moment):
            return codes
        codes = dict(codes) if codes is NOTHING else codes
        if late and measured is not None:
            silent = measured.frames_lost > 0.5 * LATE_S / self.loads.frame_s
            codes["link-lost" if silent else "loop-late"] = ""
        if helm_gone:
            codes["helm-expired"] = ""
        if lapsed:
            codes["permission-lapsed"] = ""
        codes.update(limits)
        codes.update(self._outside)
        codes.update(self._moment)
        self._moment = {}
        return codes

    def _act(self) -> None:
        """Let the severest active fault move the state."""
        fault = self.faults.severest()
        if fault is None:
            return
        state = self.state
        if fault.effect is Effect.TRIP and state is not State.TRIPPED:
            if state is not State.PARKED or fault.code in TRIPS_WHEN_PARKED:
                self._trip(fault)
        elif fault.effect is Effect.TRIP and fault.release is Release.AT_ONCE:
            self._release = Release.AT_ONCE  # a worse cause after the first: off at once
        elif fault.effect is Effect.EASE and state is State.LOADED:
            # while ready it only keeps a test from starting
            self.ease(fault.code, self.faults.text_of(fault), fault.remedy)

    def _trip(self, fault: Fault) -> None:
        self.faults.latch(fault, self.time_s)
        self._release = fault.release
        self.acknowledged = False
        self._end_run(fault.code, self.faults.text_of(fault), fault.remedy)
        self.move(Trigger.TRIP, fault.code)

    # ---- changes of state, also used by control.core.command_handlers
    # -------------------------------------------

    @property
    def time_s(self) -> float:
        """Device time when there is one, else the host's."""
        chain = self.session.chain
        return chain.now_s if chain is not None else self._now_s

    @property
    def now_s(self) -> float:
        return self._now_s

    def event(self, kind: str, text: Text, /, **data: Text | float | int | bool) -> None:
        self._events.append(Event(self.time_s, kind, text, data))

    def move(self, trigger: Trigger, why: str) -> None:
        """Fire a trigger that is known to be allowed."""
        to = after(self.state, trigger)
        if to is None:
            raise RuntimeError(f"{trigger} has no meaning while {self.state}")
        before, self.state = self.state, to
        if to is State.LOADED:
            self._fresh = True
        if self.session.chain is not None:
            self.session.chain.learn_teeth(to is not State.LOADED)
        if before in (State.LOADED, State.EASING):
            self._fan_control.load_ended(self.time_s)
        if to is State.PARKED:
            self.acknowledged = False
        self.event(
            "state",
            say("state-changed", before=before, after=to, why=why),
            before=before,
            after=to,
            why=str(why),
        )

    def begin(self, test: Test) -> None:
        self.test = test
        self.last_end = None
        test.attach(self.loads)
        self.move(Trigger.START, test.run_id)
        self.heat.begin_run(test.run_id)
        self.event(
            "run-started",
            say("run-started", run_id=test.run_id),
            run_id=test.run_id,
            test=test.plan_kind,
        )
        test.opened()
        self.tell_news(test)

    def tell_news(self, test: Test) -> None:
        """Phases and set points of a test as events: the recording holds them."""
        for kind, text, data in test.news:
            self.event(kind, text, run_id=test.run_id, **data)
        test.news.clear()

    def ease(self, code: str, text: Text, remedy: Text = "") -> None:
        """Begin to take the load off in order and end the run."""
        self._end_run(code, text, remedy)
        self.move(Trigger.EASE, code)

    def _end_run(self, code: str, text: Text, remedy: Text) -> None:
        test = self.test
        if test is None:
            return
        self.test = None
        self.tell_news(test)
        self.last_end = RunEnd(
            test.run_id, test.plan_kind, code, text, remedy, self.time_s, tuple(test.voids.values())
        )
        self.heat.end_run()
        if test.done and test.found:
            self._adopt(test.found)
            self.advice = test.advice or self.advice
        self.event("run-ended", text, reason=code, **test.summary())

    def _adopt(self, found: dict[str, Identified]) -> None:
        """Take what an identification found into use; the coils carry nothing now."""
        self.identified |= found
        for i, absorber in enumerate(self.rig.absorbers):
            if absorber.name in found:
                self.loads.adopt(i, found[absorber.name])
        worst = max(one.error_percent for one in found.values())
        self.event("notice", say("absorbers-identified"), worst_error_percent=worst)

    def tune(self, accepted: AcceptedTuneUp | None) -> None:
        """Put an accepted tune-up in force, or the usual tuning; nothing is loaded now."""
        self.tuned = accepted
        self.loads.set_observer(accepted.observer_share if accepted else OBSERVER_SHARE)

    def forget_identified(self, names: tuple[str, ...]) -> None:
        """The rig file's map and lags again for these absorbers; nothing is loaded now."""
        for i, absorber in enumerate(self.rig.absorbers):
            if absorber.name in names and self.identified.pop(absorber.name, None) is not None:
                self.loads.adopt(i, None)

    def reset_trip(self) -> None:
        self.faults.reset()
        self.move(Trigger.RESET, "reset by the helm")

    def helm_changed(self, text: Text) -> None:
        self.acknowledged = False
        self.event("helm", text, holder=self.helm.holder, name=self.helm.name)

    def _left_the_helm(self, text: Text) -> None:
        self.helm_changed(text)

    def unloaded(self) -> bool:
        """Nothing asked and no coil carrying current."""
        measured = self.measured
        if measured is None or self._gate.currents_a != self._zero_a:
            return False
        return all(not absorber.current.value > NO_CURRENT_A for absorber in measured.absorbers)

    def _fans(self) -> int:
        """Bits of the fans that shall run."""
        state, measured = self.state, self.measured
        return self._fan_control.bits(
            state is State.LOADED or state is State.EASING,
            measured.time_s if measured is not None else None,
            self.session.all_fans,
        )

    def fans_asked(self) -> tuple[str, ...]:
        """Names of the fans that shall run now, those outside the front end included."""
        under_load = self.state in (State.LOADED, State.EASING)
        return self._fan_control.names(under_load, self.time_s, self.heat.hot_fans)
