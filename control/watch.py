"""Detection of faults from one frame's readings: which rows of the fault table hold now.

Data flow: Measured + what the core asked for -> conditions -> persistence times -> codes with a
detail. The usual frame raises nothing and costs a few comparisons. The core adds the faults that
are not in a frame (link, helm, session, recorder).
"""

# ruff: noqa: PLR0124, PLR1730 - x == x tells NaN cheaply; a call per frame is dearer than a branch

from __future__ import annotations

from control.faults import TABLE
from daq.measured import Measured
from daq.readings import Quality
from daq.rig import Rig
from daq.wire.frames import Permission

NOTHING: dict[str, str] = {}

# How long a condition must hold, s (the table states the sum with the frame time).
PERSISTENCE_S: dict[str, float] = {
    "tie-downs-opened": 0.05,
    "speed-lost": 0.02,
    "speed-suspect": 0.1,
    "speeds-disagree": 0.5,
    "engine-speed-lost": 0.2,
    "cell-lost": 0.02,
    "cell-suspect": 0.1,
    "cell-drifted": 2.0,
    "current-not-following": 0.3,
    "current-stuck-on": 1.0,
    "absorber-weak": 1.0,
    "absorber-reversed": 0.2,
    "over-speed": 0.05,
    "over-speed-far": 0.05,
    "over-force": 0.05,
    "over-power": 0.05,
}
FROZEN_S = 0.5
LOST_SHARE = 0.1
LOST_WINDOW_S = 1.0
SLOW_CHECK_FRAMES = 100
CLOCK_JUMP_S = 0.05
OVER = 1.05


class Watch:
    """Persistence timers and the little history that detection needs."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._limits = rig.limits
        self._frame_s = 1.0 / rig.frame_hz
        self._since: dict[str, float] = {}
        count, sets = len(rig.absorbers), len(rig.roll_sets)
        names = [roll_set.name for roll_set in rig.roll_sets]
        self._owner = [names.index(absorber.roll_set) for absorber in rig.absorbers]
        self._drift_n = [0.02 * absorber.cell.capacity_n for absorber in rig.absorbers]
        self._reversed_n = [-0.03 * absorber.cell.capacity_n for absorber in rig.absorbers]
        self._speed_last = [float("nan")] * sets
        self._speed_changed = [0.0] * sets
        self._cell_last = [float("nan")] * count
        self._cell_changed = [0.0] * count
        self._zero_for_s = [0.0] * count
        self._lost = 0.0
        self._clock: tuple[float, int] | None = None
        self._clock_jump = ""
        self._slow_countdown = 0
        self._hot: dict[str, str] = {}

    def clear_clock(self) -> None:
        """A new session: device time starts afresh and an earlier jump is history."""
        self._clock = None
        self._clock_jump = ""
        self._lost = 0.0

    def frame(
        self,
        measured: Measured,
        loaded: bool,
        by_engine: bool,
        sent_a: tuple[float, ...],
        output: list[float],
    ) -> dict[str, str]:
        """Codes that hold now, with a detail each. `output` is what control.loads returned."""
        now = measured.time_s
        raised: list[tuple[str, str]] = []
        limits = self._limits

        clock = self._clock
        if clock is not None:
            frames = (measured.sequence - clock[1]) & 0xFFFFFFFF
            off = now - clock[0] - frames * self._frame_s
            if off > CLOCK_JUMP_S or off < -CLOCK_JUMP_S:
                self._clock_jump = f"{off * 1e3:.0f} ms"
        self._clock = (now, measured.sequence)
        if self._clock_jump:
            raised.append(("clock-jump", self._clock_jump))
        lost = measured.frames_lost
        self._lost += lost - self._lost * self._frame_s / LOST_WINDOW_S
        if self._lost > LOST_SHARE * LOST_WINDOW_S / self._frame_s:
            raised.append(("frames-lost", f"about {self._lost:.0f} in the last second"))

        if not measured.stop_chain_closed or measured.permission == Permission.CHAIN_OPEN:
            raised.append(("stop-chain-open", ""))
        if measured.tie_downs is False:
            raised.append(("tie-downs-opened" if loaded else "tie-downs-open", ""))

        # Roll sets.
        force = 0.0
        power = 0.0
        top = 0.0
        slowest_loaded = 1e9
        fastest_loaded = 0.0
        count = len(sent_a)
        for r, roll_set in enumerate(measured.roll_sets):
            speed = roll_set.speed
            quality = speed.quality
            v = speed.value
            if quality is Quality.MISSING:
                raised.append(("speed-lost", roll_set.name))
                continue
            if quality is Quality.SUSPECT:
                raised.append(("speed-suspect", roll_set.name))
            if v > top:
                top = v
            f = roll_set.absorber_force.value
            if f == f:
                force += f
                power += f * v
            if v != self._speed_last[r]:
                self._speed_last[r] = v
                self._speed_changed[r] = now
            elif loaded and v > limits.low_speed_mps and now - self._speed_changed[r] > FROZEN_S:
                raised.append(("speed-frozen", roll_set.name))
            if loaded and v > limits.low_speed_mps:
                if v < slowest_loaded:
                    slowest_loaded = v
                if v > fastest_loaded:
                    fastest_loaded = v
        if fastest_loaded > 1.1 * slowest_loaded:
            raised.append(("speeds-disagree", f"{slowest_loaded:.1f} and {fastest_loaded:.1f} m/s"))
        if top > limits.max_speed_mps:
            raised.append(("over-speed", f"{top:.1f} m/s"))
            if top > OVER * limits.max_speed_mps:
                raised.append(("over-speed-far", f"{top:.1f} m/s"))
        if force > OVER * limits.max_force_n:
            raised.append(("over-force", f"{force:.0f} N"))
        if power > OVER * limits.max_power_w:
            raised.append(("over-power", f"{power / 1e3:.0f} kW"))
        if by_engine and measured.engine_speed.quality is Quality.MISSING:
            raised.append(("engine-speed-lost", ""))

        # Absorbers.
        for i, absorber in enumerate(measured.absorbers):
            cell = absorber.cell_force
            newton = cell.value
            quality = cell.quality
            coil = absorber.current.value
            sent = sent_a[i]
            if quality is Quality.MISSING:
                raised.append(("cell-lost", absorber.name))
            else:
                if quality is Quality.SUSPECT:
                    raised.append(("cell-suspect", absorber.name))
                if newton != self._cell_last[i]:
                    self._cell_last[i] = newton
                    self._cell_changed[i] = now
                elif loaded and now - self._cell_changed[i] > FROZEN_S:
                    raised.append(("cell-frozen", absorber.name))
                if coil > 2.0 and newton < self._reversed_n[i]:
                    raised.append(("absorber-reversed", absorber.name))
                mapped = output[3 + 4 * count + i]
                if mapped > 600.0 and absorber.force.value < 0.4 * mapped:
                    raised.append(("absorber-weak", absorber.name))
                drift = self._drift_n[i]
                if (
                    (newton > drift or newton < -drift)
                    and coil < 0.5
                    and (measured.roll_sets[self._owner[i]].speed.value < 0.1)
                ):
                    raised.append(("cell-drifted", f"{absorber.name} {newton:.0f} N"))
            if sent > 0.0:
                self._zero_for_s[i] = 0.0
                model = output[3 + 2 * count + i]
                miss = coil - model if coil > model else model - coil
                if miss > 3.0 and miss > 0.15 * model:
                    raised.append(("current-not-following", f"{absorber.name} {coil:.1f} A"))
            elif coil > 2.0:
                self._zero_for_s[i] += self._frame_s
                if self._zero_for_s[i] > 0.5:  # the coil has had time to empty
                    raised.append(("current-stuck-on", f"{absorber.name} {coil:.1f} A"))

        self._slow_countdown -= 1
        if self._slow_countdown <= 0:
            self._slow_countdown = SLOW_CHECK_FRAMES
            self._hot = self._heat(measured)
        if self._hot:
            raised.extend(self._hot.items())

        if not raised and not self._since:
            return NOTHING
        return self._persist(raised, now)

    def _heat(self, measured: Measured) -> dict[str, str]:
        hot: dict[str, str] = {}
        for absorber in self._rig.absorbers:
            reading = measured.slow.get(absorber.heat.sensor) if absorber.heat.sensor else None
            if reading is None or reading.quality is Quality.MISSING:
                continue
            detail = f"{absorber.name} {reading.value - 273.15:.0f} degC"
            if reading.value >= absorber.heat.limit_k:
                hot["rotor-hot"] = detail
            elif reading.value >= absorber.heat.warn_k:
                hot["rotor-warm"] = detail
        return hot

    def _persist(self, raised: list[tuple[str, str]], now: float) -> dict[str, str]:
        details = dict(raised)
        for code in [code for code in self._since if code not in details]:
            del self._since[code]
        active: dict[str, str] = {}
        for code, detail in details.items():
            since = self._since.setdefault(code, now)
            if now - since >= PERSISTENCE_S.get(code, 0.0):
                active[code] = detail
        return active


assert set(PERSISTENCE_S) <= set(TABLE)  # noqa: S101 - a misspelt code would never fire
