"""Heavy work is done one by one, bounded, and by processes that go before the rest."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
import threading
from pathlib import Path

import httpx
import pytest

from api.http.app import BLOCKING_THREADS
from api.http.entry import budgets
from api.http.entry.admission import Standing
from api.http.routes import results, runs
from api.jobs import work as door
from api.jobs.job import Busy, Job, WorkError
from api.jobs.work import work
from api.services.jobs import ExportJob, LookJob
from api.settings import StoreSection
from daq.errors import Refused
from tests.api.harness import Service, StartService
from tests.api.recorded import RUN_ID

JOB = ExportJob("runs/x", "csv", "x.csv")


async def test_one_job_of_a_kind_is_done_at_a_time_and_few_wait(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    done: list[Job] = []
    at_once = 0
    go = asyncio.Event()

    async def slowly(job: Job, _: float) -> bytes:
        nonlocal at_once
        at_once += 1
        assert at_once == 1, "one at a time"
        await go.wait()
        at_once -= 1
        done.append(job)
        return b""

    monkeypatch.setattr(door, "_work", slowly)
    monkeypatch.setattr(ExportJob, "most_waiting", 2)
    asked = [asyncio.create_task(work(JOB)) for _ in range(3)]
    await asyncio.sleep(0)
    with pytest.raises(Busy, match="wait already"):
        await work(JOB)
    asked[1].cancel()  # who goes away makes room
    await asyncio.sleep(0)
    asked.append(asyncio.create_task(work(JOB)))
    go.set()
    await asyncio.gather(*asked, return_exceptions=True)
    assert done == [JOB] * 3
    await work(JOB)


async def test_a_queue_of_exports_holds_up_no_other_work(monkeypatch: pytest.MonkeyPatch) -> None:
    go = asyncio.Event()

    async def slowly(job: Job, _: float) -> bytes:
        if isinstance(job, ExportJob):
            await go.wait()
        return b"done"

    monkeypatch.setattr(door, "_work", slowly)
    exports = [asyncio.create_task(work(JOB)) for _ in range(3)]
    await asyncio.sleep(0)
    assert await work(LookJob("raw.drm")) == b"done"
    go.set()
    await asyncio.gather(*exports)


CONFINED = """
import json, os, resource, sys
from pathlib import Path
from api.jobs.limits import apply_limits
apply_limits(Path(sys.argv[1]), 3)
try:
    bytearray(os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE"))
    memory = "all of it"
except MemoryError:
    memory = "refused"
print(json.dumps({
    "memory": memory,
    "niceness": os.nice(0),
    "goes_first": Path("/proc/self/oom_score_adj").read_text().strip(),
    "file_bytes": resource.getrlimit(resource.RLIMIT_FSIZE)[0],
}))
"""


def test_a_worker_cannot_take_the_computer_from_the_loop(tmp_path: Path) -> None:
    before = int(subprocess.check_output([sys.executable, "-c", "import os; print(os.nice(0))"]))
    said = subprocess.check_output([sys.executable, "-c", CONFINED, str(tmp_path)], text=True)
    told = json.loads(said)
    assert told["memory"] == "refused"
    assert told["niceness"] == min(before + 3, 19)
    assert told["goes_first"] == "1000"
    assert told["file_bytes"] > 0


def noted(service: Service, frames: int) -> None:
    """A closed run in the catalogue."""
    from api.store.catalogue import NewRun
    from api.store.schema import RunState

    catalogue = service.context.keeper.catalogue
    catalogue.begin_run(NewRun(RUN_ID, "Tarnhow", "f", "steady-hold", "2026-03-14T15:09:26+00:00"))
    catalogue.close_run(RUN_ID, RunState.CLOSED, {"frames": frames})


async def test_an_export_that_would_fill_the_disk_is_refused_before_it_begins(
    start_service: StartService, data: Path
) -> None:
    service = await start_service(store=StoreSection(min_free_mb=1))
    noted(service, frames=1 << 45)
    async with service.browser() as browser:
        answer = await browser.get(f"/api/runs/{RUN_ID}/export")
        assert (answer.status_code, answer.json()["code"]) == (507, "disk-low")
        assert "fewer columns" in answer.json()["remedy"]
    assert not list(data.glob("export-*"))


async def test_exports_that_nobody_reads_are_few(
    service: Service, browser: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch, data: Path
) -> None:
    noted(service, frames=10)
    monkeypatch.setattr(results, "MOST_OUT", 0)
    answer = await browser.get(f"/api/runs/{RUN_ID}/export")
    assert (answer.status_code, answer.json()["code"]) == (503, "busy")
    assert answer.headers["retry-after"]
    monkeypatch.setattr(results, "MOST_OUT", 1)
    for _ in range(2):  # what failed is on its way no more
        answer = await browser.get(f"/api/runs/{RUN_ID}/export")
        assert (answer.status_code, answer.json()["code"]) == (409, "not-closed")
    assert not list(data.glob("export-*"))


async def test_looking_things_up_leaves_threads_for_commands(
    service: Service, browser: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    noted(service, frames=10)
    go = threading.Event()

    def endless(*_: object) -> None:
        go.wait(30.0)
        raise Refused("It took long.", "Ask for less.")

    monkeypatch.setattr(runs, "read_samples", endless)
    asked = [
        asyncio.create_task(browser.get(f"/api/runs/{RUN_ID}/samples"))
        for _ in range(2 * BLOCKING_THREADS)
    ]
    try:
        async with asyncio.timeout(20.0):
            while not service.context._slow.locked():
                await asyncio.sleep(0.005)
            assert (await browser.post("/api/park")).status_code == 200
    finally:
        go.set()
    # As many as one caller may ask at a time are answered, the others refused at once.
    answers = [(await each).status_code for each in asked]
    assert set(answers) == {409, 429}
    assert answers.count(409) == budgets.SERVICE.heavy_each[Standing.OPERATE]


async def test_a_worker_does_jobs_and_nothing_else(monkeypatch: pytest.MonkeyPatch) -> None:
    class Lookalike(LookJob, frozen=True):
        pass

    with pytest.raises(WorkError, match="The work failed"):
        await work(Lookalike("raw.drm"))  # its class is not found by name
    with pytest.raises(WorkError, match="There is no file"):
        await work(LookJob("raw.drm"))
