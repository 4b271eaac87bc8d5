"""Snap smoke: three valid snaps in neutral, idle between them, nothing loaded.

Data flow: see control.test_kinds.base; the smoke channel -> 0.5 s filter of daq.results.kinds.smoke
-> peak of each snap -> verdict. The filter runs at the frame rate over the channel's held values.
What the rate of the channel does to the peak of a short puff, at worst over widths and phases: 1 %
at 20 values a second, 4 % at 10 (tests/control/test_kinds/test_snap.py). Below 20 it is told
(`smoke_slow`), below 8 void.
"""

# ruff: noqa: PLR0124 - x == x tells a number from NaN cheaply

from __future__ import annotations

from control.load_loop.loop import Output
from control.test_kinds.base import NAN, RADPS_PER_RPM, Description, Figures, Sums, Test
from control.test_kinds.plans import SnapSmoke
from daq.errors import Refused
from daq.measure.measured import Measured
from daq.readings import Quality
from daq.results.kinds import smoke
from daq.rig.description import Rig
from daq.texts.message import Value, say

IDLE_SPREAD = 1.15  # idle: within 15 % of the idle speed learned
STEADY = 1.08  # greatest over least engine speed of a steady idle
ANOTHER = 1.6  # a steady speed below so many times the idle learned is an idle too
SNAP_END = 1.3  # back below so many times idle: the snap is over
ZERO_S = 3.0
LEARN_IDLE_S = 1.0  # at the end of the zero
LEAST_HZ, VOID_HZ = 20.0, 8.0
ZERO_LIMIT = 2.0  # points; SAE J1667, from memory
_USABLE = frozenset((Quality.GOOD, Quality.AGING))


def smoke_channel(rig: Rig) -> str:
    """Name of the smoke channel. Raises Refused when the rig has none."""
    for channel in rig.slow:
        if channel.meaning == "smoke-opacity":
            return channel.name
    raise Refused(
        say("rig-has-no-smoke-meter"),
        say("add-slow-channel-with-meaning-smoke"),
        "no-smoke-channel",
    )


def _widened(span: tuple[float, float], value: float) -> tuple[float, float]:
    return min(span[0], value), max(span[1], value)


class SnapTest(Test):
    kind = "snap-smoke"
    describe = Description(
        "Snap smoke",
        "Engine warm, in neutral, rolls standing, a smoke meter and an engine speed.",
        (
            ("zero", say("idle-probe-out-of-stack-meters")),
            ("probe in", say("put-probe-into-stack-stay-in")),
            ("idle", say("idle-for-before-snap")),
            ("snap", say("snap-floor-it-at-once-hold")),
            ("probe out", say("take-probe-out-of-stack")),
            ("zero again", say("idle-probe-out-meters-zero-is")),
        ),
        "After three snaps in a row agree, or after the most snaps planned.",
        "Peak of the 0.5 s filtered opacity per snap; mean and spread of the three; zero shift.",
        (
            ("snaps-disagree", "no three snaps in a row agreed"),
            ("zero-shift", "the meter's zero moved by more than 2 points"),
            ("smoke-slow", "the smoke channel gave fewer than 8 values a second"),
            ("rolls-turning", "the truck was not in neutral"),
            ("ended-early", "eased off before"),
        ),
    )

    def __init__(
        self, run_id: str, plan: SnapSmoke, rig: Rig, ratio_per_m: float | None = None
    ) -> None:
        super().__init__(run_id, rig, ratio_per_m)
        self.plan = plan
        self._channel = smoke_channel(rig)
        self.unit = "rad/s"
        self.by_engine = True
        self._filter = smoke.bessel_filter(float(rig.frame_hz))
        self._y = [NAN, NAN]
        self._s = [NAN, NAN]
        self._idle = NAN
        self._engine = (NAN, NAN)  # least and greatest while idle is looked for
        self._steady_s = 0.0
        self._seen = (NAN, 0)
        self._values_s = 0.0
        self.zero = Sums()
        self.zero_after = Sums()
        self.peaks: list[float] = []
        self._peak = 0.0
        self._since_snap_s = 0.0
        self.restarts = 0
        self.verdict: smoke.SnapVerdict | None = None

    def follow(self, measured: Measured, speed_mps: float, dt_s: float) -> None:
        self.measured = measured.engine_speed.value

    def _filtered(self, measured: Measured, dt_s: float) -> float:
        """Filtered opacity, per cent; NaN while the meter is silent."""
        reading = measured.slow.get(self._channel)
        if reading is None or reading.quality not in _USABLE:
            return NAN
        s = 100.0 * reading.value
        last, count = self._seen
        self._values_s += dt_s
        if reading.time_s != last:
            self._seen = (reading.time_s, count + 1)
        if self._y[0] != self._y[0]:
            self._y = [s, s]
            self._s = [s, s]
        f, (y1, y2), (s1, s2) = self._filter, self._y, self._s
        y = y1 + f.e * (s + 2.0 * s1 + s2 - 4.0 * y2) + f.k * (y1 - y2)
        self._y, self._s = [y, y1], [s, s1]
        return y

    def step(self, measured: Measured, output: Output, dt_s: float) -> None:
        plan = self.plan
        self.elapsed_s += dt_s
        opacity = self._filtered(measured, dt_s)
        engine = self.measured
        if output.speed_mps > self._low:
            self.void("rolls-turning", say("rolls-turned-truck-was-not-in"))
        phase, phase_s = self.phase, self.phase_s
        if phase == "zero":
            if phase_s > 0.5 * ZERO_S and opacity == opacity:
                self.zero.add(opacity)
            if phase_s < ZERO_S - LEARN_IDLE_S:
                self._engine = (engine, engine)
            self._engine = _widened(self._engine, engine)
            if phase_s >= ZERO_S and self.zero.n:
                if self._steady():
                    self._idle = 0.5 * sum(self._engine)
                    self.enter("probe in")
                else:  # revs still fall, or somebody blips: the zero is not that of an idle engine
                    self.zero, self.phase_s = Sums(), 0.0
        elif phase == "probe in":
            if phase_s >= plan.probe_s:
                self._since_snap_s = 0.0
                self.enter("idle")
        elif phase == "idle":
            self._since_snap_s += dt_s
            idling = engine < IDLE_SPREAD * self._idle
            if not idling and phase_s < plan.idle_s:
                self.phase_s = 0.0  # the idle time begins again
                self._other_idle(engine, dt_s)
            elif phase_s >= plan.idle_s:
                self._peak = 0.0
                self.enter("snap")
        elif phase == "snap":
            self._snap(opacity, engine, dt_s)
        elif phase == "probe out":
            if phase_s >= plan.probe_s:
                self.enter("zero again")
        else:
            if phase_s > 0.5 * ZERO_S and opacity == opacity:
                self.zero_after.add(opacity)
            if phase_s >= ZERO_S and self.zero_after.n:
                self._judge()

    def _steady(self) -> bool:
        least, most = self._engine
        return most < STEADY * least

    def _other_idle(self, engine: float, dt_s: float) -> None:
        """Take another steady speed for idle: a compressor or a cold engine moves it."""
        self._engine = _widened(self._engine, engine)
        self._steady_s += dt_s
        if not self._steady() or engine > ANOTHER * self._idle:
            self._engine, self._steady_s = (engine, engine), 0.0
        elif self._steady_s >= self.plan.idle_s:
            self._idle = 0.5 * sum(self._engine)

    _up = False

    def _snap(self, opacity: float, engine: float, dt_s: float) -> None:
        plan = self.plan
        self._since_snap_s += dt_s
        self._peak = max(self._peak, opacity)
        if not self._up:
            self._up = engine > plan.snap_rise * self._idle
            if not self._up and self._since_snap_s > plan.within_s:
                if self.peaks:
                    self.restarts += 1
                    self.peaks.clear()
                self._since_snap_s = 0.0
                self.enter("idle")
            return
        if engine < SNAP_END * self._idle:
            self._up = False
            self.peaks.append(self._peak)
            self._since_snap_s = 0.0
            last = self.peaks[-3:]
            agree = len(last) == 3 and max(last) - min(last) <= plan.spread_percent
            if agree or len(self.peaks) >= plan.most_snaps:
                self.enter("probe out")
            else:
                self.enter("idle")

    def _judge(self) -> None:
        shift = self.zero_after.mean - self.zero.mean
        self.verdict = smoke.judge_snaps(self.peaks, shift, self.plan.spread_percent, ZERO_LIMIT)
        if not self.verdict.used:
            self.void("snaps-disagree", say("no-three-snaps-in-row-agreed"))
        if abs(shift) > ZERO_LIMIT:
            self.void("zero-shift", say("meters-zero-moved-by-points", shift=shift))
        if self._hertz() < VOID_HZ:
            self.void(
                "smoke-slow",
                say("smoke-channel-too-slow", rate_hz=self._hertz()),
            )
        self.finish()

    def _hertz(self) -> float:
        """Values a second of the smoke channel."""
        return self._seen[1] / self._values_s if self._values_s > 1.0 else NAN

    def figures(self) -> Figures:
        told: Figures = {"snaps": len(self.peaks), "restarts": self.restarts}
        for number, peak in enumerate(self.peaks, start=1):
            told[f"snap_{number}_percent"] = peak
        if self._idle == self._idle:
            told["idle_rpm"] = self._idle / RADPS_PER_RPM
        hertz = self._hertz()
        if hertz == hertz:
            told["smoke_values_per_s"] = hertz
            told["smoke_slow"] = hertz < 0.95 * LEAST_HZ
        if self.verdict is not None:
            told["mean_percent"] = self.verdict.mean_percent
            told["spread_percent"] = self.verdict.spread_percent
            told["zero_shift_percent"] = self.zero_after.mean - self.zero.mean
        return told

    def aims(self) -> dict[str, Value]:
        return {"idle_s": self.plan.idle_s, "snap": len(self.peaks) + 1}
