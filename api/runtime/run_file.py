"""The raw recording of the run under way, and of black boxes: opened and closed off the loop.

Data flows: the engine appends entries as they happen; one thread opens the file at the run's start
and closes it at its end, because a disk may take its time for both. Entries that come before the
file is open wait in memory and go in first.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from importlib.metadata import version
from pathlib import Path

import msgspec

from api.folders import BLACK_BOXES_FOLDER, RAW_NAME, RUNS_FOLDER, run_folder
from api.runtime.black_box import Entry
from api.runtime.host_clock import clock_sigma_s
from control.core.commands import StartTest
from daq import wall_clock
from daq.errors import DrumlinError
from daq.measure.speed.tooth_errors import ToothTable
from daq.recording.reader import Header
from daq.recording.recorder import RawRecorder, RecorderState, RecordKind
from daq.rig.description import Rig
from daq.texts.message import Text, say

DECISION = 8  # record kind beside recorder.RecordKind: msgpack of Telemetry, in black boxes only
MOST_WAITING = 60_000  # entries held while the file is not open yet, about 30 s
OPEN_WITHIN_S = 3.0  # what waits in memory for longer would be lost with the process
LEAST_FREE_MB = 500  # less room on the data's disk: no new test, unless the settings say otherwise
GONE = say("file-run-gone-somebody-moved-or")
LEAST_FREE_FILES = 100  # a run, its evaluations, memory and black box are some ten
LAST_FREE_BYTES = 150_000_000  # less: the running test ends in order, while there is room for that
_SOUND = frozenset({RecorderState.RECORDING, RecorderState.CLOSED})


class Learned(msgspec.Struct, frozen=True):
    """What the core knew when the run began and a replay has to know too."""

    zeros: dict[str, float] = {}
    ratio: float | None = None
    teeth: dict[str, ToothTable] = {}


class _Opening:
    """A file on its way: filled by the thread that opens it."""

    def __init__(self) -> None:
        self.since_s = time.monotonic()
        self.recorder: RawRecorder | None = None
        self.trouble = ""


def _write(recorder: RawRecorder, entries: list[Entry]) -> None:
    for kind, at_ns, payload in entries:
        recorder.append(kind, at_ns, payload)


def _try_disk(folder: Path) -> None:
    """Write something there that leaves nothing. Raises OSError."""
    folder.mkdir(exist_ok=True)
    with tempfile.TemporaryFile(dir=folder) as file:
        file.write(b"?")
        file.flush()
        os.fsync(file.fileno())


class RunFile:
    """At most one recording is open at a time."""

    def __init__(
        self, data: Path, rig: Rig, rig_text: str, least_free_mb: int = LEAST_FREE_MB
    ) -> None:
        self._data = data
        self._least_free_bytes = 1_000_000 * least_free_mb
        self._rig = rig
        self._rig_text = rig_text
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="run file")
        self._recorder: RawRecorder | None = None
        self._waiting: list[Entry] | None = None  # None: no run under way
        self._hello = b""
        self._trouble: Text = ""
        self._gone: Text = ""  # the run's file, while it is written
        self._opening: _Opening | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._looking = False
        self.disk_low: Text = ""  # what to say about too little room, "" when there is enough
        self.disk_full: Text = ""  # the same, when not even the running test may go on

    @property
    def state(self) -> str:
        """For telemetry: idle, recording, or what is wrong."""
        if self.failure:
            return f"failed: {self.failure}"
        return "idle" if self._waiting is None and self._recorder is None else "recording"

    @property
    def failure(self) -> Text:
        """Why the recording cannot be written, "" when it can."""
        if self._recorder is not None:
            view = self._recorder.view
            if view.state not in _SOUND:
                return view.problem
            if self._gone:
                return self._gone
        if self._opening is not None and time.monotonic() - self._opening.since_s > OPEN_WITHIN_S:
            return say("run-file-not-open-after-s", limit=OPEN_WITHIN_S)
        return self._trouble

    def look_at_disk(self) -> None:
        """Have the thread see how much room there is; `disk_low` says so later."""
        if self._looking:
            return  # a disk that does not even answer this
        self._looking = True
        recorder = self._recorder
        # What the last run's file met with is over once the disk takes another.
        troubled = bool(self._trouble) and recorder is None and self._waiting is None

        def work() -> None:
            try:
                status = os.statvfs(self._data)
                free = status.f_bavail * status.f_frsize
                said = say("mb-free", free_mb=free / 1e6)
                self.disk_low = said if free < self._least_free_bytes else ""
                if status.f_files and status.f_favail < LEAST_FREE_FILES:
                    self.disk_low = say("files-free", count=status.f_favail)
                self.disk_full = said if free < LAST_FREE_BYTES else ""
                self._gone = "" if recorder is None or recorder.in_place() else GONE
            except OSError as error:
                self.disk_low = self.disk_full = error.strerror or str(error)
            if troubled:
                with contextlib.suppress(OSError):
                    _try_disk(self._data / RUNS_FOLDER)
                    self._trouble = ""
            self._looking = False

        self._thread.submit(work)

    def begin(self, run_id: str, start: StartTest | None, learned: Learned, host_ns: int) -> None:
        """A run starts. Returns at once; the file opens on the thread."""
        self.end(lambda: None)
        self._trouble = self._gone = ""
        self._waiting = [
            (RecordKind.HEADER, host_ns, self._header(run_id, start, learned, host_ns))
        ]
        if self._hello:
            self._waiting.append((RecordKind.RX, host_ns, self._hello))
        if start is not None:
            self._waiting.append((RecordKind.COMMAND, host_ns, msgspec.msgpack.encode(start)))
        folder = run_folder(self._data, run_id)
        loop = self._loop = asyncio.get_running_loop()
        opening = self._opening = _Opening()

        def opened() -> None:
            if self._opening is not opening or self._waiting is None:
                return  # ended meanwhile: `end` saw to it
            self._opening = None
            self._trouble = opening.trouble
            if opening.recorder is not None:
                waiting, self._waiting = self._waiting, None
                _write(opening.recorder, waiting)
                self._recorder = opening.recorder

        def work() -> None:
            try:
                folder.mkdir(parents=True, exist_ok=True)
                opening.recorder = RawRecorder(folder / RAW_NAME)
            except (OSError, DrumlinError) as error:
                opening.trouble = str(error)
            loop.call_soon_threadsafe(opened)

        self._thread.submit(work)

    def append(self, kind: int, host_ns: int, payload: bytes) -> None:
        """Keep an entry of the run under way; none under way: nothing happens."""
        if self._recorder is not None:
            self._recorder.append(kind, host_ns, payload)
        elif self._waiting is not None and len(self._waiting) < MOST_WAITING:
            self._waiting.append((kind, host_ns, payload))

    def end(self, then: Callable[[], None]) -> None:
        """The run is over: close the file on the thread, then call `then` on the event loop.

        A run that ends before its file is open has its entries written all the same.
        """
        recorder, self._recorder = self._recorder, None
        waiting, self._waiting = self._waiting, None
        opening, self._opening = self._opening, None
        loop = self._loop
        if loop is None or (recorder is None and opening is None):
            then()
            return

        def work() -> None:  # after the opening: there is one thread
            last = recorder
            if opening is not None and waiting is not None:
                last = opening.recorder
                self._trouble = opening.trouble
                if last is not None:
                    _write(last, waiting)
            if last is not None and not last.close():
                self._trouble = last.view.problem or say("recording-end-could-not-be-written")
            loop.call_soon_threadsafe(then)

        self._thread.submit(work)

    def close(self) -> None:
        """Wait for what the thread still does; no run may be under way."""
        self._thread.shutdown(wait=True)

    def write_box(self, name: str, entries: list[Entry]) -> None:
        """Write a black box; called on a thread of its own. Raises OSError or RecordingError."""
        folder = self._data / BLACK_BOXES_FOLDER
        folder.mkdir(parents=True, exist_ok=True)
        recorder = RawRecorder(folder / f"{name}.drm")
        try:
            begun_ns = entries[0][1] if entries else 0
            recorder.append(
                RecordKind.HEADER, begun_ns, self._header(name, None, Learned(), begun_ns)
            )
            if self._hello:
                recorder.append(RecordKind.RX, begun_ns, self._hello)
            for kind, host_ns, payload in entries:
                recorder.append(kind, host_ns, payload)
        finally:
            recorder.close()

    def greeted(self, hello: bytes) -> None:
        """The newest greeting, without which no frame can be read."""
        self._hello = hello

    def _header(
        self, run_id: str, start: StartTest | None, learned: Learned, host_ns: int
    ) -> bytes:
        plan = b"null" if start is None else msgspec.json.encode(start.plan)
        return msgspec.json.encode(
            Header(
                rig_text=self._rig_text,
                rig_fingerprint=self._rig.fingerprint,
                version=version("drumlin"),
                run_id=run_id,
                plan=msgspec.Raw(plan),
                vehicle=start.vehicle if start is not None else "",
                started_utc=wall_clock.utc_now().isoformat(timespec="seconds"),
                utc_ns=host_ns + wall_clock.unix_ns() - time.monotonic_ns(),
                utc_sigma_s=clock_sigma_s(),
                zeros=learned.zeros,
                learned_ratio=learned.ratio,
                teeth=learned.teeth,
            )
        )
