"""Heat of all absorbers of a rig, a little of it at a time: one absorber per slot.

Data flow: work of the slot (summed by control.load_loop.loop each frame), fan, ambient, sensor ->
control.thermal.rotor_observer -> control.thermal.limiter -> power cap and weight into
control.load_loop.loop, codes for the fault table, headroom for people, sums for the memory. Slots
are staggered, so that no frame carries more than one absorber; the dear part, an interval of
headroom, comes even less often.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from control.absorber.map import COLD_K, capacity
from control.load_loop.loop import LoadLoop
from control.telemetry import AbsorberView, HeatView
from control.thermal import usage
from control.thermal.coil_manager import CoilManager
from control.thermal.limiter import DERATING_ACTIVE_AT, PowerCap, ThermalLevel, ThermalLimiter
from control.thermal.record import RotorRecord
from control.thermal.rotor import model_of
from control.thermal.rotor_observer import Headroom, RotorObserver, SensorVerdict
from control.thermal.usage import AbsorberUsage
from daq.measure.measured import Measured
from daq.readings import Quality
from daq.rig.description import Absorber, Rig
from daq.texts.message import Text, say

EVERY_S = 0.5  # each absorber's turn
INTERVAL_EVERY = 8  # turns between two intervals of headroom, which cost more
LIVE_HORIZON_S = 3600.0  # live headroom beyond an hour is shown as "never"
PAUSE_S = 300.0  # the pause whose effect is shown
WEIGHT_STEP = 0.02  # shares move gently: so much per turn at most
LEAST_WEIGHT = 0.05
ASSUMED_AMBIENT_K = 303.15  # without an ambient reading: rather warm
UNKNOWN_START_SIGMA_K = 30.0  # of a rotor nothing is remembered of
OVERLOADED_AFTER_S = 30.0  # the cap has bitten and load is missing for so long: ease off
WORK_W = 200.0  # below it an absorber counts as unloaded
TURNING_RADPS = 2.0
SHORT_N = 50.0
SHARE_FROM_J = 5e5  # a run of less work does not say how the truck shares its power
_NAN = math.nan
_USABLE = frozenset((Quality.GOOD, Quality.AGING))
_UNKNOWN = Headroom(_NAN, _NAN, _NAN)
_NEVER = Headroom(math.inf, math.inf, math.inf)
_QUIET = frozenset((SensorVerdict.NONE, SensorVerdict.TRUSTED))


class _Rotor:
    """One absorber's estimate, permission and sums."""

    __slots__ = (
        "absorber", "begun_j", "cap", "coil", "cool_s", "fan", "guard", "headroom", "hot",
        "hottest_k", "life", "most_w", "notes", "observer", "over_s", "paused", "planned",
        "power_w", "run_share", "said", "sensor_k", "sensor_s", "speed_radps", "time_s", "turns",
        "weight",
    )  # fmt: skip

    def __init__(self, absorber: Absorber, record: RotorRecord | None) -> None:
        heat = absorber.heat
        self.absorber = absorber
        self.observer = RotorObserver(
            model_of(heat),
            ASSUMED_AMBIENT_K,
            record.rotor if record is not None else None,
            heat.sensor_share,
            UNKNOWN_START_SIGMA_K,
            heat.mass_relative_sigma,
        )
        self.guard = ThermalLimiter(heat, record.cooling if record is not None else False)
        self.life = record.life if record is not None else AbsorberUsage()
        self.cap = PowerCap(ThermalLevel.COOL, math.inf, self.observer.rim_k, 0.0)
        self.headroom = self.planned = self.paused = _UNKNOWN
        self.power_w = self.speed_radps = 0.0
        self.sensor_k = _NAN
        self.sensor_s = -math.inf  # time of the newest reading taken
        self.hottest_k = 0.0  # of this run
        self.most_w = 0.0  # power of this run
        self.begun_j = 0.0  # energy before this run
        self.said: tuple[tuple[str, Text], ...] = ()  # codes of the fault table
        self.hot = False  # above its after-run temperature, and it has a fan
        self.run_share = record.run_share if record is not None else None
        self.cool_s = 0.0  # until the after-run temperature
        self.notes: tuple[Text, ...] = ()
        self.over_s = 0.0  # the cap has bitten and load was missing for so long
        self.turns = 0
        self.weight = 1.0
        self.time_s: float | None = None
        self.fan = False
        self.coil: CoilManager | None = None
        if heat.coil.resistance_ohm > 0.0:
            kept = record.coil if record is not None else None
            self.coil = CoilManager(absorber, ASSUMED_AMBIENT_K, kept)


class ThermalManager:
    """Call `turn` every `slot_frames` frames; it serves one absorber after the other."""

    def __init__(
        self,
        rig: Rig,
        records: dict[str, RotorRecord] | None = None,
        off_s: float = 0.0,
        loads: LoadLoop | None = None,
    ) -> None:
        """`off_s`: seconds since the records were written; the rotors cooled meanwhile."""
        self._rig = rig
        self._loads = loads if loads is not None else LoadLoop(rig)
        kept = records or {}
        self._rotors = [_Rotor(absorber, kept.get(absorber.name)) for absorber in rig.absorbers]
        names = [roll_set.name for roll_set in rig.roll_sets]
        self._owner = [names.index(absorber.roll_set) for absorber in rig.absorbers]
        self._levers = [
            absorber.gear_ratio / rig.roll_sets[owner].roll_radius_m
            for absorber, owner in zip(rig.absorbers, self._owner, strict=True)
        ]
        self._ambient_name = next(
            (one.name for one in rig.slow if one.meaning == "ambient-temperature"), ""
        )
        self.ambient_k = ASSUMED_AMBIENT_K
        self.slot_frames = max(1, round(rig.frame_hz * EVERY_S / len(self._rotors)))
        self._next = 0
        self._run_id = ""
        self._plan_w = _NAN  # whole rig
        self._plan_radps = _NAN
        self.codes: dict[str, Text] = {}
        self.hot_fans: frozenset[str] = frozenset()  # of rotors above their after-run temperature
        for place, rotor in enumerate(self._rotors):
            if rotor.observer.from_memory:
                rotor.observer.was_off(off_s, ASSUMED_AMBIENT_K)
            if rotor.coil is not None and rotor.coil.observer.from_memory:
                rotor.coil.observer.was_off(off_s, ASSUMED_AMBIENT_K, rotor.observer.rim_k)
            self._loads.set_rotor(place, rotor.observer.rim_k)

    # ---- called by the core ---------------------------------------------------------------------

    def begin_run(self, run_id: str, power_w: float = _NAN, speed_mps: float = _NAN) -> None:
        """A run begins; `power_w` and `speed_mps` are what its plan asks for longest, if known."""
        self._run_id = run_id
        for rotor in self._rotors:
            rotor.hottest_k = 0.0
            rotor.most_w = 0.0
            rotor.begun_j = rotor.life.energy_j
            rotor.planned = _UNKNOWN
        self.expect(power_w, speed_mps)

    def expect(self, power_w: float, speed_mps: float) -> None:
        """The work whose headroom `plan_headroom_s` gives: absorber power of the whole rig."""
        self._plan_w = power_w
        self._plan_radps = speed_mps * max(self._levers)

    def look_everywhere(self) -> None:
        """Work out once what idle or cool rotors and coils never ask for: for the warm-up only."""
        for place, rotor in enumerate(self._rotors):
            observer, limit_k = rotor.observer, rotor.absorber.heat.limit_k
            work = (limit_k, 50e3, 100.0, True, self.ambient_k, LIVE_HORIZON_S)
            observer.headroom(*work, PAUSE_S)
            observer.seconds_left(*work)
            observer.seconds_to_cool(observer.rim_k - 1.0, 100.0, True, self.ambient_k)
            if rotor.coil is not None:
                rotor.coil.look_everywhere(self._loads.maps[place], self.ambient_k)

    def end_run(self) -> None:
        """A run has ended: note its hottest moment and what it found about the torque."""
        for place, rotor in enumerate(self._rotors):
            if rotor.hottest_k > 0.0:
                rotor.life = usage.with_hot_moment(rotor.life, rotor.hottest_k, self._run_id)
                gain, shape = self._loads.learned(place)
                if shape and (gain, shape[-1]) != (1.0, 1.0):
                    rotor.life = usage.with_capacity(rotor.life, self._run_id, gain * shape[-1])
        took = [rotor.life.energy_j - rotor.begun_j for rotor in self._rotors]
        if self._run_id and sum(took) > SHARE_FROM_J:
            for rotor, joule in zip(self._rotors, took, strict=True):
                rotor.run_share = joule / sum(took)
        self._run_id = ""
        self.expect(_NAN, _NAN)

    # ---- one slot --------------------------------------------------------------------------------

    def turn(self, measured: Measured, fans_on: bool, shortfall_n: float, under_load: bool) -> None:
        """Serve the next absorber."""
        place = self._next
        self._next = place + 1 if place + 1 < len(self._rotors) else 0
        rotor = self._rotors[place]
        if place == 0:
            self._feel_ambient(measured)
        rotor.turns += 1
        now = measured.time_s
        seconds, joule, radian, a2s = self._loads.take_work(place)
        since = now - rotor.time_s if rotor.time_s is not None else seconds
        rotor.time_s = now
        absorber = rotor.absorber
        fan = fans_on and bool(absorber.fan)
        if fan and absorber.fan_turns and measured.digital.get(absorber.fan_turns) is False:
            fan = False
        rotor.fan = fan
        observer = rotor.observer
        if since > seconds + 0.1:  # frames were missing: nothing is known but that time passed
            observer.predict(min(since - seconds, 7 * 86400.0), 0.0, 0.0, False, self.ambient_k)
        if seconds > 0.0:
            rotor.power_w = joule / seconds
            rotor.speed_radps = radian / seconds
            observer.predict(seconds, rotor.power_w, rotor.speed_radps, fan, self.ambient_k)
        self._hear_sensor(rotor, measured)
        if rotor.coil is not None:
            rotor.coil.turn(
                measured, place, max(since, seconds), seconds, a2s, self.ambient_k,
                observer.temperatures_k[1],
            )  # fmt: skip
            self._loads.set_coil(place, rotor.coil.observer.warm)
        self._judge(place, rotor, seconds, shortfall_n, under_load)
        self._look_ahead(rotor)

    def _feel_ambient(self, measured: Measured) -> None:
        reading = measured.slow.get(self._ambient_name)
        if reading is not None and reading.quality in _USABLE:
            self.ambient_k = min(max(reading.value, 233.15), 333.15)

    def _hear_sensor(self, rotor: _Rotor, measured: Measured) -> None:
        name = rotor.absorber.heat.sensor
        if not name:
            return
        reading = measured.slow.get(name)
        if reading is None or reading.quality not in _USABLE:
            rotor.sensor_k = _NAN
            return
        value = reading.value
        if not 200.0 < value < 1500.0:
            rotor.sensor_k = _NAN
            rotor.observer.correct(value, 0.0)
            return
        rotor.sensor_k = value
        if reading.time_s <= rotor.sensor_s:
            return
        first = rotor.sensor_s == -math.inf
        since = reading.time_s - rotor.sensor_s
        rotor.sensor_s = reading.time_s
        if first and not rotor.observer.from_memory:
            rotor.observer.begin_at(value)
        rotor.observer.correct(value, min(since, 5.0))

    def _judge(
        self, place: int, rotor: _Rotor, seconds: float, shortfall_n: float, under_load: bool
    ) -> None:
        heat = rotor.absorber.heat
        cap = rotor.guard.judge(
            rotor.observer, rotor.speed_radps, rotor.fan, self.ambient_k, rotor.power_w,
            rotor.sensor_k,
        )  # fmt: skip
        if rotor.coil is not None:
            cap = self._under_coil(place, rotor, rotor.coil, cap)
        rotor.cap = cap
        short = cap.level is ThermalLevel.HOT and shortfall_n > SHORT_N
        rotor.over_s = rotor.over_s + seconds if short else 0.0
        rim = cap.rim_k
        room = max(heat.limit_k - cap.margin_k - rim, 0.0)
        wanted = max(room / max(heat.limit_k - self.ambient_k, 1.0), LEAST_WEIGHT)
        change = min(max(wanted - rotor.weight, -WEIGHT_STEP), WEIGHT_STEP)
        rotor.weight += change
        self._loads.set_heat(place, rotor.observer.rim_k, cap.power_w, rotor.weight)
        if rim > rotor.hottest_k and under_load:
            rotor.hottest_k = rim
        if under_load:
            rotor.most_w = max(rotor.most_w, rotor.power_w)
        life = rotor.life
        rotor.life = AbsorberUsage(
            life.turning_s + (seconds if rotor.speed_radps > TURNING_RADPS else 0.0),
            life.loaded_s + (seconds if rotor.power_w > WORK_W else 0.0),
            life.energy_j + max(rotor.power_w, 0.0) * seconds,
            life.above_warn_s + (seconds if rim >= heat.warn_k else 0.0),
            life.above_limit_s + (seconds if rim >= heat.limit_k else 0.0),
            life.hottest,
            life.capacity,
        )
        said, hot = self._said(rotor), bool(rotor.absorber.fan and cap.rim_k > heat.after_run_k)
        if said != rotor.said or hot != rotor.hot:
            rotor.said, rotor.hot = said, hot
            self._tell()

    @staticmethod
    def _said(rotor: _Rotor) -> tuple[tuple[str, Text], ...]:
        """Codes of the fault table that hold for one absorber, with their details."""
        cap, verdict = rotor.cap, rotor.observer.sensor
        if cap.level is ThermalLevel.COOL and verdict in _QUIET:
            return ()
        name = rotor.absorber.name
        found: list[tuple[str, Text]] = []
        if cap.level is not ThermalLevel.COOL:
            detail = say("rotor-at", absorber=name, rotor_k=cap.rim_k)
            by_coil = rotor.coil is not None and rotor.coil.holds
            held = rotor.coil.description() if by_coil and rotor.coil is not None else detail
            if cap.level is ThermalLevel.LIMIT:
                found.append(("rotor-hot", detail))
            elif cap.level is ThermalLevel.COOLING:
                found.append(("rotor-cooling", detail))
            elif cap.level is ThermalLevel.HOT:
                found.append(("rotor-near-limit", held))
            if cap.rim_k >= rotor.absorber.heat.warn_k and cap.level < ThermalLevel.LIMIT:
                found.append(("rotor-warm", detail))
            if rotor.over_s > OVERLOADED_AFTER_S:
                found.append(("rotor-overloaded", held))
        if verdict is SensorVerdict.SLIPPED:
            found.append(("rotor-sensor-slipped", name))
        elif verdict is SensorVerdict.FAILED:
            found.append(("rotor-sensor-failed", name))
        return tuple(found)

    def _tell(self) -> None:
        """What holds now for all of them, once one of them has changed."""
        self.codes = {code: detail for rotor in self._rotors for code, detail in rotor.said}
        self.hot_fans = frozenset(rotor.absorber.fan for rotor in self._rotors if rotor.hot)

    def _under_coil(self, place: int, rotor: _Rotor, coil: CoilManager, cap: PowerCap) -> PowerCap:
        """The cap that holds for rotor and coil together."""
        slowest = self._rig.limits.low_speed_mps * self._levers[place]
        coil_w = coil.cap_w(
            self._loads.maps[place], max(rotor.speed_radps, slowest), rotor.observer.rim_k,
            self.ambient_k,
        )  # fmt: skip
        coil.holds = coil_w < cap.power_w
        if not coil.holds:
            return cap
        derated = coil_w <= 0.0 or rotor.power_w >= DERATING_ACTIVE_AT * coil_w
        level = max(cap.level, ThermalLevel.HOT) if derated else cap.level
        return PowerCap(level, coil_w, cap.rim_k, cap.margin_k)

    def _look_ahead(self, rotor: _Rotor) -> None:
        """Headroom at present power each turn; intervals, plan and pause one after the other."""
        observer, limit_k = rotor.observer, rotor.absorber.heat.limit_k
        power, speed, fan, ambient = rotor.power_w, rotor.speed_radps, rotor.fan, self.ambient_k
        turn = rotor.turns % (3 * INTERVAL_EVERY)
        if turn % INTERVAL_EVERY == 2:
            rotor.cool_s = self._after_run(rotor)
            if turn == 2:
                rotor.notes = usage.due(rotor.absorber, rotor.life)
        if power < WORK_W and rotor.cap.rim_k < limit_k:  # nothing warms it
            rotor.headroom = _NEVER
        else:
            self._refresh(rotor, turn)
        if rotor.coil is not None and turn % INTERVAL_EVERY == 6:
            rotor.coil.look_ahead(ambient, LIVE_HORIZON_S)
        work = self._plan_work(rotor)
        if turn == INTERVAL_EVERY:
            rotor.planned = (
                observer.headroom(limit_k, *work, fan, ambient, LIVE_HORIZON_S)
                if work is not None
                else _UNKNOWN
            )
        elif turn == 2 * INTERVAL_EVERY:
            work = work if work is not None else (power, speed)
            has_fan = bool(rotor.absorber.fan)
            rotor.paused = (
                observer.headroom(limit_k, *work, has_fan, ambient, LIVE_HORIZON_S, PAUSE_S)
                if work[0] >= WORK_W
                else _NEVER
            )

    def _refresh(self, rotor: _Rotor, turn: int) -> None:
        """Headroom at present power: the best estimate often, its interval now and then."""
        observer, limit_k = rotor.observer, rotor.absorber.heat.limit_k
        power, speed, fan, ambient = rotor.power_w, rotor.speed_radps, rotor.fan, self.ambient_k
        known = rotor.headroom
        if turn == 0:
            rotor.headroom = observer.headroom(limit_k, power, speed, fan, ambient, LIVE_HORIZON_S)
            return
        if turn % 2 or turn == INTERVAL_EVERY or turn == 2 * INTERVAL_EVERY:
            return  # once a second will do, and never beside another dear one
        best = observer.seconds_left(limit_k, power, speed, fan, ambient, LIVE_HORIZON_S)
        before = known.seconds
        if not (0.0 < before < math.inf and 0.0 < best < math.inf):  # no spread to keep
            rotor.headroom = observer.headroom(limit_k, power, speed, fan, ambient, LIVE_HORIZON_S)
            return
        low, high = best * known.low_s / before, best * known.high_s / before
        rotor.headroom = Headroom(best, min(low, best), max(high, best))

    def _plan_work(self, rotor: _Rotor) -> tuple[float, float] | None:
        """Power and shaft speed of the plan; where it leaves them open, the most of this run."""
        if math.isfinite(self._plan_w):
            known = all(each.run_share is not None for each in self._rotors)
            share = rotor.run_share if known and rotor.run_share else 1.0 / len(self._rotors)
            return self._plan_w * share, self._plan_radps
        if self._run_id and rotor.most_w > WORK_W:
            return rotor.most_w, rotor.speed_radps
        return None

    # ---- what others ask -------------------------------------------------------------------------

    def view(self, place: int, asked_n: float, set_point_a: float) -> AbsorberView:
        """One absorber for people."""
        rotor = self._rotors[place]
        row = self._loads.maps[place]
        speed = rotor.speed_radps
        planned, paused = rotor.planned, rotor.paused
        headroom, by_coil = _first(rotor)
        coil = rotor.coil
        rim_k = rotor.observer.rim_k
        able = float(capacity(row, speed, rim_k))
        if coil is not None:
            able = coil.capacity_nm(row, speed, rim_k)
        return AbsorberView(
            rotor.absorber.name,
            asked_n,
            set_point_a,
            rotor.observer.rim_k,
            headroom.seconds,
            rotor_sigma_k=rotor.observer.sigma_k,
            headroom_low_s=headroom.low_s,
            headroom_high_s=headroom.high_s,
            plan_headroom_s=planned.seconds,
            plan_headroom_low_s=planned.low_s,
            plan_headroom_high_s=planned.high_s,
            after_pause_s=paused.seconds,
            after_pause_low_s=paused.low_s,
            after_pause_high_s=paused.high_s,
            pause_s=PAUSE_S,
            capacity_nm=able,
            capacity_cold_nm=float(capacity(row, speed, COLD_K)),
            power_w=rotor.power_w,
            cap_w=rotor.cap.power_w,
            heat_level=rotor.cap.level.name.lower(),
            rotor_sensor=rotor.observer.sensor.value,
            fan=rotor.fan,
            limited_by="coil" if by_coil else "rotor",
            coil_k=coil.observer.coil_k if coil is not None else _NAN,
            coil_sigma_k=coil.observer.sigma_k if coil is not None else _NAN,
            coil_measured=coil is not None and coil.measured,
        )

    def summary(self, fans: Sequence[str]) -> HeatView:
        """The rig's heat at a glance: who limits, and what to do about it."""
        first = min(self._rotors, key=_urgency)
        return HeatView(
            hottest=first.absorber.name,
            level=max(rotor.cap.level for rotor in self._rotors).name.lower(),
            headroom_s=_first(first)[0].seconds,
            cooling_s=max(rotor.cool_s for rotor in self._rotors),
            ambient_k=self.ambient_k,
            fans=tuple(fans),
            advice=self.advice() or self._coils_warm(),
            service=tuple(note for rotor in self._rotors for note in rotor.notes),
        )

    def _after_run(self, rotor: _Rotor) -> float:
        """Seconds of cooling that are left until the after-run temperature, at this speed."""
        target = rotor.absorber.heat.after_run_k
        if rotor.power_w > WORK_W or rotor.observer.rim_k <= target:
            return 0.0
        return rotor.observer.seconds_to_cool(
            target, rotor.speed_radps, bool(rotor.absorber.fan), self.ambient_k
        )

    def advice(self) -> Text:
        """What the driver should do about heat now; "" when nothing."""
        hot = [r for r in self._rotors if r.cap.level is ThermalLevel.HOT]
        if hot:
            names = [rotor.absorber.name for rotor in hot]
            return say("ease-pedal-is-near-its-heat", absorbers=names)
        if any(r.cap.level >= ThermalLevel.LIMIT for r in self._rotors):
            return say("lift-off-and-let-rotors-turn")
        return ""

    def _coils_warm(self) -> Text:
        """Coils above their warning temperature, as a note that can wait; "" when none."""
        coils = [r.coil for r in self._rotors if r.coil is not None]
        warm = [
            one.description() for one in coils if one.observer.coil_k >= one.observer.heat.warn_k
        ]
        return say("plan-pause", coils=warm) if warm else ""

    def records(self) -> dict[str, RotorRecord]:
        """What must survive a restart."""
        return {
            rotor.absorber.name: RotorRecord(
                rotor.observer.memory(),
                rotor.guard.cooling,
                rotor.life,
                rotor.coil.observer.memory() if rotor.coil is not None else None,
                rotor.run_share,
            )
            for rotor in self._rotors
        }

    def rim_k(self, place: int) -> float:
        return self._rotors[place].observer.rim_k

    def nearest_k(self) -> float:
        """Kelvin left to the limit, of the rotor nearest to it."""
        return min(r.absorber.heat.limit_k - r.cap.rim_k for r in self._rotors)


def _counted(left: Headroom) -> float:
    """Seconds one may count on: the best estimate or, where that is never, the least."""
    return left.low_s if left.seconds == math.inf else left.seconds


def _first(rotor: _Rotor) -> tuple[Headroom, bool]:
    """The headroom that ends first, of rotor or coil, and whether it is the coil's."""
    if rotor.coil is not None and _counted(rotor.coil.left) < _counted(rotor.headroom):
        return rotor.coil.left, True
    return rotor.headroom, False


def _urgency(rotor: _Rotor) -> tuple[float, float]:
    seconds = _counted(_first(rotor)[0])
    return (
        seconds if seconds < math.inf else math.inf,
        rotor.absorber.heat.limit_k - rotor.cap.rim_k,
    )
