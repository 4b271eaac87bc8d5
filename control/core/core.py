"""The core: one pure step from a frame and commands to a set point, answers and events.

Data flow of a sample: daq chain -> readings -> demand of the running test -> control.load_loop.loop
(observer, share, force loops) -> faults -> state -> gate -> SetPoint. No clock but the one handed
in, no I/O; the same step runs at the rig and in virtual time. What must survive a restart is
`memory()`. Commands are handled in control.core.command_handlers, greetings in
control.core.session.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec

from control.core import command_handlers, snapshot
from control.core.commands import Answer, AnyCommand
from control.core.controller_inputs import ControllerInputs
from control.core.memory import Memory, found_in
from control.core.operating_state import LATE_S, OperatingState
from control.core.sample_age import SampleAge
from control.core.session import ChainMaker, Session
from control.core.states import Trigger
from control.load_loop.loop import LoadLoop, Output, asking_nothing
from control.safety import gate
from control.safety.fault_detection import FaultDetector
from control.safety.faults import Effect, Release
from control.safety.gate import Clamp, Mode
from control.telemetry import Event, State, Telemetry
from control.thermal.manager import ThermalManager
from daq.measure.chain import Chain
from daq.measure.measured import Measured
from daq.measure.rest import NO_CURRENT_A
from daq.readings import Reading
from daq.rig.description import Rig
from daq.texts.message import say
from daq.wire.frames import (
    FromFrontEnd,
    Hello,
    Notice,
    NoticeCode,
    Permission,
    Sample,
    SetPoint,
    Slow,
    ToFrontEnd,
    last_set_point_of,
)

SILENCE_S = 0.1  # no sample for this long: the link is lost
EMPTY_S = 2.0  # longest wait for the coils once nothing is asked of them
TELL_MOST, TELL_S = 20, 1.0  # words of the front end that are passed on within that time
CONTRADICTING_FRAMES, CONTRADICTING_S = 5, 0.1  # so many within that time are no accident
GREETING_FRAMES = 2  # so many samples after a greeting may still show the session before it
FLIGHT_FRAMES = 50  # the transport delay counts as changed when it stays for so many frames
_SERIOUS = int(Clamp.NOT_A_NUMBER | Clamp.FORCE | Clamp.POWER | Clamp.SPEED)


class CoreOutput(msgspec.Struct, frozen=True, gc=False):
    set_point: SetPoint | None
    send: tuple[ToFrontEnd, ...] = ()
    answers: tuple[Answer, ...] = ()
    events: tuple[Event, ...] = ()


class Core(OperatingState):
    """All control state of one rig and the frame's way through it."""

    def __init__(
        self,
        rig: Rig,
        memory: Memory | None = None,
        make_chain: ChainMaker = Chain,
        off_s: float = 0.0,
        session: int = 0,
    ) -> None:
        """`off_s`: seconds since `memory` was written, as far as known: rotors cooled meanwhile.
        `session`: a random number to begin with on the wire; 0: the one after memory's."""
        memory = memory or Memory()
        loads = LoadLoop(
            rig,
            {name: (one.gain, one.shape, one.rotor_k) for name, one in memory.absorbers.items()},
            found_in(memory),
        )
        heat = ThermalManager(
            rig,
            {name: one.heat for name, one in memory.absorbers.items() if one.heat is not None},
            off_s,
            loads,
        )
        super().__init__(
            rig, memory, Session(rig, session or memory.session + 1, make_chain), loads, heat
        )
        self._heat_countdown = self.heat.slot_frames
        self._fault_detector = FaultDetector(rig)
        self._clamped = 0
        count = len(rig.absorbers)
        names = [roll_set.name for roll_set in rig.roll_sets]
        self._owner = tuple(names.index(absorber.roll_set) for absorber in rig.absorbers)
        self._output = asking_nothing(count)
        self._aim = 0
        self._step_s: float | None = None
        self._sample_s: float | None = None
        self._frame_time_s: float | None = None
        self._sample_age = SampleAge()
        self._late = False  # since the last sample
        self._silent = False  # no sample for SILENCE_S
        self._cut_off = False  # frames did not come in time: the gate knows what was, not what is
        self._greeted_frames = 0  # samples that may still be of the session before
        self.frames_contradicting = 0  # since this core began
        self._contradicting: list[float] = []  # when, of late
        self._taken_mark = 0  # the newest set point known to be taken, or sent before the session
        self._taken_none = True  # of this session
        self.notices_left_out = 0  # since this core began
        self._told_of_board: list[float] = []  # when, of late
        self._flight = (0, 0)
        self.inputs = ControllerInputs(rig)
        self._zero_for_s = 0.0
        self._slipping = False

    # ---- the step ----------------------------------------------------------------------------

    def step(
        self, frame: FromFrontEnd | None, commands: Sequence[AnyCommand], now_s: float
    ) -> CoreOutput:
        """One frame (or None when nothing came) and the commands since the last step."""
        self._now_s = now_s
        gap_s = now_s - self._step_s if self._step_s is not None else 0.0
        self._step_s = now_s
        if gap_s > LATE_S:
            self._late = True
            if self._sample_s is not None:  # who was not there to hear cannot say it was silent
                self._sample_s = now_s
        if type(frame) is Sample and self.session.live:
            problem = self.session.contradiction(frame) or self._taken_unsent(frame)
            if problem:
                frame = None  # as if nothing had come: none of it is believed
                self._contradicted(problem, now_s)
        answers: list[Answer] = []
        for command in commands:
            answers.append(command_handlers.handle(self, command))
        if self.helm.expired(now_s):
            self._left_the_helm(say("helm-expired-no-heartbeat-from-its"))
        set_point: SetPoint | None = None
        if type(frame) is Sample:
            set_point = self._sample(frame, now_s)
        elif type(frame) is Hello:
            self._hello(frame.as_shown(), now_s)
        elif type(frame) is Slow:
            if self.session.chain is not None and self.session.live:
                self.session.chain.slow(frame)
        elif type(frame) is Notice:
            self._notice(frame, now_s)
        elif frame is None:
            self._silence(now_s)
        send: tuple[ToFrontEnd, ...] = ()
        if not self.session.live:
            send = self.session.ask(now_s)
        events: tuple[Event, ...] = ()
        if self._events:
            events, self._events = tuple(self._events), []
        return CoreOutput(set_point, send, tuple(answers), events)

    def _sample(self, sample: Sample, now_s: float) -> SetPoint | None:
        chain = self.session.chain
        if not self.session.live or chain is None:
            return None
        measured = chain.update(sample)
        self.measured = measured
        time_s = measured.time_s
        age = self._sample_age
        age.take(time_s, now_s)
        late = self._late or (age.behind and not self._silent)
        self._late = False
        last = self._frame_time_s
        dt_s = time_s - last if last is not None else self.loads.frame_s
        if not 0.0 < dt_s < 0.05:
            dt_s = self.loads.frame_s
        if last is None:
            for i, absorber in enumerate(measured.absorbers):
                self.loads.set_cell_delay(i, absorber.force_delay_s)
        self._frame_time_s = time_s
        self._sample_s = now_s
        self.frames_lost += measured.frames_lost
        flight = (self._gate.sequence - measured.last_set_point) & 0xFFFF
        if flight != self.loads.in_flight:
            self._follow_flight(flight)
        if measured.last_set_point != self._taken:
            self._taken, self._taken_s = measured.last_set_point, time_s

        inputs = self.inputs
        inputs.read(measured)
        speeds, coils, doubtful = inputs.speeds, inputs.coils, inputs.doubtful
        age_s = inputs.age_s
        if not 0.8 * self.loads.speed_age_s < age_s < 1.25 * self.loads.speed_age_s:
            self.loads.set_delays(age_s, self.loads.in_flight)
        if measured.permission == Permission.EASING:
            self._gate = gate.resynced(self._gate, coils)
        sent = self._gate.currents_a

        if measured.tyre_slip is not self._slipping:
            self._report_slip(measured)
        loaded = self.state is State.LOADED
        test = self.test
        aim, target, rate = 0, 0.0, 1.0
        severest = self.faults.severest() if self.faults.any_active else None
        held = severest is not None and severest.effect is Effect.HOLD
        if loaded and test is not None:
            before = self._output
            if self._fresh:  # a reference left from before is in the unit of another aim
                before = msgspec.structs.replace(before, reference=math.nan)
            demand = test.update(measured, before, dt_s, held)
            if test.news:
                self.tell_news(test)
            if demand.aim != self._aim or demand.fresh:  # from where the load is now: no jump
                self._aim, demand.fresh = demand.aim, False
                self._fresh = True
            if aim_currents := demand.currents:
                self.loads.ask_currents(aim_currents)
            aim, target, rate = demand.aim, demand.target, demand.rate
        output = self.loads.step(
            dt_s, aim, target, rate, self._fresh,
            inputs.travels, inputs.ages, coils, inputs.cells, inputs.shafts, sent, speeds,
            measured.roll_sets[0].speed_delay_s,
        )  # fmt: skip
        self._output = output
        self._fresh = False

        self._heat_countdown -= 1
        if self._heat_countdown <= 0:
            self._heat_countdown = self.heat.slot_frames
            self.heat.turn(measured, self._fans() != 0, output.shortfall_n, loaded)
            self._fault_detector.hot = self.heat.codes
            if loaded and test is not None:
                test.on_thermal_state(self.heat.nearest_k(), self.heat.advice() != "")
            hot = 0
            for name in self.heat.hot_fans:
                hot |= self.session.fan_bits.get(name, 0)
            self._fan_control.hot(hot)

        # Faults of this frame and what they do.
        underway = loaded or self.state is State.EASING
        codes = self._fault_detector.frame(
            measured, self.loads, underway, loaded and test is not None and test.by_engine, doubtful
        )
        codes = self._add_own(codes, measured, late, loaded)
        if codes or self.faults.any_active:
            self._events += self.faults.update(codes, time_s)
            self._act()
        if loaded and test is not None and test.done and self.state is State.LOADED:
            self.ease(*test.end)
        if self.state is State.READY and not self.helm.holder:
            self.move(Trigger.PARK, "nobody at the helm")
        self._cut_off = self._cut_off or age.past or late
        if age.old or self._of_session_before(measured):
            return None  # what it shows is past: no set point comes of it
        self._silent = False
        if self._cut_off:
            self._cut_off = False
            self._gate = gate.woken(self._gate, coils)
        return self._through_gate(output, dt_s, held)

    def _of_session_before(self, measured: Measured) -> bool:
        """A permission held before this session sent anything is a word of the one before.

        Opening a session ends it; zero sent on such a word would end the fade that follows.
        """
        if self._greeted_frames == GREETING_FRAMES or measured.permission != Permission.HELD:
            self._greeted_frames = GREETING_FRAMES
            return False
        self._greeted_frames += 1
        return True

    def _through_gate(self, output: Output, dt_s: float, held: bool) -> SetPoint | None:
        inputs = self.inputs
        speeds, coils = inputs.speeds, inputs.coils
        state = self.state
        asked = self._zero_a
        mode = Mode.DENY
        measured = self.measured
        permission = measured.permission if measured is not None else Permission.NONE
        if state is State.LOADED:
            mode = Mode.LOAD
            asked = output.currents_a
            if held:
                coils_a = self._gate.coils_a
                asked = tuple([a if a < b else b for a, b in zip(asked, coils_a, strict=True)])
        elif state is not State.TRIPPED or self._release is Release.RAMP:
            if permission == Permission.EASING:
                # The front end takes the load off along its ramp: a set point would end that.
                self._gate = gate.handed_over(self._gate, coils)
                self._zero_for_s = 0.0
                return None
            if state is State.EASING or self._gate.currents_a != self._zero_a:
                mode = Mode.EASE
        permitted = (
            measured is not None
            and measured.stop_chain_closed
            and permission != Permission.CHAIN_OPEN
        )
        decision = gate.decide(
            self._limits,
            self._gate,
            gate.Request(
                mode,
                permitted,
                self.session.number if self.session.live else 0,
                asked,
                tuple(coils),
                tuple([speeds[owner] for owner in self._owner]),
                inputs.force_n,
                inputs.power_w,
                dt_s,
                self._fans(),
            ),
        )
        self._gate = decision.state
        if decision.clamps:
            self._report_clamps(decision.clamps)
        if state is State.EASING and decision.state.currents_a == self._zero_a:
            self._zero_for_s += dt_s
            if self._zero_for_s > EMPTY_S or all(not coil > NO_CURRENT_A for coil in coils):
                self.move(Trigger.UNLOADED, "load is off")
        else:
            self._zero_for_s = 0.0
        return decision.set_point

    def line_opened(self) -> None:
        """The port was opened (again): a session left over from before it has ended."""
        self.session.reopen()
        self._gate = gate.closed(self._limits, self._gate.sequence, self._gate.coils_a)

    # ---- frames other than samples -------------------------------------------------------------

    def _hello(self, hello: Hello, now_s: float) -> None:
        was_live = self.session.live
        code, detail = self.session.greet(hello, now_s)
        if self.session.live and not was_live:
            chain = self.session.chain
            if chain is not None:
                chain.restore_zeros(self.zeros)
                chain.restore_tooth_tables(self.teeth)
                if self.ratio_per_m is not None:
                    chain.learned_ratio = self.ratio_per_m
            self._frame_time_s = None
            self._sample_age.restart()
            self._late = self._silent = self._cut_off = False
            self._greeted_frames = 0
            self._taken_mark, self._taken_none = self._gate.sequence, True
            self._sample_s = now_s
            self._fault_detector.clear_clock()
            if self._may_tell(now_s):
                told = say("front-end-greeted", firmware=hello.firmware)
                self.event("notice", told, session=hello.session)
        if code == "wire-mismatch":
            self._outside[code] = detail
        else:
            self._outside.pop("wire-mismatch", None)
        if code and code != "wire-mismatch":
            self._moment[code] = detail
        if code or not self.session.live:
            self._gate = gate.closed(self._limits, self._gate.sequence, self._gate.coils_a)
            self._without_frame()

    def _may_tell(self, now_s: float) -> bool:
        """Whether a word of the front end is passed on: what it says is not believed to be little.
        The recording holds it all."""
        self._told_of_board = [one for one in self._told_of_board if now_s - one < TELL_S]
        if len(self._told_of_board) >= TELL_MOST:
            self.notices_left_out += 1
            return False
        self._told_of_board.append(now_s)
        return True

    def _notice(self, notice: Notice, now_s: float) -> None:
        names = {code.value: code.name.lower().replace("_", "-") for code in NoticeCode}
        name = names.get(notice.code, str(notice.code))
        if self._may_tell(now_s):
            told = say("front-end-notice", notice=name)
            self.event("notice", told, code=notice.code, detail=notice.detail)
        if notice.code == NoticeCode.SET_POINT_REFUSED and self.session.live:
            if notice.detail == 2:  # an old sequence: a late duplicate, not a contradiction
                return
            self._moment["set-points-refused"] = say("reason-number", number=notice.detail)
            self._without_frame()

    def _taken_unsent(self, sample: Sample) -> str:
        """A set point said to be taken was sent in this session, and none is taken after a newer.

        0 stands for none; before the first of a session it is no sequence.
        """
        taken = last_set_point_of(sample)
        if taken == 0 and self._taken_none:
            return ""
        if (taken - self._taken_mark) & 0xFFFF > (self._gate.sequence - self._taken_mark) & 0xFFFF:
            return "a set point taken that was not sent"
        self._taken_mark, self._taken_none = taken, False
        return ""

    def _contradicted(self, problem: str, now_s: float) -> None:
        """One such frame is damage on the way; several in a row are a front end not to be used."""
        self.frames_contradicting += 1
        self._contradicting = [
            *[one for one in self._contradicting if now_s - one < CONTRADICTING_S], now_s
        ]  # fmt: skip
        if len(self._contradicting) >= CONTRADICTING_FRAMES:
            self._moment["frames-contradict"] = problem

    def _silence(self, now_s: float) -> None:
        """Nothing came: no set point; after a while the link counts as lost."""
        if self.session.live and self._sample_s is not None and now_s - self._sample_s > SILENCE_S:
            self._moment["link-lost"] = f"{(now_s - self._sample_s) * 1e3:.0f} ms"
            self._gate = gate.closed(self._limits, self._gate.sequence, self._gate.coils_a)
            self._silent = self._cut_off = True
        self._without_frame()

    def _without_frame(self) -> None:
        codes = self._add_own(dict(self._last_codes()), None, False, False)
        if codes or self.faults.any_active:
            self._events += self.faults.update(codes, self.time_s)
            self._act()
        if self.state is State.EASING and not self.session.live:
            self.move(Trigger.UNLOADED, "no session: the front end takes the load off")
        if self.state is State.READY and not self.helm.holder:
            self.move(Trigger.PARK, "nobody at the helm")

    # ---- small things of a frame -----------------------------------------------------------

    def _report_slip(self, measured: Measured) -> None:
        """A notice where slip begins and where it ends; the result flags it by the columns."""
        self._slipping = measured.tyre_slip
        data: dict[str, float] = {}
        for name in ("slip", "roll_difference"):
            reading: Reading = getattr(measured, name)
            if reading.value == reading.value:
                data[name] = reading.value
        text = say("tyres-slip-on-rolls") if self._slipping else say("tyres-no-longer-slip")
        self.event("notice", text, code="tyre-slip", began=self._slipping, **data)

    def _follow_flight(self, flight: int) -> None:
        """Set points on their way, counted by sequence: the transport delay as it is."""
        if flight > 8:
            return
        seen, times = self._flight
        self._flight = (flight, times + 1 if seen == flight else 1)
        if self._flight[1] >= FLIGHT_FRAMES:
            self.loads.set_delays(self.loads.speed_age_s, flight)

    def _report_clamps(self, clamps: int) -> None:
        """A notice when the gate begins to cut for another serious reason."""
        serious = clamps & _SERIOUS
        if serious & ~self._clamped:
            self.event(
                "notice",
                say("gate-cut", clamps=[str(one.name).lower() for one in Clamp(serious)]),
                clamps=serious,
            )
        self._clamped = serious

    # ---- what others see -------------------------------------------------------------------

    def telemetry(self) -> Telemetry:
        """A snapshot for people; built on demand, not at each frame."""
        return snapshot.telemetry(self, self._output, self._gate.currents_a)

    def memory(self) -> Memory:
        """What must survive a restart."""
        return snapshot.memory(self)
