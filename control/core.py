"""The core: one pure step from a frame and commands to a set point, answers and events.

Data flow of a sample: daq chain -> readings -> demand of the running test -> control.loads
(observer, share, force loops) -> faults -> state -> gate -> SetPoint. No clock but the one handed
in, no I/O; the same step runs at the rig and in virtual time. What must survive a restart is
`memory()`. Commands are handled in control.orders, greetings in control.session.
"""

# ruff: noqa: PLR0124 - x == x tells a number from NaN cheaply

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from control import gate, orders
from control.commands import Answer, AnyCommand, ZeroCells
from control.faults import TABLE, Effect, Fault, Register, Release
from control.gate import Clamp, Mode
from control.heat_keeper import HeatKeeper
from control.helm import Helm
from control.kinds import Test
from control.loads import Loads
from control.memory import AbsorberMemory, Memory, TripLatch
from control.session import ChainMaker, Session
from control.states import Trigger, after
from control.telemetry import Event, State, Telemetry, TestView
from control.watch import NOTHING, Watch
from daq.chain import Chain
from daq.measured import Measured
from daq.readings import Quality
from daq.rig import Rig
from daq.teeth import ToothTable
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
)

SILENCE_S = 0.1  # no sample for this long: the link is lost
LATE_S = 0.1  # no step for this long: the loop was late
ZERO_TAKING_S = 0.5
EMPTY_S = 2.0  # longest wait for the coils once nothing is asked of them
AFTER_RUN_S = 120.0  # fans run on after load
TRIPS_WHEN_PARKED = frozenset({"current-stuck-on", "host-restarted"})
FLIGHT_FRAMES = 50  # the transport delay counts as changed when it stays for so many frames
_GOOD = Quality.GOOD
_USABLE = frozenset((Quality.GOOD, Quality.AGING))
_NAN = float("nan")
_SERIOUS = int(Clamp.NOT_A_NUMBER | Clamp.FORCE | Clamp.POWER | Clamp.SPEED)


class Step(msgspec.Struct, frozen=True, gc=False):
    set_point: SetPoint | None
    send: tuple[ToFrontEnd, ...] = ()
    answers: tuple[Answer, ...] = ()
    events: tuple[Event, ...] = ()


def _drop_doubtful(
    measured: Measured, speeds: list[float], coils: list[float], cells: list[float]
) -> None:
    """What is suspect or missing may not steer: NaN."""
    for r, roll_set in enumerate(measured.roll_sets):
        if roll_set.speed.quality not in _USABLE:
            speeds[r] = _NAN
    for i, absorber in enumerate(measured.absorbers):
        if absorber.current.quality not in _USABLE:
            coils[i] = _NAN
        if absorber.force.quality not in _USABLE:
            cells[i] = _NAN


class Core:
    """All control state of one rig."""

    def __init__(
        self,
        rig: Rig,
        memory: Memory | None = None,
        make_chain: ChainMaker = Chain,
        off_s: float = 0.0,
    ) -> None:
        """`off_s`: seconds since `memory` was written, as far as known: rotors cooled meanwhile."""
        self.rig = rig
        kept = memory or Memory()
        self.state = State.PARKED
        self.helm = Helm(rig.limits.helm_expiry_s)
        self.faults = Register(kept.trip)
        self.session = Session(rig, kept.session + 1, make_chain)
        self.acknowledged = False
        self.vehicle = ""  # acknowledged on the rolls
        self.test: Test | None = None
        self.ratio_per_m = kept.ratio_per_m
        self.zeros: dict[str, float] = {
            name: one.zero_count
            for name, one in kept.absorbers.items()
            if one.zero_count is not None
        }
        self.teeth = dict(kept.teeth)
        self.measured: Measured | None = None
        self.loads = Loads(
            rig,
            {name: (one.gain, one.shape, one.rotor_k) for name, one in kept.absorbers.items()},
        )
        self.heat = HeatKeeper(
            rig,
            {name: one.heat for name, one in kept.absorbers.items() if one.heat is not None},
            off_s,
            self.loads,
        )
        self._heat_countdown = self.heat.slot_frames
        self._hot_fans = 0
        self._watch = Watch(rig)
        self._limits = gate.limits_of(rig)
        self._gate = gate.closed(self._limits)
        self._clamp_counts: dict[int, int] = {}  # frames by combination of bits
        self._clamped = 0
        self._release = Release.FAST
        count = len(rig.absorbers)
        names = [roll_set.name for roll_set in rig.roll_sets]
        self._owner = tuple(names.index(absorber.roll_set) for absorber in rig.absorbers)
        self._levers = tuple(
            absorber.arm_m * absorber.gear_ratio / rig.roll_sets[owner].roll_radius_m
            for absorber, owner in zip(rig.absorbers, self._owner, strict=True)
        )
        self._output = [0.0] * (4 + 5 * count)
        self._zero_a = (0.0,) * count
        self._no_travel = [_NAN] * len(names)
        self._fresh = False
        self._aim = 0
        self._now_s = 0.0
        self._step_s: float | None = None
        self._sample_s: float | None = None
        self._frame_time_s: float | None = None
        self.frames_lost = 0  # since this core began
        self._outside: dict[str, str] = {}
        self._moment: dict[str, str] = {}
        self._notice_refusals = 0
        self._flight = (0, 0)
        self._age_s = 0.005  # of the steering speed, averaged
        self._cooling_until_s = 0.0
        self._zero_for_s = 0.0
        self._slipping = False
        self._zeroing: tuple[ZeroCells, float, list[float], int] | None = None
        self._answers: list[Answer] = []
        self._events: list[Event] = []
        if self.faults.trip is not None:
            self.state = State.TRIPPED
        elif kept.loaded:
            self.faults.latch(TABLE["host-restarted"], 0.0)
            self.state = State.TRIPPED

    # ---- the step ----------------------------------------------------------------------------

    def step(
        self, frame: FromFrontEnd | None, commands: Sequence[AnyCommand], now_s: float
    ) -> Step:
        """One frame (or None when nothing came) and the commands since the last step."""
        self._now_s = now_s
        late = self._step_s is not None and now_s - self._step_s > LATE_S
        self._step_s = now_s
        for command in commands:
            answer = orders.handle(self, command)
            if answer is not None:
                self._answers.append(answer)
        if self.helm.expired(now_s):
            self._left_the_helm("The helm expired: no heartbeat from its holder.")
        set_point: SetPoint | None = None
        if type(frame) is Sample:
            set_point = self._sample(frame, now_s, late)
        elif type(frame) is Hello:
            self._hello(frame, now_s)
        elif type(frame) is Slow:
            if self.session.chain is not None and self.session.live:
                self.session.chain.slow(frame)
        elif type(frame) is Notice:
            self._notice(frame)
        elif frame is None:
            self._silence(now_s)
        send: tuple[ToFrontEnd, ...] = ()
        if not self.session.live:
            send = self.session.ask(now_s)
        answers: tuple[Answer, ...] = ()
        events: tuple[Event, ...] = ()
        if self._answers:
            answers, self._answers = tuple(self._answers), []
        if self._events:
            events, self._events = tuple(self._events), []
        return Step(set_point, send, answers, events)

    def _sample(self, sample: Sample, now_s: float, late: bool) -> SetPoint | None:
        chain = self.session.chain
        if not self.session.live or chain is None:
            return None
        measured = chain.update(sample)
        self.measured = measured
        time_s = measured.time_s
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
        flight = (self._gate.sequence - sample.last_set_point) & 0xFFFF
        if flight != self.loads.in_flight:
            self._follow_flight(flight)

        # Readings to plain numbers; what may not steer becomes NaN.
        sets = measured.roll_sets
        absorbers = measured.absorbers
        speeds = [one.speed.value for one in sets]
        coils = [one.current.value for one in absorbers]
        cells = [one.force.value for one in absorbers]
        shafts = [one.speed_radps for one in absorbers]
        doubtful = False
        for one in sets:
            if one.speed.quality is not _GOOD:
                doubtful = True
        for each in absorbers:
            if each.force.quality is not _GOOD or each.current.quality is not _GOOD:
                doubtful = True
        if doubtful:
            _drop_doubtful(measured, speeds, coils, cells)
        steer = measured.steer
        if steer:
            travels = [one[0] for one in steer]
            ages = [one[1] for one in steer]
            age = self._age_s
            for one_age in ages:
                if one_age > 0.0:
                    age += (one_age - age) * 0.01
            self._age_s = age
            if not 0.8 * self.loads.speed_age_s < age < 1.25 * self.loads.speed_age_s:
                self.loads.set_delays(age, self.loads.in_flight)
        else:  # a chain without edges: the reported speed has to do
            travels = ages = self._no_travel
        force_n = power_w = 0.0
        for one in sets:
            newton = one.absorber_force.value
            if newton == newton:  # a lost cell is a fault of its own; the others still count
                force_n += newton
                power_w += newton * one.speed.value
        sent = self._gate.currents_a

        if measured.tyre_slip is not self._slipping:
            self._tell_slip(measured)
        loaded = self.state is State.LOADED
        test = self.test
        aim, target, rate, between = 0, 0.0, 1.0, 0
        severest = self.faults.severest() if self.faults.any_active else None
        held = severest is not None and severest.effect is Effect.HOLD
        if loaded and test is not None:
            demand = test.update(measured, self._output, dt_s, held)
            if demand.aim != self._aim:  # from where the load is now: no jump
                self._aim = demand.aim
                self._fresh = True
            aim, target, rate, between = demand.aim, demand.target, demand.rate, demand.between
        output = self.loads.step(
            dt_s, aim, target, rate, self._fresh, between,
            travels, ages, coils, cells, shafts, sent, speeds, sets[0].speed_delay_s,
        )  # fmt: skip
        self._output = output
        self._fresh = False

        self._heat_countdown -= 1
        if self._heat_countdown <= 0:
            self._heat_countdown = self.heat.slot_frames
            self.heat.turn(measured, self._fans() != 0, output[0], loaded)
            self._watch.hot = self.heat.codes
            if loaded and test is not None:
                test.feel(self.heat.nearest_k(), self.heat.advice() != "")
            self._hot_fans = 0
            for name in self.heat.hot_fans:
                self._hot_fans |= self.session.fan_bits.get(name, 0)

        # Faults of this frame and what they do.
        underway = loaded or self.state is State.EASING
        codes = self._watch.frame(
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
        if self._zeroing is not None:
            self._take_zeros(sample, dt_s)
        return self._through_gate(speeds, coils, output, force_n, power_w, dt_s, held)

    def _through_gate(
        self,
        speeds: list[float],
        coils: list[float],
        output: list[float],
        force_n: float,
        power_w: float,
        dt_s: float,
        held: bool,
    ) -> SetPoint | None:
        state = self.state
        count = len(coils)
        before = self._gate.currents_a
        asked = self._zero_a
        mode = Mode.DENY
        if state is State.LOADED:
            mode = Mode.LOAD
            asked = tuple(output[3 : 3 + count])
            if held:
                coils_a = self._gate.coils_a
                asked = tuple([a if a < b else b for a, b in zip(asked, coils_a, strict=True)])
        elif state is State.EASING:
            mode, asked = Mode.EASE, self._gate.coils_a
        elif state is State.TRIPPED and before != self._zero_a:
            if self._release is Release.RAMP:
                mode, asked = Mode.EASE, self._gate.coils_a
            elif self._release is Release.FAST:
                mode = Mode.TRIP
        measured = self.measured
        permitted = (
            measured is not None
            and measured.stop_chain_closed
            and measured.permission != Permission.CHAIN_OPEN
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
                force_n,
                power_w,
                dt_s,
                self._fans(),
            ),
        )
        self._gate = decision.state
        if decision.clamps:
            self._count_clamps(decision.clamps)
        if state is State.EASING and decision.state.currents_a == self._zero_a:
            self._zero_for_s += dt_s
            if self._zero_for_s > EMPTY_S or all(not coil > 0.5 for coil in coils):
                self.move(Trigger.UNLOADED, "load is off")
        else:
            self._zero_for_s = 0.0
        return decision.set_point

    # ---- frames other than samples -------------------------------------------------------------

    def _hello(self, hello: Hello, now_s: float) -> None:
        was_live = self.session.live
        code, detail = self.session.greet(hello, now_s)
        if self.session.live and not was_live:
            chain = self.session.chain
            if chain is not None:
                for name, count in self.zeros.items():
                    chain.set_zero(name, count)
                chain.restore_tooth_tables(self.teeth)
                if self.ratio_per_m is not None:
                    chain.learned_ratio = self.ratio_per_m
            self._frame_time_s = None
            self._sample_s = now_s
            self._watch.clear_clock()
            self.event("notice", f"Front end {hello.firmware} greeted.", session=hello.session)
        if code == "wire-mismatch":
            self._outside[code] = detail
        else:
            self._outside.pop("wire-mismatch", None)
        if code and code != "wire-mismatch":
            self._moment[code] = detail
        if code or not self.session.live:
            self._gate = gate.closed(self._limits, self._gate.sequence, self._gate.coils_a)
            self._without_frame()

    def _notice(self, notice: Notice) -> None:
        names = {code.value: code.name.lower().replace("_", "-") for code in NoticeCode}
        name = names.get(notice.code, str(notice.code))
        self.event("notice", f"Front end: {name}.", code=notice.code, detail=notice.detail)
        if notice.code == NoticeCode.SET_POINT_REFUSED and self.session.live:
            if notice.detail == 2:  # an old sequence: a late duplicate, not a contradiction
                return
            self._moment["set-points-refused"] = f"reason {notice.detail}"
            self._without_frame()

    def _silence(self, now_s: float) -> None:
        """Nothing came: no set point; after a while the link counts as lost."""
        if self.session.live and self._sample_s is not None and now_s - self._sample_s > SILENCE_S:
            self._moment["link-lost"] = f"{(now_s - self._sample_s) * 1e3:.0f} ms"
            self._gate = gate.closed(self._limits, self._gate.sequence, self._gate.coils_a)
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

    def _last_codes(self) -> dict[str, str]:
        """Frame faults stay as they were while no frame comes."""
        own = {"link-lost", "helm-expired", "loop-late", *self._moment, *self._outside}
        return {
            view.code: ""
            for view in self.faults.view()
            if view.active and view.code not in own and self.session.live
        }

    # ---- faults ----------------------------------------------------------------------------------

    def outside(self, code: str, active: bool, detail: str = "") -> None:
        """A condition told from outside the frames: recorder-failed, disk-low, and the like."""
        if code not in TABLE:
            raise KeyError(code)
        if active:
            self._outside[code] = detail
        else:
            self._outside.pop(code, None)

    def _add_own(
        self, codes: dict[str, str], measured: Measured | None, late: bool, loaded: bool
    ) -> dict[str, str]:
        helm_gone = self.state is State.LOADED and not self.helm.holder
        lapsed = loaded and measured is not None and measured.permission == Permission.EASING
        if not (late or helm_gone or lapsed or self._outside or self._moment):
            return codes
        codes = dict(codes) if codes is NOTHING else codes
        if late and measured is not None:
            silent = measured.frames_lost > 0.5 * LATE_S / self.loads.frame_s
            codes["link-lost" if silent else "loop-late"] = ""
        if helm_gone:
            codes["helm-expired"] = ""
        if lapsed:
            codes["permission-lapsed"] = ""
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
            self.ease(fault.code, fault.text)  # while ready it only keeps a test from starting

    def _trip(self, fault: Fault) -> None:
        self.faults.latch(fault, self.time_s)
        self._release = fault.release
        self.acknowledged = False
        self._end_run(fault.code, fault.text)
        self.move(Trigger.TRIP, fault.code)

    # ---- changes of state, also used by control.orders -------------------------------------------

    @property
    def time_s(self) -> float:
        """Device time when there is one, else the host's."""
        chain = self.session.chain
        return chain.now_s if chain is not None else self._now_s

    @property
    def now_s(self) -> float:
        return self._now_s

    def event(self, kind: str, text: str, /, **data: str | float | int | bool) -> None:
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
            self._cooling_until_s = self.time_s + AFTER_RUN_S
        if to is State.PARKED:
            self.acknowledged = False
        self.event("state", f"{before} -> {to}: {why}", before=before, after=to, why=why)

    def begin(self, test: Test) -> None:
        self.test = test
        self.move(Trigger.START, test.run_id)
        self.heat.begin_run(test.run_id)
        self.event(
            "run-started", f"Run {test.run_id} started.", run_id=test.run_id, test=test.plan_kind
        )

    def ease(self, code: str, text: str) -> None:
        """Begin to take the load off in order and end the run."""
        self._end_run(code, text)
        self.move(Trigger.EASE, code)

    def _end_run(self, code: str, text: str) -> None:
        test = self.test
        if test is None:
            return
        self.test = None
        self.heat.end_run()
        self.event("run-ended", text, reason=code, **test.summary())

    def reset_trip(self) -> None:
        self.faults.reset()
        self.move(Trigger.RESET, "reset by the helm")

    def helm_changed(self, text: str) -> None:
        self.acknowledged = False
        self.event("helm", text, holder=self.helm.holder, name=self.helm.name)

    def _left_the_helm(self, text: str) -> None:
        self.helm_changed(text)

    def unloaded(self) -> bool:
        """Nothing asked and no coil carrying current."""
        measured = self.measured
        if measured is None or self._gate.currents_a != self._zero_a:
            return False
        return all(not absorber.current.value > 0.5 for absorber in measured.absorbers)

    # ---- small things of a frame -----------------------------------------------------------

    def begin_zero(self, command: ZeroCells) -> None:
        self._zeroing = (command, ZERO_TAKING_S, [0.0] * len(self._owner), 0)

    @property
    def zeroing(self) -> bool:
        return self._zeroing is not None

    def _take_zeros(self, sample: Sample, dt_s: float) -> None:
        zeroing = self._zeroing
        chain = self.session.chain
        if zeroing is None or chain is None:
            return
        command, left_s, sums, n = zeroing
        problem = orders.why_not_zero(self)
        if problem is not None or self.state is not State.PARKED:
            self._zeroing = None
            self._answers.append(orders.refusal(command.id, problem or orders.NOT_PARKED))
            return
        for i, place in enumerate(self.session.cell_places):
            sums[i] += sample.counts[place]
        n += 1
        left_s -= dt_s
        if left_s > 0.0:
            self._zeroing = (command, left_s, sums, n)
            return
        self._zeroing = None
        for absorber, total in zip(self.rig.absorbers, sums, strict=True):
            self.zeros[absorber.name] = total / n
            chain.set_zero(absorber.name, total / n)
        self.event("notice", "Load-cell zeros taken.", **{k: v for k, v in self.zeros.items()})
        self._answers.append(Answer(command.id, True))

    def _tell_slip(self, measured: Measured) -> None:
        """A notice where slip begins and where it ends; the result flags it by the columns."""
        self._slipping = measured.tyre_slip
        told: dict[str, float] = {}
        for name, reading in (("slip", measured.slip), ("apart", measured.roll_difference)):
            if reading.value == reading.value:
                told[name] = reading.value
        text = "Tyres slip on the rolls." if self._slipping else "The tyres no longer slip."
        self.event("notice", text, code="tyre-slip", began=self._slipping, **told)

    def _follow_flight(self, flight: int) -> None:
        """Set points on their way, counted by sequence: the transport delay as it is."""
        if flight > 8:
            return
        seen, times = self._flight
        self._flight = (flight, times + 1 if seen == flight else 1)
        if self._flight[1] >= FLIGHT_FRAMES:
            self.loads.set_delays(self.loads.speed_age_s, flight)

    def _fans(self) -> int:
        """Bits of the fans that shall run: under load all, afterwards for a time and while hot."""
        state = self.state
        if state is State.LOADED or state is State.EASING:
            return self.session.all_fans
        measured = self.measured
        if measured is None:
            return 0
        if measured.time_s < self._cooling_until_s:
            return self.session.all_fans
        return self._hot_fans

    def fans_asked(self) -> tuple[str, ...]:
        """Names of the fans that shall run now, those outside the front end included."""
        names = tuple(dict.fromkeys(one.fan for one in self.rig.absorbers if one.fan))
        if self.state in (State.LOADED, State.EASING) or self.time_s < self._cooling_until_s:
            return names
        return tuple(name for name in names if name in self.heat.hot_fans)

    def _count_clamps(self, clamps: int) -> None:
        self._clamp_counts[clamps] = self._clamp_counts.get(clamps, 0) + 1
        serious = clamps & _SERIOUS
        if serious & ~self._clamped:
            self.event("notice", f"The gate cut: {Clamp(serious)!r}.", clamps=serious)
        self._clamped = serious

    # ---- what others see -------------------------------------------------------------------

    def telemetry(self) -> Telemetry:
        """A snapshot for people; built on demand, not at each frame."""
        count = len(self._owner)
        output = self._output
        test = self.test
        absorbers = tuple(
            self.heat.view(i, output[3 + count + i], self._gate.currents_a[i]) for i in range(count)
        )
        trip = self.faults.trip
        return Telemetry(
            self.time_s,
            self.state,
            trip.code if trip is not None else "",
            self.helm.view(self._now_s),
            self.acknowledged,
            self._test_view(test) if test is not None else None,
            self.measured,
            absorbers,
            self.faults.view(),
            heat=self.heat.summary(self.fans_asked()),
        )

    def _test_view(self, test: Test) -> TestView:
        """The test for people; near a heat limit the driver is asked for less."""
        view = test.view(self._output[0])
        advice = self.heat.advice()
        return msgspec.structs.replace(view, instruction=advice) if advice else view

    def _tooth_tables(self) -> dict[str, ToothTable]:
        if self.session.chain is not None:
            self.teeth.update(self.session.chain.tooth_tables())
        return dict(self.teeth)

    @property
    def clamp_counts(self) -> dict[str, int]:
        """How often the gate cut what, since this core began; one count per frame and kind."""
        return {
            (flag.name or "").lower(): sum(
                frames for bits, frames in self._clamp_counts.items() if bits & flag
            )
            for flag in Clamp
            if flag
        }

    def memory(self) -> Memory:
        """What must survive a restart."""
        absorbers: dict[str, AbsorberMemory] = {}
        heat = self.heat.records()
        for i, absorber in enumerate(self.rig.absorbers):
            gain, shape = self.loads.learned(i)
            absorbers[absorber.name] = AbsorberMemory(
                gain,
                shape,
                self.loads.rotor_k(i),
                self.zeros.get(absorber.name),
                heat[absorber.name],
            )
        trip: TripLatch | None = self.faults.trip
        return Memory(
            session=self.session.number,
            trip=trip,
            loaded=self.state in (State.LOADED, State.EASING),
            ratio_per_m=self.ratio_per_m,
            absorbers=absorbers,
            teeth=self._tooth_tables(),
        )
