"""Detection of faults from one frame's readings: which rows of the fault table hold now.

Data flow: Measured + the bits of control.safety.fault_kernel -> conditions with a detail ->
persistence times -> codes. The usual frame raises nothing and costs little. The core adds the
faults that are not in a frame (link, helm, session, recorder).
"""

from __future__ import annotations

import numpy as np

from control.load_loop.loop import LoadLoop
from control.load_loop.records import ABSORBER, LOOP, ROLL_SET
from control.safety import fault_kernel as bit
from control.safety.faults import TABLE
from control.safety.surroundings import LOOK_S, Surroundings
from daq.kernel import bound
from daq.measure.force.load_cell import FAULT_TEXTS, FROZEN
from daq.measure.measured import NOT_YET_KNOWN, Measured
from daq.readings import Quality
from daq.rig.description import Rig
from daq.texts.message import Text, say
from daq.wire.frames import Permission

NOTHING: dict[str, Text] = {}

# How long a condition must hold, s (the table states the sum with the frame time).
PERSISTENCE_S: dict[str, float] = {
    "tie-downs-opened": 0.05,
    "speed-lost": 0.02,
    "speed-suspect": 0.1,
    "speeds-disagree": 2.0,
    "engine-speed-lost": 0.2,
    "cell-lost": 0.02,
    "cell-suspect": 0.1,
    "cell-frozen": 0.1,
    "cell-noisy": 0.05,
    "cell-drifted": 2.0,
    "current-not-following": 0.3,
    "current-stuck-on": 0.5,
    "absorber-weak": 1.0,
    "absorber-reversed": 0.2,
    "over-speed": 0.05,
    "over-speed-far": 0.05,
    "over-force": 0.05,
    "over-power": 0.05,
    "sensor-silent": 1.0,
    "weather-out-of-range": 1.0,
    "tyre-slip": 0.4,
}
LOST_SHARE = 0.1
LOST_WINDOW_S = 1.0
CLOCK_JUMP_S = 0.05
DOUBT_S = 0.1  # of frames in doubt, good frames between them counting back by DOUBT_FADES
DOUBT_FADES = 0.25
_DOUBTS = frozenset({"speed-lost", "speed-suspect", "cell-lost", "cell-suspect", "cell-frozen"})

# Bit of control.safety.fault_kernel -> code, and whether its place is a roll set, an absorber or
# the whole rig.
_CODES: tuple[tuple[int, str, str], ...] = (
    (bit.OVER_SPEED, "over-speed", "set"),
    (bit.OVER_SPEED_FAR, "over-speed-far", "set"),
    (bit.OVER_FORCE, "over-force", ""),
    (bit.OVER_POWER, "over-power", ""),
    (bit.SPEEDS_APART, "speeds-disagree", ""),
    (bit.SPEED_FROZEN, "speed-frozen", "set"),
    (bit.REVERSED, "absorber-reversed", "absorber"),
    (bit.WEAK, "absorber-weak", "absorber"),
    (bit.DRIFTED, "cell-drifted", "absorber"),
    (bit.NOT_FOLLOWING, "current-not-following", "absorber"),
    (bit.STUCK_ON, "current-stuck-on", "absorber"),
    (bit.BEYOND_RIG, "set-point-beyond-rig", ""),
    (bit.NOISY, "cell-noisy", "absorber"),
)


class FaultDetector:
    """Persistence timers and the little history that detection needs."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._frame_s = 1.0 / rig.frame_hz
        self._since: dict[str, float] = {}
        count, sets = len(rig.absorbers), len(rig.roll_sets)
        names = [roll_set.name for roll_set in rig.roll_sets]
        owners = [names.index(absorber.roll_set) for absorber in rig.absorbers]
        limits = rig.limits
        self._limits = np.array(
            [limits.max_speed_mps, limits.low_speed_mps, limits.max_force_n, limits.max_power_w]
        )
        self._capacity = np.array(
            [
                absorber.cell.capacity_n
                * absorber.arm_m
                * absorber.gear_ratio
                / rig.roll_sets[owner].roll_radius_m
                for absorber, owner in zip(rig.absorbers, owners, strict=True)
            ]
        )
        self._state = np.zeros((bit.STATE_ROWS, max(count, sets)))
        self._places = np.zeros(bit.CONDITIONS, dtype=np.int64)
        records = (np.zeros(1, LOOP), np.zeros(1, ROLL_SET), np.zeros(1, ABSORBER))
        self._screen = bound(
            bit.screen, *records, self._limits, self._capacity, self._state, self._places, True
        )
        self._lost = 0.0
        self._clock: tuple[float, int] | None = None
        self._clock_jump = ""
        self._clock_off_s = 0.0  # within the last second or so
        self.hot: dict[str, Text] = NOTHING  # codes of control.thermal.manager, set by the core
        self._doubt_s: dict[str, float] = {}
        self._surroundings = Surroundings(rig)
        self._look_every = max(1, round(LOOK_S * rig.frame_hz))
        self._look_countdown = 0
        self._around: dict[str, Text] = {}

    def clear_clock(self) -> None:
        """A new session: device time starts afresh and an earlier jump is history."""
        self._clock = None
        self._clock_jump = ""
        self._clock_off_s = 0.0
        self._lost = 0.0

    def frame(
        self, measured: Measured, loads: LoadLoop, under_load: bool, by_engine: bool, doubtful: bool
    ) -> dict[str, Text]:
        """Codes that hold now, with a detail each; call after `loads.step`.

        `doubtful`: some speed or force reading of this frame is not good.
        """
        now = measured.time_s
        raised: list[tuple[str, Text]] = []

        clock = self._clock
        if clock is not None:
            frames = (measured.sequence - clock[1]) & 0xFFFFFFFF
            off = now - clock[0] - frames * self._frame_s
            # A clock that runs at another rate than the greeting declared is off frame by frame.
            self._clock_off_s += off - self._clock_off_s * self._frame_s
            if abs(self._clock_off_s) > CLOCK_JUMP_S:
                self._clock_jump = f"{self._clock_off_s * 1e3:.0f} ms"
        self._clock = (now, measured.sequence)
        if self._clock_jump:
            raised.append(("clock-jump", self._clock_jump))
        self._lost += measured.frames_lost - self._lost * self._frame_s / LOST_WINDOW_S
        if self._lost > LOST_SHARE * LOST_WINDOW_S / self._frame_s:
            raised.append(
                ("frames-lost", say("about-so-many-last-second", count=round(self._lost)))
            )
        if not measured.stop_chain_closed or measured.permission == Permission.CHAIN_OPEN:
            raised.append(("stop-chain-open", ""))
        if measured.tie_downs is False:
            raised.append(("tie-downs-opened" if under_load else "tie-downs-open", ""))
        if by_engine and measured.engine_speed.quality is Quality.MISSING:
            raised.append(("engine-speed-lost", ""))
        if doubtful or self._doubt_s:
            self._doubts(measured, raised)
            self._come_and_go(raised)
        bits = self._screen(
            loads.loop, loads.roll_sets, loads.absorbers, self._limits, self._capacity,
            self._state, self._places, under_load,
        )  # fmt: skip
        if bits:
            self._numeric(bits, raised)

        if self.hot:
            raised.extend(self.hot.items())

        self._look_countdown -= 1
        if self._look_countdown <= 0:
            self._look_countdown = self._look_every
            self._around = self._surroundings.look(measured, under_load, by_engine)
        if self._around:
            raised.extend(self._around.items())

        if not raised and not self._since:
            return NOTHING
        return self._persist(raised, now)

    def _numeric(self, bits: int, raised: list[tuple[str, Text]]) -> None:
        for number, code, where in _CODES:
            if bits >> number & 1:
                place = int(self._places[number])
                detail = ""
                if where == "set":
                    detail = self._rig.roll_sets[place].name
                elif where == "absorber":
                    detail = self._rig.absorbers[place].name
                raised.append((code, detail))

    def _come_and_go(self, raised: list[tuple[str, Text]]) -> None:
        """A reading in doubt every other frame is no better than one in doubt all the time."""
        bad = {str(detail): code for code, detail in raised if code in _DOUBTS}
        doubt_s = self._doubt_s
        for name in bad:
            doubt_s[name] = min(doubt_s.get(name, 0.0) + self._frame_s, 2.0 * DOUBT_S)
        for name in [name for name in doubt_s if name not in bad]:
            left_s = doubt_s[name] - DOUBT_FADES * self._frame_s
            if left_s <= 0.0:
                del doubt_s[name]
                continue
            doubt_s[name] = left_s
            if left_s >= DOUBT_S:
                sets = [roll_set.name for roll_set in self._rig.roll_sets]
                raised.append(("speed-suspect" if name in sets else "cell-suspect", name))

    @staticmethod
    def _doubts(measured: Measured, raised: list[tuple[str, Text]]) -> None:
        for roll_set in measured.roll_sets:
            if roll_set.speed.quality is Quality.MISSING:
                if roll_set.condition != NOT_YET_KNOWN:  # the first second: nothing is lost
                    raised.append(("speed-lost", roll_set.name))
            elif roll_set.speed.quality is Quality.SUSPECT:
                raised.append(("speed-suspect", roll_set.name))
        for absorber in measured.absorbers:
            if absorber.force.quality is Quality.MISSING:
                raised.append(("cell-lost", absorber.name))
            elif absorber.force.quality is Quality.SUSPECT:
                frozen = FAULT_TEXTS[FROZEN] in absorber.condition
                raised.append(("cell-frozen" if frozen else "cell-suspect", absorber.name))

    def _persist(self, raised: list[tuple[str, Text]], now: float) -> dict[str, Text]:
        details = dict(raised)
        for code in [code for code in self._since if code not in details]:
            del self._since[code]
        active: dict[str, Text] = {}
        for code, detail in details.items():
            since = self._since.setdefault(code, now)
            if now - since >= PERSISTENCE_S.get(code, 0.0):
                active[code] = detail
        return active


if not set(PERSISTENCE_S) | {code for _, code, _ in _CODES} <= set(TABLE):
    raise RuntimeError(
        "control.safety.fault_detection names a fault that control.safety.faults does not describe"
    )
