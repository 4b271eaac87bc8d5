"""Keeps the run catalogue true: notes starts and ends, has runs closed, mends what was cut off.

Data flows: events of the loop -> RunLifecycle -> Catalogue; ended runs -> a worker process each,
one at a time -> run.parquet and result.json -> Catalogue. At start and whenever the loop came back,
every run that is neither closed nor live is closed too, marked as interrupted when its recording
has no end. The recording stays the truth: a run the catalogue never heard of is found by folder.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import secrets
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from api.folders import DELETED_FOLDER, RAW_NAME, RUNS_FOLDER
from api.runtime.channel import LoopGone
from api.runtime.channel_client import ChannelClient
from api.store.catalogue import RUN_ID, Catalogue, NewRun, Note
from api.store.closing.closed import Closed
from api.store.closing.jobs import ROOM, close_in_worker
from api.store.disk import DiskBudget
from api.store.schema import RunState
from api.store.vehicle_records import note_first
from control.telemetry import Event
from control.test_kinds.plans import Plan
from daq import wall_clock
from daq.errors import StoreError
from daq.rig.description import Rig
from daq.texts.message import say

FULL_WAIT_S = 5.0  # between two looks whether a full disk has room again
LOOK_EVERY_S = 1.0
CONNECT_WAIT_S = 5.0
TELEMETRY_WAIT_S = 2.0
INTERRUPTED_REASON = say("interrupted-process-or-computer-stopped-while")
KNOWN_KEPT = 64

log = logging.getLogger("drumlin.store")
CloseRun = Callable[[Path], Awaitable[Closed]]


class RunRequest(msgspec.Struct, frozen=True):
    """What a person said when starting a run; the loop does not need to know it."""

    vehicle: str
    note: str
    holder: str
    plan: Plan


class RunLifecycle:
    """One per service."""

    def __init__(
        self,
        catalogue: Catalogue,
        loop_client: ChannelClient,
        rig: Rig,
        data: Path,
        close: CloseRun = close_in_worker,
        disk: DiskBudget | None = None,
    ) -> None:
        self.catalogue = catalogue
        self.runs_folder = data / RUNS_FOLDER
        self._loop = loop_client
        self._rig = rig
        self._deleted = data / DELETED_FOLDER
        self._close = close
        self._disk = disk or DiskBudget(data, 0.0)
        self._queue: asyncio.Queue[str] = asyncio.Queue()
        self._queued: set[str] = set()
        self._asked: dict[str, RunRequest] = {}
        self._recovered_connections = -1
        self.recoveries = 0
        self.failures = 0
        self.no_room = False  # runs wait to be closed until the disk has room
        self.healthy = True  # the last step on the catalogue succeeded

    @property
    def waiting(self) -> int:
        """Runs that wait to be closed, the one in work included."""
        return len(self._queued)

    async def run(self) -> None:
        """Follow events until cancelled."""
        async with asyncio.TaskGroup() as group:
            group.create_task(self._close_runs(), name="run closer")
            group.create_task(self._follow(), name="run keeper")

    def expect(self, run_id: str, asked: RunRequest) -> None:
        """Remember what was said about a run that is about to start."""
        self._asked[run_id] = asked
        while len(self._asked) > KNOWN_KEPT:
            del self._asked[next(iter(self._asked))]

    def forget(self, run_id: str) -> None:
        """The start was refused."""
        self._asked.pop(run_id, None)

    async def begin(self, run_id: str, kind: str = "") -> None:
        """Note a run that the loop has accepted; harmless when it is known already."""
        asked = self._asked.get(run_id)
        run = NewRun(
            id=run_id,
            rig_name=self._rig.name,
            rig_fingerprint=self._rig.fingerprint,
            kind=kind or (_kind(asked.plan) if asked is not None else ""),
            started_at=started_at(run_id),
            vehicle=asked.vehicle if asked is not None else "",
            holder=asked.holder if asked is not None else "",
            plan=asked.plan if asked is not None else None,
        )
        await asyncio.to_thread(self.catalogue.begin_run, run)

    async def note_start(self, run_id: str) -> None:
        """Note a run whose start was just accepted, with the note given for it.

        A catalogue that fails must not make an accepted start look refused: the run is found by
        its folder later.
        """
        await self._guarded(self.begin, run_id)
        asked = self._asked.get(run_id)
        if asked is not None and asked.note:
            note = Note(utc_now(), asked.holder.partition(":")[0], asked.note)
            await self._guarded(asyncio.to_thread, self.catalogue.add_note, run_id, note)

    async def _follow(self) -> None:
        with self._loop.events() as stream:
            missed = 0
            while True:
                if self._loop.connections != self._recovered_connections or stream.missed != missed:
                    missed = stream.missed
                    await self._guarded(self._recover)
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(LOOK_EVERY_S):
                        event = await stream.get()
                    await self._guarded(self._take, event)

    async def _guarded(self, step: Callable[..., Awaitable[None]], *arguments: object) -> None:
        # A catalogue that fails now may work later; the recordings are safe meanwhile.
        try:
            await step(*arguments)
        except (StoreError, OSError) as error:
            self.failures += 1
            if self.healthy:
                log.warning("%s", error)
            self.healthy = False
        else:
            self.healthy = True

    async def _take(self, event: Event) -> None:
        run_id = str(event.data.get("run_id", ""))
        if not RUN_ID.match(run_id):
            return
        if event.kind == "run-started":
            await self.begin(run_id, str(event.data.get("test", "")))
        elif event.kind == "run-ended":
            reason = event.text or str(event.data.get("reason", ""))
            if not await asyncio.to_thread(self.catalogue.known, [run_id]):
                await self.begin(run_id)
            await asyncio.to_thread(self.catalogue.end_run, run_id, utc_now(), reason)
            self._enqueue(run_id)

    async def _recover(self) -> None:
        """Queue every run that is open in the catalogue or lies in a folder unknown to it."""
        live = await self._live_run()
        if live is None:
            return  # not known yet; asked again at the next look
        open_runs = await asyncio.to_thread(self.catalogue.open_runs)
        folders = await asyncio.to_thread(_recorded, self.runs_folder, self._deleted)
        known = await asyncio.to_thread(self.catalogue.known, folders)
        for run_id in folders:
            if run_id not in known:
                await self.begin(run_id)
        for run_id in sorted({*open_runs, *(set(folders) - known)}):
            if run_id != live:
                self._enqueue(run_id)
        self.recoveries += 1
        self._recovered_connections = self._loop.connections

    async def _live_run(self) -> str | None:
        """Id of the run that the loop is recording now; "" when none or no loop; None: unknown.

        Closing a run that is being recorded would call it interrupted, so a loop that is there
        but has not spoken yet is waited for.
        """
        with contextlib.suppress(LoopGone):
            await self._loop.wait_connected(CONNECT_WAIT_S)
        if not self._loop.connected:
            return ""
        try:
            async with asyncio.timeout(TELEMETRY_WAIT_S):
                await self._loop.changed(self._loop.count)
        except TimeoutError:
            return None
        telemetry = self._loop.latest
        return telemetry.test.run_id if telemetry is not None and telemetry.test else ""

    def close_soon(self, run_id: str) -> None:
        """Have a run closed that did not come from this rig's loop."""
        self._enqueue(run_id)

    def _enqueue(self, run_id: str) -> None:
        if run_id not in self._queued:
            self._queued.add(run_id)
            self._queue.put_nowait(run_id)

    async def _close_runs(self) -> None:
        while True:
            run_id = await self._queue.get()
            most_mb = ROOM * self._recorded_mb(run_id)
            if not self._disk.has(most_mb):
                # The recording is whole; a smaller one may have room, and this one later.
                if not self.no_room:
                    log.warning(
                        "no room on the disk to evaluate %s: %.0f MB are needed", run_id, most_mb
                    )
                self.no_room = True
                self._queue.put_nowait(run_id)
                await asyncio.sleep(FULL_WAIT_S)
                continue
            self.no_room = False
            try:
                with self._disk.reserve(most_mb, say("make-room-in-data-directory")):
                    await self._guarded(self._close_one, run_id)
            finally:
                self._queued.discard(run_id)

    def _recorded_mb(self, run_id: str) -> float:
        try:
            return (self.runs_folder / run_id / RAW_NAME).stat().st_size / 1e6
        except OSError:
            return 0.0

    async def _close_one(self, run_id: str) -> None:
        closed = await self._close(self.runs_folder / run_id)
        run = await asyncio.to_thread(self.catalogue.run, run_id)
        if run is None:
            return
        # An imported run waits to be closed, but nobody saw it end.
        ended_by_event = run.state is RunState.CLOSING and bool(run.ended_at)
        state = RunState.CLOSED
        reason = run.reason or closed.reason
        if closed.error:
            state, reason = RunState.FAILED, closed.error
        elif not closed.complete and not ended_by_event:
            state, reason = RunState.INTERRUPTED, INTERRUPTED_REASON
        changes: dict[str, object] = {
            "reason": reason,
            "frames": closed.frames,
            "raw_bytes": closed.raw_bytes,
            "conditions": closed.conditions,
            "result": closed.result,
            "software": closed.software,
            "ended_at": run.ended_at or closed.ended_at,
        }
        if closed.kind and not run.kind:
            changes["kind"] = closed.kind
        if closed.vehicle and not run.vehicle:
            changes["vehicle"] = closed.vehicle
        if closed.plan is not None and run.plan is None:
            changes["plan"] = closed.plan
        for name in ("rig_name", "rig_fingerprint", "started_at"):
            if getattr(closed, name):
                changes[name] = getattr(closed, name)
        await asyncio.to_thread(self.catalogue.close_run, run_id, state, changes)
        if isinstance(closed.result, dict) and "made" in closed.result:
            await asyncio.to_thread(note_first, self.catalogue, run_id, closed.result)


def new_run_id() -> str:
    """A run id: UTC date and time as a label, and four random characters."""
    return f"{wall_clock.utc_now():%Y%m%d-%H%M%S}-{secrets.token_hex(2)}"


def started_at(run_id: str) -> str:
    """The UTC label inside a run id as ISO 8601; "" when it holds no date."""
    try:
        moment = datetime.strptime(run_id[:15], "%Y%m%d-%H%M%S").replace(tzinfo=UTC)
    except ValueError:
        return ""
    return moment.isoformat(timespec="seconds")


def utc_now() -> str:
    """The UTC label of this moment."""
    return wall_clock.utc_now().isoformat(timespec="seconds")


def _kind(plan: Plan) -> str:
    tag = plan.__struct_config__.tag
    return tag if isinstance(tag, str) else ""


def _recorded(folder: Path, deleted: Path) -> list[str]:
    """Ids of run folders with a recording and without a tombstone, oldest first."""
    if not folder.is_dir():
        return []
    return sorted(
        each.name
        for each in folder.iterdir()
        if RUN_ID.match(each.name)
        and (each / RAW_NAME).is_file()
        and not (deleted / f"{each.name}.json").exists()
    )
