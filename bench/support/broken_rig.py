"""The simulated rig with a loop that can stall, fall silent or restart; and the list of breakages.

Data flow: Case.breaks(rig) once, at the moment of the fault -> the rig runs on in virtual time ->
events of the core and truth of the plant tell bench.faults what was noticed and what happened.
Faults of front end, line and machine come from the simulator's menu; those of the host are done to
the loop here; a limit is moved to the machine where moving the machine to its limit would need
another truck. What is told from outside the frames (disk, date, service) is told the same way.
"""

# ruff: noqa: E501 - one case a row

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, cast

import msgspec

from api.rehearsal.virtual_rig import VirtualRig
from control.core.core import Core, CoreOutput
from control.load_loop.loop import Aim
from control.safety.fault_kernel import MAX_FORCE, MAX_POWER, MAX_SPEED
from control.thermal.limiter import ThermalLimiter
from daq.measure.measured import Measured
from daq.rig.description import Rig
from daq.wire.codec import encode
from daq.wire.frames import AskIdentity, FromFrontEnd, Hello, Sample
from simulator.rig_and_truck import layout as at

QUIET_S = 0.01  # as in the loop process: without frames the core is stepped by the timer
LIFT_AFTER_S = 1.5  # the driver reads the screen and lifts; "common practice, no source"


class BrokenRig(VirtualRig):
    """A virtual rig whose host can be made to misbehave."""

    def __init__(self, rig: Rig, seed: int) -> None:
        self.stalled_until_s = -math.inf  # the loop stands still; frames queue up
        self.stalls_again = (math.inf, math.inf)  # ... and once more from then until then
        self.line_holds = 1_000_000  # so many frames that wait; what comes after them is lost
        self.held_back_until_s = -math.inf  # the line holds frames back, then gives them all
        self.slow_until_s = -math.inf  # the loop takes one frame while two are made
        self.at_once = 1_000_000  # frames that the loop takes in a turn
        self.mute_until_s = -math.inf  # set points do not leave the host
        self.restart_at_s = math.inf  # the loop is dead until a new one starts then
        self.last_step_s = 0.0
        self.hello: Hello | None = None
        self._queue: list[FromFrontEnd] = []
        super().__init__(rig, seed)

    def stop_helm(self) -> None:
        """Whoever is at the helm goes away without a word."""
        self._keep_at_s = math.inf

    def restart(self) -> None:
        """The loop is killed and a new one starts from what was on disk."""
        self.core = Core(self.rig, self.core.memory())
        self._keep_at_s = math.inf
        self._hand_over(self.core.step(None, (), self.plant.now_s))

    def advance(self) -> None:
        """One frame period; a stalled loop takes its frames late, `at_once` of them in a turn."""
        plant = self.plant
        self._queue += cast(list[FromFrontEnd], self.deframer.feed(plant.advance()))
        self.frames += 1
        now_s = plant.now_s
        if self.restart_at_s < math.inf:
            self._queue = []
            if now_s < self.restart_at_s:
                return
            self.restart_at_s = math.inf
            self.restart()
        if now_s < self.stalled_until_s or self.stalls_again[0] <= now_s < self.stalls_again[1]:
            del self._queue[self.line_holds :]
            return
        if now_s >= self._keep_at_s:
            self._keep_at_s = now_s + 1.0
            self.send(_keep())
        commands, self._commands = tuple(self._commands), []
        taken: list[FromFrontEnd] = []
        if now_s >= self.held_back_until_s:
            slow = now_s < self.slow_until_s
            most = self.frames % 2 if slow else self.at_once
            taken, self._queue = self._queue[:most], self._queue[most:]
        if not taken:
            if commands or now_s - self.last_step_s >= QUIET_S:
                self._take(self.core.step(None, commands, now_s), now_s)
            else:
                self._commands = [*commands]
            return
        for frame in taken:
            if isinstance(frame, Hello):
                self.hello = frame
            self._take(self.core.step(frame, commands, now_s), now_s)
            commands = ()

    def open_other_session(self) -> None:
        """Another host opens a session with the same front end."""
        self.plant.receive(encode(AskIdentity(4242)))

    def refuse_set_points(self) -> None:
        """The front end takes our session for another from now on."""
        self.plant.front_end.session ^= 0x55

    def hear(self, frame: FromFrontEnd) -> None:
        """A frame out of the ordinary reaches the host."""
        self._queue.append(frame)

    def _take(self, step: CoreOutput, now_s: float) -> None:
        self.last_step_s = now_s
        if now_s < self.mute_until_s and step.set_point is not None:
            step = msgspec.structs.replace(step, set_point=None)
        self._hand_over(step)


def _keep() -> Any:
    from api.rehearsal.virtual_rig import HOLDER  # noqa: PLC0415 - the name the rig was taken by
    from control.core.commands import KeepHelm  # noqa: PLC0415

    return KeepHelm(0, HOLDER)


LOAD = frozenset({"taking-up", "steady", "ramp"})
MOVING = frozenset({*LOAD, "easing"})
ALL = frozenset({"parked", *MOVING})
PHASES = ("parked", "taking-up", "steady", "ramp", "easing")


class FaultCase(msgspec.Struct, frozen=True):
    """One way to break the rig.

    `codes`: any of these is the right name. `must`: phases in which it has to be noticed within
    the table's time plus `sensing_ms`, the time the damage takes to show in a reading.
    """

    name: str
    codes: tuple[str, ...]
    breaks: Callable[[BrokenRig], None]
    must: frozenset[str]
    sensing_ms: float = 0.0
    lifts: bool = True  # the driver lifts when told
    run_s: float = 8.0  # so long until it must have shown


def _menu(target: str, kind: str, channel: str = "", amount: float = 0.0) -> Callable[..., None]:
    return lambda rig: _unit(rig.plant.break_it(target, kind, channel, amount))


def _unit(_: object) -> None: ...


def _outside(code: str) -> Callable[[BrokenRig], None]:
    return lambda rig: rig.core.outside(code, True, "told")


def _stall(rig: BrokenRig) -> None:
    rig.stalled_until_s = rig.plant.now_s + 0.3


def _mute(rig: BrokenRig) -> None:
    rig.mute_until_s = rig.plant.now_s + 0.15


def _other_session(rig: BrokenRig) -> None:
    rig.open_other_session()


def _refusing(rig: BrokenRig) -> None:
    rig.refuse_set_points()


def _mismatch(rig: BrokenRig) -> None:
    assert rig.hello is not None
    rig.hear(msgspec.structs.replace(rig.hello, major=9))


def _fastest(rig: BrokenRig) -> float:
    measured = rig.core.measured
    return max(one.speed.value for one in measured.roll_sets) if measured is not None else 0.0


def _limit(place: int, name: str, share: float) -> Callable[[BrokenRig], None]:
    """The rig's limit now lies at `share` of what it does."""

    def breaks(rig: BrokenRig) -> None:
        measured = rig.core.measured
        if measured is None:  # the loop has just restarted
            return
        force = sum(one.absorber_force.value for one in measured.roll_sets)
        now = (_fastest(rig), 0.0, force, force * _fastest(rig))[place]
        limit = max(now * share, 1e-3)
        rig.core._fault_detector._limits[place] = limit
        rig.core._limits = msgspec.structs.replace(rig.core._limits, **{name: limit})

    return breaks


def _heat_limits(warn_above_k: float, limit_above_k: float) -> Callable[[BrokenRig], None]:
    """The rotor's limits now lie so far above what it has (below: negative)."""

    def breaks(rig: BrokenRig) -> None:
        rotor = rig.core.heat._rotors[2]
        rim_k = rotor.observer.rim_k
        heat = msgspec.structs.replace(
            rotor.absorber.heat,
            reentry_k=rim_k + min(warn_above_k, limit_above_k) - 20.0,
            warn_k=rim_k + warn_above_k,
            limit_k=rim_k + limit_above_k,
        )
        rotor.absorber = msgspec.structs.replace(rotor.absorber, heat=heat)
        rotor.guard = ThermalLimiter(heat)

    return breaks


def _slip(rig: BrokenRig) -> None:
    """Oil on the rolls: what the tyres hold falls below what the truck pulls."""
    measured = rig.core.measured
    chain = rig.core.session.chain
    if measured is None or chain is None:
        return
    chain.learned_ratio = measured.overall_ratio.value
    rig.plant.world.roll_parameters[:, at.Q_FRICTION] = 0.2


def _freeze_speed(rig: BrokenRig) -> None:
    """No single fault of the front end freezes a speed; a defect between chain and core could."""
    chain = rig.core.session.chain
    if chain is None:  # the loop has just restarted: nothing to freeze
        return
    update = chain.update
    held: list[Any] = []

    def frozen(sample: Sample) -> Measured:
        measured = update(sample)
        sets = list(measured.roll_sets)
        held.append(held[0] if held else sets[1].speed)
        speed = msgspec.structs.replace(held[0], time_s=sets[1].speed.time_s)
        sets[1] = msgspec.structs.replace(sets[1], speed=speed)
        return msgspec.structs.replace(measured, roll_sets=tuple(sets), flat=())

    chain.update = frozen  # type: ignore[method-assign]


def _beyond(rig: BrokenRig) -> None:
    test = rig.core.test
    if test is None:
        return
    update = test.update

    def asks(*given: Any) -> Any:
        demand = update(*given)
        demand.aim, demand.target = int(Aim.SPEED), 51.0
        return demand

    test.update = asks  # type: ignore[method-assign, assignment]


def _restart(rig: BrokenRig) -> None:
    rig.restart()


def _no_helm(rig: BrokenRig) -> None:
    rig.stop_helm()


_S = frozenset({"steady"})
CASES: tuple[FaultCase, ...] = (
    FaultCase("line cut", ("link-lost",), _menu("line", "off"), MOVING),
    FaultCase("a third of the frames lost", ("frames-lost", "link-lost"),
         _menu("line", "dropped", "", 0.33), ALL),
    FaultCase("line garbled", ("frames-lost", "link-lost"), _menu("line", "garbled", "", 0.4), ALL, 400),
    FaultCase("front end reboots", ("front-end-restarted", "link-lost"), _menu("board", "reboot"),
         MOVING, 400),
    FaultCase("front end silent", ("link-lost",), _menu("board", "silent"), MOVING),
    FaultCase("another session", ("session-lost", "set-points-refused"), _other_session, MOVING),
    FaultCase("other protocol", ("wire-mismatch",), _mismatch, ALL),
    FaultCase("set points refused", ("set-points-refused",), _refusing, MOVING),
    FaultCase("set points late", ("permission-lapsed", "set-points-refused"), _mute, LOAD, 150),
    FaultCase("device clock jumps", ("clock-jump",), _menu("board", "clock-jump", "", 0.2), ALL),
    FaultCase("loop stands still", ("loop-late",), _stall, LOAD, 300),
    FaultCase("loop restarts", ("host-restarted",), _restart, MOVING),
    FaultCase("recording fails", ("recorder-failed",), _outside("recorder-failed"), ALL),
    FaultCase("disk low", ("disk-low",), _outside("disk-low"), ALL),
    FaultCase("disk full", ("disk-full",), _outside("disk-full"), ALL),
    FaultCase("memory not writable", ("memory-failed",), _outside("memory-failed"), ALL),
    FaultCase("service dead", ("service-gone",), _outside("service-gone"), ALL),
    FaultCase("calibration out of date", ("calibration-due",), _outside("calibration-due"), ALL),
    FaultCase("stop chain opened", ("stop-chain-open",), _menu("input", "open", "stop-chain"), ALL),
    FaultCase("tie-down switch opened", ("tie-downs-opened", "tie-downs-open"),
         _menu("input", "open", "tie-downs"), ALL),
    FaultCase("helm gone", ("helm-expired",), _no_helm, LOAD, 3050),
    FaultCase("set point beyond rig", ("set-point-beyond-rig",), _beyond, LOAD),
    FaultCase("rear tooth sensor off", ("speed-lost", "speed-suspect"), _menu("wheel", "off", "rear"),
         MOVING, 200),
    FaultCase("front tooth sensor off", ("speed-lost", "speed-suspect"), _menu("wheel", "off", "front"),
         MOVING, 200),
    FaultCase("tooth sensor at random", ("speed-suspect", "speed-lost", "speeds-disagree",
         "over-speed-far", "over-speed"), _menu("wheel", "garbage", "rear", 900.0), MOVING, 650),
    FaultCase("half the teeth seen", ("speed-suspect", "speed-lost", "speeds-disagree"),
         _menu("wheel", "wrong", "front", 0.5), MOVING, 500),
    FaultCase("teeth missed", ("speed-suspect", "speed-lost", "speeds-disagree"),
         _menu("wheel", "missing", "rear", 0.6), frozenset(), 500),
    FaultCase("speed frozen", ("speed-frozen",), _freeze_speed, LOAD, 50),
    FaultCase("engine pickup off", ("engine-speed-lost",), _menu("wheel", "off", "engine"),
         frozenset({"steady", "ramp"}), 300),
    FaultCase("cell open", ("cell-lost", "cell-suspect"), _menu("cell", "open-bridge", "rear-left"),
         ALL),
    FaultCase("converter silent", ("cell-lost", "cell-suspect"), _menu("cell", "off", "front-right"),
         ALL, 200),
    FaultCase("cell saturated", ("cell-suspect", "cell-lost"), _menu("cell", "saturated", "rear-right"),
         ALL),
    FaultCase("cell frozen", ("cell-frozen",),
         _menu("cell", "stuck", "rear-left"), LOAD, 250),
    FaultCase("cell at random", ("cell-noisy", "cell-suspect", "cell-lost"),
         _menu("cell", "garbage", "front-left"), ALL, 350),
    FaultCase("cell noisy", ("cell-noisy", "cell-suspect"),
         _menu("cell", "noisy", "rear-right", 600.0), ALL),
    FaultCase("cell drifts", ("cell-drifted", "cell-suspect"), _menu("cell", "drift", "front-left", 30.0),
         frozenset({"parked"}), 2100),
    FaultCase("supply weak", ("current-not-following",),
         _menu("absorber", "not-following", "rear-left", 0.5), _S, 250),
    FaultCase("coil stuck on", ("current-stuck-on", "current-not-following"),
         _menu("absorber", "stuck-on", "rear-right", 20.0), frozenset({"parked", *LOAD}), 500),
    FaultCase("absorber dead", ("absorber-weak",), _menu("absorber", "dead", "rear-left"), _S, 100),
    FaultCase("absorber weak", ("absorber-weak",), _menu("absorber", "weak", "front-left", 0.25), _S, 100),
    FaultCase("absorber reversed", ("absorber-reversed", "absorber-weak"),
         _menu("absorber", "reversed", "rear-left"), _S, 100),
    FaultCase("rotor warm", ("rotor-warm", "rotor-near-limit"), _heat_limits(-5.0, 60.0), _S),
    FaultCase("rotor near its limit", ("rotor-near-limit",), _heat_limits(-5.0, 12.0), _S),
    FaultCase("rotor at its limit", ("rotor-hot", "rotor-cooling"), _heat_limits(-15.0, -5.0), MOVING),
    FaultCase("rotor cooling", ("rotor-cooling", "rotor-hot"), _heat_limits(-15.0, -5.0),
         frozenset({"parked"})),
    FaultCase("rotor overloaded", ("rotor-overloaded", "rotor-hot"), _heat_limits(-5.0, 4.0), frozenset(),
         run_s=40.0),
    FaultCase("rotor sensor silent", ("rotor-sensor-failed",),
         _menu("slow", "off", "rotor-rear-left"), _S, run_s=14.0),
    FaultCase("rotor sensor wrong", ("rotor-sensor-slipped", "rotor-sensor-failed"),
         _menu("slow", "wrong", "rotor-rear-left", 3.0), _S, run_s=36.0),
    FaultCase("fan stopped", ("fan-missing",), _menu("fan", "missing", "fan-rear"),
         frozenset({"steady", "ramp"})),
    FaultCase("barometer silent", ("sensor-silent",), _menu("slow", "off", "barometer"), ALL, 150),
    FaultCase("barometer wrong", ("weather-out-of-range",), _menu("slow", "wrong", "barometer", 0.5), ALL,
         150),
    FaultCase("oil on the rolls", ("tyre-slip", "speeds-disagree", "speed-suspect"), _slip, _S, 1500),
    FaultCase("over-speed", ("over-speed", "over-speed-far"), _limit(MAX_SPEED, "max_speed_mps", 0.97),
         _S),
    FaultCase("far over-speed", ("over-speed-far",), _limit(MAX_SPEED, "max_speed_mps", 0.9), _S),
    FaultCase("over-force", ("over-force",), _limit(MAX_FORCE, "max_force_n", 0.6), _S),
    FaultCase("over-power", ("over-power",), _limit(MAX_POWER, "max_power_w", 0.6), _S),
)  # fmt: skip
