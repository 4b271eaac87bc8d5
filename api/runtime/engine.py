"""One sample's way through the loop process, without the port: bytes in, set points out.

Data flows: frames from the link -> Core.step with the commands that wait -> set point back to the
link, first of all; then answers and events to the channel, raw frames to the run's recording and
to the black box, telemetry at 50 Hz. Clock and link are given, so that the same engine runs
against a serial device and in a test's memory.
"""

from __future__ import annotations

import asyncio
import contextlib
import functools
import math
import secrets
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Protocol, cast

import msgspec

from api.folders import MEMORY_NAME
from api.runtime.black_box import BlackBox
from api.runtime.calibration_due import calibration_problem
from api.runtime.channel_server import ChannelServer
from api.runtime.memory_file import MemoryWriter
from api.runtime.run_file import DECISION, LEAST_FREE_MB, Learned, RunFile
from api.runtime.timing import LoopTiming
from control.core.commands import AnyCommand, EaseOff, StartTest
from control.core.core import Core, CoreOutput
from control.core.memory import Memory
from control.core.sample_age import OLD_S
from control.telemetry import Event, LoopHealth, State, Telemetry
from daq import wall_clock
from daq.clock import HostMap
from daq.recording.recorder import RecordKind
from daq.rig.description import Rig
from daq.texts.message import Text, say
from daq.texts.published import written
from daq.wire.deframer import WireCounters
from daq.wire.frames import Frame, FromFrontEnd, Hello, Sample, ToFrontEnd

TELEMETRY_S = 0.02
QUIET_S = 0.01  # without frames for this long the core is stepped by the timer
MEMORY_S = 5.0  # slow changes (heat) are written this often; a trip or a change of load at once
DECISION_S = 0.1  # snapshots in the black box
LATE_NOTICE_S = 1.0  # at most one notice of lateness in this time
CALIBRATION_S = 3600.0  # the date is looked at this often
OWN_HOLDER = "loop:own"

_msgpack = msgspec.msgpack.Encoder()


class LinkLike(Protocol):
    """What the engine needs of daq.link.port.Link."""

    wire: WireCounters
    host_map: HostMap | None

    def send(self, frame: ToFrontEnd) -> bool: ...


class Engine:
    """The loop process's work. Every method returns at once and never waits for disk or reader."""

    def __init__(
        self,
        rig: Rig,
        rig_text: str,
        memory: Memory | None,
        data: Path,
        server: ChannelServer,
        clock: Callable[[], float] = time.monotonic,
        today: Callable[[], date] = wall_clock.today,
        off_s: float = 0.0,
        least_free_mb: int = LEAST_FREE_MB,
    ) -> None:
        """`off_s`: seconds since `memory` was written; the rotors cooled meanwhile."""
        self.rig = rig
        session = 1 + secrets.randbelow(0xFFFF_FFFF)  # any but 0, and not one from before
        self.core = Core(rig, memory, off_s=off_s, session=session)
        self.pulse = LoopTiming(1.0 / rig.frame_hz)
        self.link: LinkLike | None = None
        self.link_up = False
        self.reconnects = -1  # the first connection is none
        self.frames = 0
        self._server = server
        self._clock = clock
        self._memory = MemoryWriter(data / MEMORY_NAME)
        self._saved: Memory | None = memory
        self._memory_due_s = -math.inf
        self._files = RunFile(data, rig, rig_text, least_free_mb)
        self._box = BlackBox(self._files.write_box)
        self._started: dict[str, StartTest] = {}
        self._own: list[AnyCommand] = []
        self._last_frame_s = -math.inf
        self._late_said_s = -math.inf
        self._decision_due_s = -math.inf
        self._state = self.core.state
        self._today = today
        self._calibration_due_s = -math.inf
        self._had_reader = False
        self._clocks = (math.nan, math.nan, math.nan)
        self._clock_restarts = 0
        self._tasks = 0

    # ---- from the link

    def changed(self, up: bool, problem: str) -> None:
        """The link went up or down; the core notices by its own clock that frames are missing."""
        self.link_up = up
        self.pulse.pause()
        if up:
            self.reconnects += 1
            self.core.line_opened()
            self._notice(say("front-end-connected"), {})
        else:
            self._notice(say("connection-ended", problem=problem), {})

    def received(self, received: list[tuple[Frame, bytes]], host_ns: int) -> None:
        """The sound frames of one read, with their bytes and the host time of the read."""
        begun_s = self._clock()
        for frame, raw in received:
            if type(frame) is Sample:
                now_s = self._clock()
                self.frames += 1
                late = self.pulse.beat(now_s)
                if late is not None and now_s - self._late_said_s > LATE_NOTICE_S:
                    self._late_said_s = now_s
                    self._notice(
                        say(
                            "loop-was-late-ms-between-two",
                            gap_ms=late.gap_s * 1000.0,
                            work=late.work,
                            work_ms=late.work_s * 1000.0,
                        ),
                        {"gap_ms": late.gap_s * 1e3, "work": late.work},
                    )
                self._last_frame_s = now_s
            elif type(frame) is Hello:
                self._files.greeted(raw)
            self._step(cast(FromFrontEnd, frame))
            self._note(RecordKind.RX, host_ns, raw)
        self.pulse.ran("frames", self._clock() - begun_s)

    def sent(self, raw: bytes, host_ns: int) -> None:
        """A frame the port has taken."""
        self._note(RecordKind.TX, host_ns, raw.removesuffix(b"\0"))

    def damaged(self, raw: bytes, host_ns: int) -> None:
        """Bytes that were no frame, kept as they came."""
        self._note(RecordKind.RX_DAMAGED, host_ns, raw)

    # ---- from the timer

    def tick(self) -> None:
        """Called at least every 10 ms: steps the core when no frame does."""
        if self._clock() - self._last_frame_s >= QUIET_S:
            self._step(None)

    def telemetry(self) -> Telemetry:
        """A snapshot with the loop's own health in it."""
        wire = self.link.wire if self.link is not None else WireCounters()
        health = LoopHealth(
            frames=self.frames,
            frames_lost=self.core.frames_lost,
            frames_contradicting=self.core.frames_contradicting,
            bytes_discarded=wire.bytes_discarded,
            crc_failures=wire.crc_failures,
            reconnects=max(self.reconnects, 0),
            link_up=self.link_up,
            recorder=self._files.state,
            round_trip_p50_ms=self._clocks[0],
            clock_rate_ppm=self._clocks[1],
            clock_sigma_ms=self._clocks[2],
            clock_restarts=self._clock_restarts,
            tasks=self._tasks,
        )
        return msgspec.structs.replace(
            self.core.telemetry(), health=self.pulse.fill(health, self._clock())
        )

    def publish(self) -> None:
        """Offer a snapshot to the readers and, less often, to the black box."""
        begun_s = self._clock()
        snapshot = self.telemetry()
        self._server.publish_telemetry(snapshot)
        if begun_s >= self._decision_due_s:
            self._decision_due_s = begun_s + DECISION_S
            self._box.append(DECISION, int(begun_s * 1e9), _msgpack.encode(snapshot))
        self.pulse.ran("telemetry", self._clock() - begun_s)

    def keep_house(self) -> None:
        """Once a second: memory that changed slowly, the recorder's state."""
        begun_s = self._clock()
        if begun_s >= self._memory_due_s:
            self._save_memory(begun_s)
        failure = self._files.failure
        self.core.outside("recorder-failed", bool(failure), failure)
        self.core.outside("disk-low", bool(self._files.disk_low), self._files.disk_low)
        self.core.outside("disk-full", bool(self._files.disk_full), self._files.disk_full)
        self.core.outside("memory-failed", bool(self._memory.failure), self._memory.failure)
        readers = self._server.clients
        self._had_reader = self._had_reader or readers > 0
        self.core.outside("service-gone", self._had_reader and readers == 0)
        if begun_s >= self._calibration_due_s:
            self._calibration_due_s = begun_s + CALIBRATION_S
            problem = calibration_problem(self.rig, self._today())
            self.core.outside("calibration-due", bool(problem), problem)
        if self._box.failure:
            self._notice(say("black-box-not-written", problem=self._box.failure), {})
            self._box.failure = ""
        self._files.look_at_disk()
        clocks = self.link.host_map if self.link is not None else None
        if clocks is not None and clocks.ready:
            self._clocks = (
                clocks.round_trip_s(0.5) * 1e3,
                clocks.rate_ppm,
                clocks.sigma_s * 1e3,
            )
            self._clock_restarts = clocks.restarts
        with contextlib.suppress(RuntimeError):  # in a test's memory there may be no event loop
            self._tasks = len(asyncio.all_tasks())
        self.pulse.ran("housekeeping", self._clock() - begun_s)

    # ---- ending

    def ease_off(self) -> None:
        """Take the load off in order, as if a person had asked."""
        self._own.append(EaseOff(0, OWN_HOLDER, "Drumlin, which is being stopped"))

    @property
    def unloaded(self) -> bool:
        """True when nothing is left to take off."""
        return self.core.state not in (State.LOADED, State.EASING)

    def close(self) -> None:
        """End files and threads; call after the port is closed. Waits for the disk."""
        self._files.end(lambda: None)
        self._files.close()
        self._save_memory(self._clock())
        self._memory.close()
        self._box.close()

    # ---- inside

    def _step(self, frame: FromFrontEnd | None) -> None:
        commands = self._server.take_commands()
        if self._own:
            commands = (*self._own, *commands)
            self._own = []
        now_s = self._clock()
        step = self.core.step(frame, commands, now_s)
        link = self.link
        if link is not None:
            # Whoever stood still since the step began must not say what was right before.
            if step.set_point is not None and self._clock() - now_s < OLD_S:
                link.send(step.set_point)
            for other in step.send:
                link.send(other)
        if commands:
            host_ns = int(now_s * 1e9)
            for command in commands:
                self._note(RecordKind.COMMAND, host_ns, _msgpack.encode(command))
                if isinstance(command, StartTest):
                    self._started[command.run_id] = command
        for answer in step.answers:
            self._note(RecordKind.ANSWER, int(now_s * 1e9), _msgpack.encode(answer))
            self._server.answer(answer)
        if step.events:
            self._tell(step, int(now_s * 1e9), now_s)

    def _tell(self, step: CoreOutput, host_ns: int, now_s: float) -> None:
        for event in step.events:
            if event.kind == "run-started":
                run_id = str(event.data["run_id"])
                start = self._started.pop(run_id, None)
                self._started.clear()
                kept = self.core.memory()
                learned = Learned(dict(self.core.zeros), kept.ratio_per_m, kept.teeth)
                self._files.begin(run_id, start, learned, host_ns)
                self.pulse.restart()
            self._note(RecordKind.EVENT, host_ns, _msgpack.encode(written(event)))
            if event.kind == "run-ended":
                # Told when the file is whole, so that whoever evaluates it finds everything.
                self._files.end(functools.partial(self._server.publish_event, event))
            else:
                self._server.publish_event(event)
        state = self.core.state
        if state is not self._state:
            if state is State.TRIPPED:
                self._dump_box()
            self._state = state
        self._save_memory(now_s)

    def _note(self, kind: int, host_ns: int, payload: bytes) -> None:
        self._box.append(kind, host_ns, payload)
        self._files.append(kind, host_ns, payload)

    def _dump_box(self) -> None:
        name = f"{wall_clock.utc_now():%Y%m%d-%H%M%S}-{time.monotonic_ns() % 10**4:04d}"
        if self._box.dump(name):
            self._notice(say("last-minute-kept-as-black-box", name=name), {"name": name})
        else:
            self._notice(say("no-black-box-trip-one-before"), {})

    def _save_memory(self, now_s: float) -> None:
        self._memory_due_s = now_s + MEMORY_S
        memory = self.core.memory()
        if memory != self._saved:
            self._saved = memory
            self._memory.save(memory)

    def _notice(self, text: Text, data: dict[str, Text | float | int | bool]) -> None:
        self._server.publish_event(Event(self.core.time_s, "notice", text, data))
